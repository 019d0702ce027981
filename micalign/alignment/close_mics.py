"""How does a scene lay the close mics of its struck sources onto their own strokes?

A close mic is added to what the scene says is there to take its source and others: the reference's pair, another pair,
or the first such mic. Where it adds up best, and whether moving it does harm, `micalign.alignment.own_strokes` tells.
Mics over several sources are held to what they would lose (`HARM_DB`). Shifts are seconds, positive later.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from micalign.alignment.network import Constraints
from micalign.alignment.offsets import Offsets, Shift, limited
from micalign.alignment.own_strokes import (
    SILENT,
    CloseMic,
    Place,
    PlacedTrack,
    evenly,
    gains_words,
    laid_by_strokes,
    lows_meet,
    stroke_spectra,
)
from micalign.alignment.tuned import AT_END_S, BEYOND_S, FEWEST_STROKES, HARM_DB, MEET, STROKE_BANDS_HZ
from micalign.arrays import Complexes, Floats
from micalign.take.tracks import Track

__all__ = ["LaidMics", "Struck", "laid_close_mics"]


@dataclass(frozen=True)
class Struck:
    """The tracks of a take and its struck sources: when each is struck, in seconds, and its own mics in order."""

    tracks: tuple[Track, ...]
    times_s: Mapping[str, tuple[float, ...]]
    own: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class LaidMics:
    """The shifts with close mics on their strokes; which lie by their best sum, and what was left as recorded."""

    shifts: tuple[Shift, ...]
    summed: tuple[str, ...]
    recorded: tuple[str, ...]


def laid_close_mics(offsets: Offsets, struck: Struck, limits: Constraints) -> LaidMics:
    """The shifts of a scene with each close mic of a struck source where its own strokes add up best.

    Pairs stay together, and are of one polarity where their lows meet as recorded. A mic without strokes of its own
    keeps the shift that it has, and so do mics over several sources, unless that would lose level. Where no arrival is
    known, the plan says where the best sum is looked for, and no more. Where the reference is a close mic itself, the
    others move instead.
    """
    tracks = {track.name: track for track in struck.tracks}
    before = {one.track: Place(one.shift_s, -1 if one.polarity_flip else 1) for one in offsets.shifts}
    places = before | _pairs_alike(before, tracks, struck, limits)
    found: dict[str, CloseMic] = {}
    harmed: dict[str, str] = {}
    for source, times_s in struck.times_s.items():
        if limits.for_source in (None, source):
            for mic, laid in _by_own_strokes(source, np.array(times_s), places, offsets, struck, limits):
                found[mic] = laid
                places[mic] = laid.place
    for group, left, words in tuple(_harmed(places, offsets, struck, limits)):
        places |= left
        harmed |= dict.fromkeys(group, words)
    summed, recorded = (tuple(mic for mic, laid in found.items() if laid.by == way) for way in ("sum", "recorded"))
    shifts = [_shift(one, places, found.get(one.track), before, limits) for one in offsets.shifts]
    shifts = [
        replace(one, reason=harmed[one.track], basis="recorded") if one.track in harmed else one for one in shifts
    ]
    return LaidMics(tuple(shifts), summed, (*recorded, *harmed))


def _harmed(
    places: Mapping[str, Place], offsets: Offsets, struck: Struck, limits: Constraints
) -> Iterator[tuple[tuple[str, ...], dict[str, Place], str]]:
    """Mics over several sources, such as a room's pair, that would lose level by their shift, and where they are left.

    Each is judged at all strokes of what it takes, against the mics that these are laid onto and their own mics.
    """
    tracks = {track.name: track for track in struck.tracks}
    onto = {source: _heard_with(source, struck, limits) for source in struck.times_s}
    closer = {mic for mics in struck.own.values() for mic in mics} | {name for names in onto.values() for name in names}
    moved = {one.track for one in offsets.shifts if one.applied} - closer - {limits.reference}
    for lead in dict.fromkeys(limits.leader(name) for name in tracks if name in moved):
        group = tuple(name for name in tracks if limits.leader(name) == lead)
        sources = [source for source in struck.times_s if onto[source] and limits.takes(source, lead)]
        if not sources or limits.for_source is not None or not set(group) <= moved:
            continue
        rest = {name: places[name] for source in sources for name in (*onto[source], *struck.own[source])}
        still = places[onto[sources[0]][0]]
        alike = {name: places[name].polarity * places[lead].polarity for name in group}
        left = {name: Place(still.shift_s, still.polarity * alike[name]) for name in group}
        times_s = evenly(np.sort(np.concatenate([np.array(struck.times_s[source]) for source in sources])))
        gains = [
            _against(tracks, {name: places[name] for name in group}, left, rest, times_s, band)
            for band in STROKE_BANDS_HZ
        ]
        if min(gains) < HARM_DB:
            said = f"moved, all strokes would change by {gains_words((gains[0], gains[1]))}"
            yield group, left, f"left as recorded: {said}"


def _against(
    tracks: Mapping[str, Track],
    moved: Mapping[str, Place],
    left: Mapping[str, Place],
    rest: Mapping[str, Place],
    times_s: Floats,
    band_hz: tuple[float, float],
) -> float:
    """What a group gains in one band in the sum with the rest by being moved, at the rest's level, in dB."""

    def total(places: Mapping[str, Place]) -> Complexes:
        parts = []
        for name, place in places.items():
            hz, spectra = stroke_spectra(tracks[name], times_s)
            inside = (hz >= band_hz[0]) & (hz < band_hz[1])
            turned = place.polarity * np.exp(-2j * np.pi * hz[inside] * place.shift_s)
            parts.append(spectra[:, inside] * turned)
        return np.asarray(np.sum(parts, axis=0))

    others, before, after = total(rest), total(left), total(moved)
    power = float((np.abs(others) ** 2).sum())
    level = np.sqrt(power / max(float((np.abs(before) ** 2).sum()), SILENT))
    sums = [float((np.abs(others + level * one) ** 2).sum()) + 1e-9 * power + SILENT for one in (before, after)]
    return 10.0 * float(np.log10(sums[1] / sums[0]))


def _pairs_alike(
    places: Mapping[str, Place], tracks: Mapping[str, Track], struck: Struck, limits: Constraints
) -> dict[str, Place]:
    """The members of pairs whose polarity against the pair's first is another than what their lows say."""
    turned = {}
    for group in limits.together:
        members = [name for name in group if name in tracks and limits.pulls(name)]
        shared = [s for s in struck.times_s if all(limits.takes(s, name) for name in members)]
        by_nature = any((source, name) in limits.inverted for source in shared for name in members)
        times_s = np.sort(np.concatenate([np.zeros(0), *(struck.times_s[source] for source in shared)]))
        if by_nature or len(times_s) < FEWEST_STROKES or len(members) < 2:
            continue
        lead = limits.leader(members[0])
        for name in members:
            meets = lows_meet(tracks[lead], tracks[name], evenly(times_s))
            polarity = places[lead].polarity * (1 if meets > 0 else -1)
            # Turned over against the lows, a pair would lose by it, however little the lows have in common.
            is_told = abs(meets) >= MEET or meets > 0.0
            if name != lead and is_told and polarity != places[name].polarity:
                turned[name] = replace(places[name], polarity=polarity)
    return turned


def _by_own_strokes(
    source: str, times_s: Floats, places: Mapping[str, Place], offsets: Offsets, struck: Struck, limits: Constraints
) -> Iterator[tuple[str, CloseMic]]:
    """Each own mic of a source on the source's strokes, one after the other: the later ones onto the earlier ones."""
    tracks = {track.name: track for track in struck.tracks}
    rest = [PlacedTrack(tracks[name], places[name]) for name in _heard_with(source, struck, limits)]
    grouped = {name for group in limits.together for name in group}
    for mic in struck.own[source]:
        place = places[mic]
        if mic not in grouped and rest:
            still = rest[0].place
            arrival = place if mic == offsets.reference or offsets.shift(mic).applied else None
            near = arrival or _expected(source, mic, rest[0], limits)
            # The plan says where to look, and is no measurement to be written as one.
            within_s = None if near is None else (near.shift_s - BEYOND_S, near.shift_s + BEYOND_S)
            laid = laid_by_strokes(tracks[mic], times_s, rest, arrival=arrival, within_s=within_s, recorded=still)
            if laid is not None and arrival is None and within_s is not None:
                laid = _but_by_plan(laid, within_s, still)
            if laid is not None:
                place = laid.place
                yield mic, laid
        rest.append(PlacedTrack(tracks[mic], place))


def _but_by_plan(laid: CloseMic, within_s: tuple[float, float], still: Place) -> CloseMic:
    """A best sum, or as recorded where it lies at the end of what was looked at: that is the plan's, and no peak."""
    ends = min(abs(laid.place.shift_s - end_s) for end_s in within_s)
    if laid.by == "sum" and ends <= AT_END_S:
        return replace(laid, place=still, by="recorded")
    return laid


def _heard_with(source: str, struck: Struck, limits: Constraints) -> list[str]:
    """What a close mic is added to: the mics there to take the source and others, first of all the reference's pair."""
    names = [track.name for track in struck.tracks]
    taking = [name for name in names if limits.takes(source, name) and len(limits.on.get(name, ())) != 1]
    taking = [name for name in taking if limits.pulls(name)]
    if not taking:
        return []
    grouped = {name for group in limits.together for name in group}
    stays = limits.leader(limits.reference)
    lead = min(taking, key=lambda name: (limits.leader(name) != stays, name not in grouped, taking.index(name)))
    group = limits.leader(lead)
    return sorted((name for name in taking if limits.leader(name) == group), key=lambda name: name != group)


def _expected(source: str, mic: str, lead: PlacedTrack, limits: Constraints) -> Place | None:
    """Where the scene's places lay a mic whose arrival is not known."""
    arrivals = limits.expected.get(source, {})
    if mic not in arrivals or lead.track.name not in arrivals:
        return None
    shift_s = lead.place.shift_s + arrivals[lead.track.name].arrival_s - arrivals[mic].arrival_s
    return Place(shift_s, lead.place.polarity)


def _shift(
    one: Shift, places: Mapping[str, Place], laid: CloseMic | None, before: Mapping[str, Place], limits: Constraints
) -> Shift:
    """A shift as it now is, against the reference, which stays."""
    place, stays = places[one.track], places[limits.reference]
    known = one.applied or (laid is not None and laid.by == "sum")
    if one.track == limits.reference or not known:
        return one
    if stays != Place() and one.track not in limits.within_reach(list(places), limits.reference):
        stays = Place()
    shift_s, polarity = place.shift_s - stays.shift_s, place.polarity * stays.polarity
    moved = replace(
        one,
        delay_s=-shift_s + 0.0,
        shift_s=shift_s + 0.0,
        polarity_flip=polarity < 0,
        reliable=True,
        applied=True,
    )
    if laid is not None and laid.by != "arrival":
        sigma_s = laid.uncertainty_s if laid.by == "sum" else 0.0
        moved = replace(moved, uncertainty_s=sigma_s, reason=laid.words, basis=laid.by)
    elif place.polarity != before[one.track].polarity:
        moved = replace(moved, reason="of the polarity in which the pair's lows meet")
    return limited(moved, limits.max_shift_s)
