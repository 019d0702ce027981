"use strict";
// What is wider than the window scrolls in its own box; `data-more` names the sides where more of it lies, and the style
// shows it there. Figures and tables alike, also those that are unfolded later.
for (const box of document.querySelectorAll("figure, .wide")) {
  const look = () => {
    const left = box.scrollLeft, right = box.scrollWidth - box.clientWidth - left;
    const sides = [...(left > 1 ? ["left"] : []), ...(right > 1 ? ["right"] : [])].join(" ");
    if (sides) box.dataset.more = sides; else delete box.dataset.more;
  };
  const watch = new ResizeObserver(look);
  for (const one of [box, box.firstElementChild]) watch.observe(one);
  box.addEventListener("scroll", look, { passive: true });
}
