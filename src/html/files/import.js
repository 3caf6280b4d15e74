// A file chosen is read into the field of its rows; nothing is sent before the button.
"use strict";
const MOST_BYTES = 1024 * 1024;
const file = document.getElementById("file");
const text = document.getElementById("text");
const problem = document.getElementById("file-problem");

const tell = (words) => {
  problem.textContent = words;
  problem.hidden = words === "";
};

file.addEventListener("change", async () => {
  tell("");
  const chosen = file.files[0];
  if (!chosen) return;
  if (chosen.size > MOST_BYTES) {
    tell("The file is longer than 1 MiB. Send it by the API or the command line, or in parts.");
    return;
  }
  try {
    text.value = new TextDecoder("utf-8", { fatal: true }).decode(await chosen.arrayBuffer());
  } catch {
    tell("The file is not UTF-8. Save it so, and choose it again.");
  }
});
