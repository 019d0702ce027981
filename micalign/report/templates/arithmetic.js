"use strict";
// What does a scene promise? The arithmetic of the pages: the same formulas as micalign.acoustics, held against them by
// the tests on random scenes. Metres, seconds, hertz, decibels; sources and mics by their number in the scene. Nothing
// here knows of a page: values in, values out.
globalThis.micalign ??= {};
micalign.arithmetic = (() => {
  const FLOOR_DB = -200, AUDIBLE_HZ = 20000, MOST_TEETH = 20, RATIO = 3, CLOSE_M = 0.6, BLEED_DB = 9.542425094393248;
  const SURFACES = ["left", "right", "front", "back", "floor", "ceiling"];
  const ON_WALL_M = 0.05, SHORTEST_S = 25e-6, LEAST_ABSORPTION = 0.01;

  // ---- vectors and decibels ----------------------------------------------------------------------------------
  const minus = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
  const plus = (a, b, share = 1) => [a[0] + share * b[0], a[1] + share * b[1], a[2] + share * b[2]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const size = (a) => Math.sqrt(dot(a, a));
  const apart = (a, b) => size(minus(a, b));
  const unit = (a) => { const long = size(a); return long > 0 ? [a[0] / long, a[1] / long, a[2] / long] : [0, 0, 0]; };
  const db = (amplitude) => 20 * Math.log10(Math.abs(amplitude));
  const floored = (amplitude) => Math.max(db(amplitude), FLOOR_DB);
  const clip = (value, low, high) => Math.min(Math.max(value, low), high);

  // ---- arrivals ----------------------------------------------------------------------------------------------
  const aimPoint = (scene, mic) =>
    mic.aim === null ? mic.at : mic.aim.source !== undefined ? scene.sources[mic.aim.source].at : mic.aim.point;
  const axisOf = (scene, mic) => unit(minus(aimPoint(scene, mic), mic.at));
  function gainTowards(mic, axis, point) {
    const way = minus(point, mic.at), long = size(way);
    const cosine = long > 0 ? clip(dot(way, axis) / long, -1, 1) : 1;
    return mic.omni_share + (1 - mic.omni_share) * cosine;
  }
  function path(scene, source, mic, axis) {
    const distance = apart(source.at, mic.at), gain = gainTowards(mic, axis, source.at);
    const level = floored(gain / Math.max(distance, 1e-6));
    const speed = scene.speed_m_s;
    const variance = (source.sigma_m ** 2 + mic.sigma_m ** 2) / speed ** 2;
    return {
      distance_m: distance, arrival_s: distance / speed, gain, level_db: level, blend_db: level + mic.gain_db,
      sign: (gain < 0 ? -1 : 1) * mic.polarity,
      uncertainty_s: Math.sqrt(variance + (distance / speed ** 2 * scene.speed_sigma_m_s) ** 2),
    };
  }
  /** Every source at every mic: `paths[source][mic]`, and where each mic looks. */
  function arrivals(scene) {
    const axes = scene.mics.map((mic) => axisOf(scene, mic));
    return { axes, paths: scene.sources.map((source) => scene.mics.map((mic, m) => path(scene, source, mic, axes[m]))) };
  }

  // ---- the comb of two copies --------------------------------------------------------------------------------
  function extremes(delay, first, upper = AUDIBLE_HZ, most = Infinity) {
    const late = Math.abs(delay), found = [];
    if (!(late > 0)) return found;
    // The hair's breadth keeps one that lies on the upper limit itself.
    const count = Math.min(Math.floor(upper * late * (1 + 1e-12) - first) + 1, most);
    for (let k = 0; k < count; k += 1) found.push((first + k) / late);
    return found;
  }
  const notches = (delay, polarity, upper, most) => extremes(delay, polarity > 0 ? 0.5 : 0, upper, most);
  const peaks = (delay, polarity, upper, most) => extremes(delay, polarity > 0 ? 1 : 0.5, upper, most);
  const weaker = (levelDb) => 10 ** (-Math.abs(levelDb) / 20);
  const notchDepth = (levelDb) => floored(1 - weaker(levelDb));
  const peakHeight = (levelDb) => floored(1 + weaker(levelDb));
  /** Level of the sum at a frequency, against the louder one alone. */
  function response(hertz, delay, levelDb, polarity) {
    const g = polarity * weaker(levelDb);
    const power = 1 + g * g + 2 * g * Math.cos(2 * Math.PI * hertz * delay);
    return Math.max(10 * Math.log10(Math.max(power, 0)), FLOOR_DB);
  }
  /** Lowest and highest level of the sum between two frequencies: what a column of pixels holds. */
  function between(low, high, delay, levelDb, polarity) {
    const late = Math.abs(delay), ends = [response(low, late, levelDb, polarity), response(high, late, levelDb, polarity)];
    const holds = (first) => Math.floor(high * late - first) >= Math.ceil(low * late - first)
      && Math.floor(high * late - first) >= 0;
    return [
      holds(polarity > 0 ? 0.5 : 0) ? notchDepth(levelDb) : Math.min(...ends),
      holds(polarity > 0 ? 0 : 0.5) ? peakHeight(levelDb) : Math.max(...ends),
    ];
  }

  // ---- differences -------------------------------------------------------------------------------------------
  function differenceUncertainty(scene, source, a, b, late) {
    const there = scene.sources[source].at, speed = scene.speed_m_s;
    const ways = [a, b].map((m) => {
      const way = minus(there, scene.mics[m].at), long = Math.max(size(way), 1e-9);
      return [way[0] / long, way[1] / long, way[2] / long];
    });
    const opened = minus(ways[1], ways[0]);
    const mics = scene.mics[a].sigma_m ** 2 + scene.mics[b].sigma_m ** 2;
    const variance = (dot(opened, opened) * scene.sources[source].sigma_m ** 2 + mics) / speed ** 2;
    return Math.sqrt(variance + (late * scene.speed_sigma_m_s / speed) ** 2);
  }
  /** One source at two mics: arrival and level at the second minus those at the first. */
  function difference(scene, found, source, a, b) {
    const one = found.paths[source][a], other = found.paths[source][b];
    const late = other.arrival_s - one.arrival_s, level = other.blend_db - one.blend_db;
    const polarity = one.sign * other.sign > 0 ? 1 : -1;
    const listed = notches(late, polarity, AUDIBLE_HZ, MOST_TEETH);
    return {
      difference_s: late, uncertainty_s: differenceUncertainty(scene, source, a, b, late), level_difference_db: level,
      polarity, first_notch_hz: listed.length ? listed[0] : null, notches_hz: listed,
      peaks_hz: peaks(late, polarity, AUDIBLE_HZ, MOST_TEETH),
      notch_depth_db: listed.length || polarity < 0 ? notchDepth(level) : null, peak_height_db: peakHeight(level),
    };
  }
  /** A DI against a mic that takes the same source: the level between the two depends on gains that no scene states. */
  function diDifference(scene, found, di, mic) {
    const direct = scene.dis[di], heard = found.paths[direct.of][mic];
    const late = heard.arrival_s - direct.latency_s, polarity = heard.sign * direct.polarity > 0 ? 1 : -1;
    const listed = notches(late, polarity, AUDIBLE_HZ, MOST_TEETH);
    return {
      difference_s: late, uncertainty_s: heard.uncertainty_s, polarity,
      first_notch_hz: listed.length ? listed[0] : null, notches_hz: listed,
    };
  }
  const diMics = (scene, di) => {
    const own = scene.mics.flatMap((mic, m) => (mic.on.includes(scene.dis[di].of) ? [m] : []));
    return own.length ? own : scene.mics.map((_, m) => m);
  };
  /** Every pair of the scene with every source, held against its tolerance. */
  function pairs(scene, found) {
    return scene.pairs.flatMap((pair, p) => scene.sources.map((_, source) => {
      const row = difference(scene, found, source, ...pair.mics);
      return {
        pair: p, source, difference_s: row.difference_s, uncertainty_s: row.uncertainty_s,
        within_tolerance: Math.abs(row.difference_s) <= pair.tolerance_s, equal_to: pair.equal_to.includes(source),
        first_notch_hz: row.first_notch_hz, level_difference_db: row.level_difference_db,
      };
    }));
  }

  // ---- the room in it: micalign.acoustics.heard --------------------------------------------------------------
  function fieldPower(room) {
    const [x, y, z] = room.size, areas = [y * z, y * z, x * z, x * z, x * y, x * y];
    const surface = areas.reduce((sum, one) => sum + one, 0);
    const taken = areas.reduce((sum, one, n) => sum + one * room.absorption[n], 0);
    const mean = Math.max(taken / surface, LEAST_ABSORPTION);
    return 16 * Math.PI * (1 - mean) ** 2 / (mean * surface);
  }
  /** How loud a source is at a mic with the first bounces and the room's field in it. */
  function heardLevel(scene, found, source, mic) {
    const there = scene.mics[mic], direct = found.paths[source][mic];
    const radius = (scene.sources[source].size_m ?? 0) / 2;
    const spread = 2 / Math.max(Math.hypot(direct.distance_m, radius) + direct.distance_m, 2e-6);
    const gain = Math.max(Math.abs(direct.gain), 10 ** (-there.rejection_db / 20));
    let power = (gain * spread) ** 2;
    for (const row of reflections(scene, found, source, mic)) power += 10 ** ((row.level_db + direct.level_db) / 10);
    if (scene.room) power += fieldPower(scene.room) * (there.omni_share ** 2 + (1 - there.omni_share) ** 2 / 3);
    return floored(Math.sqrt(power));
  }

  // ---- spacing: three to one, in both readings ---------------------------------------------------------------
  function spacing(scene, found) {
    const together = new Set(scene.pairs.flatMap(({ mics: [a, b] }) => [`${a} ${b}`, `${b} ${a}`]));
    const rows = [], levels = new Map();
    const heard = (source, mic) => {
      const key = source * scene.mics.length + mic;
      if (!levels.has(key)) levels.set(key, heardLevel(scene, found, source, mic));
      return levels.get(key);
    };
    scene.mics.forEach((mic, m) => mic.on.forEach((source) => scene.mics.forEach((other, o) => {
      if (o === m || other.on.includes(source) || together.has(`${m} ${o}`)) return;
      const own = found.paths[source][m], there = found.paths[source][o];
      const ratio = apart(mic.at, other.at) / own.distance_m, bleed = there.level_db - own.level_db;
      rows.push({
        mic: m, source, other_mic: o, close: own.distance_m <= CLOSE_M, mic_distance_ratio: ratio, path_ratio: there.distance_m / own.distance_m,
        bleed_db: bleed, bleed_heard_db: heard(source, o) - heard(source, m), passes: ratio >= RATIO * (1 - 1e-9), bleed_passes: bleed <= -BLEED_DB + 1e-9,
      });
    })));
    return rows;
  }

  // ---- first reflections -------------------------------------------------------------------------------------
  function strikes(panel, from, to) {
    const above = dot(minus(from, panel.centre), panel.normal), there = dot(minus(to, panel.centre), panel.normal);
    if (!(above * there > 1e-12)) return false;
    const point = minus(plus(from, minus(to, from), above / (above + there)), panel.centre);
    return Math.abs(dot(point, panel.across)) <= panel.half[0] + 1e-9
      && Math.abs(dot(point, panel.along)) <= panel.half[1] + 1e-9;
  }
  function panelLimit(scene, panel, image, source, mic) {
    const above = Math.abs(dot(minus(source.at, panel.centre), panel.normal));
    const there = Math.abs(dot(minus(mic.at, panel.centre), panel.normal));
    const way = apart(image, mic.at), cosine = (above + there) / Math.max(way, 1e-9);
    const first = way * above / Math.max(above + there, 1e-9);
    const mean = 2 * first * (way - first) / Math.max(way, 1e-9);
    return scene.speed_m_s * mean / (2 * 4 * panel.half[0] * panel.half[1] * Math.max(cosine, 1e-9));
  }
  function bounce(scene, found, source, mic, name, image, kept, at, fromHz = null) {
    const there = scene.mics[mic], direct = found.paths[source][mic], distance = apart(image, there.at);
    const gain = gainTowards(there, found.axes[mic], image);
    const inverted = (gain < 0) !== (direct.gain < 0);
    const delay = Math.max(distance - direct.distance_m, 0) / scene.speed_m_s;
    return {
      surface: name, delay_s: delay, at_m: at, from_hz: fromHz, polarity: inverted ? -1 : 1,
      level_db: floored(kept * gain / Math.max(distance, 1e-6)) - direct.level_db,
      first_notch_hz: inverted ? 0 : delay >= SHORTEST_S ? 0.5 / delay : null,
    };
  }
  function wallBounce(scene, found, source, mic, number) {
    const axis = number >> 1, far = number % 2 === 1, wall = far ? scene.room.size[axis] : 0;
    const from = scene.sources[source].at, to = scene.mics[mic].at;
    const covered = scene.panels.some((panel) => Math.abs(panel.normal[axis]) > 0.999
      && Math.abs(panel.centre[axis] - wall) <= ON_WALL_M && strikes(panel, from, to));
    if (covered) return null;
    const image = [...from];
    image[axis] = 2 * wall - from[axis];
    const way = minus(to, image), share = way[axis] !== 0 ? (wall - image[axis]) / way[axis] : 0.5;
    const kept = Math.sqrt(1 - scene.room.absorption[number]);
    return bounce(scene, found, source, mic, SURFACES[number], image, kept, plus(image, way, share));
  }
  function panelBounce(scene, found, source, mic, panel) {
    const from = scene.sources[source].at, to = scene.mics[mic].at;
    if (!strikes(panel, from, to)) return null;
    const height = dot(minus(from, panel.centre), panel.normal), image = plus(from, panel.normal, -2 * height);
    const above = Math.abs(height), there = Math.abs(dot(minus(to, panel.centre), panel.normal));
    const at = plus(image, minus(to, image), above / Math.max(above + there, 1e-9));
    const limit = panelLimit(scene, panel, image, scene.sources[source], scene.mics[mic]);
    return bounce(scene, found, source, mic, panel.name, image, Math.sqrt(1 - panel.absorption), at, limit);
  }
  /** What each wall, then each panel, sends of a source into a mic after the direct sound. */
  function reflections(scene, found, source, mic) {
    const walls = scene.room ? SURFACES.map((_, number) => wallBounce(scene, found, source, mic, number)) : [];
    const panels = scene.panels.map((panel) => panelBounce(scene, found, source, mic, panel));
    return [...walls, ...panels].filter((row) => row !== null);
  }

  // ---- limits ------------------------------------------------------------------------------------------------
  const toBox = (beyond) => Math.sqrt(beyond.reduce((sum, one) => sum + Math.max(one, 0) ** 2, 0))
    + Math.min(Math.max(...beyond), 0);
  /** How far a point is outside a keepout, metres; negative inside. */
  function clearance(keepout, point) {
    const off = minus(point, keepout.at);
    if (keepout.size_m) return toBox(off.map((one, axis) => Math.abs(one) - keepout.size_m[axis] / 2));
    const radius = keepout.radius_m ?? 0;
    if (keepout.height_m === null) return size(off) - radius;
    return toBox([Math.hypot(off[0], off[1]) - radius, Math.abs(off[2]) - keepout.height_m / 2]);
  }

  return {
    AUDIBLE_HZ, FLOOR_DB, SURFACES, aimPoint, apart, arrivals, axisOf, between, clearance, clip, diDifference, diMics,
    difference, heardLevel, minus, notchDepth, notches, pairs, peakHeight, peaks, plus, reflections, response, size, spacing,
    extremes, unit,
  };
})();
