// The page of a hull as it is looked at: the map follows a slider over the surveys, and what would move the dates is
// computed as it is chosen. Each asks for the page that its link or its button would open, and takes its parts over.
"use strict";

const parts = async (address, options, ids) => {
  const answer = await fetch(address, { credentials: "same-origin", ...options });
  if (!answer.ok && answer.status !== 422) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const id of ids) {
    const now = page.getElementById(id);
    const before = document.getElementById(id);
    if (now && before) before.replaceChildren(...now.childNodes);
  }
};

// Only the last of several in a row is waited for.
const lastOf = () => {
  let running;
  return async (address, options, ids, shown) => {
    running?.abort();
    const own = new AbortController();
    running = own;
    try {
      await parts(address, { ...options, signal: own.signal }, ids);
      shown?.();
    } catch (error) {
      // The network is away: the links and the button say so in their own way.
      if (error.name !== "AbortError") console.warn(error);
    }
  };
};

const along = document.getElementById("along");
// The links have the latest first; a slider goes from left to right.
const surveys = [...document.querySelectorAll("nav.surveys a")].reverse();
if (along && surveys.length > 1) {
  const slider = document.getElementById("slider");
  const told = along.querySelector("output");
  const show = lastOf();
  const day = (link) => link.firstChild.textContent.trim();
  const tell = () => {
    told.textContent = day(surveys[slider.value]);
    slider.setAttribute("aria-valuetext", told.textContent);
  };
  slider.max = surveys.length - 1;
  slider.value = surveys.findIndex((link) => link.hasAttribute("aria-current"));
  tell();
  along.hidden = false;
  slider.addEventListener("input", () => {
    tell();
    const chosen = surveys[slider.value];
    show(chosen.href, {}, ["map-shown"], () => {
      for (const link of surveys) link.removeAttribute("aria-current");
      chosen.setAttribute("aria-current", "true");
    });
  });
}

const question = document.getElementById("what-if-form");
if (question) {
  const ask = lastOf();
  question.addEventListener("change", () => {
    const asked = [...question.elements].some((field) => field.type !== "hidden" && field.name && field.value);
    // Nothing chosen is the page as it is.
    const options = asked ? { method: "POST", body: new URLSearchParams(new FormData(question)) } : {};
    const address = asked ? question.action : window.location.href;
    ask(address, options, ["what-if-problem", "what-if-answer", "portrait"]);
  });
}
