"use strict";

const form = document.getElementById("join");
const code = document.getElementById("code");
const wrong = document.getElementById("wrong");

async function enter() {
  wrong.textContent = "";
  try {
    const answer = await fetch("/join", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code: code.value }),
    });
    if (answer.ok) {
      location.replace("/");
      return;
    }
    wrong.textContent = (await answer.json()).error;
  } catch {
    wrong.textContent = "The logbook does not answer. Is this phone on the same network?";
  }
  code.focus();
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  enter();
});

// The square holds the code behind the number sign; it goes out of sight at once.
if (location.hash.length > 1) {
  code.value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, "", "/join");
  enter();
}
