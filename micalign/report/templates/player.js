{% include "spectrum.js" %}
"use strict";
// One player: the versions of a sound run in step, and a switch fades from one to the next without a gap. All are
// equally loud when they come; nothing here changes their level. The spectrum shows what is heard and, dashed, the others.
(() => {
  const host = document.getElementById("player");
  if (!host) return;
  const byId = (id) => document.getElementById(id);
  const FADE_S = 0.008, EDGE_S = 0.004;
  const items = [...host.querySelectorAll("[data-excerpt]")].map((element) => ({
    title: element.dataset.title, hit: element.dataset.hit.split(" ").map(Number),
    sounds: [...element.querySelectorAll("audio")].map((audio) => audio.src),
    labels: [...element.querySelectorAll("audio")].map((audio) => audio.dataset.label), buffers: null, stills: null,
  }));
  const most = Math.max(...items.map((item) => item.sounds.length));
  const sides = Array.from({ length: most }, (_, side) => {
    const label = document.createElement("label"), radio = document.createElement("input");
    Object.assign(radio, { type: "radio", name: "player-side" });
    radio.addEventListener("change", () => switchTo(side));
    label.append(radio, " ", document.createElement("span"));
    host.querySelector(".sides").append(label);
    return label;
  });
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
    for (let side = 0; side < most; side += 1) {
      gains[side] = new GainNode(context, { gain: side === state.side ? 1 : 0 });
      analysers[side] = micalign.spectrum.analyser(context);
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

  // ---- the spectrum ------------------------------------------------------------------------------------------
  const spectrum = micalign.spectrum(byId("player-spectrum"), () => (state.playing ? nodes.map((_, side) => ({ analyser: analysers[side] }))
    : items[state.item].stills ?? []).map((one, side) => ({ ...one, heard: side === state.side })));
  const paint = () => spectrum.paint(() => state.playing);
  /** While nothing plays: the curves of the whole moment. They are read apart from what plays, which waits for a hand. */
  async function rest() {
    const item = items[state.item], decoder = new OfflineAudioContext(1, 1, 48000);
    item.stills ??= await Promise.all(item.sounds.map(async (address) => {
      const buffer = await decoder.decodeAudioData(bytesOf(address));
      return micalign.spectrum.still(buffer.getChannelData(0), buffer.sampleRate);
    }));
    if (!state.playing) spectrum.draw();
  }

  // ---- controls ----------------------------------------------------------------------------------------------
  function show() {
    byId("player-play").setAttribute("aria-pressed", String(state.playing));
    byId("player-play").textContent = state.playing ? "Stop" : "Play";
    const labels = items[state.item].labels;
    sides.forEach((label, side) => {
      label.hidden = side >= labels.length;
      label.querySelector("span").textContent = labels[side] ?? "";
      label.querySelector("input").checked = side === state.side;
    });
    const words = `${items[state.item].title}, ${labels[state.side]}${state.hit ? ", one hit" : ""}`;
    byId("player-words").textContent = state.playing ? `You hear: ${words}.` : `Chosen: ${words}.`;
    host.querySelectorAll("[data-excerpt]").forEach((element, number) => element.classList.toggle("chosen", number === state.item));
    if (!state.playing) rest();
  }
  const again = () => { state.offset = 0; if (state.playing) start(); else show(); };
  byId("player-play").addEventListener("click", () => (state.playing ? stop() : start()));
  byId("player-item").addEventListener("change", (event) => {
    state.item = Number(event.target.value);
    switchTo(Math.min(state.side, items[state.item].sounds.length - 1));
    again();
  });
  byId("player-hit").addEventListener("change", (event) => { state.hit = event.target.checked; again(); });
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("textarea, select, input:not([type=radio]):not([type=checkbox])");
    if (typing || event.ctrlKey || event.metaKey || event.altKey || event.key.toLowerCase() !== "b") return;
    event.preventDefault();
    switchTo((state.side + 1) % items[state.item].sounds.length);
  });
  // One sound at a time: two at once would comb with each other.
  document.addEventListener("play", (event) => { if (event.target instanceof HTMLAudioElement) stop(); }, true);
  byId("player-item").replaceChildren(...items.map((item, number) => new Option(item.title, String(number))));
  host.classList.add("ready");
  show();
  // What the tests look at.
  globalThis.micalign ??= {};
  micalign.player = { state, items, nodes: () => nodes, gains: () => gains, analysers: () => analysers, context: () => context };
})();
