"""Which tracks does no one shift suit, and what is to be said of them?

Those whose delay is one value before a moment and another after it (`micalign.tdoa.change`): a mic that was carried
elsewhere between two songs of one file, a dropped buffer, a clip that slipped. The reason says from which delay to
which, when, and how to mend. Where most tracks change by the same at one moment, it is the reference that was moved.

And those that fit their reference only where their file began at another time. Files of one take that differ in length
by more than the largest delay looked for may have begun at different moments, as a recorder that was started late makes
them. Then whatever fits within that delay is chance, and "it adds up best where it was recorded" would be untrue. So
what is not reliable within it is looked for as far off as the lengths allow; the reason says what to ask for, since the
user set how far to look. Where the whole range is too wide to tell one delay surely, a file's beginning is still told
by its place in loudness, if about that place the two share a delay after all: then only cutting the file brings the
rest of `align` to bear on it.

And those that sound together, but not when the reference does: tracks of another take in the same folder, or an
overdub. In another take a track's level rises at a fifth to a half of the reference's strokes, in the same one at two
thirds and more (`micalign.alignment.over_kit.rises_at`).

None of them is to be acted on. A delay is positive when the event comes later in the track; times are seconds on the
take's clock.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from micalign.alignment.beside_kit import holds_notes
from micalign.alignment.one_performance import may_be_one_path
from micalign.alignment.over_kit import has_strokes, rises_at, struck_s
from micalign.alignment.tuned import (
    FEWEST_CHOOSING,
    LIKELY,
    SAME_BEGINNING,
    SAME_S,
    SHARED_PIECES,
    SURELY,
    WIDE_S,
)
from micalign.arrays import Floats
from micalign.errors import some
from micalign.take.tracks import ROOM_WORDS, Track, is_called, two_at_once
from micalign.tdoa.change import DelayChange, change_between, measure_clock
from micalign.tdoa.delays import Delay, PairDelay, SourceDelays, TrackDelay
from micalign.tdoa.measure import measure_many, measure_pair
from micalign.tdoa.strokes import Listened, listen
from micalign.units import show_ms_known

__all__ = ["changed_delays", "fit_nowhere", "other_beginning", "without_changed"]

_ALIKE_S: Final = 0.3e-3  # seconds: changes by so nearly the same are one
_SURE_S: Final = 0.1e-3  # seconds to which a change is told
_APART_S: Final = 3.0  # seconds between moments that may be one: tracks are struck at different times
_MOST_S: Final = 60.0  # seconds on either side that are measured for the two delays; more says the same
_MEND: Final = "cut the take there and align each part by itself"
_CLOCKS: Final = "as of two recorders whose clocks differ"
_CAUSES: Final = "as where a mic is moved or a file is cut"
_STEP_MS: Final = 100  # what is advised is a multiple of it, easily typed, and wider by half of it at the least
_MOST_MS: Final = 60_000  # the most that --max-delay-ms takes
_NEAR_S: Final = 0.05  # seconds about the place that loudness tells in which a delay is looked for
_AT_S: Final = 0.02  # seconds within which it is that place: two frames of loudness


@dataclass(frozen=True, slots=True)
class _Seen:
    """The change of a track's delay against the reference, None where it has none; whether it is clear that not."""

    change: DelayChange | None
    is_steady: bool


def fit_nowhere(
    reference: Track,
    tracks: Sequence[Track],
    delays: Mapping[str, Delay],
    *,
    max_delay_s: float,
    joined: Collection[str] = (),
    of_scene: bool = False,
) -> dict[str, TrackDelay]:
    """The tracks that no one shift suits, whose files seem to have begun at another time, or that are of another take.

    ``joined``: tracks that something reliable joins to the reference; they began with it.
    """
    found = changed_delays(reference, tracks, delays, max_delay_s=max_delay_s)
    for track in tracks:
        if track.name in found or track.name in joined:
            continue
        begun = other_beginning(reference, track, delays[track.name], max_delay_s=max_delay_s, of_scene=of_scene)
        found |= {} if begun is None else {track.name: TrackDelay(track.name, begun)}
    rest = [track for track in tracks if not (of_scene or track.name in found)]
    return found | _of_another_take(reference, rest, delays)


def _of_another_take(reference: Track, tracks: Sequence[Track], delays: Mapping[str, Delay]) -> dict[str, TrackDelay]:
    """The tracks that sound together, but not when the reference does: two takes in one folder, or an overdub.

    One alone may be anything, and a mic far off in the room hears its kit after all that is looked at. What is reliable
    is chance where it sounds with the others, and not with the reference.

    Of 1,344 tracks of a take of the real kit none is told so, beside another take 1, and of 576 of that one 452; 3 and
    473 where it need not surely be more than chance, 417 and 454 where none need sound with the lead
    (``tests/bench/alignment/other_takes.py``, development half, seeds 64 to 67; they also judged that each had to rise
    at fewer than half, which told 442 and spared none, and is gone).
    """
    whole = listen(reference)
    heard = [listen(track) for track in tracks if not is_called(track.name, ROOM_WORDS) and has_strokes(listen(track))]
    apart = [one for one in heard if has_strokes(whole) and _never_together(whole, one)]
    doubtful = [one for one in apart if not delays[one.name].reliable]
    lead = max(doubtful, key=lambda one: len(one.strokes.samples), default=None)
    if lead is None or not any(_follows(one, lead, whole) for one in doubtful if one is not lead):
        return {}
    with_lead = (one for one in heard if not delays[one.name].reliable and _follows(one, lead, whole))
    when = f"it sounds at other times than '{reference.name}'"
    words = f"{when}, as in another take, an overdub or a file that begins elsewhere: align it with its own"
    return {one.name: _told(one.name, delays[one.name], words) for one in (*apart, *with_lead)}


def _never_together(one: Listened, other: Listened) -> bool:
    """Whether two tracks surely rise at fewer of each other's strokes, taken together, than by chance."""
    ways = ((one, other), (other, one))
    shares, counts = [_share(*way) for way in ways], [len(_strokes_in(*way)) for way in ways]
    too_few = sum((0.5 - share) * count for share, count in zip(shares, counts, strict=True))
    return min(counts) >= FEWEST_CHOOSING and too_few > SURELY / 2 * sum(counts) ** 0.5


def _follows(one: Listened, lead: Listened, rather_than: Listened) -> bool:
    """Whether a track rises at one track's strokes more often than at another's."""
    return _share(one, lead) > _share(one, rather_than)


def _share(one: Listened, of: Listened) -> float:
    """The share of a track's strokes at which another rises."""
    times_s = _strokes_in(one, of)
    return float(rises_at(one, times_s).mean()) if len(times_s) else 0.0


def _strokes_in(one: Listened, of: Listened) -> Floats:
    """When a track has strokes while another lasts."""
    times_s = struck_s([of])
    return times_s[(times_s > one.start_s + SAME_S) & (times_s < one.start_s + one.duration_s - SAME_S)]


def changed_delays(
    reference: Track, tracks: Sequence[Track], delays: Mapping[str, Delay], *, max_delay_s: float
) -> dict[str, TrackDelay]:
    """The tracks whose delay against the reference changes within the take, none of them to be acted on.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
    delays : mapping of str to Delay
        What was measured of each over the whole take.
    max_delay_s : float
        How far the delays before and after are looked for, either way.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> whole, moved = np.zeros(170_000), np.zeros(170_000)
    >>> for k in range(16):
    ...     clap, at = rng.standard_normal(400) * np.exp(-np.arange(400) / 60), 10_000 * k + 100
    ...     late = at + (16 if k < 10 else 32)
    ...     whole[at : at + 400], moved[late : late + 400] = clap, clap
    >>> near, far = (Track.from_array(name, sound, 8000) for name, sound in (("near", whole), ("far", moved)))
    >>> told = changed_delays(near, [far], {"far": measure_pair(near, far)}, max_delay_s=0.05)["far"].delay
    >>> told.reliable, told.reason
    ... # doctest: +NORMALIZE_WHITESPACE
    (False, "its delay against 'near' changes from +2.000 ms to +4.000 ms about 12 s in, as where a mic is moved or a
    file is cut: cut the take there and align each part by itself")
    """
    heard, near = listen(reference), [listen(track) for track in tracks]
    looked = two_at_once(lambda one: _seen(heard, one, delays[one.name]), near, lambda _: None)
    seen = {track.name: one for track, one in zip(near, looked, strict=True)}
    moved = _of_reference(seen)
    if moved is not None:
        said = _reference_words(reference.name, moved, [name for name, one in seen.items() if one.change])
        return {track.name: _told(track.name, delays[track.name], said) for track in tracks}
    found: dict[str, TrackDelay] = {}
    for track in near:
        change = seen[track.name].change
        if change is not None:
            words = _words(heard, track, change, max_delay_s)
            found |= {} if words is None else {track.name: _told(track.name, delays[track.name], words)}
    return found


def without_changed(source: SourceDelays, changed: Mapping[str, TrackDelay]) -> SourceDelays:
    """A source with none of its pairs to be acted on that hold a track of which no one delay is told, and why."""

    def doubted(pair: PairDelay) -> PairDelay:
        name = next((name for name in (pair.track, pair.reference) if name in changed), None)
        words = f"'{name}' has no one place in this take"
        return pair if name is None else replace(pair, delay=_told(pair.track, pair.delay, words).delay)

    return replace(source, pairs=tuple(map(doubted, source.pairs)))


def _told(name: str, delay: Delay, words: str) -> TrackDelay:
    return TrackDelay(name, replace(delay, reliable=False, confidence=min(delay.confidence, 0.4), reason=words))


def _seen(reference: Listened, track: Listened, delay: Delay) -> _Seen:
    """By the strokes of the one that hears its own the more clearly, as a close mic does."""
    if not (has_strokes(reference) and has_strokes(track)) or _are_strangers(reference, track):
        return _Seen(None, is_steady=False)
    is_near = track.strokes.gap_db >= reference.strokes.gap_db
    near, far, sign = (track, reference, -1) if is_near else (reference, track, 1)
    found = change_between(near, far, centre_s=sign * delay.delay_s if delay.reliable else 0.0)
    if found is None or found.change is None:
        return _Seen(None, found is not None and found.is_steady)
    along = None if found.change.along_ppm is None else sign * found.change.along_ppm
    return _Seen(replace(found.change, by_s=sign * found.change.by_s, along_ppm=along), is_steady=False)


def _are_strangers(one: Listened, other: Listened) -> bool:
    """Whether one holds notes and the other cannot be of them, as a DI and a drum: what strokes they share is chance's.

    Two players are together now and then, which reads as a delay that changes.
    """
    return holds_notes(one) != holds_notes(other) and not may_be_one_path(one, other)


def _of_reference(seen: Mapping[str, _Seen]) -> DelayChange | None:
    """The change of most tracks, which is the reference's then; None where each has its own."""
    changes = [one.change for one in seen.values() if one.change is not None and one.change.is_one]
    first = next(iter(changes), None)
    if first is None or len(changes) < 2 or len(changes) <= sum(one.is_steady for one in seen.values()):
        return None
    alike = [abs(one.by_s - first.by_s) <= _ALIKE_S and abs(one.at_s - first.at_s) <= _APART_S for one in changes]
    return min(changes, key=lambda one: one.after_s - one.before_s) if all(alike) else None


def _reference_words(reference: str, change: DelayChange, tracks: Sequence[str]) -> str:
    against = some([f"'{name}'" for name in tracks], 2)
    by = f"'{reference}' comes {show_ms_known(abs(change.by_s), _SURE_S)} {'earlier' if change.by_s > 0 else 'later'}"
    return f"{by} against {against} from {_when(change)} on, {_CAUSES}: {_MEND}"


def _words(reference: Listened, track: Listened, change: DelayChange, max_delay_s: float) -> str | None:
    """What changes; None where no delay is even likely before or after: then the two may share nothing."""
    early, late = _parts(reference, track, change.at_s, max_delay_s)
    if max(early.confidence, late.confidence) < LIKELY:
        return None
    if not change.is_one:
        return _not_once(reference, track, change, max_delay_s)
    from_to = f"by about {show_ms_known(change.by_s, _SURE_S, sign=True)}"
    # That the two differ by what the curves are apart says more than either's own confidence.
    if abs(late.delay_s - early.delay_s - change.by_s) <= _ALIKE_S:
        from_to = f"from {_shown(early)} to {_shown(late)}"
    return f"its delay against '{reference.name}' changes {from_to} {_when(change)} in, {_CAUSES}: {_MEND}"


def _not_once(reference: Listened, track: Listened, change: DelayChange, max_delay_s: float) -> str:
    """What is said of a delay that changes all along or more than once."""
    its = f"its delay against '{reference.name}' changes"
    if change.along_ppm is None:
        return f"{its} more than once within the take, {_CAUSES}: cut the take at each change and align the parts"
    found = measure_clock(reference, track, max_delay_s=max_delay_s)
    if found.reliable and found.drift_ppm is not None:
        return f"{its} by {found.drift_ppm:+.1f} ppm all along, {_CLOCKS}: take that out with --correct-drift"
    return f"{its} by about {change.along_ppm:+.0f} ppm all along, {_CLOCKS}: bring the file to the other's speed"


def _shown(delay: Delay) -> str:
    return show_ms_known(delay.delay_s, delay.uncertainty_s, sign=True)


def _when(change: DelayChange) -> str:
    if change.after_s - change.before_s > _APART_S:
        return f"between {change.before_s:.0f} and {change.after_s:.0f} s"
    return f"about {change.at_s:.0f} s"


def _parts(reference: Track, track: Track, at_s: float, max_delay_s: float) -> tuple[Delay, Delay]:
    """The delay before a moment and after it."""

    def part(one: Track, begin_s: float, end_s: float) -> Track:
        begin, end = (round((time_s - one.start_s) * one.sample_rate) for time_s in (begin_s, end_s))
        return Track.from_array(one.name, one.read(begin, end - begin), one.sample_rate, start_s=begin_s)

    stop_s = max(one.duration_s + one.start_s for one in (reference, track))
    spans_s = (max(at_s - _MOST_S, 0.0), at_s), (at_s, min(at_s + _MOST_S, stop_s))
    early, late = (
        measure_pair(part(reference, *span_s), part(track, *span_s), max_delay_s=max_delay_s) for span_s in spans_s
    )
    return early, late


def other_beginning(
    reference: Track, track: Track, delay: Delay, *, max_delay_s: float, of_scene: bool = False
) -> Delay | None:
    """The delay at which a track fits as a file that began at another time, not to be acted on; None where it does not.

    Parameters
    ----------
    reference, track : Track
        Placed on one clock by time stamps, they are as they should be, and so is a track that holds nothing.
    delay : Delay
        What was found within ``max_delay_s``: where that is reliable, nothing else is looked for.
    max_delay_s : float
    of_scene : bool
        Each source is measured on its own there, which finds nothing so far off: no wider look is advised.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(1).normal(size=40000) * np.repeat(np.arange(20) % 4 == 1, 2000)
    >>> whole = Track.from_array("overhead", noise, 8000)
    >>> late = Track.from_array("snare", noise[4000:], 8000)
    >>> nothing = Delay(0.0, 0.0, 1, 0.0, 0.0, False, "nothing fits")
    >>> found = other_beginning(whole, late, nothing, max_delay_s=0.05)
    >>> found.reliable, round(found.delay_s, 4)
    (False, -0.5)
    >>> found.reason
    "it fits as a file that began about 0.50 s after that of 'overhead': look as far with --max-delay-ms 600"
    >>> other_beginning(whole, Track.from_array("snare", noise, 8000), nothing, max_delay_s=0.05) is None
    True
    """
    apart_s = abs(track.duration_s - reference.duration_s)
    if delay.reliable or apart_s <= max_delay_s or track.start_s != reference.start_s:
        return None
    if any(listen(one).envelope.silent for one in (reference, track)):
        return None
    found, is_sure = _fit(reference, track, apart_s + max_delay_s)
    if found is None or abs(found.delay_s) <= max_delay_s:
        return None
    way = "after" if found.delay_s < 0 else "before"
    began = f"it fits as a file that began about {abs(found.delay_s):.2f} s {way} that of '{reference.name}'"
    return replace(found, reliable=False, reason=f"{began}: {_remedy(found, is_sure=is_sure and not of_scene)}")


def _remedy(found: Delay, *, is_sure: bool) -> str:
    """How far to look, where looking so far finds it surely and may be asked for; else how to bring the file nearer."""
    wide_ms = ((abs(found.delay_s) * 1e3 + _STEP_MS / 2) // _STEP_MS + 1) * _STEP_MS
    if is_sure and abs(found.delay_s) * 1e3 <= _MOST_MS:
        return f"look as far with --max-delay-ms {min(wide_ms, _MOST_MS):.0f}"
    if found.delay_s < 0:
        return f"put {-found.delay_s:.2f} s of silence before it and ask again"
    return f"cut {found.delay_s:.2f} s off its beginning and ask again"


def _fit(reference: Track, track: Track, wide_s: float) -> tuple[Delay | None, bool]:
    """Where a track fits within a wide range, None where nowhere; whether that would be found if it was asked for."""
    found = measure_many(reference, [track], max_delay_s=wide_s)[0] if wide_s <= WIDE_S else None
    if found is not None and found.reliable:
        return found, True
    rough = measure_clock(reference, track, max_delay_s=wide_s, drift=False)
    if rough.reliable:
        return rough, abs(rough.delay_s) > WIDE_S
    if rough.confidence >= SHARED_PIECES:
        return rough, False
    near = replace(track, start_s=reference.start_s - rough.delay_s)
    closer = measure_many(reference, [near], max_delay_s=_NEAR_S)[0]
    if closer.confidence < SAME_BEGINNING or abs(closer.delay_s) > _AT_S:
        return None, False
    return replace(closer, delay_s=closer.delay_s + rough.delay_s, candidates=()), False
