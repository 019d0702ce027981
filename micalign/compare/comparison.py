"""The answer of a comparison: every source in every track, as predicted and measured, and what explains the difference.

Each source is measured against its reference track, the one it should reach first; a difference is how much LATER it
is in a track than there.

Which tracks are inverted: for each group of sounds the measured polarity of every track against the reference track is
held against the one expected: the scene's own ``polarity`` keys, and the side of a mic's pattern that a source stands
on (the rear of a figure-8 or hypercardioid inverts). The fewest flips that bring the two together count.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import mic_gain
from micalign.arrays import Bools, Floats
from micalign.compare.fit import Fit, Sightings, Verdict
from micalign.compare.groups import Group
from micalign.compare.priors import Beliefs, Kind
from micalign.compare.tuned import AWAY, CLEAR_MARGIN
from micalign.findings.finding import Finding
from micalign.scene.model import Point
from micalign.scene.scene import Scene

__all__ = ["Comparison", "Explanation", "Flips", "Row", "flips_of", "is_hazy", "rows_of"]

_LEAST_GAIN = 0.1
"""Nearer to its null than this a mic's polarity is left open."""
_STRAY: Final = "not the direct sound: perhaps a reflection, or too weak"


@dataclass(frozen=True, slots=True)
class Flips:
    """Tracks that are inverted; ``instead`` are others that explain it as well: of two tracks nobody can tell which."""

    tracks: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()
    agreeing: int = 0
    against: int = 0


def _expected_signs(scene: Scene) -> Floats:
    """The sign with which each ear hears each source, shape (S, E); 0 where it is left open."""
    signs = np.zeros((len(scene.sources), len(scene.track_names)))
    for row, source in enumerate(scene.sources):
        for column, mic in enumerate(scene.mics):
            gain = mic_gain(scene, mic, source.position)
            signs[row, column] = np.sign(gain) * mic.polarity if abs(gain) >= _LEAST_GAIN else 0.0
        for index, di in enumerate(scene.dis):
            signs[row, len(scene.mics) + index] = di.polarity if di.of == source.name else 0.0
    return signs


def flips_of(
    scene: Scene, tracks: tuple[str, ...], groups: tuple[Group, ...], beliefs: Beliefs, seen: Sightings, fit: Fit
) -> Flips:
    """The fewest tracks whose flip makes measured and expected polarity agree."""
    signs = _expected_signs(scene)
    ear = np.array(beliefs.ear_of, dtype=np.intp)
    source = fit.source_of[seen.group]
    expected = signs[source, ear[seen.track]] * signs[source, ear[seen.reference]]
    found = np.array([groups[g].heard[t].polarity for g, t in zip(seen.group, seen.track, strict=True)], dtype=float)
    margin = np.array([groups[g].heard[t].polarity_margin for g, t in zip(seen.group, seen.track, strict=True)])
    trusted = (expected != 0) & (fit.weight > 0.5) & (margin >= CLEAR_MARGIN)
    product = np.where(trusted, expected * found * margin, 0.0)
    flipped = _fewest(product, seen, len(tracks))
    instead = _mirrored(product, seen, flipped)
    return Flips(
        tuple(name for name, is_in in zip(tracks, flipped, strict=True) if is_in),
        tuple(name for name, is_in in zip(tracks, instead, strict=True) if is_in),
        int((product > 0).sum()),
        int((product < 0).sum()),
    )


def _cost(product: Floats, seen: Sightings, flipped: Bools) -> float:
    turned = np.where(flipped[seen.track] != flipped[seen.reference], -product, product)
    return float(np.maximum(-turned, 0.0).sum())


def _fewest(product: Floats, seen: Sightings, count: int) -> Bools:
    """Flip the track that mends most, again and again, while that mends anything."""
    flipped = np.zeros(count, dtype=np.bool_)
    while True:
        now = _cost(product, seen, flipped)
        tried = [_cost(product, seen, flipped ^ (np.arange(count) == index)) for index in range(count)]
        best = int(np.argmin(tried))
        if tried[best] > now - 0.05 or int(flipped.sum()) * 2 > count:
            return flipped
        flipped[best] = ~flipped[best]


def _mirrored(product: Floats, seen: Sightings, flipped: Bools) -> Bools:
    """The other tracks as flips, where that is as few and explains as much: with two tracks nobody can tell which."""
    heard = np.zeros(len(flipped), dtype=np.bool_)
    heard[seen.track[product != 0]] = True
    heard[seen.reference[product != 0]] = True
    other = heard & ~flipped
    is_tied = flipped.any() and other.sum() == (flipped & heard).sum()
    return other if is_tied else np.zeros_like(flipped)


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

    @property
    def is_stray(self) -> bool:
        """Whether what was heard counts for nothing, since it fits neither the plan nor any cause."""
        return self.explains == _STRAY


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
    """Plan against take; ``heard_as`` names the source that each group of sounds is taken for, "" for none."""

    rows: tuple[Row, ...]
    explanations: tuple[Explanation, ...]
    flips: Flips
    explained: bool
    strays: int
    sightings: int
    unheard: tuple[str, ...]
    findings: tuple[Finding, ...]
    heard_as: tuple[str, ...] = ()

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


@dataclass(frozen=True)
class _RowPlan:
    """What the scene predicts: arrivals (S, E), their derivatives (S, E, P) and signs (S, E)."""

    beliefs: Beliefs
    arrival: Floats
    slope: Floats
    signs: Floats

    def sigma_s(self, source: int, first: int, ear: int) -> float:
        """One standard deviation of a predicted difference."""
        change = self.slope[source, ear] - self.slope[source, first]
        return float(np.sqrt(change**2 @ self.beliefs.sigma**2))


@dataclass(frozen=True)
class _Said:
    """What explains what: words by the name of a track or source, and the sightings that nothing explains."""

    words: dict[str, str]
    strays: frozenset[tuple[int, int]]

    def of(self, source: str, tracks: tuple[str, str], *, is_stray: bool) -> str | None:
        """The words for one row that is off."""
        for name in (*tracks, source):
            if name in self.words:
                return self.words[name]
        return _STRAY if is_stray else self.words.get("")


def rows_of(
    scene: Scene,
    tracks: tuple[str, ...],
    groups: tuple[Group, ...],
    planned: Beliefs,
    seen: Sightings,
    verdict: Verdict,
    explanations: tuple[Explanation, ...],
) -> tuple[Row, ...]:
    """One row for each source and each track that should hear it, but the source's reference.

    That is the nearest track by the plan, of those in which the source was heard where it was.
    """
    plan = _RowPlan(planned, *planned.linearised(planned.mean), _expected_signs(scene))
    said = _Said(
        {name: one.words for one in reversed(explanations) for name in (one.names or ("",))},
        frozenset(
            (int(g), int(t)) for g, t, w in zip(seen.group, seen.track, verdict.fit.weight, strict=True) if w <= 0.5
        ),
    )
    out: list[Row] = []
    for index, source in enumerate(scene.sources):
        own = [n for n in set(seen.group.tolist()) if verdict.fit.source_of[n] == index and not verdict.foreign[n]]
        chosen = max(own, key=lambda number: len(groups[number].moments_s), default=None)
        out += _source_rows(
            source.name, index, tracks, plan, said, None if chosen is None else (chosen, groups[chosen])
        )
    return tuple(out)


def _source_rows(
    source: str, index: int, tracks: tuple[str, ...], plan: _RowPlan, said: _Said, chosen: tuple[int, Group] | None
) -> Iterator[Row]:
    ear_of = plan.beliefs.ear_of
    heard = [track for track, ear in enumerate(ear_of) if np.isfinite(plan.arrival[index, ear])]
    if not heard:
        return
    told = [] if chosen is None else [track for track in heard if chosen[1].heard[track].reliable]
    first = min(told or heard, key=lambda track: float(plan.arrival[index, ear_of[track]]))
    for track in heard:
        if track != first:
            yield _row(source, index, (first, track), tracks, plan, said, chosen)


def _row(
    source: str,
    index: int,
    pair: tuple[int, int],
    tracks: tuple[str, ...],
    plan: _RowPlan,
    said: _Said,
    chosen: tuple[int, Group] | None,
) -> Row:
    first, track = pair
    before, ear = plan.beliefs.ear_of[first], plan.beliefs.ear_of[track]
    predicted_s = float(plan.arrival[index, ear] - plan.arrival[index, before])
    sigma_s = plan.sigma_s(index, before, ear)
    measured = None if chosen is None else _between(chosen[1], first, track)
    z = None if measured is None else (measured[0] - predicted_s) / float(np.hypot(sigma_s, measured[1]))
    is_stray = chosen is not None and bool({(chosen[0], first), (chosen[0], track)} & said.strays)
    is_off = z is not None and abs(z) > AWAY
    return Row(
        track=tracks[track],
        source=source,
        reference=tracks[first],
        predicted_s=predicted_s,
        predicted_sigma_s=sigma_s,
        measured_s=None if measured is None else measured[0],
        measured_sigma_s=None if measured is None else measured[1],
        z=z,
        polarity_expected=int(plan.signs[index, ear] * plan.signs[index, before]) or None,
        polarity=None if measured is None else measured[2],
        explains=said.of(source, (tracks[track], tracks[first]), is_stray=is_stray) if is_off else None,
    )


def _between(group: Group, reference: int, track: int) -> tuple[float, float, int] | None:
    """Delay, sigma and polarity of a group between two tracks; None where one of them is not reliable."""
    first, second = group.heard[reference], group.heard[track]
    if not (first.reliable and second.reliable):
        return None
    sigma_s = max(float(np.hypot(first.uncertainty_s, second.uncertainty_s)), 1e-6)
    return second.delay_s - first.delay_s, sigma_s, first.polarity * second.polarity
