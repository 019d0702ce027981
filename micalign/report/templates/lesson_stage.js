"use strict";
// The stage of the lesson: one sound, two mics that are dragged by hand or moved with arrow keys. Metres; the sound is at
// the origin. `moved(number, place)` is called with where a hand wants a mic.
globalThis.micalign ??= {};
micalign.lessonStage = (svg, { farthest_m, steps_m, moved }) => {
  const { make, set } = micalign.svg;
  const FINGER_PX = 24, NAMES = ["first mic", "second mic"];
  const LEFT = 0.14, EDGE = 0.06, FLAT = 0.42, TALL = 0.75, NARROW_PX = 480; // shares of the stage's width
  const WIDE_M = [2, 4, 8, 16, 32, 64, 128, 256, 512, 1024]; // the stage shows the least of these that holds both mics
  const shape = { width: 700, high: FLAT, wide_m: WIDE_M[0], scale: 1, unit: "m" };
  const boxOf = (wide_m) => ({ low: [-LEFT * wide_m, -shape.high * wide_m / 2], high: [(1 - LEFT) * wide_m, shape.high * wide_m / 2] });
  let box = boxOf(shape.wide_m);
  const floor = make(svg, "rect", { class: "stage-floor" });
  const rings = [0, 1].map((n) => make(svg, "circle", { class: `ring ring-${n}` }));
  const ways = [0, 1].map((n) => make(svg, "line", { class: `way way-${n}` }));
  const sound = make(svg, "circle", { class: "sound", r: 9 }), soundName = make(svg, "text", { class: "mid" }, "the sound");
  const bar = make(svg, "path", { class: "scale" }), barName = make(svg, "text", {});
  const mics = NAMES.map((name, number) => {
    const group = make(svg, "g", { class: `mic mic-${number}`, tabindex: 0, role: "button", "data-number": number });
    make(group, "circle", { class: "finger", r: FINGER_PX });
    make(group, "rect", { class: "mark", x: -10, y: -10, width: 20, height: 20, rx: 2 });
    make(group, "text", { class: "tag mid", y: 4.5 }, String(number + 1));
    return { group, words: make(svg, "text", { class: "name mid" }), name };
  });
  const x = (metres) => (metres - box.low[0]) * shape.scale, y = (metres) => (box.high[1] - metres) * shape.scale;
  const metres = (px, py) => [px / shape.scale + box.low[0], box.high[1] - py / shape.scale];

  /** How wide the stage must be to hold a place, with a margin. */
  const needed = ([across, up]) => Math.max(across / (1 - LEFT - EDGE), -across / (LEFT - EDGE), Math.abs(up) / (shape.high / 2 - EDGE));
  function zoom(places) {
    const least = Math.max(...places.map(needed)), wide_m = WIDE_M.find((one) => one >= least) ?? least;
    if (wide_m === shape.wide_m) return;
    shape.wide_m = wide_m;
    layOut();
  }
  function resize(unit) {
    shape.width = Math.max(svg.clientWidth || svg.parentElement.clientWidth, 260);
    shape.high = shape.width < NARROW_PX ? TALL : FLAT;
    shape.unit = unit;
    layOut();
  }
  function layOut() {
    box = boxOf(shape.wide_m);
    shape.scale = shape.width / shape.wide_m;
    const height = shape.width * shape.high, feet = shape.unit === "ft" || shape.unit === "in";
    set(svg, { viewBox: `0 0 ${shape.width} ${height.toFixed(1)}` });
    set(floor, { width: shape.width, height });
    for (const element of [sound, ...rings]) set(element, { cx: x(0), cy: y(0) });
    set(soundName, { x: Math.max(x(0), 34), y: y(0) + 26 });
    const one = feet ? 0.3048 : 1, long = one * 10 ** Math.floor(Math.log10(shape.wide_m / 2 / one));
    set(bar, { d: `M8 ${height - 16}v8h${(long * shape.scale).toFixed(1)}v-8` });
    set(barName, { x: 14 + long * shape.scale, y: height - 8 });
    barName.textContent = micalign.words.length(long, feet ? "ft" : long < 1 ? "cm" : "m");
  }
  /** Where a mic may be that is so far from the sound: as near to where it is as the widest stage allows. */
  function at(place, distance) {
    const wide_m = Math.max(farthest_m / (1 - LEFT - EDGE), WIDE_M[0]), tallest = (shape.high / 2 - EDGE) * wide_m;
    const long = Math.hypot(...place) || 1, [across, up] = place.map((one) => one / long * distance);
    const lifted = micalign.arithmetic.clip(up, -tallest, tallest);
    const along = Math.sqrt(Math.max(distance ** 2 - lifted ** 2, 0)) * (across < 0 ? -1 : 1);
    return along < -(LEFT - EDGE) * wide_m ? [distance, 0] : [along, lifted];
  }
  const held = (place) => place.map((one, axis) => micalign.arithmetic.clip(one, box.low[axis], box.high[axis]));
  function draw(places, words) {
    if (dragged === null) zoom(places);
    const height = shape.width * shape.high;
    places.forEach((place, number) => {
      const px = x(place[0]), py = y(place[1]), distance = Math.hypot(...place), { group, words: label, name } = mics[number];
      set(rings[number], { r: (distance * shape.scale).toFixed(1) });
      set(ways[number], { x1: x(0), y1: y(0), x2: px, y2: py });
      set(group, { transform: `translate(${px.toFixed(1)} ${py.toFixed(1)})`, "aria-label": `${name}, ${words[number]}: arrow keys move it` });
      // Above its mic or below, where the other one is not.
      const other = places[1 - number], above = place[1] > other[1] || (place[1] === other[1] && number === 0);
      const room = above ? py > 30 : py > shape.height - 26;
      label.textContent = words[number];
      const half = label.getComputedTextLength() / 2 + 4;
      set(label, { x: micalign.arithmetic.clip(px, half, shape.width - half), y: room ? py - 16 : py + 26 });
    });
  }

  // ---- the hand ----------------------------------------------------------------------------------------------
  let dragged = null, offset = [0, 0], last = [[0, 0], [0, 0]], written = ["", ""];
  function point(event) {
    const frame = svg.getBoundingClientRect();
    return metres((event.clientX - frame.left) * shape.width / frame.width, (event.clientY - frame.top) * shape.width / frame.width);
  }
  function nearest(spot, places) {
    const away = places.map((place) => Math.hypot(place[0] - spot[0], place[1] - spot[1]) * shape.scale);
    const number = away[0] <= away[1] ? 0 : 1;
    return away[number] <= FINGER_PX ? number : null;
  }
  svg.addEventListener("pointerdown", (event) => {
    const spot = point(event), number = nearest(spot, last);
    if (number === null) return;
    dragged = number;
    offset = last[number].map((one, axis) => one - spot[axis]);
    svg.setPointerCapture(event.pointerId);
    mics[number].group.focus({ preventScroll: true });
    event.preventDefault();
  });
  svg.addEventListener("pointermove", (event) => {
    if (dragged === null) return;
    moved(dragged, held(point(event).map((one, axis) => one + offset[axis])));
  });
  for (const kind of ["pointerup", "pointercancel"]) svg.addEventListener(kind, () => { dragged = null; draw(last, written); });
  const KEYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  svg.addEventListener("keydown", (event) => {
    const number = mics.findIndex(({ group }) => group === document.activeElement), way = KEYS[event.key];
    if (number < 0 || !way) return;
    event.preventDefault();
    const step = steps_m[event.shiftKey ? 1 : 0];
    moved(number, held(last[number].map((one, axis) => one + way[axis] * step)));
  });
  return { at, resize, draw: (places, words) => { [last, written] = [places, words]; draw(places, words); }, screen: (number) => [x(last[number][0]), y(last[number][1])] };
};
