"""What is a question of the lesson, and which speed and lengths does it tell?

The speed of sound is what the sheet says, 344 m/s or 1129 ft/s, so that a pocket calculator agrees; lengths are whole
centimetres or inches, since the answer must follow from what is told.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Final

from micalign.units import METRES, show_speed

__all__ = ["Question", "a_length", "as_told", "is_imperial", "through", "told_speed_m_s"]

_METRIC_M_S: Final = 344.0
_IMPERIAL_M_S: Final = 1129 * METRES["ft"]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked, the answer, how it is found, and its figure in SI units or dB for a machine to check."""

    text: str
    answer: str
    working: str
    value: float


def is_imperial(unit: str) -> bool:
    """Whether a reader of this unit thinks in feet and inches."""
    return unit in {"ft", "in"}


def told_speed_m_s(unit: str) -> float:
    """The speed of sound that the question sheet tells the student to use.

    >>> told_speed_m_s("cm"), round(told_speed_m_s("in"), 2)
    (344.0, 344.12)
    """
    return _IMPERIAL_M_S if is_imperial(unit) else _METRIC_M_S


def through(unit: str) -> str:
    """The speed, as a working divides by it."""
    return show_speed(told_speed_m_s(unit), unit)


def a_length(rng: random.Random, unit: str, low_cm: int, high_cm: int, step_cm: int = 5) -> float:
    """A length in steps of so many centimetres, metres, as the sheet tells it."""
    return as_told(rng.randrange(low_cm, high_cm + 1, step_cm) / 100.0, unit)


def as_told(metres: float, unit: str) -> float:
    """The length as the sheet tells it, in whole centimetres or inches: the answer must follow from what is told."""
    step = METRES["in"] if is_imperial(unit) else METRES["cm"]
    return round(metres / step) * step
