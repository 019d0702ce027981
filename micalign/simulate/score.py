"""Who plays when?

A take begins with a short silence, then goes through the sources one after the other, as at a sound check, and
then all play together. Times are seconds on the take's clock, for the moment a note leaves its source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from micalign.arrays import Floats

__all__ = ["SILENCE_S", "score"]

SILENCE_S: Final = 0.5
"""Silence before the first note, for the noise floor to be read from."""

_TAIL_S: Final = 0.8
_EIGHTH_S: Final = 60.0 / 108.0 / 2.0
_SPACING_S: Final = {"bass": 0.62, "guitar": 0.8, "voice": 0.6, "ride": 0.5, "crash": 0.8, "noise": 0.7}

# Eighths of a bar on which each sound plays.
_PATTERNS: Final = {
    "kick": (0, 3, 4),
    "snare": (2, 6),
    "tom": (5, 7),
    "hat": (0, 1, 2, 3, 4, 5, 6, 7),
    "ride": (0, 2, 3, 4, 6, 7),
    "crash": (0,),
    "bass": (0, 3, 4, 6),
    "guitar": (1, 4, 5),
    "voice": (0, 2, 4, 5),
    "clap": (2, 6),
    "noise": (0, 4),
}


def score(sounds: Sequence[str], seconds: float, rng: np.random.Generator, *, together: float = 0.4) -> list[Floats]:
    """The moments of each source's notes.

    Parameters
    ----------
    sounds : sequence of str
        What each source plays.
    seconds : float
        Length of the take.
    together : float, default 0.4
        Share of the time in which all play at once; the rest goes to them one after the other.

    Returns
    -------
    list of array, shape (notes,)
        Rising moments in seconds, one array for each source.
    """
    playing_s = max(seconds - SILENCE_S - _TAIL_S, 0.1)
    turn_s = playing_s * (1.0 - together) / len(sounds)
    joint_start_s = SILENCE_S + turn_s * len(sounds)
    return [
        np.sort(
            np.concatenate(
                [
                    _turn(sound, SILENCE_S + index * turn_s, turn_s, rng),
                    _joint(sound, joint_start_s, playing_s * together, rng),
                ]
            )
        )
        for index, sound in enumerate(sounds)
    ]


def _turn(sound: str, start_s: float, length_s: float, rng: np.random.Generator) -> Floats:
    """Notes at a hand's even spacing; at least one."""
    spacing_s = _SPACING_S.get(sound, 0.35)
    count = max(1, int(length_s / spacing_s))
    return start_s + spacing_s * np.arange(count) + rng.uniform(0.0, 0.03, count)


def _joint(sound: str, start_s: float, length_s: float, rng: np.random.Generator) -> Floats:
    """The sound's pattern, bar after bar, as loosely as people play."""
    eighths = int(length_s / _EIGHTH_S)
    steps = np.array([step for step in range(eighths) if step % 8 in _PATTERNS[sound]], dtype=np.float64)
    return start_s + _EIGHTH_S * steps + rng.uniform(0.0, 0.02, len(steps))
