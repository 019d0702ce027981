"use strict";
// The living part of the lesson: sliders to comb, comb to picture and sound. Seconds, hertz, decibels.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const LOWEST_HZ = 20, HIGHEST_HZ = 20000, LOWEST_DB = -30, HIGHEST_DB = 9;
  const state = {
    delay: data.delay_ms, level: data.level_db, near: data.near, far: data.far, flipped: false,
  };

  // ---- the comb: 1 + p g exp(-j 2 pi f t), against the louder alone -------------------------------------------
  const weaker = () => 10 ** (-Math.abs(state.level) / 20);
  function responseDb(hertz) {
    const g = (state.flipped ? -1 : 1) * weaker();
    const turn = 2 * Math.PI * hertz * state.delay / 1e3;
    const power = 1 + g * g + 2 * g * Math.cos(turn);
    return 10 * Math.log10(Math.max(power, 1e-20));
  }
  function teeth(first) {
    const delay = state.delay / 1e3, found = [];
    if (delay <= 0) return found;
    for (let hertz = first / delay, k = 0; hertz <= HIGHEST_HZ * (1 + 1e-12); k += 1, hertz = (first + k) / delay) {
      found.push(hertz);
    }
    return found;
  }
  const notches = () => teeth(state.flipped ? 0 : 0.5);
  const peaks = () => teeth(state.flipped ? 0.5 : 1);

  // ---- words --------------------------------------------------------------------------------------------------
  function significant(value, digits) {
    if (value === 0) return "0";
    const decimals = digits - 1 - Math.floor(Math.log10(Math.abs(value)));
    const scale = 10 ** decimals;
    return (Math.round(value * scale) / scale).toFixed(Math.max(decimals, 0));
  }
  function showHz(hertz) {
    return Math.abs(hertz) >= 999.5 ? `${significant(hertz / 1000, 3)} kHz` : `${significant(hertz, 3)} Hz`;
  }
  function showList(element, found) {
    const shown = found.slice(0, 6).map(showHz).join(", ");
    element.textContent = found.length === 0 ? "none below 20 kHz"
      : found.length > 6 ? `${shown} and ${found.length - 6} more` : shown;
    element.dataset.hz = found.slice(0, 20).join(" ");
  }
  function describe() {
    const depth = 20 * Math.log10(Math.max(1 - weaker(), 1e-10)), height = 20 * Math.log10(1 + weaker());
    const deep = depth < -100 ? "total" : `${depth.toFixed(1)} dB`;
    showList(byId("notches"), notches());
    showList(byId("peaks"), peaks());
    byId("depth").textContent = `notches ${deep}, peaks +${height.toFixed(1)} dB`;
    byId("depth").dataset.db = `${depth} ${height}`;
    const audible = notches().filter((hertz) => hertz >= LOWEST_HZ);
    const first = audible.length ? `first notch ${showHz(audible[0])}` : "no notch in the audible range";
    byId("plot-words").textContent =
      `Level of the sum over frequency: ${state.delay.toFixed(2)} ms late, ${state.level.toFixed(1)} dB down`
      + `${state.flipped ? ", flipped" : ""}: ${first}.`;
    const between = (state.far - state.near) * data.metres_per_unit;
    const late = between / data.speed_m_s * 1e3, down = 20 * Math.log10(state.far / state.near);
    byId("from-distances").textContent =
      `${Math.abs(late).toFixed(3)} ms and ${Math.abs(down).toFixed(1)} dB apart, at ${data.speed_m_s.toFixed(1)} m/s`;
  }

  // ---- picture ------------------------------------------------------------------------------------------------
  const SPACE = "http://www.w3.org/2000/svg";
  const plot = byId("plot");
  function add(kind, attributes, text) {
    const element = document.createElementNS(SPACE, kind);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    plot.append(element);
    return element;
  }
  function draw() {
    const width = plot.clientWidth || 600, height = plot.clientHeight || 272;
    const left = 44, right = 12, top = 12, bottom = 40;
    const octaves = Math.log2(HIGHEST_HZ / LOWEST_HZ);
    const x = (hertz) => left + Math.log2(hertz / LOWEST_HZ) / octaves * (width - left - right);
    const y = (db) => top + (HIGHEST_DB - db) / (HIGHEST_DB - LOWEST_DB) * (height - top - bottom);
    plot.replaceChildren();
    plot.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const word = { "font-size": 12, fill: "var(--ink)" };
    const ticks = width < 480 ? [20, 100, 500, 2000, 10000] : [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];
    for (const hertz of ticks) {
      add("line", { x1: x(hertz), x2: x(hertz), y1: top, y2: height - bottom, stroke: "var(--line)" });
      const label = hertz >= 1000 ? `${hertz / 1000}k` : `${hertz}`;
      add("text", { x: x(hertz), y: height - bottom + 16, "text-anchor": hertz === 20000 ? "end" : "middle", ...word }, label);
    }
    for (let db = LOWEST_DB; db <= HIGHEST_DB; db += 10) {
      add("line", { x1: left, x2: width - right, y1: y(db), y2: y(db), stroke: db === 0 ? "var(--soft)" : "var(--line)" });
      add("text", { x: left - 6, y: y(db) + 4, "text-anchor": "end", ...word }, `${db}`);
    }
    add("text", { x: (left + width - right) / 2, y: height - 6, "text-anchor": "middle", ...word }, "frequency (Hz)");
    add("text", { transform: `translate(12 ${height / 2 - 10}) rotate(-90)`, "text-anchor": "middle", ...word }, "level (dB)");
    let path = "";
    for (let pixel = 0; pixel <= (width - left - right) * 4; pixel += 1) {
      const hertz = LOWEST_HZ * 2 ** (octaves * pixel / 4 / (width - left - right));
      path += `${pixel ? "L" : "M"}${(left + pixel / 4).toFixed(2)} ${y(Math.max(responseDb(hertz), LOWEST_DB)).toFixed(2)}`;
    }
    add("path", { d: path, fill: "none", stroke: "var(--blue)", "stroke-width": 1.8, "stroke-linejoin": "round" });
    const deepest = Math.max(20 * Math.log10(Math.max(1 - weaker(), 1e-10)), LOWEST_DB);
    for (const hertz of notches().slice(0, 12)) {
      if (hertz >= LOWEST_HZ) add("circle", { class: "notch", cx: x(hertz), cy: y(deepest), r: 3.5, fill: "var(--amber)" });
    }
  }

  // ---- sliders ------------------------------------------------------------------------------------------------
  const pairs = ["delay", "level", "near", "far"];
  function show() {
    for (const name of pairs) {
      byId(name).value = state[name];
      if (document.activeElement !== byId(`${name}-number`)) {
        byId(`${name}-number`).value = Number(state[name].toPrecision(4));
      }
    }
    byId("flipped").checked = state.flipped;
    describe();
    draw();
    hear();
  }
  function set(name, value) {
    if (!Number.isFinite(value)) return;
    const range = byId(name);
    state[name] = Math.min(Math.max(value, Number(range.min)), Number(range.max));
    if (name === "near" || name === "far") {
      state.delay = Math.abs(state.far - state.near) * data.metres_per_unit / data.speed_m_s * 1e3;
      state.level = Math.abs(20 * Math.log10(state.far / state.near));
    }
    show();
  }
  for (const name of pairs) {
    byId(name).addEventListener("input", (event) => set(name, Number(event.target.value)));
    byId(`${name}-number`).addEventListener("input", (event) => set(name, event.target.valueAsNumber));
    byId(`${name}-number`).addEventListener("change", show);
  }
  byId("flipped").addEventListener("change", (event) => { state.flipped = event.target.checked; show(); });
  window.addEventListener("resize", draw);

  // ---- sound --------------------------------------------------------------------------------------------------
  const RMS = 0.07, PEAK = 0.7, FADE_S = 0.03, HALF = 16, LONGEST_S = 30;
  let context = null, volume = null, playing = null, own = null, timer = 0;
  const made = new Map();

  function seeded(seed) {
    let a = seed;
    return () => {
      a = (a + 0x6D2B79F5) | 0;
      let t = Math.imul(a ^ (a >>> 15), 1 | a);
      t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
      return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
    };
  }
  // Pink noise, power falling as 1/f: a sum of noises that are held for 1, 2, 4 ... samples (Voss 1978).
  function noise(rate) {
    const out = new Float64Array(2 * rate), random = seeded(1), rows = new Float64Array(14);
    for (let i = 0; i < out.length; i += 1) {
      for (let row = 0; row < rows.length; row += 1) if (i % (1 << row) === 0) rows[row] = random() - 0.5;
      out[i] = rows.reduce((sum, value) => sum + value, 0);
    }
    return centred(out);
  }
  function click(rate) {
    const out = new Float64Array(rate);
    for (let i = -64; i <= 64; i += 1) {
      const t = i / rate;
      out[Math.round(rate / 10) + i] = -t * Math.exp(-t * t / 2e-8);
    }
    return out;
  }
  function string(rate) {
    const out = new Float64Array(2 * rate), random = seeded(2);
    for (let n = 1; n * 110 < 6000; n += 1) {
      const phase = 2 * Math.PI * random(), turn = 2 * Math.PI * 110 * n / rate, fade = (1 + 0.12 * n) / 0.5 / rate;
      const size = Math.sin(n * Math.PI / 5) / n;
      for (let i = 0; i < out.length; i += 1) {
        out[i] += size * Math.sin(turn * i + phase) * Math.exp(-i * fade) * Math.min(i / (0.002 * rate), 1);
      }
    }
    return out;
  }
  function centred(samples) {
    const mean = samples.reduce((sum, value) => sum + value, 0) / samples.length;
    return samples.map((value) => value - mean);
  }
  function dry(kind) {
    if (kind === "file") return own;
    if (!made.has(kind)) made.set(kind, { noise, click, string }[kind](context.sampleRate));
    return made.get(kind);
  }
  // A copy later by any fraction of a sample: a windowed sinc, going round the loop.
  function shifted(samples, delay) {
    const count = samples.length, whole = Math.floor(delay), part = delay - whole, out = new Float64Array(count);
    for (let tap = 1 - HALF; tap <= HALF; tap += 1) {
      const away = tap - part;
      const kernel = away === 0 ? 1
        : Math.sin(Math.PI * away) / (Math.PI * away) * Math.cos(Math.PI * away / (2 * HALF + 2)) ** 2;
      let from = (((-whole - tap) % count) + count) % count;
      for (let i = 0; i < count; i += 1) {
        out[i] += kernel * samples[from];
        from = from + 1 === count ? 0 : from + 1;
      }
    }
    return out;
  }
  function blend() {
    const samples = dry(document.querySelector("input[name=sound]:checked").value);
    let out = Float64Array.from(samples);
    if (!byId("alone").checked) {
      const copy = shifted(samples, state.delay / 1e3 * context.sampleRate);
      const g = (state.flipped ? -1 : 1) * weaker();
      out = out.map((value, i) => value + g * copy[i]);
    }
    const power = out.reduce((sum, value) => sum + value * value, 0) / out.length;
    // One gain for a kind: what its dry sound may have without clipping, twice as high peaks allowed for.
    const dryPower = samples.reduce((sum, value) => sum + value * value, 0) / samples.length;
    const dryPeak = samples.reduce((most, value) => Math.max(most, Math.abs(value)), 0);
    const rms = Math.min(RMS, PEAK / 2 * Math.sqrt(dryPower) / (dryPeak || 1));
    const gain = power > 1e-12 * dryPower ? rms / Math.sqrt(power) : 0;
    return Float32Array.from(out, (value) => value * gain);
  }
  function start(fraction) {
    const samples = blend();
    const buffer = context.createBuffer(1, samples.length, context.sampleRate);
    buffer.copyToChannel(samples, 0);
    const source = context.createBufferSource(), fade = context.createGain(), now = context.currentTime;
    source.buffer = buffer;
    source.loop = true;
    fade.gain.setValueAtTime(0, now);
    fade.gain.linearRampToValueAtTime(1, now + FADE_S);
    source.connect(fade).connect(volume);
    source.start(now, fraction * buffer.duration);
    playing = { source, fade, begun: now - fraction * buffer.duration, duration: buffer.duration };
  }
  function stop() {
    if (!playing) return 0;
    const { source, fade, begun, duration } = playing, now = context.currentTime;
    fade.gain.cancelScheduledValues(now);
    fade.gain.setValueAtTime(fade.gain.value, now);
    fade.gain.linearRampToValueAtTime(0, now + FADE_S);
    source.stop(now + FADE_S);
    playing = null;
    return ((now - begun) / duration) % 1;
  }
  function hear() {
    if (!playing) return;
    clearTimeout(timer);
    timer = setTimeout(() => { if (playing) start(stop()); }, 60);
  }
  function ready() {
    if (context) return;
    context = new AudioContext();
    volume = context.createGain();
    volume.connect(context.destination);
    setVolume();
  }
  function setVolume() {
    const db = Number(byId("volume").value);
    byId("volume").setAttribute("aria-valuetext", db === 0 ? "full" : `${-db} dB down`);
    if (volume) volume.gain.setTargetAtTime(10 ** (db / 20), context.currentTime, 0.01);
  }
  function press() {
    ready();
    context.resume();
    if (playing) stop(); else start(0);
    byId("play").setAttribute("aria-pressed", String(Boolean(playing)));
    byId("play").textContent = playing ? "stop" : "play";
  }
  async function take(file) {
    if (!file) return;
    ready();
    try {
      const buffer = await context.decodeAudioData(await file.arrayBuffer());
      const samples = Float64Array.from(buffer.getChannelData(0).subarray(0, LONGEST_S * context.sampleRate));
      if (!samples.some((value) => value !== 0)) throw new Error("silent");
      own = samples;
      byId("own-sound").disabled = false;
      byId("own-sound").checked = true;
      byId("file-words").textContent =
        `${file.name}: ${(samples.length / context.sampleRate).toFixed(1)} s of its first channel`;
      hear();
    } catch {
      byId("file-words").textContent = `${file.name} holds no sound that this browser can play.`;
    }
  }
  byId("play").addEventListener("click", press);
  byId("volume").addEventListener("input", setVolume);
  byId("alone").addEventListener("change", hear);
  for (const radio of document.querySelectorAll("input[name=sound]")) radio.addEventListener("change", hear);
  byId("file").addEventListener("change", (event) => take(event.target.files[0]));
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => { event.preventDefault(); take(event.dataTransfer.files[0]); });

  show();
})();
