"use strict";
// Elements of an <svg>: made, with their attributes and text, and changed.
globalThis.micalign ??= {};
micalign.svg = (() => {
  function set(element, attributes) {
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  }
  function make(parent, kind, attributes = {}, text) {
    const element = document.createElementNS("http://www.w3.org/2000/svg", kind);
    set(element, attributes);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }
  return { make, set };
})();
