"""What does the lesson let a reader guess before it tells? One guess for each idea, its answer worked out here.

A `Guess` names a place to begin from and a goal: the answer comes when the reader has moved there. Lengths are told in
the reader's unit; each figure is what `micalign.acoustics` gives for what is told.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db
from micalign.units import METRES, show_db, show_hz, show_length

__all__ = ["Guess", "guesses"]


@dataclass(frozen=True, slots=True)
class Guess:
    """A question with its choices, of which number ``right`` is right, and ``why``.

    ``bind`` is the control to move, ``start`` where it begins, ``goal`` the range in which the answer comes:
    ``delay_ms``, ``level_db`` or ``flipped``. ``told`` says what to do.
    """

    idea: str
    question: str
    choices: tuple[str, ...]
    right: int
    why: str
    told: str
    bind: str
    start: dict[str, Any]
    goal: dict[str, Any]

    @property
    def answer(self) -> str:
        """The right choice."""
        return self.choices[self.right]

    def document(self) -> dict[str, Any]:
        """What the page's script needs, JSON-ready."""
        return {
            "choices": list(self.choices),
            "right": self.right,
            "why": self.why,
            "start": self.start,
            "goal": self.goal,
        }


def guesses(unit: str, speed_m_s: float) -> tuple[Guess, ...]:
    """One for each of the lesson's ideas, in its order.

    Parameters
    ----------
    unit : {"m", "cm", "mm", "ft", "in"}
    speed_m_s : float

    Examples
    --------
    >>> [guess.answer for guess in guesses("cm", 344.0)][:3]
    ['500 Hz', 'it falls to 250 Hz, and the teeth stand twice as close', '-6.0 dB']
    """
    return tuple(make(unit, speed_m_s) for make in _IDEAS)


def _late(_unit: str, _speed: float) -> Guess:
    first = float(notches_hz(0.001)[0])
    return Guess(
        "late",
        "A copy comes 1 ms late, equally loud. Where will the first notch be?",
        (show_hz(first / 2), show_hz(first), show_hz(2 * first), show_hz(4 * first)),
        1,
        "Half a period of it lasts 1 ms: there the copy comes upside down.",
        "Make the copy 1 ms late.",
        "delay",
        _begin(0.2, 0.0),
        {"delay_ms": [0.98, 1.02]},
    )


def _double(_unit: str, _speed: float) -> Guess:
    first = show_hz(float(notches_hz(0.002)[0]))
    return Guess(
        "where",
        "The copy is 1 ms late, the first notch at 500 Hz. What does twice the delay do to it?",
        ("it rises to 1.00 kHz", "it stays, and is deeper", f"it falls to {first}, and the teeth stand twice as close"),
        2,
        "Notches lie at 1, 3, 5 ... times 1 / (2 × delay): twice the delay, half of each.",
        "Make the copy 2 ms late.",
        "delay",
        _begin(1.0, 0.0),
        {"delay_ms": [1.97, 2.03]},
    )


def _weaker(_unit: str, _speed: float) -> Guess:
    depth = notch_depth_db(6.0)
    return Guess(
        "level",
        "The copy is 6 dB weaker: half as large. How deep are the notches now, against the louder one alone?",
        ("still total", show_db(2 * depth), show_db(depth), show_db(depth / 2)),
        2,
        "Half is taken from one: half is left, 6 dB down. The peaks are one and a half: "
        f"{show_db(peak_height_db(6.0), sign=True)}.",
        "Make the copy 6 dB weaker.",
        "level",
        _begin(1.0, 0.0),
        {"level_db": [5.9, 6.1]},
    )


def _flip(_unit: str, _speed: float) -> Guess:
    return Guess(
        "polarity",
        "The copy is 1 ms late. You flip its polarity. Where does the lowest notch go?",
        ("nowhere: a flip changes no pitch", "to 0 Hz: the bass goes", "to 250 Hz", "to 1.00 kHz, and the bass stays"),
        1,
        "What pushed now pulls: notches and peaks change places, and the lowest peak was at 0 Hz.",
        "Flip the copy.",
        "flipped",
        _begin(1.0, 0.0),
        {"flipped": True},
    )


def _third(_unit: str, _speed: float) -> Guess:
    third_db = 20.0 * math.log10(3.0)
    swing = peak_height_db(third_db) - notch_depth_db(third_db)
    return Guess(
        "spacing",
        f"The other voice comes three times as far: {third_db:.1f} dB weaker. How far do peaks and notches still "
        "stand apart?",
        ("0 dB: the rule removes the comb", f"about {swing / 3:.0f} dB", f"about {swing:.0f} dB"),
        2,
        f"{show_db(peak_height_db(third_db), sign=True)} and {show_db(notch_depth_db(third_db))}: "
        "the rule makes the comb shallow and leaves it there.",
        f"Make the copy {third_db:.1f} dB weaker.",
        "level",
        _begin(2.0, 0.0),
        {"level_db": [9.4, 9.7]},
    )


def _off(unit: str, speed: float) -> Guess:
    off_m = 4 * METRES["in"] if unit in {"ft", "in"} else 0.10
    late_ms = 1e3 * off_m / speed
    first = float(notches_hz(late_ms / 1e3)[0])
    return Guess(
        "equal",
        f"Two mics at the same distance: no comb. One now stands {show_length(off_m, unit)} further away. Where is the "
        "first notch?",
        tuple(show_hz(first * part) for part in (0.1, 1.0, 10.0)),
        1,
        f"{show_length(off_m, unit)} of air take {late_ms:.2f} ms; 1 / (2 × {late_ms:.2f} ms).",
        f"Move the second mic {show_length(off_m, unit)} away from the first's distance.",
        "second",
        _begin(0.0, 0.0) | {"first_m": 40 * METRES["in"] if unit in {"ft", "in"} else 1.0},
        {"delay_ms": [0.97 * late_ms, 1.03 * late_ms]},
    )


def _wire(unit: str, speed: float) -> Guess:
    return Guess(
        "direct",
        f"The cab's mic stands {show_length(speed / 1e3, unit)} away: 1 ms of air. The DI takes the same bass at once. "
        "What makes the two add?",
        ("flip the mic", "move the DI 1 ms later", "move the mic 1 ms later"),
        1,
        "The wire waits for the air: both then say the same at the same moment, and there is no comb.",
        "Lay one onto the other: bring the delay that is left to 0 ms.",
        "delay",
        _begin(1.0, 0.0),
        {"delay_ms": [0.0, 0.012]},
    )


def _floor(unit: str, speed: float) -> Guess:
    inches = unit in {"ft", "in"}
    height, apart = (48 * METRES["in"], 40 * METRES["in"]) if inches else (1.2, 1.0)
    late_ms = 1e3 * (math.hypot(apart, 2 * height) - apart) / speed
    first = float(notches_hz(late_ms / 1e3)[0])
    return Guess(
        "mirror",
        f"Voice and mic stand {show_length(height, unit)} above a hard floor, {show_length(apart, unit)} apart. Where "
        "does the floor cut its first notch?",
        tuple(show_hz(first * part) for part in (1.0, 3.0, 9.0)),
        0,
        f"By way of the floor it is √({show_length(apart, unit)}² + (2 × {show_length(height, unit)})²): "
        f"{late_ms:.2f} ms longer.",
        f"The longer way costs {late_ms:.2f} ms: make the copy so late.",
        "delay",
        _begin(1.0, 6.0),
        {"delay_ms": [late_ms - 0.06, late_ms + 0.06]},
    )


def _begin(delay_ms: float, level_db: float) -> dict[str, Any]:
    return {"delay_ms": delay_ms, "level_db": level_db, "flipped": False, "first_m": 0.5}


_IDEAS: Final[tuple[Callable[[str, float], Guess], ...]] = (
    _late,
    _double,
    _weaker,
    _flip,
    _third,
    _off,
    _wire,
    _floor,
)
