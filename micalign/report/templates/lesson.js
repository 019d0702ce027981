"use strict";
// The lesson in the hand: two mics, one sound, and everything that follows from where they stand. One state; the stage,
// the combs, the words and the ear read it. Seconds, hertz, decibels, metres.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { notchDepth, notches, peakHeight, peaks, clip } = micalign.arithmetic, say = micalign.words;
  const sounds = micalign.lessonSound, byId = (id) => document.getElementById(id);
  const LOWEST_HZ = 20, NONE_S = 1e-9, SHOWN = 6, SWEEP_MS = 8000, SWEEP_S = 0.005, RECORD_MS = 5000;
  const state = {
    places: [[0, 0], [0, 0]], level_db: data.level_db, polarity: 1, sound: "noise", side: 1, playing: false,
  };

  // ---- what follows from the places ----------------------------------------------------------------------------
  const distance = (number) => Math.hypot(...state.places[number]);
  const later = () => (distance(0) > distance(1) ? 0 : 1);
  const delay_s = () => Math.abs(distance(1) - distance(0)) / data.speed_m_s;
  const law_db = () => Math.abs(20 * Math.log10(distance(1) / distance(0)));
  const sum = () => ({ delay_s: delay_s() < NONE_S ? 0 : delay_s(), level_db: state.level_db, polarity: state.polarity, side: state.side });
  function place(number, where) {
    const long = clip(Math.hypot(...where), data.nearest_m, data.farthest_m);
    state.places[number] = stage.at(where, long);
  }
  const set = {
    first: (value) => { place(0, aimed(0, value * data.metres_per_unit)); state.level_db = law_db(); },
    second: (value) => { place(1, aimed(1, value * data.metres_per_unit)); state.level_db = law_db(); },
    delay: (value) => {
      const far = later();
      place(far, aimed(far, distance(1 - far) + Math.max(value, 0) / 1e3 * data.speed_m_s));
    },
    level: (value) => { state.level_db = clip(value, 0, 30); },
  };
  function aimed(number, long) {
    const now = distance(number) || 1, wanted = clip(long, data.nearest_m, data.farthest_m);
    return state.places[number].map((one) => one / now * wanted);
  }
  /** Put the whole thing up: from a button or a guess. */
  function put({ delay_ms, level_db, first_m, flipped, sound, side }) {
    place(0, aimed(0, first_m));
    place(1, aimed(1, first_m + delay_ms / 1e3 * data.speed_m_s));
    state.level_db = level_db;
    state.polarity = flipped ? -1 : 1;
    if (sound) state.sound = sound;
    if (side !== undefined) state.side = side;
  }

  // ---- words -------------------------------------------------------------------------------------------------
  function list(element, found) {
    const shown = found.slice(0, SHOWN).map(say.hz).join(", ");
    element.textContent = found.length === 0 ? "none below 20 kHz"
      : found.length > SHOWN ? `${shown} and ${found.length - SHOWN} more` : shown;
    element.dataset.hz = found.slice(0, 20).join(" ");
  }
  function firstWords(one) {
    const weak = 1 - 10 ** (-one.level_db / 20);
    if (one.delay_s === 0) {
      if (one.polarity > 0) return `No delay, no comb: every pitch ${say.db(peakHeight(one.level_db), true)}.`;
      return weak < 1e-5 ? "Silence: the copy takes everything away, at every pitch."
        : `No delay, no comb: every pitch ${say.db(notchDepth(one.level_db))}.`;
    }
    const heard = notches(one.delay_s, one.polarity).filter((hertz) => hertz >= LOWEST_HZ);
    const bass = one.polarity < 0 ? "the bass goes, then the " : "";
    return heard.length ? `${say.ms(one.delay_s)} late: ${bass}first notch ${say.hz(heard[0])}.`
      : `${say.ms(one.delay_s)} late: no notch that can be heard${bass ? ", but the bass goes" : ""}.`;
  }
  function gainWords() {
    const turned = law_db() - state.level_db, which = later() === 0 ? "first" : "second";
    if (Math.abs(turned) < 0.05) return "both mics at one gain";
    return `the ${which} mic turned ${turned > 0 ? "up" : "down"} by ${say.db(Math.abs(turned))}`;
  }
  function describe(one) {
    const flipped = one.polarity < 0 ? ", flipped" : "";
    byId("comb-words").textContent = firstWords(one);
    list(byId("notches"), notches(one.delay_s, one.polarity));
    list(byId("peaks"), peaks(one.delay_s, one.polarity));
    const depth = notchDepth(one.level_db), height = peakHeight(one.level_db);
    byId("depth").textContent = one.delay_s === 0 ? "no notches, no peaks" : `notches ${say.db(depth)}, peaks ${say.db(height, true)}`;
    byId("depth").dataset.db = `${depth} ${height}`;
    const weaker = one.level_db < 0.05 ? "equally loud" : `${say.db(one.level_db)} weaker`;
    byId("copy-words").textContent = `The copy: ${say.ms(one.delay_s)} later, ${weaker}${flipped}.`;
    const ways = [0, 1].map((number) => say.length(distance(number), data.unit));
    byId("way-words").textContent = `${ways[0]} and ${ways[1]}: ${say.length(delay_s() * data.speed_m_s, data.unit)} more, ${say.ms(one.delay_s)}; ${gainWords()}.`;
    for (const element of document.querySelectorAll("[data-follow]")) element.textContent = firstWords(one);
    const what = { noise: "noise", click: "click", string: "string", file: "your sound", two: "your two tracks" }[state.sound];
    const with_ = state.side === 0 ? "alone" : `with its copy ${say.ms(one.delay_s)} later, ${weaker}${flipped}`;
    byId("heard").textContent = `${state.playing ? "You hear" : "Chosen"}: ${what}, ${with_}.`;
  }

  // ---- pictures ----------------------------------------------------------------------------------------------
  const stage = micalign.lessonStage(byId("stage"), { farthest_m: data.farthest_m, steps_m: data.steps_m, moved: (number, where) => {
    place(number, where);
    state.level_db = law_db();
    show();
  } });
  const combs = [...document.querySelectorAll("svg.comb")].map((svg) => ({ svg, comb: micalign.comb(svg), seen: svg.id === "comb" }));
  const watch = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) {
      const one = combs.find(({ svg }) => svg === target);
      one.seen = isIntersecting;
      if (isIntersecting) { one.comb.resize(); one.comb.draw(sum()); }
    }
  }, { rootMargin: "200px" });
  function resize() {
    stage.resize(data.unit);
    for (const one of combs) if (one.seen) one.comb.resize();
    paint();
  }
  function paint() {
    const one = sum();
    for (const { comb, seen } of combs) if (seen) comb.draw(one);
    stage.draw(state.places, [0, 1].map((number) => say.length(distance(number), data.unit)));
  }

  // ---- controls ----------------------------------------------------------------------------------------------
  const shownValue = {
    delay: () => delay_s() * 1e3, level: () => state.level_db,
    first: () => distance(0) / data.metres_per_unit, second: () => distance(1) / data.metres_per_unit,
  };
  const bound = [...document.querySelectorAll("[data-bind]")];
  const shown = (name) => Number(Number(shownValue[name]().toPrecision(4)).toFixed(3));
  let asked = false;
  /** Everything that is seen, once a frame; what is heard, at once. */
  function show() {
    hear();
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; showNow(); });
  }
  function showNow() {
    for (const element of bound) {
      const name = element.dataset.bind;
      if (name === "flipped") element.checked = state.polarity < 0;
      else if (element.type === "range" || element !== document.activeElement) element.value = shown(name);
      if (element.type === "range") element.setAttribute("aria-valuetext", `${shown(name)} ${element.dataset.unit}`);
    }
    for (const radio of document.querySelectorAll("[name=sound]")) radio.checked = radio.value === state.sound;
    document.querySelectorAll("[name=side]").forEach((radio, side) => { radio.checked = side === state.side; });
    byId("play").textContent = state.playing ? "Stop" : "Play";
    byId("play").setAttribute("aria-pressed", String(state.playing));
    describe(sum());
    paint();
    weigh();
  }
  for (const element of bound) {
    const name = element.dataset.bind;
    if (name === "flipped") element.addEventListener("change", () => { state.polarity = element.checked ? -1 : 1; show(); });
    else {
      element.addEventListener("input", () => {
        if (!Number.isFinite(element.valueAsNumber)) return;
        endSweep();
        set[name](element.valueAsNumber);
        show();
      });
      element.addEventListener("change", show);
    }
  }

  // ---- guesses -----------------------------------------------------------------------------------------------
  let open = null;
  const within = ([low, high], value) => value >= low - 1e-6 && value <= high + 1e-6;
  function reached({ delay_ms, level_db, flipped }) {
    return (!delay_ms || within(delay_ms, delay_s() * 1e3)) && (!level_db || within(level_db, state.level_db))
      && (flipped === undefined || flipped === state.polarity < 0);
  }
  document.querySelectorAll(".guess").forEach((card, number) => {
    const guess = data.guesses[number], verdict = card.querySelector(".verdict"), moves = card.querySelector(".moves");
    card.classList.add("ready");
    card.querySelectorAll("input[type=radio]").forEach((radio, chosen) => radio.addEventListener("change", () => {
      open = { card, guess, chosen, verdict };
      put(guess.start);
      moves.hidden = false;
      verdict.textContent = `You say: ${guess.choices[chosen]}. Now move, and see.`;
      verdict.className = "verdict";
      show();
    }));
  });
  function weigh() {
    if (!open || !reached(open.guess.goal)) return;
    const { guess, chosen, verdict, card } = open, right = chosen === guess.right;
    verdict.textContent = `${right ? "✓ As you said" : `✗ You said ${guess.choices[chosen]}, it is`}: ${guess.choices[guess.right]}. ${guess.why}`;
    verdict.className = `verdict ${right ? "right" : "wrong"}`;
    card.querySelector("details").open = false;
    open = null;
  }

  // ---- the ear -----------------------------------------------------------------------------------------------
  let context = null, volume = null, playing = null, sweep = 0, own = { file: null, two: [null, null] };
  const spectrum = micalign.spectrum(byId("spectrum"), () => !playing ? []
    : [0, 1].map((side) => ({ analyser: playing.analysers[side], heard: side === state.side })));
  function ready() {
    if (context) return;
    context = sounds.newContext();
    volume = new GainNode(context);
    volume.connect(context.destination);
    setVolume();
  }
  function tracks() {
    if (state.sound === "two") return later() === 1 ? own.two : [...own.two].reverse();
    const one = state.sound === "file" ? own.file : sounds.made(state.sound, context.sampleRate);
    return [one, one];
  }
  const loop = () => (state.sound === "two" ? `two ${later()}` : state.sound);
  function hear() {
    if (!playing) return;
    if (playing.loop !== loop()) begin();
    else playing.set(sum());
  }
  function begin() {
    if (playing) playing.stop();
    playing = sounds.graph(context, tracks(), sum(), volume, data.last_delay_ms / 1e3);
    playing.loop = loop();
    playing.start();
  }
  function play() {
    ready();
    context.resume();
    state.playing = true;
    begin();
    spectrum.paint(() => state.playing);
    show();
  }
  function stop() {
    endSweep();
    if (playing) playing.stop();
    playing = null;
    state.playing = false;
    show();
    spectrum.draw();
  }
  function switchTo(side) {
    state.side = side;
    if (playing) playing.side(side);
    show();
  }
  function setVolume() {
    const db = Number(byId("volume").value);
    byId("volume").setAttribute("aria-valuetext", db === 0 ? "full" : `${-db} dB down`);
    if (volume) volume.gain.setTargetAtTime(10 ** (db / 20), context.currentTime, 0.01);
  }
  function startSweep() {
    const begun = performance.now(), mine = sweep += 1;
    const step = (now) => {
      if (mine !== sweep || !state.playing) return;
      set.delay(SWEEP_S * 1e3 * Math.min((now - begun) / SWEEP_MS, 1));
      show();
      if (now - begun < SWEEP_MS) requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }
  const endSweep = () => { sweep += 1; };
  for (const button of document.querySelectorAll("[data-put]")) {
    button.addEventListener("click", () => {
      const wanted = JSON.parse(button.dataset.put);
      endSweep();
      put(wanted);
      play();
      if (playing) playing.side(state.side);
      if (wanted.sweep) startSweep();
    });
  }
  byId("play").addEventListener("click", () => (state.playing ? stop() : play()));
  byId("volume").addEventListener("input", setVolume);
  for (const radio of document.querySelectorAll("[name=sound]")) radio.addEventListener("change", () => { state.sound = radio.value; show(); });
  document.querySelectorAll("[name=side]").forEach((radio, side) => radio.addEventListener("change", () => switchTo(side)));
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("textarea, select, input[type=number]");
    if (typing || event.ctrlKey || event.metaKey || event.altKey || event.key.toLowerCase() !== "b") return;
    event.preventDefault();
    switchTo(1 - state.side);
  });

  // ---- one's own sound -----------------------------------------------------------------------------------------
  function offer(kind, words) {
    byId(`sound-${kind}`).disabled = false;
    state.sound = kind;
    byId("file-words").textContent = words;
    if (playing) begin();
    show();
  }
  const seconds = (samples) => `${(samples.length / context.sampleRate).toFixed(1)} s`;
  async function take(files) {
    const chosen = [...files].slice(0, 2);
    if (!chosen.length) return;
    ready();
    let name = chosen[0].name;
    try {
      const found = [];
      for (const file of chosen) { name = file.name; found.push(await sounds.decoded(context, file)); }
      const [first, second] = found;
      own.file = sounds.mixed(first);
      byId("sound-file").disabled = false;
      if (second) {
        own.two = [sounds.mixed(first), sounds.mixed(second)];
        offer("two", `${chosen[0].name} is the first mic, ${chosen[1].name} the second.`);
      } else if (first.length > 1) {
        own.two = [first[0], first[1]];
        byId("sound-two").disabled = false;
        offer("file", `${name}: ${seconds(first[0])}, both channels together; or its left channel as the first mic and its right as the second (“my two tracks”).`);
      } else offer("file", `${name}: ${seconds(first[0])}.`);
    } catch {
      byId("file-words").textContent = `${name} holds no sound that this browser can play.`;
    }
  }
  async function record() {
    const button = byId("record");
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
    } catch {
      byId("file-words").textContent = "This browser gives the page no microphone.";
      return;
    }
    if (state.playing) stop(); // a loudspeaker beside the microphone would be recorded as well
    const recorder = new MediaRecorder(stream), parts = [];
    recorder.ondataavailable = ({ data: part }) => parts.push(part);
    recorder.onstop = () => {
      for (const one of stream.getTracks()) one.stop();
      button.disabled = false;
      button.textContent = "record 5 s";
      take([new File(parts, "your recording")]);
    };
    button.disabled = true;
    button.textContent = "recording …";
    recorder.start();
    setTimeout(() => recorder.stop(), RECORD_MS);
  }
  byId("file").addEventListener("change", (event) => take(event.target.files));
  if (navigator.mediaDevices?.getUserMedia && globalThis.MediaRecorder) byId("record").addEventListener("click", record);
  else byId("record").hidden = true;
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => { event.preventDefault(); take(event.dataTransfer.files); });

  // ---- begin -------------------------------------------------------------------------------------------------
  document.body.classList.add("scripted");
  state.places = data.distances_m.map((one, number) => stage.at([one * Math.cos(data.angles[number]), one * Math.sin(data.angles[number])], one));
  for (const { svg } of combs) watch.observe(svg);
  new ResizeObserver(resize).observe(byId("stage").parentElement);
  resize();
  showNow();
  // What the tests look at.
  micalign.lesson = { state, sum, stage, distance, playing: () => playing, context: () => context, own };
})();
