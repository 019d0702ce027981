"use strict";
// The spectrum of what is heard, filled, and of the other version, dashed: moving, or of a whole stretch while nothing plays.
// Hertz, decibels of full scale. A curve is {analyser} or {bins, step}: decibels, and the hertz from one to the next.
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
    for (const { heard, ...curve } of [...sounds()].sort((a, b) => a.heard - b.heard)) {
      const { bins, step } = curve.analyser ? asItIs(curve.analyser) : curve;
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
  function asItIs(analyser) {
    const bins = new Float32Array(analyser.frequencyBinCount);
    analyser.getFloatFrequencyData(bins);
    return { bins, step: analyser.context.sampleRate / analyser.fftSize };
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
micalign.spectrum.SIZE = 4096;
micalign.spectrum.analyser = (context) =>
  new AnalyserNode(context, { fftSize: micalign.spectrum.SIZE, smoothingTimeConstant: 0.7, minDecibels: -100 });
/** The curve of a whole stretch: mean power of windows spread over it, on the scale of an analyser (Blackman's window). */
micalign.spectrum.still = (samples, sampleRate) => {
  const size = micalign.spectrum.SIZE, MOST = 48, power = new Float64Array(size / 2);
  const last = Math.max(samples.length - size, 0), count = Math.min(Math.floor(last / size * 2) + 1, MOST);
  for (let turn = 0; turn < count; turn += 1) {
    const from = count > 1 ? Math.round(last * turn / (count - 1)) : 0, real = new Float64Array(size), imag = new Float64Array(size);
    for (let n = 0; n < size; n += 1) {
      const round = 2 * Math.PI * n / size;
      real[n] = (samples[from + n] ?? 0) * (0.42 - 0.5 * Math.cos(round) + 0.08 * Math.cos(2 * round)) / size;
    }
    micalign.spectrum.transform(real, imag);
    for (let bin = 0; bin < size / 2; bin += 1) power[bin] += (real[bin] ** 2 + imag[bin] ** 2) / count;
  }
  return { bins: Float32Array.from(power, (one) => 10 * Math.log10(one)), step: sampleRate / size };
};
/** The discrete Fourier transform in place, of a power of two samples. */
micalign.spectrum.transform = (real, imag) => {
  const size = real.length;
  for (let n = 1, other = 0; n < size; n += 1) {
    let bit = size >> 1;
    for (; other & bit; bit >>= 1) other ^= bit;
    other ^= bit;
    if (n < other) [real[n], real[other], imag[n], imag[other]] = [real[other], real[n], imag[other], imag[n]];
  }
  for (let half = 1; half < size; half *= 2) {
    for (let k = 0; k < half; k += 1) {
      const c = Math.cos(Math.PI * k / half), s = -Math.sin(Math.PI * k / half);
      for (let a = k; a < size; a += 2 * half) {
        const b = a + half, x = real[b] * c - imag[b] * s, y = real[b] * s + imag[b] * c;
        [real[b], imag[b], real[a], imag[a]] = [real[a] - x, imag[a] - y, real[a] + x, imag[a] + y];
      }
    }
  }
};
