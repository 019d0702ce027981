"""Which one set of shifts and polarity flips suits a whole take?

A take is a network: every source arrives at every track at its own time, so no set of shifts suits all of them.
`agreed` first finds, for each source, the arrival times that fit all its reliable pairs (`micalign.alignment.network`),
then the shifts that leave the least misfit between tracks, each pair of tracks counting by how much the source adds up
between them (the product of its amplitudes) and by whether both tracks are there to take it. Tracks that share no
source but as faint bleed are not brought together: each such island stays as it was recorded, and within it the tracks
are laid onto the one that hears it last. What remains of each source is given, in seconds and as its first notch.

``delay_s`` is positive when the event comes later in the track; ``shift_s`` moves a track later where it is positive,
and ``delay_s + shift_s(track) - shift_s(reference) = 0``. The reference itself stays at 0 and keeps its polarity.
Nothing unreliable is ever applied. Where no scene keeps sources apart every track has one delay (`followed`).

The weights are those of the cross term in the energy of a sum, whose loss for a small misfit grows with the square of
the misfit.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from micalign.alignment.constraints import Constraints, HeardSource
from micalign.alignment.network import Link, arrival_times, best_polarity, connected
from micalign.alignment.own_strokes import Basis
from micalign.alignment.tuned import FOLLOWING
from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.tdoa.tuned import CLEAR_POLARITY
from micalign.units import significant

__all__ = [
    "Offsets",
    "Remain",
    "Shift",
    "agreed",
    "followed",
    "held_against",
    "limited",
    "moved_onto",
    "stated",
    "still",
    "unmoved",
]


@dataclass(frozen=True, slots=True)
class Shift:
    """What alignment does with one track, and why not where it does nothing.

    ``as_recorded``: nothing is done by right, since the track shares no source with the others. ``basis``: what the
    shift follows from; where that is "reference" or "recorded" the track stays by right and ``delay_s`` was not
    measured, but follows from the shifts.
    """

    track: str
    delay_s: float
    uncertainty_s: float
    shift_s: float
    polarity_flip: bool
    reliable: bool
    applied: bool
    reason: str | None = None
    drift_ppm: float | None = None
    as_recorded: bool = False
    basis: Basis = "arrival"


@dataclass(frozen=True, slots=True)
class Remain:
    """How far a source is from meeting itself in a track after the shifts, against its own mic or the loudest track.

    ``is_bleed`` marks a track that is not there to take the source; ``polarity_clear``: pairs whose polarity is clear
    lead from one to the other.
    """

    source: str
    track: str
    against: str
    remain_s: float
    uncertainty_s: float
    polarity: int
    is_bleed: bool = False
    polarity_clear: bool = True

    @property
    def first_notch_hz(self) -> float | None:
        """The lowest frequency that the two tracks cancel; None where they meet within a microsecond."""
        late = abs(self.remain_s)
        if late < 1e-6:
            return None
        return (0.5 if self.polarity > 0 else 1.0) / late


@dataclass(frozen=True)
class Offsets:
    """One consistent set of shifts for tracks of one rate; the reference is among them, at 0.

    ``onto`` is the track that stays instead, where another than the reference stands over a kit.
    """

    reference: str
    sample_rate: int
    shifts: tuple[Shift, ...]
    remains: tuple[Remain, ...] = ()
    compromise: str = ""
    onto: str | None = None

    def shift(self, track: str) -> Shift:
        """The shift of one track."""
        for shift in self.shifts:
            if shift.track == track:
                return shift
        raise TakeError(f"no offset is known for the track '{track}'")


def followed(
    shifts: Sequence[Shift],
    *,
    reference: str,
    sample_rate: int,
    max_shift_s: float | None = None,
    summed: Collection[str] = (),
    on_strokes: bool = False,
) -> Offsets:
    """Offsets where every track has one delay against the reference, and no source is kept apart from another.

    ``summed`` are the tracks whose delay is where they add up best with the reference; ``on_strokes``: a kit, whose
    close mics are laid by their own strokes.
    """
    kept = [limited(shift, max_shift_s) for shift in shifts if shift.track != reference]
    words = _plain_words(reference, kept, summed, on_strokes=on_strokes)
    return Offsets(reference, sample_rate, (still(reference), *kept), compromise=words)


def held_against(offsets: Offsets, reference: str, *, by_name: bool = False) -> Offsets:
    """The same shifts with delays told against another track, which is laid onto the former reference like the others.

    ``by_name``: the former reference is known by its name as well.

    >>> laid = Shift("snare", -2e-3, 1e-5, 2e-3, polarity_flip=False, reliable=True, applied=True)
    >>> found = held_against(Offsets("overhead", 48000, (still("overhead"), laid)), "snare")
    >>> found.reference, found.onto, [(one.track, one.delay_s, one.uncertainty_s, one.shift_s) for one in found.shifts]
    ('snare', 'overhead', [('overhead', 0.002, 1e-05, 0.0), ('snare', 0.0, 0.0, 0.002)])
    """
    shifts = _told_against(offsets, reference)
    known = ", by its name and its sound," if by_name else ""
    words = (
        f"'{offsets.reference}'{known} stands over the whole kit, more surely than '{reference}', named first: all is "
        f"laid onto '{offsets.reference}' (--reference '{reference}' lays all onto it)"
    )
    words = f"{words}; {offsets.compromise}" if offsets.compromise else words
    return replace(offsets, reference=reference, onto=offsets.reference, shifts=tuple(shifts), compromise=words)


def _told_against(offsets: Offsets, reference: str) -> list[Shift]:
    """The same shifts with the delays that they have against another track."""
    named = offsets.shift(reference)
    return [
        replace(one, delay_s=0.0, uncertainty_s=0.0)
        if one is named
        else replace(
            one,
            delay_s=one.delay_s + named.shift_s + 0.0,
            uncertainty_s=float(np.hypot(one.uncertainty_s, named.uncertainty_s)),
        )
        for one in offsets.shifts
    ]


def moved_onto(offsets: Offsets, reference: str, *, max_shift_s: float | None = None) -> Offsets:
    """The same places against each other, all moved so that a track which is not over the kit stays as it is.

    >>> laid = Shift("snare", -2e-3, 1e-5, 2e-3, polarity_flip=True, reliable=True, applied=True)
    >>> stays = Shift("room", 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True, basis="recorded")
    >>> found = moved_onto(Offsets("overhead", 48000, (still("overhead"), laid, stays)), "snare")
    >>> [(one.track, one.delay_s, one.shift_s, one.polarity_flip, one.basis) for one in found.shifts]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('snare', 0.0, 0.0, False, 'reference'), ('overhead', 0.002, -0.002, True, 'arrival'),
     ('room', 0.002, -0.002, True, 'recorded')]
    """
    named, onto = offsets.shift(reference), offsets.reference
    is_moved = named.shift_s != 0.0 or named.polarity_flip

    def moved(one: Shift) -> Shift:
        found = replace(
            one,
            shift_s=one.shift_s - named.shift_s + 0.0,
            polarity_flip=one.polarity_flip != named.polarity_flip,
            basis=named.basis if one.track == onto else one.basis,
        )
        if is_moved and one.track == onto:
            found = replace(found, reason=f"'{reference}' onto it: {named.reason or 'by its arrival'}")
        elif is_moved and one.basis == "recorded":
            found = replace(found, reason=f"moves with '{onto}'" + (f" ({one.reason})" if one.reason else ""))
        return limited(found, max_shift_s)

    shifts = [moved(one) for one in _told_against(offsets, reference) if one.track != reference]
    way = "is moved as one, so that its image stays" if is_moved else "stays as well"
    words = (
        f"'{reference}' stays, as --reference asks; what stands over the kit with '{onto}' {way}; close mics go where "
        "their own strokes add up best with it, both at one level"
    )
    left = [one.track for one in shifts if not one.applied]
    words = f"{words}, but for {', '.join(left)}" if left else words
    return replace(offsets, reference=reference, shifts=(still(reference), *shifts), compromise=words)


def still(reference: str) -> Shift:
    """The reference stays where it is."""
    return Shift(reference, 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True, basis="reference")


def unmoved(track: str, reason: str, *, as_recorded: bool = False) -> Shift:
    """A track that is left alone, and why."""
    return Shift(
        track,
        0.0,
        0.0,
        0.0,
        polarity_flip=False,
        reliable=False,
        applied=False,
        reason=reason,
        as_recorded=as_recorded,
        basis="recorded",
    )


def limited(shift: Shift, max_shift_s: float | None) -> Shift:
    """The shift, or none where it is unreliable or larger than allowed."""
    if not shift.reliable:
        return replace(shift, shift_s=0.0, polarity_flip=False, applied=False)
    if max_shift_s is not None and abs(shift.shift_s) > max_shift_s:
        reason = f"its shift of {shift.shift_s * 1e3:+.2f} ms is larger than the {max_shift_s * 1e3:g} ms allowed"
        return replace(shift, shift_s=0.0, polarity_flip=False, applied=False, reason=reason)
    return shift


def _plain_words(reference: str, shifts: Sequence[Shift], summed: Collection[str], *, on_strokes: bool) -> str:
    stays = [shift.track for shift in shifts if shift.applied and shift.basis == "recorded" and not on_strokes]
    left = [*stays, *(shift.track for shift in shifts if not shift.applied)]
    if len(left) == len(shifts):
        return "every track stays as recorded" if stays else "nothing was moved: no track has a delay to act on"
    if on_strokes:
        words = (
            f"what stands over the kit with '{reference}' stays, close mics go where their own strokes add up best "
            "with it, both at one level"
        )
    elif {shift.track for shift in shifts if shift.applied} <= set(summed):
        words = f"laid where it adds up best with '{reference}': {', '.join(summed)}"
    else:
        best = f", where they add up best: {', '.join(summed)}" if summed else ""
        words = f"every track was laid onto '{reference}' by its own delay{best}"
    return f"{words}, but for {', '.join(left)}" if left else words


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
    >>> from micalign.alignment.constraints import HeardSource, Constraints
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
        if b not in connected(tracks, heard.links, a):
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
            evidence.append(replace(link, weight=link.weight * max(adds * counts, 1e-12), clear=clear))
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
    if island.is_apart and limits.leader(track) == island.anchor:
        reason = f"shares no source with '{limits.reference}': left as recorded"
        return unmoved(track, reason, as_recorded=True)
    if not island.is_apart and limits.reference not in island.tracks:
        return unmoved(track, f"no reliable pair joins it to '{limits.reference}'")
    shift_s, sigma_s = moved[track]
    flip = signs[track] != signs[island.anchor]
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
            remains.append(Remain(heard.source, track, against, late, sigma, sign, is_bleed, track in clear))
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
    elif limits.on and any(shift.shift_s for shift in offsets.shifts):
        said.append("each close mic is laid so that its own source meets the others")
    summed, recorded = by_strokes
    if summed:
        said.append(f"where their own strokes add up best: {', '.join(summed)}")
    if recorded:
        said.append(f"left as recorded, since moved they would add up to less: {', '.join(recorded)}")
    taken = [remain for remain in remains if not remain.is_bleed]
    met = [one for one in taken if not {one.track, one.against} & {*summed, *recorded}]
    worst = max(met, key=lambda remain: abs(remain.remain_s), default=None)
    if worst is not None and abs(worst.remain_s) > 20e-6:
        said.append(
            f"no one set suits every source: at most {abs(worst.remain_s) * 1e3:.2f} ms remains "
            f"({worst.source} between {worst.track} and {worst.against})"
        )
    said += [_unknown_words(source, offsets, limits) for source in _unknown(heard, limits, taken)]
    apart = [shift.track for shift in offsets.shifts if shift.as_recorded]
    if apart:
        said.append(f"left as recorded, since they share no source with it: {', '.join(apart)}")
    left = [shift.track for shift in offsets.shifts if not shift.applied and not shift.as_recorded]
    if left:
        said.append(f"left where they were: {', '.join(left)}")
    return "; ".join(said)
