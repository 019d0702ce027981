"""What does the lesson ask a class? Kinds of question, on the comb itself and on the way of the sound.

Answers come from `micalign.acoustics.comb`. The speed of sound is what the sheet says, 344 m/s or 1129 ft/s, so that a
pocket calculator agrees; lengths are whole centimetres or inches, since the answer must follow from what is given.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz
from micalign.units import METRES, show_db, show_hz, show_length, show_ms, show_speed

__all__ = [
    "COMB_KINDS",
    "WAY_KINDS",
    "Question",
    "stated_speed_m_s",
]

_METRIC_M_S: Final = 344.0  # in air of 21 C
_IMPERIAL_M_S: Final = 1129 * METRES["ft"]  # the same in whole feet per second
_NO_NOTCH: Final = 0.05  # of full height: a tone nearer to a notch than this is no fair question


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked, the answer, how it is found, and its figure in SI units or dB for a machine to check."""

    text: str
    answer: str
    working: str
    value: float


def _is_imperial(unit: str) -> bool:
    """Whether a reader of this unit thinks in feet and inches."""
    return unit in {"ft", "in"}


def stated_speed_m_s(unit: str) -> float:
    """The speed of sound that the question sheet gives the student.

    >>> stated_speed_m_s("cm"), round(stated_speed_m_s("in"), 2)
    (344.0, 344.12)
    """
    return _IMPERIAL_M_S if _is_imperial(unit) else _METRIC_M_S


def _through(unit: str) -> str:
    """The speed, as a working divides by it."""
    return show_speed(stated_speed_m_s(unit), unit)


def _a_length(rng: random.Random, unit: str, low_cm: int, high_cm: int, step_cm: int = 5) -> float:
    """A length in steps of so many centimetres, metres, as the sheet states it."""
    return _as_stated(rng.randrange(low_cm, high_cm + 1, step_cm) / 100.0, unit)


def _as_stated(metres: float, unit: str) -> float:
    """The length as the sheet states it, in whole centimetres or inches: the answer must follow from what is stated."""
    step = METRES["in"] if _is_imperial(unit) else METRES["cm"]
    return round(metres / step) * step


def _from_distances(rng: random.Random, unit: str) -> Question:
    near = _a_length(rng, unit, 20, 80)
    far = near + _a_length(rng, unit, 15, 150)
    delay = (far - near) / stated_speed_m_s(unit)
    return Question(
        f"One mic stands {show_length(near, unit)} from a snare, another {show_length(far, unit)}. How "
        "much later does the second hear it, and where is the first notch of their sum?",
        f"{show_ms(delay)}; {show_hz(0.5 / delay)}",
        f"{show_length(far - near, unit)} / {_through(unit)}, then 1 / (2 × delay)",
        delay,
    )


def _level(rng: random.Random, unit: str) -> Question:
    near = _a_length(rng, unit, 10, 60)
    far = _as_stated(near * rng.choice((1.5, 2.0, 2.5, 3.0, 4.0, 5.0)), unit)
    value = 20.0 * math.log10(far / near)
    return Question(
        f"A voice is {show_length(near, unit)} from one omni mic and {show_length(far, unit)} "
        "from another. How much weaker is it at the second, with no walls near?",
        show_db(value),
        f"20 log10({show_length(far, unit)} / {show_length(near, unit)})",
        value,
    )


def _arrival(rng: random.Random, unit: str) -> Question:
    away = _a_length(rng, unit, 60, 600, 20)
    value = away / stated_speed_m_s(unit)
    return Question(
        f"A room mic stands {show_length(away, unit)} from a kick. How long after the hit does it hear it?",
        show_ms(value),
        f"{show_length(away, unit)} / {_through(unit)}",
        value,
    )


def _spacing(rng: random.Random, unit: str) -> Question:
    own = _a_length(rng, unit, 10, 40)
    apart = _as_stated(own * rng.choice((1.5, 2.0, 2.5, 3.0, 3.5, 4.0)), unit)
    value = apart / own
    verdict = "yes" if value >= 3.0 - 1e-9 else "no"
    return Question(
        f"Two singers, each {show_length(own, unit)} from a mic; the mics are {show_length(apart, unit)} "
        "apart. Is the rule of three to one (mic to mic) kept, and what is the ratio?",
        f"{verdict}, {value:.1f}:1",
        f"{show_length(apart, unit)} / {show_length(own, unit)}",
        value,
    )


def _back_to_delay(rng: random.Random, unit: str) -> Question:
    notch = rng.choice((80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000))
    delay = 0.5 / notch
    return Question(
        f"The sum of two equal mics has its first notch at {notch} Hz. How many milliseconds apart are "
        "they, and how much longer is one way?",
        f"{show_ms(delay)}; {show_length(delay * stated_speed_m_s(unit), unit)}",
        f"1 / (2 × {notch} Hz), then times {_through(unit)}",
        delay,
    )


def _direct_line(rng: random.Random, unit: str) -> Question:
    away = _a_length(rng, unit, 5, 120)
    late_ms = rng.choice((0.0, 0.5, 0.8, 1.0, 1.5, 2.0))
    value = away / stated_speed_m_s(unit) - late_ms / 1e3
    which = "DI" if value > 0 else "mic"
    return Question(
        f"A mic stands {show_length(away, unit)} before a bass cab; the DI's converter puts the wire "
        f"{late_ms:g} ms late. Which track must be moved later so that both agree, and by how much?",
        f"the {which}, by {show_ms(abs(value))}",
        f"{show_length(away, unit)} / {_through(unit)} − {late_ms:g} ms",
        value,
    )


def _reflection(rng: random.Random, unit: str) -> Question:
    height, apart = _a_length(rng, unit, 60, 180, 10), _a_length(rng, unit, 50, 200, 10)
    across = show_length(apart, unit)
    longer = math.hypot(apart, 2 * height) - apart
    value = float(notches_hz(longer / stated_speed_m_s(unit))[0])
    return Question(
        f"Source and mic both stand {show_length(height, unit)} above a hard floor, {across} "
        "apart. Where is the first notch that the floor makes?",
        show_hz(value),
        f"longer way: √({across}² + (2 × {show_length(height, unit)})²) − {across}",
        value,
    )


def _wavelength(rng: random.Random, unit: str) -> Question:
    hertz = rng.choice((50, 80, 100, 125, 200, 250, 400, 500, 800, 1000))
    value = stated_speed_m_s(unit) / hertz
    return Question(
        f"How long is one wave of a tone of {hertz} Hz in air?",
        show_length(value, unit),
        f"{_through(unit)} / {hertz} Hz",
        value,
    )


def _to_equal(rng: random.Random, unit: str) -> Question:
    near = _a_length(rng, unit, 80, 120)
    value = _a_length(rng, unit, 5, 40)
    return Question(
        f"The strings from a snare to the overheads measure {show_length(near, unit)} and "
        f"{show_length(near + value, unit)}. How much nearer must the farther one come, along its string?",
        show_length(value, unit),
        f"{show_length(near + value, unit)} − {show_length(near, unit)}",
        value,
    )


def _samples(rng: random.Random, _unit: str) -> Question:
    rate, delay_s = rng.choice((44100, 48000, 96000)), rng.randrange(5, 101) / 1e4
    value = delay_s * rate
    return Question(
        f"How many samples is {delay_s * 1e3:g} ms at {rate} samples a second?",
        f"{value:.1f} samples",
        f"{delay_s * 1e3:g} ms × {rate} / s",
        value,
    )


def _three_times(rng: random.Random, unit: str) -> Question:
    own = _a_length(rng, unit, 10, 60)
    value = 3.0 * own
    return Question(
        f"A singer stands {show_length(own, unit)} from a mic. How far at least must a second mic stand from that mic "
        "by the trade's rule?",
        show_length(value, unit),
        f"3 × {show_length(own, unit)}",
        value,
    )


def _wall_behind(rng: random.Random, unit: str) -> Question:
    away = _a_length(rng, unit, 20, 150, 10)
    value = float(notches_hz(2 * away / stated_speed_m_s(unit))[0])
    return Question(
        f"An omni mic faces a voice and has a hard wall {show_length(away, unit)} behind it. Where is the first "
        "notch of what the wall sends back?",
        show_hz(value),
        f"there and back: 2 × {show_length(away, unit)} / {_through(unit)}, then 1 / (2 × delay)",
        value,
    )


def _tolerance(rng: random.Random, unit: str) -> Question:
    late_ms = rng.choice((0.1, 0.2, 0.3, 0.4, 0.5))
    value = late_ms / 1e3 * stated_speed_m_s(unit)
    return Question(
        f"Two overheads are to agree within {late_ms:g} ms. By how much may their strings from the snare differ?",
        show_length(value, unit),
        f"{late_ms:g} ms × {_through(unit)}",
        value,
    )


def _converter(rng: random.Random, unit: str) -> Question:
    count, rate = rng.choice((32, 48, 64, 96, 128, 256)), rng.choice((44100, 48000, 96000))
    value = count / rate
    return Question(
        f"A plug-in holds a track back by {count} samples at {rate} samples a second. How late is it, and how much air "
        "is that?",
        f"{show_ms(value)}; {show_length(value * stated_speed_m_s(unit), unit)}",
        f"{count} / {rate} per second, then times {_through(unit)}",
        value,
    )


def _warm(rng: random.Random, unit: str) -> Question:
    celsius = rng.choice((0, 5, 10, 15, 25, 30))
    metres_per_second = 331.3 * math.sqrt(1.0 + celsius / 273.15)
    away = _a_length(rng, unit, 200, 600, 50)
    value = away / metres_per_second
    at_zero = "1086.9 ft/s" if _is_imperial(unit) else "331.3 m/s"
    return Question(
        f"Out of doors at {celsius} °C sound runs {at_zero} × √(1 + {celsius} / 273.15). How long does it take "
        f"for {show_length(away, unit)}?",
        show_ms(value),
        f"{show_length(away, unit)} / {show_speed(metres_per_second, unit)}",
        value,
    )


WAY_KINDS: Final[tuple[Callable[[random.Random, str], Question], ...]] = (
    *(_from_distances, _level, _arrival, _spacing, _back_to_delay, _direct_line, _reflection, _wavelength),
    *(_to_equal, _samples, _three_times, _wall_behind, _tolerance, _converter, _warm),
)
"""How each kind of question is made."""


def _first_notch(rng: random.Random, _unit: str) -> Question:
    delay_s = rng.randrange(2, 101) / 1e4
    value = float(notches_hz(delay_s)[0])
    return Question(
        f"A copy arrives {delay_s * 1e3:g} ms after the sound, equally loud. Where is the first notch?",
        show_hz(value),
        f"1 / (2 × {delay_s * 1e3:g} ms)",
        value,
    )


def _depth(rng: random.Random, _unit: str) -> Question:
    level = rng.choice((1, 2, 3, 4, 6, 8, 10, 12, 15, 20))
    notch, peak = notch_depth_db(level), peak_height_db(level)
    return Question(
        f"A copy is {level} dB weaker than the sound. How deep are the notches of the sum and how high its "
        "peaks, against the stronger one alone?",
        f"{show_db(notch)} and {show_db(peak, sign=True)}",
        f"g = 10^(−{level}/20); 20 log10(1 − g) and 20 log10(1 + g)",
        notch,
    )


def _flipped(rng: random.Random, _unit: str) -> Question:
    delay_s = rng.randrange(5, 51) / 1e4
    value = float(notches_hz(delay_s, polarity=-1)[1])
    return Question(
        f"A copy comes {delay_s * 1e3:g} ms late and its polarity is flipped. Where is the first notch above 0 Hz?",
        show_hz(value),
        f"1 / {delay_s * 1e3:g} ms",
        value,
    )


def _nth_notch(rng: random.Random, _unit: str) -> Question:
    delay_s, number = rng.randrange(5, 51) / 1e4, rng.choice((2, 3, 4))
    value = float(notches_hz(delay_s)[number - 1])
    name = {2: "second", 3: "third", 4: "fourth"}[number]
    return Question(
        f"A copy comes {delay_s * 1e3:g} ms late. Where is the {name} notch, counted from the lowest?",
        show_hz(value),
        f"{2 * number - 1} / (2 × {delay_s * 1e3:g} ms)",
        value,
    )


def _first_peak(rng: random.Random, _unit: str) -> Question:
    delay_s = rng.randrange(5, 101) / 1e4
    value = float(peaks_hz(delay_s)[0])
    return Question(
        f"A copy comes {delay_s * 1e3:g} ms late. Which is the lowest pitch above the bass that it lifts most?",
        show_hz(value),
        f"1 / {delay_s * 1e3:g} ms",
        value,
    )


def _to_cancel(rng: random.Random, _unit: str) -> Question:
    hertz = rng.choice((60, 80, 100, 125, 160, 200, 250, 400, 500, 1000, 2000))
    value = 0.5 / hertz
    return Question(
        f"Which is the shortest delay of an equally loud copy that takes a tone of {hertz} Hz away?",
        show_ms(value),
        f"half a period: 1 / (2 × {hertz} Hz)",
        value,
    )


def _swing(rng: random.Random, _unit: str) -> Question:
    level = rng.choice((1, 2, 3, 4, 6, 8, 10, 12, 15, 20))
    value = peak_height_db(level) - notch_depth_db(level)
    return Question(
        f"A copy is {level} dB weaker. How many dB lie between the peaks and the notches of the sum?",
        show_db(value),
        f"g = 10^(−{level}/20); 20 log10((1 + g) / (1 − g))",
        value,
    )


def _apart(rng: random.Random, _unit: str) -> Question:
    delay_s = rng.randrange(2, 101) / 1e4
    notches = notches_hz(delay_s)
    value = float(notches[1] - notches[0])
    return Question(
        f"How far apart are two neighbouring notches of a copy that is {delay_s * 1e3:g} ms late?",
        show_hz(value),
        f"1 / {delay_s * 1e3:g} ms",
        value,
    )


def _how_many(rng: random.Random, _unit: str) -> Question:
    tenths, upper_khz = rng.randrange(3, 31), rng.choice((4, 5, 8, 10))
    value = len(notches_hz(tenths / 1e4, upper_hz=1e3 * upper_khz - 1.0))
    return Question(
        f"How many notches does a copy {tenths / 10:g} ms late cut below {upper_khz} kHz?",
        f"{value}",
        f"count 1, 3, 5 ... times 1 / (2 × {tenths / 10:g} ms)",
        float(value),
    )


def _both_skins(rng: random.Random, _unit: str) -> Question:
    level = rng.choice((3, 6, 8, 10, 12))
    value = notch_depth_db(level)
    return Question(
        f"Mics above and below a snare hear it at one moment, the lower one upside down and {level} dB weaker. Nobody "
        "flips it. What is left of the upper one's level in the sum?",
        show_db(value),
        f"20 log10(1 − 10^(−{level}/20)), at every pitch alike",
        value,
    )


def _to_lift(rng: random.Random, _unit: str) -> Question:
    hertz = rng.choice((80, 100, 125, 160, 200, 250, 400, 500, 1000, 2000))
    value = 1.0 / hertz
    return Question(
        f"A copy is late, and lifts a tone of {hertz} Hz as much as it can. Which is the shortest delay that does so?",
        show_ms(value),
        f"a whole period: 1 / {hertz} Hz",
        value,
    )


def _turned_up(rng: random.Random, _unit: str) -> Question:
    weaker, up = rng.choice((8, 10, 12, 14, 16, 20)), rng.choice((2, 3, 4, 6))
    value = notch_depth_db(weaker - up)
    return Question(
        f"A voice bleeds into a second mic {weaker} dB weaker than into its own. The second mic is turned up by "
        f"{up} dB. How deep are the notches of the sum now?",
        show_db(value),
        f"{weaker} − {up} = {weaker - up} dB weaker; 20 log10(1 − 10^(−{weaker - up}/20))",
        value,
    )


def _tone(rng: random.Random, _unit: str) -> Question:
    delay_ms, hertz = rng.choice((0.5, 1.0, 2.0, 4.0)), rng.choice((100, 125, 200, 300, 400))
    half_turns = hertz * delay_ms / 1e3
    if abs(math.cos(math.pi * half_turns)) < _NO_NOTCH:
        hertz, half_turns = 100, 0.1 * delay_ms
    value = 20.0 * math.log10(2.0 * abs(math.cos(math.pi * half_turns)))
    return Question(
        f"A tone of {hertz} Hz and its copy {delay_ms:g} ms late, both equally loud: how much louder is the sum "
        "than one alone?",
        show_db(value, sign=True),
        f"20 log10(2 |cos(π × {hertz} Hz × {delay_ms:g} ms)|)",
        value,
    )


def _delay_of_spacing(rng: random.Random, _unit: str) -> Question:
    hertz = rng.choice((100, 125, 200, 250, 400, 500, 800, 1000, 1250, 2000))
    value = 1.0 / hertz
    return Question(
        f"On an analyser the notches of a sum stand {hertz} Hz apart. How late is the copy?",
        show_ms(value),
        f"1 / {hertz} Hz",
        value,
    )


COMB_KINDS: Final[tuple[Callable[[random.Random, str], Question], ...]] = (
    *(_first_notch, _depth, _flipped, _nth_notch, _first_peak, _to_cancel, _swing),
    *(_apart, _how_many, _both_skins, _to_lift, _turned_up, _tone, _delay_of_spacing),
)
"""How each kind of question is made."""
