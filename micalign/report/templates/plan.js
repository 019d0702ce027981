"use strict";
// The live plan: hands and keys to positions, positions to numbers, pictures and the scene file's text.
(() => {
  const host = document.getElementById("live-plan");
  if (!host) return;
  const values = JSON.parse(document.getElementById("plan-data").textContent);
  const { AUDIBLE_HZ, apart, arrivals, clip, diDifference, diMics, difference, pairs, reflections, spacing } = micalign.arithmetic;
  const words = micalign.words, layout = micalign.layout(values), { now, start } = layout;
  const byId = (id) => document.getElementById(id);
  const shownUnit = { m: "m", cm: "cm", mm: "cm", ft: "ft", in: "ft" }[values.length_unit];
  const choice = { unit: shownUnit, fromLeft: false, wholeRoom: false };
  const chosen = { kind: now.mics.length ? "mics" : "sources", number: 0 };
  const listening = { source: 0, first: null, second: null, di: null };
  const views = micalign.views(layout, host, choice), comb = micalign.comb(byId("live-comb"));
  const long = (metres) => words.length(metres, choice.unit);
  const short = (metres) => words.length(metres, choice.unit === "ft" ? "in" : metres < 0.01 ? "mm" : choice.unit);
  const startFound = arrivals(start);
  let found = startFound, asked = false;
  const MOST_ROWS = 12, STEP_M = 0.01, LONG_STEP_M = 0.1, TURN_DEGREES = 5, HEARD_DB = -20;

  // ---- a first pair worth listening to -----------------------------------------------------------------------
  function begin() {
    const pair = start.pairs[0];
    if (pair) [listening.first, listening.second] = pair.mics;
    else if (now.mics.length > 1) [listening.first, listening.second] = sharing() ?? [0, 1];
    else if (now.mics.length) listening.first = 0;
    const both = [listening.first, listening.second].filter((m) => m !== null).map((m) => now.mics[m].on);
    const wanted = pair?.equal_to[0] ?? both[0]?.find((s) => both.every((on) => on.includes(s))) ?? both[0]?.[0];
    listening.source = wanted ?? 0;
    if (listening.second === null && now.dis.length && now.mics.length) listenToDi(0);
    const free = now.mics.findIndex((mic) => mic.may_move);
    chosen.number = free >= 0 ? free : chosen.number;
  }
  function sharing() {
    for (let a = 0; a < now.mics.length; a += 1) {
      for (let b = a + 1; b < now.mics.length; b += 1) {
        if (now.mics[a].on.some((s) => now.mics[b].on.includes(s))) return [a, b];
      }
    }
    return null;
  }
  function listenToDi(number) {
    listening.di = number;
    listening.second = null;
    listening.source = now.dis[number].of;
    const own = diMics(now, number);
    if (!own.includes(listening.first)) listening.first = own[0];
  }
  /** The chosen source in the chosen pair, of a scene and its arrivals. */
  function heard(scene, arrived) {
    const { source, first, second, di } = listening;
    if (first === null) return null;
    if (di !== null) return { ...diDifference(scene, arrived, di, first), level_difference_db: 0 };
    return second === null || second === first ? null : difference(scene, arrived, source, first, second);
  }

  // ---- words and tables --------------------------------------------------------------------------------------
  function write(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }
  function rows(id, lines, empty = "nothing") {
    const table = byId(id), body = table.tBodies[0];
    if (table.closest("details") && !table.closest("details").open) return;
    const wanted = lines.length ? lines : [[empty]];
    while (body.rows.length > wanted.length) body.deleteRow(-1);
    wanted.forEach((cells, r) => {
      const row = body.rows[r] ?? body.insertRow();
      while (row.cells.length > cells.length) row.deleteCell(-1);
      cells.forEach((cell, c) => {
        let place = row.cells[c];
        if (!place) {
          place = document.createElement(c === 0 && lines.length ? "th" : "td");
          if (c === 0 && lines.length) place.scope = "row";
          row.append(place);
        }
        write(place, cell);
      });
      row.cells[0].colSpan = lines.length ? 1 : table.tHead.rows[0].cells.length;
    });
  }
  const notchWords = (row) => row.polarity < 0 ? "bass (inverted)" : row.uncertainty_s > 0 ? words.firstNotch(row.difference_s, row.uncertainty_s, AUDIBLE_HZ)
    : row.first_notch_hz === null || row.first_notch_hz > AUDIBLE_HZ ? "none below 20 kHz" : words.hz(row.first_notch_hz);
  const depthWords = (row) => (row.notch_depth_db === null ? "none" : words.db(row.notch_depth_db));
  const apartWords = (row) => words.msWithin(Math.abs(row.difference_s), row.uncertainty_s);
  const secondName = () => listening.di !== null ? now.dis[listening.di].name : listening.second === null ? "" : now.mics[listening.second].name;

  function tellPair(row) {
    const speed = now.speed_m_s;
    if (!row) {
      for (const id of ["apart", "notch", "dip", "level"]) write(byId(`live-${id}`), "choose two mics");
      return;
    }
    const later = row.difference_s > 0 === (listening.di === null) ? secondName() : now.mics[listening.first].name;
    const farther_m = Math.abs(row.difference_s) * speed;
    write(byId("live-apart"), `${apartWords(row)}: ${farther_m < 5e-4 ? "equally far" : `${short(farther_m)} farther at ${later}`}`);
    byId("live-apart").dataset.seconds = row.difference_s;
    const isNarrow = row.uncertainty_s < 0.05 * Math.abs(row.difference_s);
    write(byId("live-notch"), `${notchWords(row)}${isNarrow && row.notches_hz.length > 1 ? `, then ${row.notches_hz.slice(1, 4).map(words.hz).join(", ")}` : ""}`);
    byId("live-notch").dataset.hz = row.first_notch_hz ?? "";
    const known = listening.di === null;
    write(byId("live-level"), known ? `${words.db(row.level_difference_db, true)} at ${secondName()}` : "not known of a DI: drawn as if equal");
    write(byId("live-dip"), known ? `${depthWords(row)}, peaks ${words.db(row.peak_height_db, true)}` : "total, were both equally loud");
  }
  function tellArrivals() {
    rows("live-arrivals", now.mics.map((mic, m) => [mic.name, ...now.sources.map((_, s) => {
      const path = found.paths[s][m];
      return `${mic.on.includes(s) ? "* " : ""}${words.ms(path.arrival_s, path.uncertainty_s)}, ${long(path.distance_m)}, ${words.db(path.level_db, true)}`;
    })]));
  }
  function tellPairs() {
    const speed = now.speed_m_s;
    rows("live-pairs", pairs(now, found).filter((row) => row.equal_to).map((row) => {
      const pair = now.pairs[row.pair], over = Math.abs(row.difference_s) - pair.tolerance_s;
      return [pair.name, now.sources[row.source].name, words.msWithin(row.difference_s, row.uncertainty_s, true),
        `${words.ms(pair.tolerance_s)} (${words.length(pair.tolerance_s * speed, choice.unit === "ft" ? "in" : "mm")})`,
        over > 0 ? `MISSED by ${words.ms(over)}` : row.uncertainty_s > pair.tolerance_s ? "open: ± is wider" : "kept", notchWords({ polarity: 1, ...row })];
    }), "no pair is asked to be equally far from a source");
  }
  function tellOthers() {
    const { first, source } = listening;
    const others = first === null ? [] : now.mics.map((_, m) => m).filter((m) => m !== first);
    rows("live-others", others.map((m) => {
      const row = difference(now, found, source, first, m);
      return [now.mics[m].name, words.ms(row.difference_s, row.uncertainty_s, true), words.db(row.level_difference_db, true), notchWords(row), depthWords(row)];
    }), "there is one mic");
  }
  function tellSpacing() {
    if (!byId("live-spacing").closest("details").open) return;
    const listed = spacing(now, found).filter(({ close }) => close).sort((a, b) => Math.min(a.mic_distance_ratio, a.path_ratio) - Math.min(b.mic_distance_ratio, b.path_ratio));
    const verdict = (row) => row.passes && row.bleed_passes ? "both" : row.passes ? "mic to mic only" : row.bleed_passes ? "bleed only" : "NO";
    rows("live-spacing", listed.slice(0, MOST_ROWS).map((row) => [now.sources[row.source].name, now.mics[row.mic].name, now.mics[row.other_mic].name,
      `${row.mic_distance_ratio.toFixed(1)}:1`, `${row.path_ratio.toFixed(1)}:1`, words.db(row.bleed_db, true), words.db(row.bleed_heard_db, true), verdict(row)]),
    "no mic within 60 cm of its source is on one that another mic is not on");
  }
  function tellBounces() {
    const mics = [...new Set([listening.first, listening.second])].filter((m) => m !== null);
    rows("live-bounces", mics.flatMap((m) => reflections(now, found, listening.source, m).sort((a, b) => b.level_db - a.level_db)
      .map((row) => [now.mics[m].name, row.surface, words.ms(row.delay_s), words.db(row.level_db, true), notchWords(row)])),
    "the scene has no room and no panels");
  }
  function tellStrings() {
    const wanted = new Map();
    for (const pair of now.pairs) for (const s of pair.equal_to) for (const m of pair.mics) wanted.set(`${s} ${m}`, [s, m]);
    now.mics.forEach((mic, m) => mic.on.slice(0, 1).forEach((s) => wanted.set(`${s} ${m}`, [s, m])));
    rows("live-strings", [...wanted.values()].map(([s, m]) => [now.sources[s].name, now.mics[m].name,
      words.length(found.paths[s][m].distance_m, choice.unit === "m" ? "cm" : choice.unit)]), "no mic says what it is on");
  }
  function tellChanges() {
    const moves = layout.changes().map((one) => {
      const moved = apart(one.from, one.to);
      const ways = one.to.map((value, axis) => [value - one.from[axis], [["right", "left"], ["back", "front"], ["up", "down"]][axis]])
        .filter(([by]) => Math.abs(by) >= 5e-4).map(([by, [more, less]]) => `${words.length(Math.abs(by), choice.unit === "m" ? "cm" : choice.unit)} ${by > 0 ? more : less}`);
      return [one.name, one.from.map(long).join(", "), one.to.map(long).join(", "),
        [moved > 0 ? ways.join(", ") : "", one.turned ? "turned" : ""].filter(Boolean).join(", ")];
    });
    const before = pairs(start, startFound), after = pairs(now, found);
    const figures = moves.length ? after.flatMap((row, n) => row.equal_to ? [[`${now.pairs[row.pair].name}: ${now.sources[row.source].name}`,
      words.ms(before[n].difference_s, before[n].uncertainty_s, true), words.ms(row.difference_s, row.uncertainty_s, true),
      `first notch ${notchWords({ polarity: 1, ...before[n] })}, now ${notchWords({ polarity: 1, ...row })}`]] : []) : [];
    const [old, current] = [heard(start, startFound), heard(now, found)];
    if (moves.length && old) {
      figures.push([`${now.sources[listening.source].name}: ${now.mics[listening.first].name}, ${secondName()}`, apartWords(old), apartWords(current),
        `first notch ${notchWords(old)}, now ${notchWords(current)}`]);
    }
    rows("live-changes", [...moves, ...figures], "nothing has been moved");
  }
  function tellHand() {
    const thing = now[chosen.kind][chosen.number], active = document.activeElement;
    ["x", "y", "z"].forEach((axis, n) => {
      const field = byId(`live-${axis}`);
      const text = choice.unit === "ft" ? long(thing.at[n]) : (thing.at[n] / words.METRES[choice.unit]).toFixed(choice.unit === "m" ? 3 : 1);
      if (field !== active && field.value !== text) field.value = text;
    });
    const isMic = chosen.kind === "mics", turned = isMic ? layout.direction(chosen.number) : null;
    byId("live-aiming").hidden = !isMic;
    if (!isMic) return;
    const aim = thing.aim === null ? "none" : thing.aim.source !== undefined ? String(thing.aim.source) : "point";
    if (byId("live-aim").value !== aim) byId("live-aim").value = aim;
    for (const name of ["azimuth", "elevation"]) {
      const field = byId(`live-${name}`);
      field.disabled = turned === null;
      const text = turned ? turned[name].toFixed(0) : "";
      if (field !== active && field.value !== text) field.value = text;
    }
  }

  // ---- a frame -----------------------------------------------------------------------------------------------
  function frame() {
    asked = false;
    if (pending) applyDrag();
    found = arrivals(now);
    views.draw(chosen, listening, found);
    const row = heard(now, found), old = layout.changes().length ? heard(start, startFound) : null;
    const sum = (one) => one && { delay_s: one.difference_s, level_db: one.level_difference_db, polarity: one.polarity };
    comb.draw(sum(row), sum(old));
    tellPair(row);
    tellArrivals();
    tellPairs();
    tellOthers();
    tellSpacing();
    tellBounces();
    tellStrings();
    tellChanges();
    tellHand();
  }
  function refresh() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(frame);
  }
  /** After a step is done: names for the screen reader, the file's text, the buttons. */
  function settle(said) {
    for (const view of views.both) {
      for (const { group, kind, number } of view.things.values()) {
        const { name, at } = now[kind][number];
        group.setAttribute("aria-label", `${name}, ${kind === "mics" ? "mic" : "source"}, x ${long(at[0])}, y ${long(at[1])}, height ${long(at[2])}`);
      }
    }
    byId("live-undo").disabled = !layout.canUndo();
    byId("live-redo").disabled = !layout.canRedo();
    byId("live-reset").disabled = layout.changes().length === 0;
    const text = layout.text();
    byId("live-text").value = text ?? "";
    if (views.outside()) { views.fit(); views.resize(); }
    found = arrivals(now);
    const row = heard(now, found);
    byId("live-comb").setAttribute("aria-label", row
      ? `Level of the sum over frequency: ${now.sources[listening.source].name} at ${now.mics[listening.first].name} and ${secondName()}, ${apartWords(row)} apart, first notch ${notchWords(row)}`
      : "No pair is chosen");
    if (said !== undefined) write(byId("live-said"), said);
    refresh();
  }
  const where = ({ at }) => `x ${long(at[0])}, y ${long(at[1])}, height ${long(at[2])}`;
  function summary(stop) {
    const thing = now[chosen.kind][chosen.number], row = heard(now, found);
    const limit = stop ? ` (${stop})` : "";
    return `${thing.name}: ${where(thing)}${limit}.${row ? ` First notch ${notchWords(row)}.` : ""}`;
  }

  // ---- hands -------------------------------------------------------------------------------------------------
  let drag = null, pending = null, stop = "";
  const PILE_PX = 14;
  function choose(kind, number) {
    [chosen.kind, chosen.number] = [kind, number];
    byId("live-thing").value = `${kind} ${number}`;
    refresh();
  }
  for (const view of views.both) {
    view.svg.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      const { at, things, onHandle } = views.underHand(view, event), [nearest] = things;
      if (!nearest && !onHandle) return;
      // Marks that lie on each other are taken in turn: what is in hand stays there, and a press without a drag takes the next.
      const pile = things.filter((one) => Math.hypot(one.x - nearest.x, one.y - nearest.y) < PILE_PX);
      const held = pile.findIndex(({ kind, number }) => kind === chosen.kind && number === chosen.number);
      const best = pile[Math.max(held, 0)];
      event.preventDefault();
      view.svg.setPointerCapture(event.pointerId);
      if (onHandle) drag = { view, turn: true, id: event.pointerId, begun: false };
      else {
        choose(best.kind, best.number);
        best.group.focus({ preventScroll: true });
        drag = { view, turn: false, id: event.pointerId, begun: false, off: [best.x - at[0], best.y - at[1]],
          next: held < 0 ? best : pile[(held + 1) % pile.length] };
      }
      drag.from = at;
    });
    view.svg.addEventListener("pointermove", (event) => {
      if (!drag || drag.view !== view || drag.id !== event.pointerId) return;
      const { at } = views.underHand(view, event);
      if (!drag.begun && Math.hypot(at[0] - drag.from[0], at[1] - drag.from[1]) < 2) return;
      if (!drag.begun) { layout.begin(); drag.begun = true; }
      pending = at;
      refresh();
    });
    for (const end of ["pointerup", "pointercancel"]) {
      view.svg.addEventListener(end, () => {
        if (!drag || drag.view !== view) return;
        if (pending) applyDrag();
        const { begun: done, next } = drag;
        drag = null;
        if (!done && next && end === "pointerup") { choose(next.kind, next.number); next.group.focus({ preventScroll: true }); }
        if (done) { found = arrivals(now); settle(summary(stop)); }
      });
    }
    view.svg.addEventListener("focusin", (event) => {
      const group = event.target.closest(".thing");
      if (group) choose(group.dataset.kind, Number(group.dataset.number));
    });
    view.svg.addEventListener("keydown", (event) => keys(view, event));
  }
  function applyDrag() {
    const { view, turn, off } = drag, thing = now[chosen.kind][chosen.number], to = pending;
    pending = null;
    if (turn) { turnTowards(view, thing, to); return; }
    const [across, up] = view.metres(to[0] + off[0], to[1] + off[1]), point = [...thing.at];
    [point[view.across], point[view.up]] = [across, up];
    stop = layout.moveTo(chosen.kind, chosen.number, layout.snapped(point, thing.at));
    warn();
  }
  function turnTowards(view, mic, to) {
    const [x, y] = view.flat(mic.at), across = view.toRight * (to[0] - x), up = y - to[1];
    const was = layout.direction(chosen.number) ?? { azimuth: 0, elevation: 0 };
    if (view.up === 1) { layout.turnTo(chosen.number, Math.atan2(up, across) * 180 / Math.PI, was.elevation); return; }
    // Seen from the side, a direction keeps its bearing or the one behind it, and takes its height from the hand.
    const round = was.azimuth * Math.PI / 180, seen = view.across === 0 ? Math.cos(round) : Math.sin(round);
    const facing = Math.abs(seen) < 0.05 ? 1 : seen;
    const behind = across * facing < 0 ? 180 : 0;
    layout.turnTo(chosen.number, was.azimuth + behind, Math.atan2(up, Math.abs(across / facing)) * 180 / Math.PI);
  }
  function warn() {
    const box = byId("live-limit");
    write(box, stop ? `${now[chosen.kind][chosen.number].name}: ${stop}.` : "");
    for (const view of views.both) view.svg.classList.toggle("stopped", stop !== "");
  }

  // ---- keys --------------------------------------------------------------------------------------------------
  const STEPS = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1], PageUp: [0, 0, 1], PageDown: [0, 0, -1] };
  function keys(view, event) {
    const group = event.target.closest(".thing");
    if (!group || event.ctrlKey || event.metaKey || event.altKey) return;
    if (STEPS[event.key]) {
      const [across, up, height = 0] = STEPS[event.key], step = event.shiftKey ? LONG_STEP_M : STEP_M;
      const by = [0, 0, 0];
      by[view.across] += view.toRight * across * step;
      by[view.up] += up * step;
      by[2] += height * step;
      nudge(by, event.key);
    } else if ((event.key === "," || event.key === ".") && chosen.kind === "mics" && layout.direction(chosen.number)) {
      const was = layout.direction(chosen.number), by = event.key === "," ? TURN_DEGREES : -TURN_DEGREES;
      layout.begin("turn");
      layout.turnTo(chosen.number, was.azimuth + by, was.elevation);
      settle(`${now.mics[chosen.number].name} looks ${layout.direction(chosen.number).azimuth.toFixed(0)} degrees round.`);
    } else return;
    event.preventDefault();
  }
  function nudge(by, key) {
    layout.begin(`${chosen.kind} ${chosen.number} ${key}`);
    stop = layout.moveTo(chosen.kind, chosen.number, now[chosen.kind][chosen.number].at.map((value, axis) => value + by[axis]));
    found = arrivals(now);
    warn();
    settle(summary(stop));
  }
  host.addEventListener("keydown", (event) => {
    const typing = event.target.matches("input, textarea, select");
    const key = event.key.toLowerCase(), control = event.ctrlKey || event.metaKey;
    if (control && key === "z" && !typing) step(event.shiftKey ? "redo" : "undo");
    else if (control && key === "y" && !typing) step("redo");
    else if (!control && key === "l" && !typing) byId("live-free").click();
    else return;
    event.preventDefault();
  });
  function step(way) {
    stop = "";
    const done = layout[way]();
    found = arrivals(now);
    warn();
    settle(done || way === "reset" ? { undo: "Undone.", redo: "Done again.", reset: "Everything stands where the file has it." }[way] : "There is nothing more.");
  }

  // ---- fields and buttons ------------------------------------------------------------------------------------
  function options(select, list) {
    select.replaceChildren(...list.map(([value, text]) => new Option(text, value)));
  }
  function fillSelects() {
    const named = (kind) => now[kind].map((one, n) => [`${kind} ${n}`, `${views.tag(kind, n)} ${one.name}`]);
    options(byId("live-thing"), [...named("mics"), ...named("sources")]);
    const sources = now.sources.map((one, n) => [String(n), one.name]), mics = now.mics.map((one, n) => [String(n), one.name]);
    options(byId("live-aim"), [["none", "nowhere (omni)"], ["point", "a point"], ...sources]);
    options(byId("live-source"), sources);
    options(byId("live-first"), mics);
    options(byId("live-second"), [...mics, ...now.dis.map((di, n) => [`di ${n}`, `${di.name} (DI)`])]);
    showListening();
  }
  function showListening() {
    byId("live-source").value = String(listening.source);
    byId("live-first").value = listening.first === null ? "" : String(listening.first);
    byId("live-second").value = listening.di !== null ? `di ${listening.di}` : listening.second === null ? "" : String(listening.second);
  }
  byId("live-thing").addEventListener("change", (event) => {
    const [kind, number] = event.target.value.split(" ");
    choose(kind, Number(number));
  });
  ["x", "y", "z"].forEach((name, axis) => byId(`live-${name}`).addEventListener("change", (event) => {
    const metres = words.parse(event.target.value, choice.unit), thing = now[chosen.kind][chosen.number];
    if (metres === null) { event.target.value = ""; tellHand(); settle(`That is no length: write ${choice.unit === "ft" ? "3 ft 5 in" : "1.25 m"}.`); return; }
    const point = [...thing.at];
    point[axis] = metres;
    layout.begin();
    stop = layout.moveTo(chosen.kind, chosen.number, point);
    found = arrivals(now);
    event.target.value = "";
    warn();
    settle(summary(stop));
  }));
  for (const name of ["azimuth", "elevation"]) {
    byId(`live-${name}`).addEventListener("change", (event) => {
      const was = layout.direction(chosen.number), value = event.target.valueAsNumber;
      if (was === null || !Number.isFinite(value)) return;
      layout.begin();
      layout.turnTo(chosen.number, name === "azimuth" ? value : was.azimuth, name === "elevation" ? value : was.elevation);
      settle("Turned.");
    });
  }
  byId("live-aim").addEventListener("change", (event) => {
    const mic = now.mics[chosen.number], wanted = event.target.value;
    if (wanted === "none" && mic.omni_share < 1) { tellHand(); settle(`A ${mic.pattern} must look somewhere.`); return; }
    layout.begin();
    if (wanted === "none") mic.aim = null;
    else if (wanted === "point") {
      const was = layout.direction(chosen.number) ?? { azimuth: -90, elevation: 0 };
      layout.turnTo(chosen.number, was.azimuth, was.elevation);
    } else layout.aimAt(chosen.number, Number(wanted));
    settle("Aim changed.");
  });
  byId("live-source").addEventListener("change", (event) => {
    listening.source = Number(event.target.value);
    if (listening.di !== null && now.dis[listening.di].of !== listening.source) {
      listening.di = null;
      listening.second = now.mics.findIndex((_, m) => m !== listening.first);
      if (listening.second < 0) listening.second = null;
    }
    showListening();
    settle();
  });
  byId("live-first").addEventListener("change", (event) => { listening.first = Number(event.target.value); settle(); });
  byId("live-second").addEventListener("change", (event) => {
    const [word, number] = event.target.value.split(" ");
    if (word === "di") listenToDi(Number(number));
    else [listening.di, listening.second] = [null, Number(word)];
    showListening();
    settle();
  });
  for (const way of ["undo", "redo", "reset"]) byId(`live-${way}`).addEventListener("click", () => step(way));
  byId("live-free").addEventListener("change", (event) => {
    layout.free = event.target.checked;
    stop = "";
    warn();
    settle(layout.free ? "Limits are off: mics go anywhere in the room, and what they break is said." : "Limits hold again.");
  });
  byId("live-unit").value = choice.unit;
  byId("live-unit").addEventListener("change", (event) => { choice.unit = event.target.value; views.resize(); settle(); });
  byId("live-from-left").addEventListener("change", (event) => { choice.fromLeft = event.target.checked; views.resize(); settle(); });
  byId("live-whole").addEventListener("change", (event) => { choice.wholeRoom = event.target.checked; views.fit(); views.resize(); settle(); });
  for (const details of host.querySelectorAll("details")) details.addEventListener("toggle", refresh);

  // ---- the scene file ----------------------------------------------------------------------------------------
  async function copy() {
    const text = layout.text();
    let done = false;
    try { await navigator.clipboard.writeText(text); done = true; } catch { done = copiedByHand(); }
    write(byId("live-said"), done ? "The scene is copied: paste it into your scene file." : "This browser does not let a page copy: take the text below.");
  }
  function copiedByHand() {
    const box = byId("live-text"), kept = document.activeElement;
    box.closest("details").open = true;
    box.select();
    const done = document.execCommand("copy");
    kept?.focus();
    return done;
  }
  function save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([layout.text()], { type: "application/toml" }));
    link.download = values.file;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    write(byId("live-said"), `Saved as ${values.file} where your browser keeps downloads.`);
  }
  byId("live-copy").addEventListener("click", copy);
  byId("live-save").addEventListener("click", save);
  if (values.pieces === null) {
    for (const id of ["copy", "save"]) byId(`live-${id}`).disabled = true;
    write(byId("live-said"), "This scene file is written in a way that cannot be changed number by number: copy the numbers by hand.");
  }

  begin();
  fillSelects();
  host.classList.add("ready");
  let width = 0;
  new ResizeObserver(() => {
    const wide = host.querySelector(".views").clientWidth;
    if (wide === width || wide === 0) return;
    width = wide;
    views.resize();
    comb.resize();
    refresh();
  }).observe(host.querySelector(".views"));
  views.resize();
  comb.resize();
  frame();
  settle();
  choose(chosen.kind, chosen.number);
  // What the tests look at.
  micalign.live = { layout, views, listening, chosen, choice, frame };
})();
