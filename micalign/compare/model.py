"""The answer of a comparison: row by row what was predicted and measured, and what explains the difference."""

from __future__ import annotations

from dataclasses import dataclass

from micalign.compare.causes import Kind
from micalign.compare.polarity import Flips
from micalign.findings.finding import Finding
from micalign.scene.model import Point

__all__ = ["Comparison", "Explanation", "Row", "is_hazy"]


@dataclass(frozen=True, slots=True)
class Row:
    """One source in one track, against the source's reference track; None where it was not heard reliably.

    Times are how much LATER the source is in the track than in the reference. ``z`` is their difference in standard
    deviations of prediction and measurement together. Polarities are against the reference too.
    """

    track: str
    source: str
    reference: str
    predicted_s: float
    predicted_sigma_s: float
    measured_s: float | None
    measured_sigma_s: float | None
    z: float | None
    polarity_expected: int | None
    polarity: int | None
    explains: str | None

    @property
    def difference_s(self) -> float | None:
        """Measured minus predicted."""
        return None if self.measured_s is None else self.measured_s - self.predicted_s


@dataclass(frozen=True, slots=True)
class Explanation:
    """A cause that was accepted, in numbers and words.

    ``evidence`` is how much likelier the take is with it than without, as a natural logarithm; ``rivals`` are
    other causes within a factor of 20 of it. ``other_m`` is a second move that explains the take as well, with its
    probability.
    """

    kind: Kind
    names: tuple[str, ...]
    evidence: float
    words: str
    rivals: tuple[str, ...] = ()
    moved_m: Point | None = None
    moved_sigma_m: float | None = None
    late_s: float | None = None
    temperature_c: float | None = None
    other_m: Point | None = None
    other_probability: float | None = None


@dataclass(frozen=True)
class Comparison:
    """Plan against take."""

    rows: tuple[Row, ...]
    explanations: tuple[Explanation, ...]
    flips: Flips
    explained: bool
    strays: int
    sightings: int
    unheard: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def is_fine(self) -> bool:
        """Whether the take is as the scene says."""
        return self.explained and not self.explanations and not self.flips.tracks

    @property
    def is_hazy(self) -> bool:
        """Whether most delays fit no source, so that agreement of the rest proves little."""
        return is_hazy(self.strays, self.sightings)


def is_hazy(strays: int, sightings: int) -> bool:
    """Whether more than half of what was heard could not be placed.

    >>> is_hazy(7, 12), is_hazy(6, 12)
    (True, False)
    """
    return 2 * strays > sightings
