// What is added in another tab stands among the choices here when this one is looked at again; what is typed here stays.
"use strict";
(() => {
  const from = document.currentScript.dataset.from || location.pathname;
  const links = [...document.querySelectorAll("a.addition")];
  let pressed = false;

  const renew = async () => {
    if (!pressed || document.visibilityState !== "visible") return;
    let page;
    try {
      const answer = await fetch(from);
      if (!answer.ok) return;
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      return; // Without a network: the next look tries again.
    }
    for (const link of links) {
      const select = link.parentElement.querySelector("select");
      const known = new Set([...select.options].map((option) => option.value));
      const fresh = page.getElementById(select.id);
      const added = fresh ? [...fresh.options].filter((option) => !known.has(option.value)) : [];
      select.append(...added);
      if (select.value === "" && added.length === 1) select.value = added[0].value;
    }
  };

  for (const link of links) {
    link.addEventListener("click", () => {
      pressed = true;
    });
  }
  document.addEventListener("visibilitychange", renew);
  window.addEventListener("focus", renew);
})();
