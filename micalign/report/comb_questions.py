"""Questions on the comb itself: where its teeth lie, how deep they are, what a flip does.

Answers come from `micalign.acoustics.comb`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Final

from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz
from micalign.report.way_questions import Question
from micalign.units import show_db, show_hz, show_ms

__all__ = ["COMB_KINDS"]


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
    if abs(math.cos(math.pi * half_turns)) < 0.05:  # that would be the notch itself
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
    _first_notch,
    _depth,
    _flipped,
    _nth_notch,
    _first_peak,
    _to_cancel,
    _swing,
    _apart,
    _how_many,
    _both_skins,
    _to_lift,
    _turned_up,
    _tone,
    _delay_of_spacing,
)
"""How each kind of question is made."""
