// A mark of the very swing of a strike, tapped on the drawn sole: the board's audit.

import { VIEW, toeSign } from "./place.js";

const form = document.getElementById("audit");
const sole = document.querySelector(".sole-drawing");

if (form && sole) {
  const button = form.querySelector("button");
  form.hidden = false;
  button.addEventListener("click", () => {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", `${on}`);
    button.nextElementSibling.hidden = !on;
    sole.classList.toggle("marking", on);
    if (on) sole.scrollIntoView({ block: "nearest" });
  });
  sole.addEventListener("click", (event) => {
    if (button.getAttribute("aria-pressed") !== "true") return;
    const box = sole.getBoundingClientRect();
    const mm = VIEW.width / box.width;
    const toe = toeSign(form.dataset.hand) * (VIEW.left + (event.clientX - box.left) * mm);
    const trail = -(VIEW.top + (event.clientY - box.top) * mm);
    const say = (name, value, [plus, minus]) => {
      form.elements[name].value = `${Math.abs(value).toFixed(1)} mm`;
      form.elements[`${name}-side`].value = value < 0 ? minus : plus;
    };
    say("toe", toe, ["toe", "heel"]);
    say("trail", Math.max(-10, Math.min(10, trail)), ["trailing", "leading"]);
    form.submit();
  });
}
