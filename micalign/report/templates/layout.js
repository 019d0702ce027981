"use strict";
// What a hand may do to a scene: move, turn, undo; where limits stop it; and the scene file's text with the new numbers.
// Nothing here draws. Metres; where a limit stops a hand, positions keep to the millimetre, or a sixteenth of an inch.
globalThis.micalign ??= {};
micalign.layout = (values) => {
  const { apart, axisOf, clearance, clip, minus, plus, size } = micalign.arithmetic;
  const { METRES } = micalign.words;
  const start = values.scene, now = structuredClone(start);
  const past = [], future = [];
  let free = false, lastNudge = { what: "", when: 0 };
  const FORGIVEN_M = 1e-9, STEADY_MS = 900;
  const GRID_M = ["ft", "in"].includes(values.length_unit) ? METRES.in / 16 : 0.001;

  // ---- limits ------------------------------------------------------------------------------------------------
  const hardRange = (axis, from) => start.room ? [0, start.room.size[axis]]
    : axis === 2 ? [Math.min(0, from[2]), 1e4] : [-1e4, 1e4];
  /** The ranges of a mic's coordinates: its own box, and the margin to the walls where it may move. */
  function ranges(mic, number) {
    return [0, 1, 2].map((axis) => {
      let [low, high] = hardRange(axis, mic.at);
      if (mic.may_move && start.room) [low, high] = [low + start.room.margin_m, high - start.room.margin_m];
      if (mic.move) [low, high] = [Math.max(low, mic.move.low[axis]), Math.min(high, mic.move.high[axis])];
      return [low, high];
    });
  }
  /** Each limit that a mic breaks at a point, with how many metres. */
  function broken(mic, number, point) {
    const found = [];
    ranges(mic, number).forEach(([low, high], axis) => {
      const over = Math.max(low - point[axis], point[axis] - high);
      if (over > FORGIVEN_M) found.push({ by: mic.move ? "its move limits" : "the wall", metres: over });
    });
    const reach = mic.reach_m === null ? 0 : apart(point, start.mics[number].at) - mic.reach_m;
    if (reach > FORGIVEN_M) found.push({ by: "its reach", metres: reach });
    for (const keepout of start.keepouts) {
      const inside = -clearance(keepout, point);
      if (inside > FORGIVEN_M) found.push({ by: `the keep-out '${keepout.name}'`, metres: inside });
    }
    return found;
  }
  const total = (faults) => faults.reduce((sum, one) => sum + one.metres, 0);
  const snapped = (point, from) => point.map((value, axis) =>
    Math.abs(value - from[axis]) < 1e-12 ? from[axis] : steady(Math.round(value / GRID_M) * GRID_M));
  const steady = (metres) => Math.round(metres * 1e7) / 1e7;
  const mixed = (from, to, share) => plus(from, minus(to, from), share);

  /** As far towards a point as the limits let a mic go from where it is, sliding along what is in the way. */
  function stopped(number, wanted) {
    const mic = now.mics[number], from = mic.at;
    const owed = total(broken(mic, number, from)) + FORGIVEN_M;
    const allowed = (point) => total(broken(mic, number, point)) <= owed;
    const within = ranges(mic, number).map(([low, high], axis) =>
      clip(wanted[axis], Math.min(low, from[axis]), Math.max(high, from[axis])));
    let at = furthest(from, within, allowed);
    for (let axis = 0; axis < 3; axis += 1) {
      const slid = [...at];
      slid[axis] = within[axis];
      at = furthest(at, slid, allowed);
    }
    return at;
  }
  function furthest(from, to, allowed) {
    if (allowed(to)) return to;
    let low = 0, high = 1;
    for (let turn = 0; turn < 14; turn += 1) {
      const middle = (low + high) / 2;
      if (allowed(snapped(mixed(from, to, middle), from))) low = middle; else high = middle;
    }
    return snapped(mixed(from, to, low), from);
  }

  // ---- moving ------------------------------------------------------------------------------------------------
  const snapshot = () => structuredClone({
    sources: now.sources.map((one) => one.at), mics: now.mics.map((one) => [one.at, one.aim]),
  });
  function restore(kept) {
    kept.sources.forEach((at, s) => { now.sources[s].at = [...at]; });
    kept.mics.forEach(([at, aim], m) => Object.assign(now.mics[m], structuredClone({ at, aim })));
  }
  /** Remember how it is: what follows is one step for undo. Steady nudges of one kind are one step together. */
  function begin(nudge = "") {
    const when = performance.now();
    const same = nudge !== "" && nudge === lastNudge.what && when - lastNudge.when < STEADY_MS;
    lastNudge = { what: nudge, when };
    if (same) return;
    past.push(snapshot());
    future.length = 0;
  }
  /** Put a thing at a point, or as near as its limits allow; says what stopped it, or what it now breaks. */
  function moveTo(kind, number, point) {
    const thing = now[kind][number];
    const wanted = point.map((value, axis) => steady(clip(value, ...hardRange(axis, thing.at))));
    thing.at = kind === "mics" && !free ? stopped(number, wanted) : wanted;
    if (kind === "sources") return "";
    const faults = broken(thing, number, thing.at);
    if (faults.length) return `limits off: breaks ${faults.map((one) => one.by).join(" and ")}`;
    if (apart(thing.at, wanted) <= 5e-4) return "";
    return `stopped by ${broken(thing, number, wanted).map((one) => one.by).join(" and ") || "a limit"}`;
  }
  /** The direction of a mic: degrees round from +x towards +y, and up from level; null where it looks nowhere. */
  function direction(number) {
    const axis = axisOf(now, now.mics[number]);
    if (size(axis) === 0) return null;
    return {
      azimuth: Math.atan2(axis[1], axis[0]) * 180 / Math.PI,
      elevation: Math.asin(clip(axis[2], -1, 1)) * 180 / Math.PI,
    };
  }
  function turnTo(number, azimuth, elevation) {
    const mic = now.mics[number], round = azimuth * Math.PI / 180, up = clip(elevation, -90, 90) * Math.PI / 180;
    const far = Math.max(apart(micalign.arithmetic.aimPoint(now, mic), mic.at), 0.5);
    const along = [Math.cos(round) * Math.cos(up), Math.sin(round) * Math.cos(up), Math.sin(up)];
    mic.aim = { point: plus(mic.at, along, far).map((value) => Math.round(value * 1000) / 1000) };
  }
  /** Look at a source: by its name, so that the aim follows it, unless the file gives a point. */
  function aimAt(number, source) {
    const asPoint = start.mics[number].aim?.point !== undefined;
    now.mics[number].aim = asPoint ? { point: [...now.sources[source].at] } : { source };
  }
  function back(from, onto) {
    if (!from.length) return false;
    onto.push(snapshot());
    restore(from.pop());
    lastNudge = { what: "", when: 0 };
    return true;
  }

  // ---- what changed, and the file ----------------------------------------------------------------------------
  const sameAim = (a, b) => JSON.stringify(a) === JSON.stringify(b);
  const hasMoved = (kind, number) => now[kind][number].at.some((value, axis) => value !== start[kind][number].at[axis]);
  const hasTurned = (number) => !sameAim(now.mics[number].aim, start.mics[number].aim);
  function changes() {
    return ["sources", "mics"].flatMap((kind) => now[kind].flatMap((thing, number) => {
      const turned = kind === "mics" && hasTurned(number);
      return hasMoved(kind, number) || turned
        ? [{ kind, number, name: thing.name, from: start[kind][number].at, to: thing.at, turned }] : [];
    }));
  }
  const taped = (kind, number) =>
    values.tapes.some(({ from, to }) => [from, to].some(([k, n]) => k === kind && n === number));

  function written(metres, slot) {
    const unit = slot.unit ?? values.length_unit;
    const most = { m: 4, cm: 2, mm: 1 }[unit] ?? 4;
    const least = Math.min(most, (slot.written.match(/\.(\d+)/) ?? ["", ""])[1].length);
    let text = (Math.round(metres / METRES[unit] * 10 ** most) / 10 ** most + 0).toFixed(most);
    while (text.includes(".") && text.length - text.indexOf(".") - 1 > least && text.endsWith("0")) text = text.slice(0, -1);
    text = text.replace(/\.$/, "");
    return slot.unit ? `"${text} ${unit}"` : text;
  }
  const array = (point, slot) => `[${point.map((value) => written(value, slot)).join(", ")}]`;
  function aimText(slot) {
    const aim = now.mics[slot.index].aim;
    if (!hasTurned(slot.index)) return slot.written;
    if (slot.axis !== null) {
      const same = aim.point[slot.axis] === start.mics[slot.index].aim.point[slot.axis];
      return same ? slot.written : written(aim.point[slot.axis], slot);
    }
    const shown = aim.point ? array(aim.point, { ...slot, unit: null, written: "0.00" }) : JSON.stringify(now.sources[aim.source].name);
    return slot.lead + shown;
  }
  function placeText(slot) {
    const kind = `${slot.kind}s`, at = now[kind][slot.index].at, old = start[kind][slot.index].at;
    if (!hasMoved(kind, slot.index)) return slot.written;
    if (slot.axis === null) return slot.lead + array(at, { ...slot, written: "0.00" });
    return at[slot.axis] !== old[slot.axis] || taped(kind, slot.index) ? written(at[slot.axis], slot) : slot.written;
  }
  function tapeText(slot) {
    const { from, to } = values.tapes[slot.index];
    if (![from, to].some(([kind, number]) => hasMoved(kind, number))) return slot.written;
    return written(apart(now[from[0]][from[1]].at, now[to[0]][to[1]].at), slot);
  }
  /** The scene file as the user wrote it, with the numbers that changed; null where it cannot be cut. */
  function text() {
    if (values.pieces === null) return null;
    const fill = { at: placeText, aim: aimText, distance: tapeText };
    return values.pieces.map((piece) => (typeof piece === "string" ? piece : fill[piece.key](piece))).join("");
  }

  return {
    start, now, begin, snapped, moveTo, turnTo, aimAt, direction, changes, text, hasMoved, hasTurned, ranges,
    broken: (number) => broken(now.mics[number], number, now.mics[number].at),
    undo: () => back(past, future), redo: () => back(future, past),
    reset: () => { begin(); restore({ sources: start.sources.map((s) => s.at), mics: start.mics.map((m) => [m.at, m.aim]) }); },
    canUndo: () => past.length > 0, canRedo: () => future.length > 0,
    get free() { return free; }, set free(value) { free = value; },
  };
};
