"use strict";
// The views of the live plan: floor and one side, to one scale, as SVG whose elements are kept and moved. Sources carry
// letters and discs, mics numbers and squares, as on the setup sheet. Metres in, pixels out.
globalThis.micalign ??= {};
micalign.views = (layout, host, choice) => {
  const { axisOf, minus, plus, reflections, size } = micalign.arithmetic;
  const { make, set } = micalign.svg;
  const MARGIN_M = 0.45, NEARLY_ALL = 0.75, LOBE_PX = 56, FINGER_PX = 22, REACH_PX = 26, GAP_PX = 60;
  const HANDLES_PX = [44, 58, 72, 32, 86], FREE_PX = 20; // where on its ray the handle may lie, and how far from any mark
  const MARK_PX = 9, RIM_PX = 13.5, COVERED_PX = 12; // a source beneath a mic shows a rim round it
  const EDGE = { left: 44, right: 10, top: 10, bottom: 34 };
  const { now, start } = layout;
  const KINDS = ["sources", "mics"];
  const letter = (n) => String.fromCharCode(65 + n % 26).repeat(Math.floor(n / 26) + 1);
  const tag = (kind, n) => (kind === "sources" ? letter(n) : String(n + 1));

  const px = (value) => value.toFixed(1);
  const line = (points) => points.map(([x, y], n) => `${n ? "L" : "M"}${px(x)} ${px(y)}`).join("");

  // ---- the part of the room that is drawn --------------------------------------------------------------------
  const extent = { low: [0, 0, 0], high: [1, 1, 1] };
  function fit() {
    const points = [...start.sources, ...start.mics, ...now.sources, ...now.mics].map((one) => one.at);
    for (const mic of start.mics) if (mic.move) points.push(mic.move.low, mic.move.high);
    for (const keepout of start.keepouts) points.push(keepout.at);
    for (let axis = 0; axis < 3; axis += 1) {
      const values = points.map((point) => point[axis]);
      let low = Math.min(...values) - MARGIN_M, high = Math.max(...values) + MARGIN_M;
      if (axis === 2) [low, high] = [Math.min(0, low + MARGIN_M), high];
      if (start.room) {
        const long = start.room.size[axis];
        [low, high] = choice.wholeRoom || high - low > NEARLY_ALL * long ? [0, long] : [Math.max(low, 0), Math.min(high, long)];
      }
      extent.low[axis] = low;
      extent.high[axis] = high;
    }
  }

  // ---- one view ----------------------------------------------------------------------------------------------
  function view(svg, name) {
    const layers = Object.fromEntries(["grid", "curves", "paths", "limits", "ghosts", "lobe", "handles", "things"]
      .map((layer) => [layer, make(svg, "g", { class: layer })]));
    const one = { svg, name, layers, across: 0, up: 1, toRight: 1, scale: 100, width: 100, height: 100, things: new Map() };
    // With the back to the left wall, the front wall is on the right: there y grows to the left, and `toRight` is -1.
    const edge = () => (one.toRight > 0 ? extent.low : extent.high)[one.across];
    one.x = (metres) => EDGE.left + one.toRight * (metres - edge()) * one.scale;
    one.y = (metres) => one.height - EDGE.bottom - (metres - extent.low[one.up]) * one.scale;
    one.flat = (point) => [one.x(point[one.across]), one.y(point[one.up])];
    one.metres = (x, y) => [
      one.toRight * (x - EDGE.left) / one.scale + edge(),
      (one.height - EDGE.bottom - y) / one.scale + extent.low[one.up],
    ];
    for (const kind of KINDS) {
      now[kind].forEach((thing, number) => one.things.set(`${kind} ${number}`, makeThing(one, kind, number, thing)));
    }
    const clip = make(svg, "clipPath", { id: `${svg.id}-clip` });
    one.clip = make(clip, "rect", {});
    for (const layer of ["curves", "paths", "limits", "lobe"]) set(layers[layer], { "clip-path": `url(#${svg.id}-clip)` });
    one.handle = make(layers.handles, "circle", { class: "handle", r: 7 });
    one.grip = make(layers.handles, "circle", { class: "finger", r: FINGER_PX });
    return one;
  }
  function makeThing(one, kind, number, thing) {
    const group = make(one.layers.things, "g", {
      class: `thing ${kind}`, tabindex: 0, role: "button", "data-kind": kind, "data-number": number,
    });
    const ghost = make(one.layers.ghosts, "path", { class: "ghost" });
    const aim = kind === "mics" ? make(group, "path", { class: "aim" }) : null;
    make(group, "circle", { class: "finger", r: FINGER_PX });
    const disc = kind === "sources" ? make(group, "circle", { class: "mark", r: MARK_PX }) : null;
    if (!disc) make(group, "rect", { class: "mark", x: -9, y: -9, width: 18, height: 18, rx: 2 });
    make(group, "text", { class: "tag", y: 4 }, tag(kind, number));
    const label = make(group, "text", { class: "name" }, thing.name);
    return { group, ghost, aim, disc, label, kind, number, spot: 0, wide: 0, covered: false };
  }
  const plan = view(host.querySelector(".plan-view"), "plan"), side = view(host.querySelector(".side-view"), "side");
  const both = [plan, side];
  fit();

  function resize() {
    [side.across, side.toRight] = choice.fromLeft ? [1, -1] : [0, 1];
    [side.up, plan.across, plan.up] = [2, 0, 1];
    const wide = Math.max(host.querySelector(".views").clientWidth, 260);
    const reach = (axis) => extent.high[axis] - extent.low[axis], edges = EDGE.left + EDGE.right;
    const tallest = Math.max(window.innerHeight * 0.72, 340) - EDGE.top - EDGE.bottom;
    const stacked = Math.min((wide - edges) / Math.max(reach(0), reach(side.across)), tallest / reach(1));
    const abreast = Math.min((wide - 2 * edges - GAP_PX) / (reach(0) + reach(side.across)), tallest / Math.max(reach(1), reach(2)));
    const beside = abreast > 0.8 * stacked, scale = beside ? abreast : stacked;
    host.querySelector(".views").classList.toggle("beside", beside);
    for (const one of both) {
      one.scale = scale;
      one.width = beside ? reach(one.across) * scale + edges + GAP_PX / 2 - 1 : wide;
      one.height = reach(one.up) * scale + EDGE.top + EDGE.bottom;
      set(one.svg, { viewBox: `0 0 ${px(one.width)} ${px(one.height)}`, width: px(one.width), height: px(one.height) });
      one.right = EDGE.left + reach(one.across) * scale;
      set(one.clip, { x: EDGE.left, y: EDGE.top, width: px(one.right - EDGE.left), height: px(one.height - EDGE.top - EDGE.bottom) });
      drawGrid(one);
      for (const thing of one.things.values()) thing.wide = thing.label.getComputedTextLength();
    }
  }
  function drawGrid(one) {
    const { METRES, length } = micalign.words;
    one.layers.grid.replaceChildren();
    const unitM = choice.unit === "ft" ? METRES.ft : 1;
    const steps = [0.1, 0.2, 0.5, 1, 2, 5, 10].map((step) => step * unitM);
    const step = steps.find((metres) => metres * one.scale >= 56) ?? steps.at(-1);
    const fine = (metres) => (choice.unit === "ft" ? (metres / METRES.ft).toFixed(step < 0.3 ? 1 : 0) : choice.unit === "cm"
      ? (metres * 100).toFixed(0) : metres.toFixed(step < 1 ? 1 : 0));
    const from = EDGE.left, to = one.right, top = EDGE.top, bottom = one.height - EDGE.bottom;
    for (const [axis, across] of [[one.across, true], [one.up, false]]) {
      for (let k = Math.ceil(extent.low[axis] / step - 1e-6); k * step <= extent.high[axis] + 1e-6; k += 1) {
        const at = px(across ? one.x(k * step) : one.y(k * step));
        make(one.layers.grid, "line", across ? { x1: at, x2: at, y1: top, y2: bottom } : { x1: from, x2: to, y1: at, y2: at });
        make(one.layers.grid, "text", across ? { x: at, y: bottom + 14, class: "mid" } : { x: from - 5, y: Number(at) + 4, class: "end" }, fine(k * step));
      }
    }
    const named = ["x, to the right", "y, away from the front wall", "height"];
    make(one.layers.grid, "text", { x: (from + to) / 2, y: bottom + 29, class: "mid" }, `${named[one.across]} (${choice.unit})`);
    make(one.layers.grid, "text", { class: "mid", transform: `translate(11 ${px((top + bottom) / 2)}) rotate(-90)` }, `${named[one.up]} (${choice.unit})`);
    if (start.room) {
      const [x0, y0] = one.flat([0, 0, 0]), [x1, y1] = one.flat(start.room.size);
      make(one.layers.grid, "rect", { class: "room", x: px(Math.min(x0, x1)), y: px(y1), width: px(Math.abs(x1 - x0)), height: px(y0 - y1), "clip-path": `url(#${one.svg.id}-clip)` });
    }
    for (const panel of start.panels) {
      const corners = [[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]].map(([a, b]) =>
        one.flat(plus(plus(panel.centre, panel.across, a * panel.half[0]), panel.along, b * panel.half[1])));
      make(one.layers.grid, "path", { class: "panel", d: line(corners), "clip-path": `url(#${one.svg.id}-clip)` });
    }
    one.keepouts = [];
    for (const keepout of start.keepouts) drawKeepout(one, keepout);
  }
  function drawKeepout(one, keepout) {
    const [x, y] = one.flat(keepout.at), clip = `url(#${one.svg.id}-clip)`;
    const boxed = keepout.size_m ?? [2 * keepout.radius_m, 2 * keepout.radius_m, keepout.height_m ?? 0];
    const round = keepout.shape === "sphere" || (keepout.shape === "cylinder" && one.up === 1);
    const parent = make(one.layers.grid, "g", { class: "keepout", "clip-path": clip });
    const high = round ? 2 * keepout.radius_m * one.scale : boxed[one.up] * one.scale;
    if (round) make(parent, "circle", { cx: px(x), cy: px(y), r: px(keepout.radius_m * one.scale) });
    else {
      const w = boxed[one.across] * one.scale;
      make(parent, "rect", { x: px(x - w / 2), y: px(y - high / 2), width: px(w), height: px(high) });
    }
    const label = make(parent, "text", { x: px(x), y: px(y + 4), class: "mid" }, keepout.name);
    one.keepouts.push({ x, y, high, label, wide: label.getComputedTextLength() });
  }

  // ---- what follows the hand ---------------------------------------------------------------------------------
  function drawThings(one, chosen) {
    for (const thing of one.things.values()) {
      const { kind, number, group, x, y } = thing, what = now[kind][number];
      group.setAttribute("transform", `translate(${px(x)} ${px(y)})`);
      const isChosen = chosen.kind === kind && chosen.number === number;
      group.classList.toggle("chosen", isChosen);
      group.setAttribute("aria-pressed", String(isChosen));
      if (thing.aim) {
        const axis = axisOf(now, what), [dx, dy] = [one.toRight * axis[one.across], -axis[one.up]];
        const flat = Math.hypot(dx, dy);
        const [ux, uy] = flat > 1e-6 ? [dx / flat, dy / flat] : [0, 0], far = 9 + 15 * flat;
        // A shaft and its head, as seen from here: short where the mic looks towards the reader or away.
        thing.aim.setAttribute("d", flat < 0.05 ? "" : `M${px(ux * 9)} ${px(uy * 9)}L${px(ux * far)} ${px(uy * far)}`
          + `M${px(ux * far - 5 * ux - 4 * uy)} ${px(uy * far - 5 * uy + 4 * ux)}L${px(ux * far)} ${px(uy * far)}`
          + `L${px(ux * far - 5 * ux + 4 * uy)} ${px(uy * far - 5 * uy - 4 * ux)}`);
      }
      drawGhost(one, thing);
    }
    const mics = [...one.things.values()].filter(({ kind }) => kind === "mics");
    for (const thing of one.things.values()) {
      const covered = Boolean(thing.disc) && mics.some(({ x, y }) => Math.hypot(x - thing.x, y - thing.y) < COVERED_PX);
      if (covered !== thing.covered) cover(thing, covered);
    }
    placeNames(one);
  }
  /** A source whose letter is hidden carries it with its name. */
  function cover(thing, covered) {
    thing.covered = covered;
    thing.disc.setAttribute("r", covered ? RIM_PX : MARK_PX);
    thing.label.textContent = (covered ? `${tag(thing.kind, thing.number)} ` : "") + now[thing.kind][thing.number].name;
    thing.wide = thing.label.getComputedTextLength();
  }
  function drawGhost(one, thing) {
    const old = start[thing.kind][thing.number].at;
    if (!layout.hasMoved(thing.kind, thing.number)) { thing.ghost.setAttribute("d", ""); return; }
    const [x, y] = one.flat(old);
    const outline = thing.kind === "sources"
      ? `M${px(x - 8)} ${px(y)}a8 8 0 1 0 16 0a8 8 0 1 0 -16 0` : `M${px(x - 8)} ${px(y - 8)}h16v16h-16z`;
    thing.ghost.setAttribute("d", `${outline}M${px(x)} ${px(y)}L${px(thing.x)} ${px(thing.y)}`);
  }
  // Places round a mark, then some further off; the one it had is kept while it is free, so that names do not jump about.
  const SPOTS = [[13, 4, 0], [-13, 4, 1], [0, -14, 0.5], [0, 24, 0.5], [11, -10, 0], [-11, -10, 1], [11, 18, 0], [-11, 18, 1],
    [0, -28, 0.5], [0, 38, 0.5], [13, -24, 0], [-13, -24, 1], [13, 32, 0], [-13, 32, 1], [26, 4, 0], [-26, 4, 1]];
  function placeNames(one) {
    const taken = [...one.things.values()].map(({ x, y }) => [x - 10, y - 10, x + 10, y + 10]);
    [...one.things.values()].forEach((thing, index) => {
      const box = ([dx, dy, anchor]) => {
        const left = thing.x + dx - anchor * thing.wide;
        return [left, thing.y + dy - 10, left + thing.wide, thing.y + dy + 3];
      };
      const cost = (spot) => {
        const b = box(SPOTS[spot]);
        let sum = b[0] < EDGE.left - 30 || b[2] > one.width || b[1] < 0 || b[3] > one.height - EDGE.bottom ? 400 : 0;
        taken.forEach((other, number) => {
          if (number === index) return;
          const w = Math.min(b[2], other[2]) - Math.max(b[0], other[0]), h = Math.min(b[3], other[3]) - Math.max(b[1], other[1]);
          if (w > 0 && h > 0) sum += w * h;
        });
        return sum + spot * 0.5;
      };
      let best = thing.spot, least = cost(best) - 6;
      for (let spot = 0; least > 4 && spot < SPOTS.length; spot += 1) {
        const sum = cost(spot);
        if (sum < least) [best, least] = [spot, sum];
      }
      thing.spot = best;
      const [dx, dy, anchor] = SPOTS[best];
      const crowded = least > 60 && !thing.group.classList.contains("chosen");
      set(thing.label, { x: dx - anchor * thing.wide, y: dy, visibility: crowded ? "hidden" : "visible" });
      if (!crowded) taken.push(box(SPOTS[best]));
    });
    if (one.handleAt) taken.push([one.handleAt[0] - 8, one.handleAt[1] - 8, one.handleAt[0] + 8, one.handleAt[1] + 8]);
    for (const keepout of one.keepouts) nameKeepout(keepout, taken);
  }
  /** The name of a keep-out in its middle, or above or below where marks and their names leave it room. */
  function nameKeepout({ x, y, high, label, wide }, taken) {
    const over = (at) => taken.reduce((sum, [left, top, right, foot]) => sum
      + Math.max(Math.min(x + wide / 2, right) - Math.max(x - wide / 2, left), 0) * Math.max(Math.min(at + 3, foot) - Math.max(at - 10, top), 0), 0);
    const places = [y + 4, y - high / 2 + 14, y + high / 2 - 6, y - high / 2 - 6, y + high / 2 + 14];
    const best = places.reduce((least, at) => (over(at) < over(least) ? at : least));
    label.setAttribute("y", px(best));
  }
  function drawLimits(one, chosen) {
    let d = "";
    const held = chosen.kind === "mics" ? now.mics[chosen.number] : null;
    if (held && held.may_move) {
      const ranges = layout.ranges(held, chosen.number);
      const [x0, y0] = one.flat(ranges.map(([low]) => low)), [x1, y1] = one.flat(ranges.map(([, high]) => high));
      if (held.move) d = `M${px(x0)} ${px(y0)}H${px(x1)}V${px(y1)}H${px(x0)}Z`;
      if (held.reach_m !== null) {
        const [x, y] = one.flat(start.mics[chosen.number].at), r = held.reach_m * one.scale;
        d = `M${px(x - r)} ${px(y)}a${px(r)} ${px(r)} 0 1 0 ${px(2 * r)} 0a${px(r)} ${px(r)} 0 1 0 ${px(-2 * r)} 0`;
      }
    }
    one.limit ??= make(one.layers.limits, "path", { class: "limit" });
    one.limit.setAttribute("d", d);
  }
  function drawLobe(one, chosen) {
    one.lobe ??= make(one.layers.lobe, "path", { class: "lobe" });
    const mic = chosen.kind === "mics" ? now.mics[chosen.number] : null;
    const aimed = mic && mic.aim !== null;
    for (const part of [one.handle, one.grip]) set(part, { visibility: aimed ? "visible" : "hidden" });
    one.handleAt = null;
    if (!mic) { one.lobe.setAttribute("d", ""); return; }
    const axis = axisOf(now, mic), [x, y] = one.flat(mic.at), points = [];
    for (let step = 0; step <= 48; step += 1) {
      const round = step / 24 * Math.PI, flat = [Math.cos(round), Math.sin(round)];
      const cosine = one.toRight * axis[one.across] * flat[0] + axis[one.up] * flat[1];
      const r = Math.abs(mic.omni_share + (1 - mic.omni_share) * (size(axis) ? cosine : 1)) * LOBE_PX;
      points.push([x + r * flat[0], y - r * flat[1]]);
    }
    one.lobe.setAttribute("d", line(points));
    const flat = Math.hypot(axis[one.across], axis[one.up]) || 1;
    const ray = (far) => [x + one.toRight * axis[one.across] / flat * far, y - axis[one.up] / flat * far];
    // As near as it covers no mark; where all do, where it is furthest from one.
    const free = (far) => Math.min(...[...one.things.values()].map((thing) => Math.hypot(thing.x - ray(far)[0], thing.y - ray(far)[1])));
    const far = HANDLES_PX.find((one) => free(one) >= FREE_PX) ?? HANDLES_PX.reduce((best, one) => (free(one) > free(best) ? one : best));
    const [cx, cy] = ray(far).map(px);
    set(one.handle, { cx, cy });
    set(one.grip, { cx, cy });
    one.handleAt = aimed ? ray(far) : null;
  }
  /** Where a mic at its height hears the source when the other one does; where a source at its height is as far from both. */
  function drawCurves(listening) {
    plan.curve ??= ["first", "second", "middle"].map((name) => make(plan.layers.curves, "path", { class: `curve ${name}` }));
    const { source, first, second } = listening;
    const known = source !== null && first !== null && second !== null && first !== second;
    const paths = known ? [circle(source, first, second), circle(source, second, first), bisector(source, first, second)] : ["", "", ""];
    paths.forEach((d, n) => plan.curve[n].setAttribute("d", d));
  }
  function circle(source, other, mic) {
    const from = now.sources[source].at, far = size(minus(now.mics[other].at, from));
    const up = now.mics[mic].at[2] - from[2], r = Math.sqrt(Math.max(far * far - up * up, 0)) * plan.scale;
    const [x, y] = plan.flat(from);
    return r > 0.5 ? `M${px(x - r)} ${px(y)}a${px(r)} ${px(r)} 0 1 0 ${px(2 * r)} 0a${px(r)} ${px(r)} 0 1 0 ${px(-2 * r)} 0` : "";
  }
  function bisector(source, first, second) {
    const a = now.mics[first].at, b = now.mics[second].at, z = now.sources[source].at[2];
    const way = minus(b, a), flat = way[0] ** 2 + way[1] ** 2;
    if (flat < 1e-8) return "";
    // (p - middle) . way = 0 at height z.
    const middle = plus(a, way, 0.5), rest = -(z - middle[2]) * way[2];
    const at = [middle[0] + way[0] * rest / flat, middle[1] + way[1] * rest / flat], far = 50 / Math.sqrt(flat);
    return line([-1, 1].map((sign) => plan.flat([at[0] - sign * way[1] * far, at[1] + sign * way[0] * far, z])));
  }
  function drawPaths(one, listening, found) {
    one.direct ??= make(one.layers.paths, "path", { class: "direct" });
    one.bounced ??= make(one.layers.paths, "path", { class: "bounced" });
    let direct = "", bounced = "";
    if (listening.source !== null) {
      const from = one.flat(now.sources[listening.source].at);
      for (const mic of new Set([listening.first, listening.second])) {
        if (mic === null) continue;
        const to = one.flat(now.mics[mic].at);
        direct += line([from, to]);
        for (const row of reflections(now, found, listening.source, mic)) {
          if (row.level_db < -10 || row.at_m === null) continue;
          const [x, y] = one.flat(row.at_m);
          bounced += `${line([from, [x, y], to])}M${px(x - 3)} ${px(y - 3)}h6v6h-6z`;
        }
      }
    }
    one.direct.setAttribute("d", direct);
    one.bounced.setAttribute("d", bounced);
  }
  /** All that moves, once a frame. */
  function draw(chosen, listening, found) {
    for (const one of both) {
      for (const thing of one.things.values()) [thing.x, thing.y] = one.flat(now[thing.kind][thing.number].at);
      drawLimits(one, chosen);
      drawLobe(one, chosen);
      drawThings(one, chosen);
      drawPaths(one, listening, found);
    }
    drawCurves(listening);
  }
  /** Where a hand is in a view, the things within its reach, nearest first, and whether the handle is nearer than they. */
  function underHand(one, event) {
    const box = one.svg.getBoundingClientRect(), scale = one.width / box.width;
    const at = [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
    const far = ({ x, y }) => Math.hypot(x - at[0], y - at[1]);
    const things = [...one.things.values()].filter((thing) => far(thing) < REACH_PX).sort((a, b) => far(a) - far(b));
    const toHandle = one.handleAt ? Math.hypot(one.handleAt[0] - at[0], one.handleAt[1] - at[1]) : Infinity;
    return { at, things, onHandle: toHandle < FINGER_PX && !(things.length && far(things[0]) <= toHandle) };
  }
  function outside() {
    return KINDS.some((kind) => now[kind].some(({ at }) =>
      at.some((value, axis) => value < extent.low[axis] - 1e-9 || value > extent.high[axis] + 1e-9)));
  }
  return { plan, side, both, draw, fit, resize, underHand, outside, tag };
};
