"use strict";
// The moving spectrum of what is heard, filled, and of the other version, dashed. Hertz, decibels of full scale.
globalThis.micalign ??= {};
micalign.spectrum = (canvas, sounds) => {
  const LOWEST_HZ = 30, HIGHEST_HZ = 18000, TOP_DB = -20, FOOT_DB = -100, CALM_MS = 400;
  const calm = matchMedia("(prefers-reduced-motion: reduce)"), brush = canvas.getContext("2d");
  const colour = (name) => getComputedStyle(canvas).getPropertyValue(`--${name}`).trim();
  let asked = false, last = 0;
  function paint(goesOn) {
    if (asked) return;
    asked = true;
    requestAnimationFrame((now) => {
      asked = false;
      if (!calm.matches || now - last > CALM_MS) { last = now; draw(); }
      if (goesOn()) paint(goesOn);
    });
  }
  function draw() {
    const ratio = window.devicePixelRatio || 1, wide = canvas.clientWidth, high = canvas.clientHeight;
    if (canvas.width !== Math.round(wide * ratio)) { canvas.width = Math.round(wide * ratio); canvas.height = Math.round(high * ratio); }
    brush.setTransform(ratio, 0, 0, ratio, 0, 0);
    brush.clearRect(0, 0, wide, high);
    const left = 52, right = wide - 8, top = 8, bottom = high - 34;
    const x = (hertz) => left + Math.log(hertz / LOWEST_HZ) / Math.log(HIGHEST_HZ / LOWEST_HZ) * (right - left);
    const y = (db) => top + (TOP_DB - Math.min(Math.max(db, FOOT_DB), TOP_DB)) / (TOP_DB - FOOT_DB) * (bottom - top);
    drawGrid({ wide, high, left, right, top, bottom }, x, y);
    for (const { analyser, heard } of [...sounds()].sort((a, b) => a.heard - b.heard)) {
      const bins = new Float32Array(analyser.frequencyBinCount), step = analyser.context.sampleRate / analyser.fftSize;
      analyser.getFloatFrequencyData(bins);
      brush.beginPath();
      for (let pixel = left; pixel <= right; pixel += 2) {
        const hertz = LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** ((pixel - left) / (right - left));
        const until = hertz * (HIGHEST_HZ / LOWEST_HZ) ** (2 / (right - left));
        const from = Math.floor(hertz / step), to = Math.max(Math.floor(until / step), from);
        let level = -Infinity;
        for (let bin = from; bin <= to; bin += 1) level = Math.max(level, bins[bin]);
        if (from === to) level = bins[from] + (bins[from + 1] - bins[from]) * (hertz / step - from);
        brush.lineTo(pixel, y(Number.isFinite(level) ? level : FOOT_DB));
      }
      brush.strokeStyle = colour(heard ? "blue" : "amber");
      brush.lineWidth = heard ? 2 : 1.3;
      brush.setLineDash(heard ? [] : [4, 3]);
      brush.stroke();
      if (!heard) continue;
      brush.lineTo(right, bottom);
      brush.lineTo(left, bottom);
      brush.globalAlpha = 0.12;
      brush.fillStyle = colour("blue");
      brush.fill();
      brush.globalAlpha = 1;
    }
  }
  function drawGrid({ wide, high, left, right, top, bottom }, x, y) {
    brush.font = "12px Georgia, serif";
    brush.lineWidth = 1;
    brush.setLineDash([]);
    brush.fillStyle = colour("soft");
    brush.strokeStyle = colour("line");
    brush.textAlign = "center";
    for (const hertz of wide < 480 ? [50, 200, 1000, 5000] : [50, 100, 200, 500, 1000, 2000, 5000, 10000]) {
      brush.beginPath(); brush.moveTo(x(hertz), top); brush.lineTo(x(hertz), bottom); brush.stroke();
      brush.fillText(hertz >= 1000 ? `${hertz / 1000}k` : `${hertz}`, x(hertz), bottom + 14);
    }
    brush.fillText("frequency (Hz)", (left + right) / 2, high - 5);
    brush.save();
    brush.translate(12, (top + bottom) / 2);
    brush.rotate(-Math.PI / 2);
    brush.fillText("level (dBFS)", 0, 0);
    brush.restore();
    brush.textAlign = "right";
    for (let db = TOP_DB; db >= FOOT_DB; db -= 20) brush.fillText(`${db}`, left - 5, y(db) + 4);
  }
  new ResizeObserver(draw).observe(canvas);
  return { draw, paint };
};
micalign.spectrum.analyser = (context, fftSize = 4096) =>
  new AnalyserNode(context, { fftSize, smoothingTimeConstant: 0.7, minDecibels: -100 });
