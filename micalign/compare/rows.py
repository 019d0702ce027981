"""Every source in every track: what was predicted, what was measured, and what explains the difference.

Each source is told against its reference track, the one it should reach first; a difference is how much LATER it is
in a track than there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.compare.beliefs import Beliefs
from micalign.compare.fit import Fit, Sightings
from micalign.compare.model import Explanation, Row
from micalign.compare.polarity import expected_signs
from micalign.scene.model import Scene
from micalign.tdoa.hearing import Group

__all__ = ["rows_of"]

_AWAY: Final = 3.0
_STRAY: Final = "not the direct sound: perhaps a reflection, or too weak"


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
    fit: Fit,
    explanations: tuple[Explanation, ...],
) -> tuple[Row, ...]:
    """One row for each source and each track that should hear it, but the source's reference."""
    plan = _RowPlan(planned, *planned.linearised(planned.mean), expected_signs(scene))
    said = _Said(
        {name: one.words for one in reversed(explanations) for name in (one.names or ("",))},
        frozenset((int(g), int(t)) for g, t, w in zip(seen.group, seen.track, fit.weight, strict=True) if w <= 0.5),
    )
    out: list[Row] = []
    for index, source in enumerate(scene.sources):
        own = [number for number in set(seen.group.tolist()) if fit.source_of[number] == index]
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
    first = min(heard, key=lambda track: float(plan.arrival[index, ear_of[track]]))
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
    is_off = z is not None and abs(z) > _AWAY
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
