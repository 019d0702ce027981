"use strict";
// One player: two versions of a sound run in step, and a switch fades from one to the other without a gap. Both are
// equally loud when they come; nothing here changes their level. The spectrum shows what is heard and, dashed, the other.
(() => {
  const host = document.getElementById("player");
  if (!host) return;
  const byId = (id) => document.getElementById(id);
  const FADE_S = 0.008, EDGE_S = 0.004, FFT = 4096, LOWEST_HZ = 30, HIGHEST_HZ = 18000, TOP_DB = -20, FOOT_DB = -100;
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const items = [...host.querySelectorAll("[data-excerpt]")].map((element) => ({
    title: element.dataset.title, hit: element.dataset.hit.split(" ").map(Number),
    sounds: [...element.querySelectorAll("audio")].map((audio) => audio.src), buffers: null,
  }));
  const labels = [...host.querySelectorAll("[name=player-side]")].map((radio) => radio.dataset.label);
  const state = { item: 0, side: 0, playing: false, hit: false, started: 0, offset: 0 };
  let context = null, gains = [], analysers = [], nodes = [], turn = 0;

  // ---- sounds ------------------------------------------------------------------------------------------------
  function bytesOf(address) {
    const text = atob(address.slice(address.indexOf(",") + 1)), bytes = new Uint8Array(text.length);
    for (let n = 0; n < text.length; n += 1) bytes[n] = text.charCodeAt(n);
    return bytes.buffer;
  }
  function ready() {
    if (context) return;
    context = new AudioContext();
    for (const side of [0, 1]) {
      gains[side] = new GainNode(context, { gain: side === state.side ? 1 : 0 });
      analysers[side] = new AnalyserNode(context, { fftSize: FFT, smoothingTimeConstant: 0.7, minDecibels: FOOT_DB });
      analysers[side].connect(gains[side]).connect(context.destination);
    }
  }
  async function loaded(item) {
    item.buffers ??= await Promise.all(item.sounds.map((address) => context.decodeAudioData(bytesOf(address))));
    return item.buffers;
  }
  /** The stretch of one hit, its ends faded so that the loop does not click. */
  function hitOf(buffer, [from, to]) {
    const rate = buffer.sampleRate, start = Math.round(from * rate);
    const count = Math.max(Math.min(Math.round((to - from) * rate), buffer.length - start), 1);
    const made = new AudioBuffer({ length: count, sampleRate: rate, numberOfChannels: 1 });
    const samples = buffer.getChannelData(0).slice(start, start + count), edge = Math.round(EDGE_S * rate);
    for (let n = 0; n < Math.min(edge, count / 2); n += 1) {
      samples[n] *= n / edge;
      samples[count - 1 - n] *= n / edge;
    }
    made.copyToChannel(samples, 0);
    return made;
  }
  async function start() {
    ready();
    const mine = turn += 1, item = items[state.item];
    await context.resume();
    const whole = await loaded(item);
    if (mine !== turn) return;
    halt();
    const buffers = state.hit ? whole.map((buffer) => hitOf(buffer, item.hit)) : whole;
    const when = context.currentTime + 0.02, offset = state.offset % buffers[0].duration;
    // Both begin at the same instant at the same place, and stay in step by the clock of the sound itself.
    nodes = buffers.map((buffer, side) => {
      const node = new AudioBufferSourceNode(context, { buffer, loop: true });
      node.connect(analysers[side]);
      node.start(when, offset);
      return node;
    });
    Object.assign(state, { playing: true, started: when - offset });
    show();
    paint();
  }
  function halt() {
    for (const node of nodes) { node.stop(); node.disconnect(); }
    nodes = [];
  }
  function stop() {
    turn += 1;
    if (state.playing && context) state.offset = state.hit ? 0 : Math.max(context.currentTime - state.started, 0);
    halt();
    state.playing = false;
    show();
  }
  function switchTo(side) {
    state.side = side;
    if (context) {
      const now = context.currentTime;
      gains.forEach((gain, number) => {
        gain.gain.cancelScheduledValues(now);
        gain.gain.setValueAtTime(gain.gain.value, now);
        gain.gain.linearRampToValueAtTime(number === side ? 1 : 0, now + FADE_S);
      });
    }
    show();
  }

  // ---- the moving spectrum -----------------------------------------------------------------------------------
  const canvas = byId("player-spectrum"), brush = canvas.getContext("2d");
  const colour = (name) => getComputedStyle(host).getPropertyValue(`--${name}`).trim();
  let asked = false, last = 0;
  function paint() {
    if (asked) return;
    asked = true;
    requestAnimationFrame((now) => {
      asked = false;
      if (!calm.matches || now - last > 400) { last = now; drawSpectrum(); }
      if (state.playing) paint();
    });
  }
  function drawSpectrum() {
    const ratio = window.devicePixelRatio || 1, wide = canvas.clientWidth, high = canvas.clientHeight;
    if (canvas.width !== Math.round(wide * ratio)) { canvas.width = Math.round(wide * ratio); canvas.height = Math.round(high * ratio); }
    brush.setTransform(ratio, 0, 0, ratio, 0, 0);
    brush.clearRect(0, 0, wide, high);
    const left = 40, right = wide - 8, top = 8, bottom = high - 34;
    const x = (hertz) => left + Math.log(hertz / LOWEST_HZ) / Math.log(HIGHEST_HZ / LOWEST_HZ) * (right - left);
    const y = (db) => top + (TOP_DB - Math.min(Math.max(db, FOOT_DB), TOP_DB)) / (TOP_DB - FOOT_DB) * (bottom - top);
    brush.font = "12px Georgia, serif";
    brush.lineWidth = 1;
    brush.setLineDash([]);
    for (const hertz of wide < 480 ? [50, 200, 1000, 5000] : [50, 100, 200, 500, 1000, 2000, 5000, 10000]) {
      brush.strokeStyle = colour("line");
      brush.beginPath(); brush.moveTo(x(hertz), top); brush.lineTo(x(hertz), bottom); brush.stroke();
      brush.fillStyle = colour("soft");
      brush.textAlign = "center";
      brush.fillText(hertz >= 1000 ? `${hertz / 1000}k` : `${hertz}`, x(hertz), bottom + 14);
    }
    brush.fillText("frequency (Hz)", (left + right) / 2, high - 5);
    brush.textAlign = "right";
    for (let db = TOP_DB; db >= FOOT_DB; db -= 20) brush.fillText(`${db}`, left - 5, y(db) + 4);
    if (!state.playing || !analysers.length) return;
    for (const side of [1 - state.side, state.side]) {
      const heard = side === state.side, bins = new Float32Array(analysers[side].frequencyBinCount);
      analysers[side].getFloatFrequencyData(bins);
      const step = context.sampleRate / FFT;
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

  // ---- controls ----------------------------------------------------------------------------------------------
  function show() {
    byId("player-play").setAttribute("aria-pressed", String(state.playing));
    byId("player-play").textContent = state.playing ? "Stop" : "Play";
    host.querySelectorAll("[name=player-side]").forEach((radio, side) => { radio.checked = side === state.side; });
    const words = `${items[state.item].title}, ${labels[state.side]}${state.hit ? ", one hit" : ""}`;
    byId("player-words").textContent = state.playing ? `You hear: ${words}.` : `Chosen: ${words}.`;
    host.querySelectorAll("[data-excerpt]").forEach((element, number) => element.classList.toggle("chosen", number === state.item));
  }
  const again = () => { state.offset = 0; if (state.playing) start(); else show(); };
  byId("player-play").addEventListener("click", () => (state.playing ? stop() : start()));
  host.querySelectorAll("[name=player-side]").forEach((radio, side) => radio.addEventListener("change", () => switchTo(side)));
  byId("player-item").addEventListener("change", (event) => { state.item = Number(event.target.value); again(); });
  byId("player-hit").addEventListener("change", (event) => { state.hit = event.target.checked; again(); });
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("textarea, select, input:not([type=radio]):not([type=checkbox])");
    if (typing || event.ctrlKey || event.metaKey || event.altKey || event.key.toLowerCase() !== "b") return;
    event.preventDefault();
    switchTo(1 - state.side);
  });
  // One sound at a time: two at once would comb with each other.
  document.addEventListener("play", (event) => { if (event.target instanceof HTMLAudioElement) stop(); }, true);
  new ResizeObserver(() => drawSpectrum()).observe(canvas);
  byId("player-item").replaceChildren(...items.map((item, number) => new Option(item.title, String(number))));
  host.classList.add("ready");
  show();
  drawSpectrum();
  // What the tests look at.
  globalThis.micalign ??= {};
  micalign.player = { state, items, nodes: () => nodes, gains: () => gains, analysers: () => analysers, context: () => context };
})();
