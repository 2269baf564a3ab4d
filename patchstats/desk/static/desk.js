// What the page does over and above plain HTML: dropping a file, telling at once that one is too large, and a word
// while one waits. Everything works without it.
"use strict";

const form = document.getElementById("hand-in");
if (form) {
  const file = document.getElementById("file");
  const text = document.getElementById("text");
  const drop = document.getElementById("drop");
  const said = document.getElementById("said");

  function say(words, bad) {
    said.textContent = words;
    said.classList.toggle("bad", Boolean(bad));
  }

  function tooLarge() {
    const chosen = file.files[0];
    if (!chosen || chosen.size <= Number(form.dataset.largest)) return false;
    const size = (chosen.size / 1e6).toFixed(1).replace(/\.0$/, "");
    say(`The file has ${size} MB; the desk takes files up to ${form.dataset.largestWords}. ` +
        "Hand in only the sheet with the log, saved as CSV or Excel.", true);
    return true;
  }

  function chosen() {
    if (!tooLarge()) say(file.files[0] ? `Chosen: ${file.files[0].name}` : "");
  }

  for (const hint of document.querySelectorAll(".with-script")) hint.hidden = false;
  file.addEventListener("change", chosen);

  // The whole window takes the file, so that a drop beside the field does not make the browser leave the page.
  window.addEventListener("dragover", (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
  window.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget) drop.classList.remove("over");
  });
  window.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    if (event.dataTransfer.files.length > 1) {
      say("One file at a time, please.", true);
    } else if (event.dataTransfer.files.length === 1) {
      file.files = event.dataTransfer.files;
      chosen();
    } else {
      text.value = event.dataTransfer.getData("text/plain");
    }
  });

  form.addEventListener("submit", (event) => {
    if (tooLarge()) {
      event.preventDefault();
      file.focus();
    } else if (!file.files[0] && !text.value.trim()) {
      event.preventDefault();
      say("Choose a file, or paste your log as text.", true);
      file.focus();
    } else {
      say("Reading …");
    }
  });
}

// A button pressed twice sends its form once.
for (const each of document.forms) {
  each.addEventListener("submit", (event) => {
    if (event.defaultPrevented) return;
    if (each.dataset.sent) event.preventDefault();
    each.dataset.sent = "yes";
    for (const button of each.elements) {
      if (button.type === "submit") button.setAttribute("aria-disabled", "true");
    }
  });
}
window.addEventListener("pageshow", () => {
  for (const each of document.forms) {
    delete each.dataset.sent;
    for (const button of each.elements) button.removeAttribute("aria-disabled");
  }
});
