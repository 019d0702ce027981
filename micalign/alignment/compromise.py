"""Which one set of shifts and polarity flips suits a whole take?

A take is a network: every source arrives at every track at its own time, so no set of shifts suits all of them.
`agreed` first finds, for each source, the arrival times that fit all its reliable pairs (`micalign.alignment.network`),
then the shifts that leave the least misfit between tracks, each pair of tracks counting by how much the source adds up
between them (the product of its amplitudes) and by whether both tracks are there to take it. Tracks that share no
source but as faint bleed are not brought together: each such island stays as it was recorded, and within it the tracks
are laid onto the one that hears it last. What remains of each source is given, in seconds and as its first notch.

``delay_s`` is positive when the event comes later in the track; ``shift_s`` moves a track later where it is positive,
and ``delay_s + shift_s(track) - shift_s(reference) = 0``. Where no scene keeps sources apart every track has one
delay (`micalign.alignment.offsets.followed`).

The weights are those of the cross term in the energy of a sum, whose loss for a small misfit grows with the square of
the misfit.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from micalign.alignment.network import Constraints, HeardSource, Link, arrival_times, best_polarity, connected
from micalign.alignment.offsets import Offsets, Remain, Shift, limited, still, unmoved
from micalign.alignment.tuned import FOLLOWING
from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.tdoa.tuned import CLEAR_POLARITY
from micalign.units import significant

__all__ = ["agreed", "stated"]


@dataclass(frozen=True, slots=True)
class _Row:
    """The constraint that a source meets itself in two tracks: shift(b) - shift(a) = -late."""

    source: str
    a: str
    b: str
    late_s: float
    sigma_s: float
    weight: float


def agreed(tracks: Sequence[str], heard: Sequence[HeardSource], limits: Constraints, *, sample_rate: int) -> Offsets:
    """One set of shifts and flips for all tracks, from what each source tells.

    Parameters
    ----------
    tracks : sequence of str
        All tracks, the reference among them.
    heard : sequence of HeardSource
        Reliable links of each source.
    limits : Constraints
        Reference, tracks that move together, the source to favour, the largest shift.
    sample_rate : int
        Hertz.

    Returns
    -------
    Offsets
        A track that no reliable pair joins to the reference is not moved and says so; one that shares no source with
        it is left as recorded, with what belongs to it.

    Raises
    ------
    TakeError
        If the reference is not among the tracks.

    Examples
    --------
    >>> from micalign.alignment.network import HeardSource, Constraints
    >>> snare = HeardSource("snare", (Link("overhead", "snare mic", -0.003, 1e-6, -1),))
    >>> offsets = agreed(["overhead", "snare mic"], [snare], Constraints("overhead"), sample_rate=48000)
    >>> offsets.shift("snare mic").shift_s, offsets.shift("snare mic").polarity_flip
    (0.003, True)
    """
    if limits.reference not in tracks:
        raise TakeError(f"the reference '{limits.reference}' is not among the tracks: {', '.join(tracks)}")
    ordered = [limits.reference, *(track for track in tracks if track != limits.reference)]
    joining = [replace(one, links=tuple(_joining(one, limits))) for one in heard]
    rows = [row for one in joining for row in _rows(ordered, one, limits)]
    islands = _islands(ordered, rows, limits)
    moved = {name: at for island in islands for name, at in _least_misfit(island, rows, limits).items()}
    signs = _signs(ordered, joining, limits)
    shifts = tuple(_shift_of(track, island, moved, signs, limits) for island in islands for track in island.tracks)
    shifts = tuple(sorted(shifts, key=lambda shift: ordered.index(shift.track)))
    return stated(Offsets(limits.reference, sample_rate, shifts), heard, limits)


def stated(
    offsets: Offsets,
    heard: Sequence[HeardSource],
    limits: Constraints,
    *,
    summed: Collection[str] = (),
    recorded: Collection[str] = (),
) -> Offsets:
    """The shifts with what remains of each source by its arrivals, and the compromise in words.

    ``summed`` are close mics that lie where their own strokes add up best, ``recorded`` mics that a shift would have
    harmed: what remains of a source there is meant.
    """
    ordered = [shift.track for shift in offsets.shifts]
    remains = tuple(remain for one in heard for remain in _remains(ordered, one, offsets, limits))
    return replace(offsets, remains=remains, compromise=_words(offsets, limits, heard, remains, (summed, recorded)))


def _joining(heard: HeardSource, limits: Constraints) -> list[Link]:
    """The links that may bring tracks together, their polarity less what the scene itself turns over."""

    def turned(track: str) -> int:
        return -1 if (heard.source, track) in limits.inverted else 1

    return [
        replace(link, polarity=link.polarity * turned(link.reference) * turned(link.track))
        for link in heard.links
        if limits.joins(heard.source, link.reference, link.track)
    ]


@dataclass(frozen=True, slots=True)
class _Island:
    """Tracks that rows join, and the one that stays; ``is_apart``: they share no source with the reference."""

    tracks: tuple[str, ...]
    anchor: str
    is_apart: bool


def _islands(tracks: Sequence[str], rows: Sequence[_Row], limits: Constraints) -> list[_Island]:
    """The reference's island first."""
    links = [Link(row.a, row.b, row.late_s, row.sigma_s) for row in rows]
    links += [Link(group[0], other, 0.0, 0.0) for group in limits.together for other in group[1:]]
    late_s = dict.fromkeys(tracks, 0.0)
    for row in rows:
        late_s[row.b] += row.late_s
        late_s[row.a] -= row.late_s
    near = limits.within_reach(tracks, limits.reference)
    islands: list[_Island] = []
    for track in tracks:
        if all(track not in island.tracks for island in islands):
            joined = tuple(name for name in connected(tracks, links, track) if name in tracks)
            islands.append(_Island(joined, limits.anchor(joined, late_s), track not in near))
    return islands


def _rows(tracks: Sequence[str], heard: HeardSource, limits: Constraints) -> list[_Row]:
    times = arrival_times(tracks, heard.links)
    rows = []
    for a, b in combinations(times.times_s, 2):
        if b not in connected(tracks, heard.links, a) or not (limits.pulls(a) and limits.pulls(b)):
            continue
        adds = heard.amplitude(a) * heard.amplitude(b)
        weight = adds * limits.counts(heard.source, a) * limits.counts(heard.source, b)
        weight *= FOLLOWING if limits.follows(a) or limits.follows(b) else 1.0
        sigma = float(np.hypot(times.sigmas_s[a], times.sigmas_s[b]))
        rows.append(_Row(heard.source, a, b, times.times_s[b] - times.times_s[a], sigma, max(weight, 1e-12)))
    return rows


def _least_misfit(island: _Island, rows: Sequence[_Row], limits: Constraints) -> dict[str, tuple[float, float]]:
    """Shift and its uncertainty for every track of an island."""
    leaders = [name for name in dict.fromkeys(map(limits.leader, island.tracks)) if name != island.anchor]
    used = [row for row in rows if row.a in island.tracks and limits.leader(row.a) != limits.leader(row.b)]
    moved = dict.fromkeys([island.anchor, *leaders], (0.0, 0.0))
    if used and leaders:
        design = _design(used, leaders, limits)
        root = np.sqrt(np.array([row.weight for row in used]))
        inverse = np.linalg.pinv(design * root[:, None], rcond=1e-9) * root[None, :]
        solution = inverse @ np.array([-row.late_s for row in used])
        spread = np.sqrt((inverse**2) @ np.array([row.sigma_s for row in used]) ** 2)
        moved |= dict(zip(leaders, zip(solution.tolist(), spread.tolist(), strict=True), strict=True))
    return {track: moved[limits.leader(track)] for track in island.tracks}


def _design(rows: Sequence[_Row], leaders: Sequence[str], limits: Constraints) -> Floats:
    column = {leader: position for position, leader in enumerate(leaders)}
    design = np.zeros((len(rows), len(leaders)))
    for index, row in enumerate(rows):
        for track, sign in ((row.b, 1.0), (row.a, -1.0)):
            if limits.leader(track) in column:
                design[index, column[limits.leader(track)]] += sign
    return design


def _signs(tracks: Sequence[str], heard: Sequence[HeardSource], limits: Constraints) -> dict[str, int]:
    evidence = []
    for one in heard:
        for link in one.links:
            adds = one.amplitude(link.reference) * one.amplitude(link.track)
            counts = limits.counts(one.source, link.reference) * limits.counts(one.source, link.track)
            # What is in doubt turns nothing over: where nothing is clear, a track keeps its polarity.
            clear = link.clear if link.clear >= CLEAR_POLARITY else 0.0
            evidence.append(replace(link, clear=max(adds * counts, 1e-12) * clear))
    return best_polarity(tracks, evidence)


def _shift_of(
    track: str,
    island: _Island,
    moved: Mapping[str, tuple[float, float]],
    signs: Mapping[str, int],
    limits: Constraints,
) -> Shift:
    if track == limits.reference:
        return still(track)
    if track in limits.left:
        return unmoved(track, f"{limits.left[track]}: left as recorded", as_recorded=True)
    if island.is_apart and limits.leader(track) == island.anchor:
        reason = f"shares no source with '{limits.reference}': left as recorded"
        return unmoved(track, reason, as_recorded=True)
    if not island.is_apart and limits.reference not in island.tracks:
        return unmoved(track, f"no reliable pair joins it to '{limits.reference}'")
    shift_s, sigma_s = moved[track]
    flip = signs[track] != signs[island.anchor] and track not in limits.beside
    shift = Shift(track, -shift_s + 0.0, sigma_s, shift_s + 0.0, polarity_flip=flip, reliable=True, applied=True)
    if island.is_apart:
        shift = replace(shift, reason=f"laid onto '{island.anchor}', with which it shares its source")
    return limited(shift, limits.max_shift_s)


def _remains(tracks: Sequence[str], heard: HeardSource, offsets: Offsets, limits: Constraints) -> list[Remain]:
    times = arrival_times(tracks, heard.links)
    signs = best_polarity(list(times.times_s), heard.links) if heard.links else {}
    shifts = {shift.track: shift for shift in offsets.shifts}
    remains = []
    left = dict(times.times_s)
    while left:
        part = connected(list(times.times_s), heard.links, next(iter(left)))
        against = max(part, key=lambda name: (limits.on.get(name) == (heard.source,), heard.amplitude(name)))
        clear = connected(part, [link for link in heard.links if link.clear >= CLEAR_POLARITY], against)
        for track in part:
            del left[track]
            if track == against:
                continue
            late = times.times_s[track] + shifts[track].shift_s - times.times_s[against] - shifts[against].shift_s
            flips = -1 if shifts[track].polarity_flip != shifts[against].polarity_flip else 1
            sign = signs[track] * signs[against] * flips
            sigma = float(np.hypot(times.sigmas_s[track], times.sigmas_s[against]))
            is_bleed = not limits.takes(heard.source, track)
            is_faint = is_bleed and not (heard.source in limits.hearing and limits.joins(heard.source, track, against))
            remains.append(Remain(heard.source, track, against, late, sigma, sign, is_bleed, track in clear, is_faint))
    return remains


def _unknown(heard: Sequence[HeardSource], limits: Constraints, taken: Sequence[Remain]) -> list[str]:
    """The sources that two tracks or more are there to take, and of which nothing can be told between any two."""
    told = {remain.source for remain in taken}
    names = [one.source for one in heard if one.source not in told]
    return [name for name in names if sum(name in on for on in limits.on.values()) > 1]


def _unknown_words(source: str, offsets: Offsets, limits: Constraints) -> str:
    """That nothing is known of a source, with what likely remains of it by the scene."""
    expected = limits.expected.get(source, {})
    tracks = [shift for shift in offsets.shifts if shift.track in expected and source in limits.on.get(shift.track, ())]
    said = f"of '{source}' nothing reliable is known"
    if len(tracks) < 2:
        return said
    met_s = {shift.track: expected[shift.track].arrival_s + shift.shift_s for shift in tracks}
    early, late = min(met_s, key=met_s.__getitem__), max(met_s, key=met_s.__getitem__)
    likely_ms = significant((met_s[late] - met_s[early]) * 1e3, 2)
    return f"{said} (by the scene, likely {likely_ms} ms remains between {early} and {late})"


def _words(
    offsets: Offsets,
    limits: Constraints,
    heard: Sequence[HeardSource],
    remains: Sequence[Remain],
    by_strokes: tuple[Collection[str], Collection[str]],
) -> str:
    said = [f"'{limits.reference}' stays where it is"]
    said += [f"{' and '.join(group)} move as one, so that their image stays" for group in limits.together]
    if limits.for_source:
        said.append(f"the shifts suit '{limits.for_source}', the other sources follow")
    elif any(shift.shift_s and limits.on.get(shift.track) for shift in offsets.shifts):
        said.append("each close mic is laid so that its own source meets the others")
    summed, recorded = by_strokes
    if summed:
        said.append(f"where their own strokes add up best: {', '.join(summed)}")
    if recorded:
        said.append(f"left as recorded, since moved they would add up to less: {', '.join(recorded)}")
    taken = [remain for remain in remains if not remain.is_faint]
    met = [one for one in taken if not {one.track, one.against} & {*summed, *recorded}]
    worst = max(met, key=lambda remain: abs(remain.remain_s), default=None)
    if worst is not None and abs(worst.remain_s) > 20e-6:
        whom = "at most" if len(met) == len(taken) else "between the other tracks at most"
        said.append(
            f"no one set suits every source: {whom} {abs(worst.remain_s) * 1e3:.2f} ms remains "
            f"({worst.source} between {worst.track} and {worst.against})"
        )
    said += [_unknown_words(source, offsets, limits) for source in _unknown(heard, limits, taken)]
    by_place = [f"{track} for {limits.own[track]}" for track in limits.own if track in {*limits.on}]
    if by_place:
        said.append(f"the scene does not say what these are there to take, their places do: {', '.join(by_place)}")
    unsaid = [shift.track for shift in offsets.shifts if shift.track in limits.left]
    if unsaid:
        said.append(
            f"left as recorded, since neither the scene nor their places say what they are there to take: "
            f"{', '.join(unsaid)}; say it by 'on' in the scene"
        )
    apart = [shift.track for shift in offsets.shifts if shift.as_recorded and shift.track not in limits.left]
    if apart:
        said.append(f"left as recorded, since they share no source with it: {', '.join(apart)}")
    left = [shift.track for shift in offsets.shifts if not shift.applied and not shift.as_recorded]
    if left:
        said.append(f"left where they were: {', '.join(left)}")
    return "; ".join(said)
