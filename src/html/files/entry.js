// Keeps readings in this browser until the service has them. Each gets its id here, so that one that is sent again is
// the same one; nothing is forgotten before the service has answered for it.
"use strict";
(() => {
  const form = document.getElementById("stations");
  if (!form) return;
  const survey = form.dataset.survey;
  const PREFIX = "garboard kept ";
  const key = PREFIX + survey;
  const status = document.getElementById("kept");
  const count = document.getElementById("count");
  const button = document.getElementById("send");
  const token = form.querySelector("input[name=form]").value;
  const rows = new Map([...form.querySelectorAll(".station")].map((row) => [row.dataset.station, row]));
  // A slip is seen at once: so long a figure can be mended before it goes out.
  const DWELL = 3000;
  // The service's clock goes before the tablet's, which may be wrong.
  const ahead = Date.parse(form.dataset.now) - Date.now() || 0;
  const LATER = 10000;
  const PATIENCE = 20000;
  const SENT = "sent; a figure typed now is one more reading";
  let sending = false;
  let again = false;
  let timer = 0;
  let trouble = "";
  let signing = false;
  let stored = true;

  // UUID of version 7 (RFC 9562): the time in milliseconds, then chance.
  const freshId = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    let time = Date.now();
    for (let n = 5; n >= 0; n -= 1) { bytes[n] = time % 256; time = Math.floor(time / 256); }
    bytes[6] = (bytes[6] & 0x0f) | 0x70;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
  };

  // Read anew each time: another tab may have sent some meanwhile.
  let fallback = [];
  const kept = () => {
    if (!stored) return fallback;
    try { return JSON.parse(localStorage.getItem(key)) || []; } catch { return []; }
  };
  const keep = (items) => {
    fallback = items;
    try {
      if (items.length) localStorage.setItem(key, JSON.stringify(items)); else localStorage.removeItem(key);
      stored = true;
    } catch { stored = false; }
  };

  const number = (text) => {
    const plain = text.trim().replace(",", ".");
    return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
  };
  const input = (row) => row.querySelector(".value");
  const state = (row, text, kind) => {
    row.querySelector(".state").textContent = text;
    row.classList.toggle("waiting", kind === "waiting");
    row.classList.toggle("wrong", kind === "wrong");
    const field = input(row);
    if (field) { if (kind === "wrong") field.setAttribute("aria-invalid", "true"); else field.removeAttribute("aria-invalid"); }
  };
  const held = (items, station) => items.find((item) => item.station_id === station);

  const show = () => {
    const items = kept();
    const waiting = items.filter((item) => !item.refused).length;
    const refused = items.length - waiting;
    const read = [...rows.values()].filter((row) => row.classList.contains("read") || row.classList.contains("waiting")).length;
    count.textContent = `${read} of ${rows.size} read`;
    let text = waiting ? `${waiting} kept here, not yet sent.` : refused ? "" : "All sent.";
    if (refused) text += ` ${refused} refused: see the station.`;
    if (waiting && sending) text += " Sending.";
    else if (waiting && trouble) text += ` ${trouble}`;
    if (!items.length) signing = false;
    if (signing) text += " Sign when all is sent.";
    if (!stored) text += " This browser keeps nothing: stay on this page until all is sent.";
    text = text.trim();
    // A screen reader says it again only when it says something else.
    if (status.textContent !== text) status.textContent = text;
    status.classList.toggle("waiting", items.length > 0);
    if (button) button.textContent = waiting ? "Send now" : "Send the readings";
  };

  const soon = (after) => {
    clearTimeout(timer);
    if (kept().some((item) => !item.refused)) timer = setTimeout(send, after);
  };

  // Keeps what stands in a station's field.
  const take = (row) => {
    const field = input(row);
    const station = row.dataset.station;
    const items = kept();
    const old = held(items, station);
    const others = items.filter((item) => item !== old);
    if (field.value.trim() === "") {
      if (old) keep(others);
      state(row, row.classList.contains("read") ? SENT : "", "");
      return show();
    }
    const value = number(field.value);
    if (!Number.isFinite(value) || Math.abs(value) > 10000) {
      state(row, "That is no number the meter shows. Enter digits, as 12.5.", "wrong");
      return show();
    }
    if (!old || old.value !== value) {
      const item = { id: freshId(), station_id: station, sequence: Number(row.dataset.sequence), value, taken_at: new Date(Date.now() + ahead).toISOString() };
      // One that may have reached the service keeps its id and place: the service tells whether it did.
      if (old && old.tried) item.id = old.id;
      keep([...others, item]);
    }
    state(row, "kept here", "waiting");
    show();
    soon(DWELL);
  };

  const settled = (items, results) => {
    const now = kept();
    for (const [n, item] of items.entries()) {
      const result = results[n];
      const row = rows.get(item.station_id);
      const same = now.findIndex((other) => other.id === item.id && other.value === item.value);
      if (result.status === "refused") {
        const problem = result.problem.errors[0] || result.problem;
        if (same >= 0) now[same].refused = problem.detail;
        if (row && same >= 0) state(row, problem.code === "conflict" ? "Another figure of this station was sent before. Empty this field, and correct that reading below." : problem.detail, "wrong");
        continue;
      }
      if (same >= 0) now.splice(same, 1);
      if (row) {
        const figure = document.createElement("span");
        figure.className = "figure";
        figure.textContent = String(item.value);
        row.querySelector(".sent").append(figure);
        row.classList.add("read");
        row.dataset.sequence = String(Math.max(Number(row.dataset.sequence), item.sequence + 1));
        row.querySelector(`input[name="sequence-${item.station_id}"]`).value = row.dataset.sequence;
        const field = input(row);
        if (number(field.value) === item.value) field.value = "";
        if (field.value === "") state(row, SENT, "");
      }
    }
    keep(now);
  };

  async function send() {
    if (sending) { again = true; return; }
    const items = kept().filter((item) => !item.refused).slice(0, 200);
    if (!items.length) return show();
    sending = true;
    trouble = "";
    keep(kept().map((item) => (items.some((own) => own.id === item.id) ? { ...item, tried: true } : item)));
    show();
    const stop = new AbortController();
    const patience = setTimeout(() => stop.abort(), PATIENCE);
    let wait = LATER;
    try {
      const readings = JSON.stringify({ items: items.map(({ id, station_id, sequence, value, taken_at }) => ({ id, station_id, sequence, value, taken_at })) });
      const answer = await fetch(form.dataset.readings, {
        method: "POST", body: new URLSearchParams({ form: token, readings }), signal: stop.signal,
        redirect: "manual", credentials: "same-origin", cache: "no-store",
      });
      if (answer.type === "opaqueredirect" || answer.status === 401) {
        trouble = "You are signed out: reload this page, sign in, and they are sent.";
      } else if (answer.ok) {
        settled(items, (await answer.json()).items);
        wait = 0;
      } else if (answer.status === 403) {
        trouble = "This page is out of date: reload it, and they are sent.";
      } else {
        const problem = (answer.headers.get("content-type") || "").includes("problem+json") ? await answer.json() : null;
        trouble = problem ? problem.detail : "The service did not take them. They are tried again.";
      }
    } catch {
      trouble = "No connection.";
    }
    clearTimeout(patience);
    sending = false;
    show();
    if (again) { again = false; wait = 0; }
    soon(wait);
  }

  // Kept at every key: a tablet may go to sleep before the field is left.
  form.addEventListener("input", (event) => {
    const row = event.target.closest(".station");
    if (row && (event.target.value.trim() === "" || Number.isFinite(number(event.target.value)))) take(row);
  });
  form.addEventListener("change", (event) => {
    const row = event.target.closest(".station");
    if (row) take(row);
  });
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches(".value")) return;
    event.preventDefault();
    const fields = [...form.querySelectorAll(".value")];
    const next = fields[fields.indexOf(event.target) + 1];
    if (next) { next.focus(); next.select(); next.scrollIntoView({ block: "center" }); } else { event.target.blur(); }
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    for (const row of rows.values()) if (input(row) && input(row).value.trim() !== "") take(row);
    send();
  });
  // Signing waits for the readings; any other form leaves them kept.
  const sign = document.querySelector("#sign form");
  if (sign) sign.addEventListener("submit", (event) => {
    const waiting = kept().length;
    if (!waiting) return;
    event.preventDefault();
    signing = true;
    show();
    send();
    status.scrollIntoView({ block: "center" });
  });
  window.addEventListener("online", send);
  window.addEventListener("offline", () => { trouble = "No connection."; show(); });
  window.addEventListener("pageshow", () => soon(0));
  window.addEventListener("storage", (event) => { if (event.key === key) show(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) soon(0); });
  window.addEventListener("beforeunload", (event) => { if (!stored && kept().length) event.preventDefault(); });

  try { localStorage.length; } catch { stored = false; }
  // What an earlier visit left.
  for (const item of kept()) {
    const row = rows.get(item.station_id);
    if (!row || !input(row)) continue;
    input(row).value = String(item.value);
    state(row, item.refused || "kept here", item.refused ? "wrong" : "waiting");
  }
  const others = document.getElementById("others");
  if (stored) for (let n = 0; n < localStorage.length; n += 1) {
    const other = localStorage.key(n);
    if (!other || !other.startsWith(PREFIX) || other === key) continue;
    const link = document.createElement("a");
    link.href = `/surveys/${encodeURIComponent(other.slice(PREFIX.length))}/entry`;
    link.textContent = "Open it to send them.";
    others.append("Readings of another survey are kept here and not yet sent. ", link, " ");
    others.hidden = false;
  }
  show();
  soon(0);
})();
