"use strict";
// Numbers as people read them: a unit always, no more digits than a number deserves. The same words as micalign.units.
globalThis.micalign ??= {};
micalign.words = (() => {
  const METRES = { m: 1, cm: 0.01, mm: 0.001, ft: 0.3048, in: 0.0254 };
  function significant(value, digits) {
    if (!Number.isFinite(value) || Math.abs(value) < 1e-9) return "0";
    const places = (number) => digits - 1 - Math.floor(Math.log10(Math.abs(number)));
    const rounded = Number(value.toPrecision(digits));
    return rounded.toFixed(Math.max(places(rounded), 0));
  }
  const hz = (hertz) =>
    Math.abs(hertz) >= 999.5 ? `${significant(hertz / 1000, 3)} kHz` : `${significant(hertz, 3)} Hz`;
  const signed = (text, value, sign) => (sign && value >= 0 && !text.startsWith("-") ? `+${text}` : text);
  function ms(seconds, sigma = 0, sign = false) {
    const decimals = sigma > 0 ? Math.min(Math.max(Math.ceil(-Math.log10(sigma * 1e3)), 0), 3) : 3;
    const rounded = Math.round(seconds * 1e3 * 10 ** decimals) / 10 ** decimals + 0;
    return `${signed(rounded.toFixed(decimals), rounded, sign)} ms`;
  }
  const msWithin = (seconds, sigma, sign = false) =>
    `${ms(seconds, sigma, sign)} ± ${sigma >= 5e-7 ? ms(sigma, sigma) : `${significant(sigma * 1e6, 2)} µs`}`;
  /** A range of frequencies; no upper end, or one beyond hearing, is open. */
  function hzRange(low, high, audible) {
    if (high === null || high > audible) return `above ${hz(Number(low.toPrecision(2)))}`;
    const width = Math.floor(Math.log10(Math.max(high - low, 1e-3) / 2));
    const step = 10 ** Math.max(Math.min(width, Math.floor(Math.log10(Math.max(low, 1)))), 0);
    const coarse = high > 2 * low ? Math.max(step, 10 ** (Math.floor(Math.log10(high)) - 1)) : step;
    const from = Math.round(low / step) * step, to = Math.round(high / coarse) * coarse;
    if (from === to) return hz(low);
    return from >= 1e3 ? `${Number((from / 1e3).toPrecision(6))}-${Number((to / 1e3).toPrecision(6))} kHz` : `${from}-${to} Hz`;
  }
  /** Where the first notch lies for a delay one standard deviation longer and shorter. */
  function firstNotch(seconds, sigma, audible) {
    const late = Math.abs(seconds), low = 0.5 / (late + sigma);
    return low > audible ? "none below 20 kHz" : hzRange(low, late > sigma ? 0.5 / (late - sigma) : null, audible);
  }
  function db(level, sign = false) {
    if (level < -99.95) return "total";
    return `${signed((Math.round(level * 10) / 10 + 0).toFixed(1), level, sign)} dB`;
  }
  function inches(metres, feet) {
    let quarters = Math.round(Math.abs(metres) / METRES.in * 4);
    const minus = metres < 0 && quarters ? "-" : "";
    const whole = feet ? Math.floor(quarters / 48) : 0;
    quarters -= 48 * whole;
    const fraction = ["", "1/4", "1/2", "3/4"][quarters % 4], full = Math.floor(quarters / 4);
    const inch = [full ? String(full) : "", fraction].filter(Boolean).join(" ");
    const parts = [whole ? `${whole} ft` : "", inch ? `${inch} in` : ""].filter(Boolean);
    return minus + (parts.join(" ") || (feet ? "0 ft" : "0 in"));
  }
  /** A length in the reader's unit: to the centimetre, or the quarter inch. */
  function length(metres, unit) {
    if (unit === "m") return `${(Math.round(metres * 100) / 100 + 0).toFixed(2)} m`;
    if (unit === "cm") return `${Math.round(metres * 100) + 0} cm`;
    if (unit === "mm") return `${Math.round(metres * 1000) + 0} mm`;
    return inches(metres, unit === "ft");
  }
  const PARTS = /^\s*(\d+\s+\d+\/\d+|\d+\/\d+|\d+\.\d*|\.\d+|\d+)\s*(mm|cm|m|ft|in|'|")?/;
  function amount(text) {
    const mixed = text.match(/^(?:(\d+)\s+)?(\d+)\/(\d+)$/);
    return mixed ? Number(mixed[1] ?? 0) + Number(mixed[2]) / Number(mixed[3]) : Number(text);
  }
  /** Metres of what somebody typed, "62 cm" or "3 ft 5 in" or a bare number in the unit; null where it is no length. */
  function parse(text, unit) {
    const minus = /^\s*[-−]/.test(text);
    let rest = text.replace(/^\s*[-−+]/, ""), metres = 0, parts = 0;
    while (rest.trim()) {
      const part = rest.match(PARTS);
      if (!part || (parts && !part[2])) return null;
      const named = { "'": "ft", '"': "in" }[part[2]] ?? part[2] ?? unit;
      metres += amount(part[1]) * METRES[named];
      rest = rest.slice(part[0].length);
      parts += 1;
    }
    return parts && Number.isFinite(metres) ? (minus ? -metres : metres) : null;
  }
  return { METRES, db, firstNotch, hz, hzRange, length, ms, msWithin, parse, significant };
})();
