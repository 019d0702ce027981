"""Questions for a class, and their answers, worked out by the same arithmetic as everything else.

The same seed gives the same questions. Speed of sound: 344 m/s, as the sheet says, so that a pocket calculator
agrees.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz
from micalign.report.page import page
from micalign.units import METRES, show_db, show_hz, show_length, show_ms

__all__ = ["SPEED_M_S", "Question", "question_page", "questions"]

SPEED_M_S: Final = 344.0
"""What the question sheet tells the student to use."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked, the answer, how it is found, and its figure in SI units or dB for a machine to check."""

    text: str
    answer: str
    working: str
    value: float


def questions(count: int, *, seed: int = 1, unit: str = "cm") -> tuple[Question, ...]:
    """So many questions, the kinds in turn.

    Parameters
    ----------
    count : int
    seed : int
    unit : {"m", "cm", "mm", "ft", "in"}
        For the lengths.

    Examples
    --------
    >>> questions(1)[0].text == questions(3)[0].text
    True
    >>> len({question.text for question in questions(20)})
    20
    """
    rng = random.Random(seed)
    made: list[Question] = []
    turn = 0
    while len(made) < count:
        question = _KINDS[turn % len(_KINDS)](rng, unit)
        turn += 1
        # Twice the same is no exercise; a very long sheet may run out of new ones.
        if question not in made or turn > 20 * count:
            made.append(question)
    return tuple(made)


def question_page(asked: Sequence[Question], *, answers: bool, seed: int) -> str:
    """The question sheet, or with ``answers`` the answer sheet."""
    title = "Combs: answers" if answers else "Combs: questions"
    values = {"title": title, "questions": asked, "answers": answers, "seed": seed, "speed": f"{SPEED_M_S:g} m/s"}
    return page("questions.html.j2", values)


def _length(rng: random.Random, unit: str, low_cm: int, high_cm: int, step_cm: int = 5) -> float:
    return _as_told(rng.randrange(low_cm, high_cm + 1, step_cm) / 100.0, unit)


def _as_told(metres: float, unit: str) -> float:
    """The length as the sheet tells it, in whole centimetres or inches: the answer must follow from what is told."""
    step = METRES["in"] if unit in {"ft", "in"} else METRES["cm"]
    return round(metres / step) * step


def _first_notch(rng: random.Random, _unit: str) -> Question:
    delay_s = rng.randrange(2, 101) / 1e4
    value = float(notches_hz(delay_s)[0])
    return Question(
        f"A copy arrives {delay_s * 1e3:g} ms after the sound, equally loud. Where is the first notch?",
        show_hz(value),
        f"1 / (2 × {delay_s * 1e3:g} ms)",
        value,
    )


def _from_distances(rng: random.Random, unit: str) -> Question:
    near = _length(rng, unit, 20, 80)
    far = near + _length(rng, unit, 15, 150)
    delay = (far - near) / SPEED_M_S
    return Question(
        f"One mic stands {show_length(near, unit)} from a snare, another {show_length(far, unit)}. How "
        "much later does the second hear it, and where is the first notch of their sum?",
        f"{show_ms(delay)}; {show_hz(0.5 / delay)}",
        f"{show_length(far - near, unit)} / {SPEED_M_S:g} m/s, then 1 / (2 × delay)",
        delay,
    )


def _level(rng: random.Random, unit: str) -> Question:
    near = _length(rng, unit, 10, 60)
    far = _as_told(near * rng.choice((1.5, 2.0, 2.5, 3.0, 4.0, 5.0)), unit)
    value = 20.0 * math.log10(far / near)
    return Question(
        f"A voice is {show_length(near, unit)} from one omni mic and {show_length(far, unit)} "
        "from another. How much weaker is it at the second, with no walls near?",
        show_db(value),
        f"20 log10({show_length(far, unit)} / {show_length(near, unit)})",
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


def _spacing(rng: random.Random, unit: str) -> Question:
    own = _length(rng, unit, 10, 40)
    apart = _as_told(own * rng.choice((1.5, 2.0, 2.5, 3.0, 3.5, 4.0)), unit)
    value = apart / own
    verdict = "yes" if value >= 3.0 - 1e-9 else "no"
    return Question(
        f"Two singers, each {show_length(own, unit)} from a mic; the mics are {show_length(apart, unit)} "
        "apart. Is the rule of three to one (mic to mic) kept, and what is the ratio?",
        f"{verdict}, {value:.1f}:1",
        f"{show_length(apart, unit)} / {show_length(own, unit)}",
        value,
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


def _back_to_delay(rng: random.Random, unit: str) -> Question:
    notch = rng.choice((80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000))
    delay = 0.5 / notch
    return Question(
        f"The sum of two equal mics has its first notch at {notch} Hz. How many milliseconds apart are "
        "they, and how much longer is one way?",
        f"{show_ms(delay)}; {show_length(delay * SPEED_M_S, unit)}",
        f"1 / (2 × {notch} Hz), then times {SPEED_M_S:g} m/s",
        delay,
    )


def _direct_line(rng: random.Random, unit: str) -> Question:
    away = _length(rng, unit, 5, 120)
    late_ms = rng.choice((0.0, 0.5, 0.8, 1.0, 1.5, 2.0))
    value = away / SPEED_M_S - late_ms / 1e3
    which = "DI" if value > 0 else "mic"
    return Question(
        f"A mic stands {show_length(away, unit)} before a bass cab; the DI's converter puts the wire "
        f"{late_ms:g} ms late. Which track must be moved later so that both agree, and by how much?",
        f"the {which}, by {show_ms(abs(value))}",
        f"{show_length(away, unit)} / {SPEED_M_S:g} m/s − {late_ms:g} ms",
        value,
    )


def _reflection(rng: random.Random, unit: str) -> Question:
    height, apart = _length(rng, unit, 60, 180, 10), _length(rng, unit, 50, 200, 10)
    longer = math.hypot(apart, 2 * height) - apart
    value = float(notches_hz(longer / SPEED_M_S)[0])
    return Question(
        f"Source and mic both stand {show_length(height, unit)} above a hard floor, {show_length(apart, unit)} "
        "apart. Where is the first notch that the floor makes?",
        show_hz(value),
        f"longer way: √({show_length(apart, unit)}² + (2 × {show_length(height, unit)})²) − {show_length(apart, unit)}",
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


_KINDS: Final[tuple[Callable[[random.Random, str], Question], ...]] = (
    _first_notch,
    _from_distances,
    _level,
    _depth,
    _spacing,
    _flipped,
    _back_to_delay,
    _direct_line,
    _reflection,
    _first_peak,
)
