"""How are the close mics of a kit laid where no scene says anything, and which stand at a drum that is struck?

What stands over the kit (`micalign.alignment.over_kit`) stays where it is, so that its image stays, and each close mic
is laid where its own strokes add up best with it (`micalign.alignment.own_strokes`): its loud strokes, but for what the
reference hears about as loud. Which two of several are the pair may not be sure: then a place counts by the least that
it gains in any of their sums.

A drum's own mic hears it louder, against any other mic, than it hears the other drums, and before all others do. A mic
whose drum is not struck hears what others play: its strokes hardly stand out of each other, nothing in it comes near to
what stands over the kit, or at its loudest strokes another close mic is as loud against it as at that mic's own, and
hears them first. What it were laid by is another drum's arrival, so that it stays as recorded.

Delays are seconds, positive later than in the reference; strokes are moments on the take's clock.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final, TypeAlias

import numpy as np

from micalign.alignment.over_kit import (
    HeardKit,
    begins_s,
    has_strokes,
    heard_db,
    heard_db_at,
    heard_kit,
    level_spread_db,
    mates_of,
    over_by_name,
    rooms_of,
    sure_pairs,
)
from micalign.alignment.own_strokes import Basis, Place, PlacedTrack, evenly, laid_by_strokes, lows_meet
from micalign.alignment.tuned import (
    BESIDE_SPAN_S,
    BEYOND_S,
    CLOSE_DB,
    EARLY_S,
    FEWEST_MICS,
    KNOWN,
    LED_S,
    LIKELY,
    LOUD_DB,
    MEET,
    MEET_S,
    MOST_OVER_S,
    MOST_OWN,
    OTHERS_DB,
    OVER_DB,
    OWN_DB,
    PARTED_DB,
    PARTED_WELL_DB,
    REACH_S,
    SAME_S,
    SOFT_DB,
    SURELY,
    UNSURE_WORTH_DB,
)
from micalign.arrays import Floats
from micalign.take.tracks import OVER_WORDS, ROOM_WORDS, Track, is_called
from micalign.tdoa.delays import TrackDelay
from micalign.tdoa.measure import Delay
from micalign.tdoa.strokes import Listened, listen

__all__ = ["LaidKit", "laid_on_strokes", "left_without_close_mics"]

_RECORDED: Final[Basis] = "recorded"
_MOVED: Final[tuple[Basis, ...]] = ("arrival", "sum")
_APART: Final = (
    "left as recorded: mics over a kit, or in its room, hear each drum at another delay, and that is their image; "
    "--reference lays them by one drum's delay all the same"
)
_BLANK: Final = "no stroke stands out in it, as in a line with nothing but noise or hum: left as recorded"
_BY_SUM: Final = "its polarity is told by this sum, not by its arrival"
_SURE: Final = (1.0 + math.erf(SURELY / math.sqrt(2.0))) / 2.0  # what `SURELY` promises of a best sum


_Sums: TypeAlias = tuple[Sequence[PlacedTrack], Sequence[Sequence[PlacedTrack]]]
"""What close mics are added to, and what else that may be."""


@dataclass(frozen=True)
class LaidKit:
    """The tracks of a kit with what they are to be moved by, and what that follows from.

    ``over``: what stands over the kit beside the reference.
    """

    rows: tuple[TrackDelay, ...]
    basis: Mapping[str, Basis]
    over: frozenset[str] = frozenset()


def laid_on_strokes(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> LaidKit:
    """The rows with what the tracks of a kit are to be moved by in place of their arrivals.

    Rows are left as they are where the reference does not stand over a kit: two close mics at least, or one and another
    mic over the same kit, must be among the tracks, or one alone where the reference is called an overhead; and it must
    be no drum's own. Then every track that is not over the kit is tried.
    """
    heard = listen(reference)
    far, silent, blank = _none_of_it(tracks, rows)
    others = {track.name: listen(track) for track in tracks if track.name not in far | silent | blank}
    told = heard_kit([heard, *others.values()])
    mates = mates_of(reference.name, told)
    mate, meets = mates[0] if mates else (None, 0.0)
    rooms = rooms_of(reference.name, told)
    spread = {name: level_spread_db(heard, one) for name, one in others.items()}
    early = {row.track for row in rows if row.track in others and _is_early(row.delay)} - {mate}
    sure = sure_pairs(reference.name, told)
    beside_it = {name for name, _ in mates} | {name for pair in sure for name in (pair.first, pair.second)}
    over = [
        name for name, decibels in spread.items() if name in beside_it or (name not in early and decibels <= OVER_DB)
    ]
    close = _close(heard, others, spread, early if mate else set())
    if not _are_enough(reference.name, close, over, len(others)):
        close = _close_by_name(reference.name, told, [name for name in others if name not in over], rooms, meets)
    if not close or _is_a_drums(reference.name, told):
        return LaidKit(tuple(rows), {})
    alike = sorted((name for name in over if name not in rooms), key=lambda name: spread[name])
    beside = ([mate] if mate is not None else alike)[:1]
    every = {reference.name: heard} | others
    rest = _placed(every, [reference.name, *beside], meets)
    instead = [
        _placed(every, [pair.first, pair.second], pair.meets)
        for pair in sure
        if not {pair.first, pair.second} & rooms and {pair.first, pair.second} != {reference.name, *beside}
    ]
    stand = {name: one for name, one in others.items() if name not in {*over, *beside_it, *rooms}}
    idle = _unstruck(told, [every[one.track.name] for one in rest], others, stand)
    stays = idle | _stays(reference.name, {*over, *beside_it}, rooms) | dict.fromkeys(blank, _BLANK)
    basis = dict.fromkeys([*stays, *silent], _RECORDED)
    laid = {name: _still(row.delay, stays[name]) for row in rows if (name := row.track) in stays}
    if mate is not None:
        laid |= {row.track: _mated(row.delay, meets, reference.name) for row in rows if row.track == mate}
    sums = rest, instead
    for name, (delay, by) in _close_mics(rows, others, heard, sums, set(laid), set(idle)).items():
        laid[name], basis[name] = delay, by
    kept = tuple(TrackDelay(row.track, laid.get(row.track, row.delay)) for row in rows)
    return LaidKit(kept, basis, frozenset({*over, *beside_it} - rooms))


def _none_of_it(tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> tuple[set[str], set[str], set[str]]:
    """What is no track of this kit, whatever it is called.

    What surely comes later than any overhead hears its kit, what holds no sound, and what no stroke stands out of.
    """
    far = {row.track for row in rows if _is_far(row)}
    silent = {track.name for track in tracks if listen(track).envelope.silent}
    return far, silent, {track.name for track in tracks if not has_strokes(listen(track))} - silent - far


def _close_mics(
    rows: Sequence[TrackDelay],
    others: Mapping[str, Listened],
    reference: Listened,
    sums: _Sums,
    stays: Collection[str],
    bleed: Collection[str],
) -> dict[str, tuple[Delay, Basis]]:
    """The tracks that do not stay, as they are laid.

    The surest first: where it is laid says where the others may lie, and so does where one surely hears bleed.
    """
    found: dict[str, tuple[Delay, Basis]] = {}
    shifts: list[float] = []
    for row in sorted(rows, key=lambda row: row.delay.confidence, reverse=True):
        delay, by = row.delay, "arrival" if row.track in bleed else _RECORDED
        if row.track in others and row.track not in stays:
            delay, by = found[row.track] = _laid(row.delay, others[row.track], reference, sums, _span(shifts))
        if by in _MOVED and delay.reliable and _is_early(delay):
            # An arrival says where a mic stands; a best sum may lie 2 ms from it.
            shifts.append(-(row.delay if row.delay.reliable else delay).delay_s)
    return found


def _is_a_drums(name: str, told: HeardKit | None) -> bool:
    """Whether a track is a drum's own mic: it hears that drum first, and is no overhead that hears a cymbal so."""
    if told is None or name in over_by_name(told):
        return False
    return told.row(name) in told.drums and not mates_of(name, told)


def left_without_close_mics(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> LaidKit:
    """The rows of mics that are all called overheads or a room's: each hears every drum at another delay, and stays.

    Inverted lows of two that are called alike are turned. What surely comes later than a kit is wide is left to its
    own delay, and so is what holds no sound.
    """
    told = heard_kit([listen(track) for track in (reference, *tracks)])
    is_over = is_called(reference.name, OVER_WORDS)
    laid = {}
    for track, row in zip(tracks, rows, strict=True):
        if row.delay.is_known and not _is_far(row):
            is_mate = told is not None and is_called(track.name, OVER_WORDS) == is_over
            meets = lows_meet(reference, track, told.times_s, within_s=MEET_S) if told and is_mate else 0.0
            laid[row.track] = _still(row.delay, _APART)
            if meets <= -MEET:
                laid[row.track] = _mated(row.delay, meets, reference.name)
    kept = tuple(TrackDelay(row.track, laid.get(row.track, row.delay)) for row in rows)
    return LaidKit(kept, dict.fromkeys(laid, _RECORDED))


def _stays(reference: str, over: set[str], rooms: set[str]) -> dict[str, str]:
    """The tracks that stay whatever is struck, and why."""
    late = f"it hears its strokes after '{reference}', as a mic in the room or one whose drum is not struck"
    same = f"stays as it is: it hears the same kit as '{reference}'"
    return dict.fromkeys(over, same) | dict.fromkeys(rooms, f"{late}: left as recorded")


def _span(shifts: Sequence[float]) -> tuple[float, float, float] | None:
    """From where to where a close mic may be laid, and the middle, by the arrivals of those laid already; None of none.

    The close mics of one kit are about equally far from what stands over it; one alone says that half as well.
    """
    if not shifts:
        return None
    beside_s = BESIDE_SPAN_S * (1 if len(shifts) > 1 else 2)
    return max(min(shifts) - beside_s, 0.0), float(np.median(shifts)), max(shifts) + beside_s


def _close(heard: Listened, others: Mapping[str, Listened], spread: Mapping[str, float], early: set[str]) -> list[str]:
    """The close mics: of uneven levels, and they leave out strokes of what stands over the kit.

    Where nearly every stroke is one drum's, as in a march, no mic leaves many out; those at the drums are early.
    """
    uneven = [name for name, decibels in spread.items() if CLOSE_DB < decibels < float("inf")]
    close = [name for name in uneven if _closer(others[name], heard)]
    return close or (sorted(early) if uneven and len(early) >= FEWEST_MICS else [])


def _are_enough(reference: str, close: Sequence[str], over: Sequence[str], others: int) -> bool:
    """Whether mics beside the reference make a kit: several, or a drum's own alone beside one called an overhead."""
    is_two = others == 1 and len(close) == 1 and is_called(reference, OVER_WORDS)
    return len(close) + len(over) >= FEWEST_MICS or is_two


def _close_by_name(
    reference: str, told: HeardKit | None, rest: Sequence[str], rooms: Collection[str], meets: float
) -> list[str]:
    """The mics beside what is called an overhead, where they are drums' mics; none where all may be at one source.

    Two of them tell drums apart, or one and a mic that hears the whole kit later, or two overheads, whose lows meet,
    hang over whatever it is.
    """
    if told is None or len(told.tracks) <= FEWEST_MICS or reference not in over_by_name(told):
        return []
    rows = [told.row(name) for name in rest]
    is_kit = meets or any(told.spread_db(one, other) > CLOSE_DB for one, other in combinations(rows, 2))
    return [name for name in rest if name not in rooms] if is_kit else []


def _placed(tracks: Mapping[str, Track], names: Sequence[str], meets: float) -> list[PlacedTrack]:
    """What a close mic is added to: one track as recorded, and a second in the polarity in which their lows meet."""
    return [PlacedTrack(tracks[name], Place(0.0, -1 if k and meets < 0 else 1)) for k, name in enumerate(names)]


def _mated(delay: Delay, meets: float, reference: str) -> Delay:
    """The lows say the polarity, so it is as clear as they meet."""
    words = f"the pair stays as it is: it hears the same kit as '{reference}'"
    if meets < 0:
        words = f"the pair stays, but for a polarity: as recorded its lows cancel those of '{reference}'"
    return replace(_still(delay, words), polarity=-1 if meets < 0 else 1, polarity_margin=abs(meets))


def _is_far(row: TrackDelay) -> bool:
    """Whether a track surely comes later than anything over a kit; a room mic may stand as far off as it likes."""
    return row.delay.reliable and abs(row.delay.delay_s) > REACH_S and not is_called(row.track, ROOM_WORDS)


def _is_early(delay: Delay) -> bool:
    """Whether a track likely hears the kit clearly before the reference: it stands nearer, however alike the levels."""
    return delay.confidence >= LIKELY and -REACH_S <= delay.delay_s <= -EARLY_S


def _closer(one: Listened, reference: Listened) -> bool:
    """Whether a track's loud strokes leave out many of the reference's: a drum's own mic knows only its drum's."""
    rate = one.sample_rate
    own, wanted = (heard.strokes.samples[heard.strokes.level_db > LOUD_DB] for heard in (one, reference))
    wanted = wanted + round((reference.start_s - one.start_s) * rate)
    if not len(own) or not len(wanted):
        return False
    after = np.clip(np.searchsorted(own, wanted), 0, len(own) - 1)
    gaps = np.minimum(np.abs(own[after] - wanted), np.abs(own[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < SAME_S * rate)) < KNOWN


def _still(delay: Delay, words: str) -> Delay:
    """Nothing is measured of a track that stays, so that nothing is uncertain of it either."""
    sure = replace(delay, delay_s=0.0, uncertainty_s=0.0, polarity=1, confidence=1.0, reliable=True)
    return replace(sure, reason=words, candidates=())


def _where(
    delay: Delay, span: tuple[float, float, float] | None
) -> tuple[Place | None, Place | None, tuple[float, float]]:
    """The arrival if it is sure, the likely one, and from where to where the best sum is looked for."""
    # A doubtful arrival still says where the drum's sound comes, where it is no mere guess and not before its own mic.
    likely = delay.confidence >= LIKELY and abs(delay.delay_s) <= REACH_S and (delay.reliable or delay.delay_s <= 0.0)
    near = Place(-delay.delay_s, delay.polarity if delay.is_polarity_clear else 1) if likely else None
    if likely and delay.reliable:
        return Place(-delay.delay_s + 0.0, delay.polarity), near, (-delay.delay_s - BEYOND_S, -delay.delay_s + BEYOND_S)
    if span is not None:
        least_s, middle_s, most_s = span
        is_inside = near is not None and least_s <= near.shift_s <= most_s
        return None, near if is_inside else Place(middle_s), (least_s, most_s)
    # No pair hangs farther above a kit, and a longer shift half a period off may sum as well.
    if near is not None and near.shift_s <= MOST_OVER_S:
        return None, near, (max(near.shift_s - BEYOND_S, 0.0), min(near.shift_s + BEYOND_S, MOST_OVER_S))
    return None, None, (0.0, MOST_OVER_S)


def _laid(
    delay: Delay,
    one: Listened,
    reference: Listened,
    sums: _Sums,
    span: tuple[float, float, float] | None,
) -> tuple[Delay, Basis]:
    """A close mic as it is laid onto what stands over the kit, or what else may; ``span``: as `_span` tells."""
    if not one.strokes.gap_db:
        words = "none of its strokes stands out as its own: left as recorded"
        return _still(delay, words), _RECORDED
    arrival, near, within_s = _where(delay, span)
    found = laid_by_strokes(
        one,
        _own_strokes(one, reference),
        sums[0],
        arrival=arrival,
        near=near,
        within_s=within_s,
        instead=sums[1],
    )
    if found is None:
        return _still(delay, "it has too few strokes of its own: left as recorded"), _RECORDED
    if found.by == "arrival" and delay.polarity < 0 and not delay.is_polarity_clear:
        return replace(delay, polarity_margin=1.0, reason=f"{found.words}; {_BY_SUM}"), found.by
    if found.by == "arrival":
        return replace(delay, reason=found.words), found.by
    if near is None and sum(found.gains_db) < UNSURE_WORTH_DB:
        return _still(delay, "where it arrives is not known and its best sum gains little: left as recorded"), _RECORDED
    if found.by == "recorded":
        return _still(delay, found.words), found.by
    laid = replace(
        delay,
        delay_s=-found.place.shift_s + 0.0,
        uncertainty_s=found.uncertainty_s,
        polarity=found.place.polarity,
        polarity_margin=1.0,
        confidence=max(delay.confidence, _SURE),
        reliable=True,
        reason=found.words if found.place.polarity == delay.polarity else f"{found.words}; {_BY_SUM}",
        candidates=(),
    )
    return laid, found.by


def _own_strokes(one: Listened, reference: Listened) -> Floats:
    """When a close mic's own drum is struck: its loud strokes, but for what the reference hears about as loud.

    A mic has its own drum louder, against what stands over the kit, than any other drum.
    """
    begins = one.first_wavefronts
    if not len(begins):
        return np.zeros(0)
    rate = one.sample_rate
    times_s = np.asarray(begins / rate + one.start_s, dtype=np.float64)
    over_db = heard_db(one, begins) - heard_db_at(reference, times_s)
    over_db = np.where(np.isfinite(over_db), over_db, -np.inf)
    return times_s[over_db >= np.quantile(over_db, MOST_OWN, method="lower") - OWN_DB]


def _unstruck(
    told: HeardKit | None, over: Sequence[Listened], others: Mapping[str, Listened], close: Mapping[str, Listened]
) -> dict[str, str]:
    """The mics at no drum that is struck, and by what that is known.

    Parameters
    ----------
    told : HeardKit or None
        What all tracks hear.
    over : sequence of Listened
        What all is laid onto, the reference first.
    others : mapping of name to Listened
        All tracks but the reference.
    close : mapping of name to Listened
        Those of them that may stand at a drum.
    """
    nothing = "its strokes hardly stand out, and another hears them first: left as recorded"
    softer = f"far softer than '{over[0].name}', as a mic whose drum is not struck: left as recorded"
    led = {
        name: f"its drum is not struck, as '{by}' hears its strokes first and as loud as its own: left as recorded"
        for name, by in _led(over, close).items()
    }
    return led | dict.fromkeys(_soft(over, others), softer) | dict.fromkeys(_bleed(told, over, others), nothing)


def _bleed(told: HeardKit | None, over: Sequence[Listened], others: Mapping[str, Listened]) -> list[str]:
    """The tracks that stand at no drum that is played: their strokes hardly stand out, and another hears them first.

    However sure their arrival is: it is that of another's drum.
    """
    drums = {told.tracks[drum].name for drum in told.drums} if told is not None else set(others)
    return [name for name, one in others.items() if _may_be_bleed(one, over, PARTED_DB) and name not in drums]


def _may_be_bleed(one: Listened, over: Sequence[Listened], parted_db: float) -> bool:
    """Whether strokes stand out of it by less than that, and it is not far louder than what stands over the kit.

    A mic that stands at a drum is as loud as that.
    """
    most = max(_loudest(heard) for heard in over) / 10.0 ** (SOFT_DB / 10.0)
    return 0 < one.strokes.gap_db < parted_db and _loudest(one) < most


def _soft(over: Sequence[Listened], others: Mapping[str, Listened]) -> list[str]:
    """The tracks in which nothing comes near to what stands over the kit: a mic at a drum that is struck is louder."""
    least = min(_loudest(one) for one in over) * 10.0 ** (SOFT_DB / 10.0)
    return [name for name, one in others.items() if _loudest(one) < least]


def _loudest(one: Listened) -> float:
    """The power of its loudest millisecond."""
    return float(one.envelope.power.max())


def _led(over: Sequence[Listened], close: Mapping[str, Listened]) -> dict[str, str]:
    """The mics whose strokes are another's, and which other that is.

    How much louder one of two mics is says of which drum a stroke is, whatever their gains. Mics of one drum agree in
    that too, and the farther is later; its strokes stand out more than bleed's, or it is louder than the overheads.
    What hears its strokes well after them began at another time.
    """
    own = {name: times_s for name, one in close.items() if len(times_s := evenly(_own_strokes(one, over[0])))}
    found = {}
    for name, times_s in own.items():
        one = close[name]
        if not _may_be_bleed(one, over, PARTED_WELL_DB):
            continue
        begins = begins_s(one, times_s)
        if max(float(np.median(begins_s(heard, times_s) - begins)) for heard in over) < -EARLY_S:
            continue
        alike = [by for by in own if by != name and _apart_db(one, close[by], times_s, own[by]) < OTHERS_DB]
        before_s = {by: float(np.median(begins - begins_s(close[by], times_s))) for by in alike}
        first = max(before_s, key=lambda by: before_s[by], default=None)
        if first is not None and before_s[first] >= LED_S:
            found[name] = first
    return found


def _apart_db(one: Listened, by: Listened, own_s: Floats, theirs_s: Floats) -> float:
    """By how much more a mic is louder than another at its own strokes than at the other's, in the middle."""
    own_db, theirs_db = (_middle_db(heard_db_at(one, at_s) - heard_db_at(by, at_s)) for at_s in (own_s, theirs_s))
    return own_db - theirs_db


def _middle_db(values: Floats) -> float:
    """The middle of what is known; nan of nothing, which is like nothing."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
