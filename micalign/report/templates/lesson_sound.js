"use strict";
// The sound of the lesson: a loop that never stops, its copy on a delay line that glides, and both at one power (RMS).
// Seconds, amplitudes; full scale is 1. `graph` works in any audio context, so that a test can hear what a reader hears.
globalThis.micalign ??= {};
micalign.lessonSound = (() => {
  const RMS = 0.07, PEAK = 0.7, LONGEST_S = 30, MOST_HELD = 2 ** 18, MOST_MADE_UP = 8, SILENT = 1e-12;
  const FADE_S = 0.008;
  const GLIDE_S = 0.003; // a time constant: 98 % of the way after 12 ms, below the 30 ms in which a step is to be heard
  // A delay line reads between samples by a straight line: at twice the usual rate its notch at 10 kHz is 25 dB deep.
  const RATE_HZ = 96000;

  // ---- what sounds -------------------------------------------------------------------------------------------
  function seeded(seed) {
    let a = seed;
    return () => {
      a = (a + 0x6D2B79F5) | 0;
      let t = Math.imul(a ^ (a >>> 15), 1 | a);
      t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
      return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
    };
  }
  function centred(samples) {
    const mean = samples.reduce((sum, value) => sum + value, 0) / samples.length;
    return samples.map((value) => value - mean);
  }
  // Pink noise, power falling as 1/f: a sum of noises that are held for 1, 2, 4 ... samples (Voss 1978).
  function noise(rate) {
    const out = new Float32Array(2 * rate), random = seeded(1), rows = new Float64Array(15);
    for (let i = 0; i < out.length; i += 1) {
      let sum = 0;
      for (let row = 0; row < rows.length; row += 1) {
        if (i % (1 << row) === 0) rows[row] = random() - 0.5;
        sum += rows[row];
      }
      out[i] = sum;
    }
    return centred(out);
  }
  function click(rate) {
    const out = new Float32Array(rate), half = Math.round(rate * 0.0014);
    for (let i = -half; i <= half; i += 1) out[Math.round(rate / 10) + i] = -i / rate * Math.exp(-((i / rate) ** 2) / 2e-8);
    return out;
  }
  function string(rate) {
    const out = new Float32Array(2 * rate), random = seeded(2);
    for (let n = 1; n * 110 < 6000; n += 1) {
      const phase = 2 * Math.PI * random(), turn = 2 * Math.PI * 110 * n / rate, fade = (1 + 0.12 * n) / 0.5 / rate;
      const size = Math.sin(n * Math.PI / 5) / n;
      for (let i = 0; i < out.length; i += 1) {
        out[i] += size * Math.sin(turn * i + phase) * Math.exp(-i * fade) * Math.min(i / (0.002 * rate), 1);
      }
    }
    return out;
  }
  const MADE = { noise, click, string };

  // ---- how loud ----------------------------------------------------------------------------------------------
  const known = new WeakMap();
  /** Mean square and highest peak of a loop, worked out once. */
  function size(samples) {
    if (known.has(samples)) return known.get(samples);
    let power = 0, peak = 0;
    for (const value of samples) {
      power += value * value / samples.length;
      peak = Math.max(peak, Math.abs(value));
    }
    known.set(samples, { power, peak });
    return known.get(samples);
  }
  /** Mean product of a loop and another so many samples later, going round. */
  function together(first, second, late) {
    const count = first.length, whole = Math.floor(late), part = late - whole, held = Math.min(count, MOST_HELD);
    let sum = 0, at = (((-whole) % count) + count) % count, before = (at + count - 1) % count;
    for (let i = 0; i < held; i += 1) {
      sum += first[i] * ((1 - part) * second[at] + part * second[before]);
      before = at;
      at = at + 1 === count ? 0 : at + 1;
    }
    return sum / held;
  }
  /** Gains that bring the first alone and the sum to one power, as high as peaks allow; the sum's has an end. */
  function gains(tracks, sum) {
    const [first, second] = tracks, { power: alone, peak } = size(first), other = size(second).power;
    const rms = Math.min(RMS, PEAK / 2 * Math.sqrt(alone) / (peak || 1));
    const g = sum.polarity * 10 ** (-sum.level_db / 20), late = sum.delay_s * sum.rate;
    const all = alone + g * g * other + 2 * g * together(first, second, late);
    const dry = alone > SILENT ? rms / Math.sqrt(alone) : 0;
    return { alone: dry, both: Math.min(all > 0 ? rms / Math.sqrt(all) : Infinity, MOST_MADE_UP * dry), copy: g };
  }

  // ---- the graph ---------------------------------------------------------------------------------------------
  /** Nodes from a loop of two tracks to `out`; `set` moves the copy, `side` fades between the first alone and both. */
  function graph(context, tracks, sum, out, longest_s) {
    const rate = context.sampleRate, count = Math.max(tracks[0].length, tracks[1].length);
    const buffer = new AudioBuffer({ length: count, numberOfChannels: 2, sampleRate: rate });
    tracks.forEach((samples, number) => buffer.copyToChannel(Float32Array.from(samples), number));
    const whole = [0, 1].map((number) => buffer.getChannelData(number));
    const level = (one) => gains(tracks[0] === tracks[1] ? [whole[0], whole[0]] : whole, { ...one, rate });
    const begun = level(sum), gain = (value) => new GainNode(context, { gain: value });
    const source = new AudioBufferSourceNode(context, { buffer, loop: true });
    const split = new ChannelSplitterNode(context, { numberOfOutputs: 2 });
    const delay = new DelayNode(context, { maxDelayTime: longest_s + 0.01, delayTime: sum.delay_s });
    const copy = gain(begun.copy), both = gain(begun.both), alone = gain(begun.alone), all = gain(0);
    const sides = [gain(sum.side === 0 ? 1 : 0), gain(sum.side === 1 ? 1 : 0)];
    const analysers = [0, 1].map(() => micalign.spectrum.analyser(context, 8192));
    source.connect(split);
    split.connect(alone, 0).connect(analysers[0]).connect(sides[0]).connect(all);
    split.connect(both, 0);
    split.connect(delay, 1).connect(copy).connect(both);
    both.connect(analysers[1]).connect(sides[1]).connect(all);
    all.connect(out);
    const glide = (parameter, value, when) => parameter.setTargetAtTime(value, when, GLIDE_S);
    function set(one, when = context.currentTime) {
      const next = level(one);
      glide(delay.delayTime, one.delay_s, when);
      glide(copy.gain, next.copy, when);
      glide(both.gain, next.both, when);
    }
    function ramp(parameter, value, when) {
      parameter.cancelScheduledValues(when);
      parameter.setValueAtTime(parameter.value, when);
      parameter.linearRampToValueAtTime(value, when + FADE_S);
    }
    const side = (number, when = context.currentTime) => sides.forEach((one, n) => ramp(one.gain, n === number ? 1 : 0, when));
    function start(when = context.currentTime) {
      source.start(when);
      all.gain.setValueAtTime(0, when);
      all.gain.linearRampToValueAtTime(1, when + FADE_S);
    }
    function stop() {
      const now = context.currentTime;
      ramp(all.gain, 0, now);
      source.stop(now + 2 * FADE_S);
      source.onended = () => all.disconnect();
    }
    return { source, delay, copy, both, alone, sides, analysers, set, side, start, stop };
  }

  // ---- one's own sound ---------------------------------------------------------------------------------------
  async function decoded(context, file) {
    const buffer = await context.decodeAudioData(await file.arrayBuffer());
    const most = LONGEST_S * context.sampleRate;
    const tracks = Array.from({ length: buffer.numberOfChannels }, (_, n) => buffer.getChannelData(n).slice(0, most));
    if (!tracks.some((samples) => samples.some((value) => value !== 0))) throw new Error("silent");
    return tracks;
  }
  function mixed(tracks) {
    const out = new Float32Array(tracks[0].length);
    for (const samples of tracks) for (let i = 0; i < out.length; i += 1) out[i] += samples[i] / tracks.length;
    return out;
  }
  function newContext() {
    try {
      return new AudioContext({ sampleRate: RATE_HZ, latencyHint: "interactive" });
    } catch {
      return new AudioContext({ latencyHint: "interactive" });
    }
  }
  const cache = new Map();
  /** The loop of a kind of sound, made once. */
  function made(kind, rate) {
    const key = `${kind} ${rate}`;
    if (!cache.has(key)) cache.set(key, MADE[kind](rate));
    return cache.get(key);
  }
  return { LONGEST_S, decoded, gains, graph, made, mixed, newContext };
})();
