"use strict";
for (const pair of document.querySelectorAll(".pair")) {
  const stage = pair.querySelector(".stage");
  const control = pair.querySelector(".control");
  const range = control.querySelector("input");
  const set = (value) => {
    range.value = value;
    stage.style.setProperty("--at", range.value + "%");
    range.setAttribute("aria-valuetext",
      `${range.value} % ${pair.dataset.before}, ${100 - range.value} % ${pair.dataset.after}`);
  };
  const follow = (event) => {
    const box = stage.getBoundingClientRect();
    set(Math.round((100 * (event.clientX - box.left)) / box.width));
  };
  range.addEventListener("input", () => set(range.value));
  stage.addEventListener("pointerdown", (event) => {
    if (event.button === 0) {
      stage.setPointerCapture(event.pointerId);
      follow(event);
    }
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) follow(event);
  });
  control.hidden = false;
  pair.classList.add("live");
  set(50);
}
addEventListener("beforeprint", () => {
  for (const folded of document.querySelectorAll("details")) folded.open = true;
});
