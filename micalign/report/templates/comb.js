"use strict";
// A comb drawn: level of the sum over frequency. Where notches are denser than pixels their envelope is filled instead of
// a line, in its own shade, so that no false pattern appears.
globalThis.micalign ??= {};
micalign.comb = (svg) => {
  const { between, notchDepth, notches, peakHeight, response } = micalign.arithmetic;
  const { make } = micalign.svg;
  const LOWEST_HZ = 20, HIGHEST_HZ = 20000, LOWEST_DB = -30, HIGHEST_DB = 9, OCTAVES = Math.log2(HIGHEST_HZ / LOWEST_HZ);
  const DENSE = 0.2; // notches to a pixel
  const HAIR_DB = 1e-6; // what rounding may take from a notch or a peak
  const EDGE = { left: 44, right: 12, top: 12, bottom: 40 };
  const shape = { width: 600, height: 240 };
  const grid = make(svg, "g", { class: "grid" });
  const band = make(svg, "path", { class: "comb-band" }), old = make(svg, "path", { class: "comb-old" });
  const curve = make(svg, "path", { class: "comb-line" }), marks = make(svg, "path", { class: "comb-notches" });
  const legend = make(svg, "g", { class: "legend" });
  const x = (hertz) => EDGE.left + Math.log2(hertz / LOWEST_HZ) / OCTAVES * (shape.width - EDGE.left - EDGE.right);
  const y = (db) => EDGE.top + (HIGHEST_DB - Math.min(Math.max(db, LOWEST_DB), HIGHEST_DB)) / (HIGHEST_DB - LOWEST_DB)
    * (shape.height - EDGE.top - EDGE.bottom);

  function resize() {
    shape.width = Math.max(svg.clientWidth || svg.parentElement.clientWidth, 260);
    svg.setAttribute("viewBox", `0 0 ${shape.width} ${shape.height}`);
    grid.replaceChildren();
    const ticks = shape.width < 480 ? [20, 100, 500, 2000, 10000] : [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];
    const bottom = shape.height - EDGE.bottom;
    for (const hertz of ticks) {
      make(grid, "line", { x1: x(hertz), x2: x(hertz), y1: EDGE.top, y2: bottom });
      make(grid, "text", { x: x(hertz), y: bottom + 15, class: hertz === 20000 ? "end" : "mid" }, hertz >= 1000 ? `${hertz / 1000}k` : `${hertz}`);
    }
    for (let db = LOWEST_DB; db <= HIGHEST_DB; db += 10) {
      make(grid, "line", { x1: EDGE.left, x2: shape.width - EDGE.right, y1: y(db), y2: y(db), class: db === 0 ? "zero" : "" });
      make(grid, "text", { x: EDGE.left - 6, y: y(db) + 4, class: "end" }, `${db}`);
    }
    make(grid, "text", { x: (EDGE.left + shape.width - EDGE.right) / 2, y: shape.height - 6, class: "mid" }, "frequency (Hz)");
    make(grid, "text", { class: "mid", transform: `translate(12 ${(EDGE.top + bottom) / 2}) rotate(-90)` }, "level (dB)");
  }
  function traced(sum) {
    let path = "", low = [], high = [];
    let bandPath = "", drawing = false;
    const close = () => {
      if (low.length > 1) bandPath += `M${high.join("L")}L${low.reverse().join("L")}Z`;
      [low, high] = [[], []];
    };
    const width = Math.floor(shape.width - EDGE.left - EDGE.right);
    const deepest = notchDepth(sum.level_db) + HAIR_DB, highest = peakHeight(sum.level_db) - HAIR_DB;
    for (let pixel = 0; pixel <= width; pixel += 1) {
      const from = LOWEST_HZ * 2 ** (OCTAVES * (pixel - 0.5) / width), to = LOWEST_HZ * 2 ** (OCTAVES * (pixel + 0.5) / width);
      const at = EDGE.left + pixel;
      if ((to - from) * Math.abs(sum.delay_s) > DENSE) {
        // The envelope itself: what single pixels hold would beat with them.
        low.push(`${at} ${y(notchDepth(sum.level_db)).toFixed(1)}`);
        high.push(`${at} ${y(peakHeight(sum.level_db)).toFixed(1)}`);
        drawing = false;
        continue;
      }
      const [least, most] = between(from, to, sum.delay_s, sum.level_db, sum.polarity);
      close();
      // A notch or a peak within a pixel is drawn as deep or as high as it is.
      const middle = response(LOWEST_HZ * 2 ** (OCTAVES * pixel / width), sum.delay_s, sum.level_db, sum.polarity);
      const level = least <= deepest ? least : most >= highest ? most : middle;
      path += `${drawing ? "L" : "M"}${at} ${y(level).toFixed(1)}`;
      drawing = true;
    }
    close();
    return [path, bandPath];
  }
  /** `sum` and, dashed, `before`: each {delay_s, level_db, polarity}; null draws nothing. */
  function draw(sum, before = null) {
    const [line, filled] = sum ? traced(sum) : ["", ""];
    curve.setAttribute("d", line);
    band.setAttribute("d", filled);
    old.setAttribute("d", before ? traced(before)[0] : "");
    const found = sum ? notches(sum.delay_s, sum.polarity, HIGHEST_HZ, 12).filter((hertz) => hertz >= LOWEST_HZ) : [];
    const depth = sum ? y(notchDepth(sum.level_db)) : 0;
    marks.setAttribute("d", found.map((hertz) => `M${x(hertz).toFixed(1)} ${(depth - 4).toFixed(1)}v8m-4 -4h8`).join(""));
    name(Boolean(filled), Boolean(before));
  }
  function name(dense, before) {
    const key = `${dense} ${before} ${shape.width}`;
    if (legend.dataset.key === key) return;
    legend.dataset.key = key;
    legend.replaceChildren();
    let at = shape.width - EDGE.right;
    const rows = [["notches", "comb-notches"], ...(before ? [["before", "comb-old"]] : []), ["the sum", "comb-line"],
      ...(dense ? [[shape.width < 480 ? "dense notches" : "notches too dense to draw", "comb-band"]] : [])];
    for (const [words, kind] of rows) {
      const text = make(legend, "text", { y: EDGE.top + 4, class: "end", x: at }, words);
      at -= text.getComputedTextLength() + 24;
      const d = kind === "comb-band" ? `M${at} ${EDGE.top - 4}h18v8h-18z` : kind === "comb-notches"
        ? `M${at + 9} ${EDGE.top - 4}v8m-4 -4h8` : `M${at} ${EDGE.top}h18`;
      make(legend, "path", { class: kind, d });
      at -= 14;
    }
  }
  return { draw, resize };
};
