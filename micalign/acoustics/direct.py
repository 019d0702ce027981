"""How far ahead of its microphones is a direct line (DI)?

A DI takes the signal before the air: it arrives after its own latency alone, and the mics on the same source after
the sound has travelled. A difference is the arrival at the mic minus that at the DI, so that a positive one says how
much later the DI must go to meet the mic. Its level against a mic depends on gains that a scene does not tell, so the
comb's teeth are given and its depth is not. A cabinet's or a pickup's own delay is not in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from micalign.acoustics.arrivals import Arrivals
from micalign.acoustics.comb import notches_hz
from micalign.acoustics.differences import MOST_TEETH
from micalign.scene.model import Di, Scene

__all__ = ["DiDifference", "di_differences"]


@dataclass(frozen=True, slots=True)
class DiDifference:
    """A DI against a mic that takes the same source."""

    di: str
    mic: str
    source: str
    difference_s: float
    uncertainty_s: float
    polarity: int
    first_notch_hz: float | None
    notches_hz: tuple[float, ...]


def di_differences(scene: Scene, found: Arrivals) -> tuple[DiDifference, ...]:
    """Each DI against each mic that is on its source; against every mic where none is."""
    return tuple(row for di in scene.dis for row in _rows(scene, found, di))


def _rows(scene: Scene, found: Arrivals, di: Di) -> Iterator[DiDifference]:
    row = found.sources.index(di.of)
    own = [mic.name for mic in scene.mics if di.of in mic.on]
    for name in own or found.mics:
        column = found.mics.index(name)
        late = float(found.arrival_s[row, column]) - di.latency_s
        polarity = 1 if found.sign[row, column] * di.polarity > 0 else -1
        teeth = tuple(notches_hz(late, polarity=polarity).tolist()[:MOST_TEETH])
        sigma = float(found.uncertainty_s[row, column])
        yield DiDifference(di.name, name, di.of, late, sigma, polarity, teeth[0] if teeth else None, teeth)
