"""How late is each track against a reference, where no scene tells sources apart?

Chooses the way: a pair measured as it is, two recorders by their clocks, or a loopback for all. Never over a third
track: without a scene nothing says that both legs speak of one source, and their sum may be a delay of neither. A delay
is positive when the event comes later in the track.

Where the reference stands over a kit, it hears every drum at another delay: then the mics over the kit stay where they
are, so that their image stays, and each close mic is laid where its own strokes add up best with them
(`laid_on_strokes`). Which are which is read off levels, lows and who hears the drums first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from micalign.alignment.di_and_mics import (
    PairSum,
    as_arrival,
    as_best_sum,
    by_loudest,
    doubted,
    laid_together,
    one_path_sum,
)
from micalign.alignment.one_performance import may_be_one_path
from micalign.alignment.own_strokes import Place, PlacedTrack, Struck, evenly, laid_by_strokes, lows_meet
from micalign.alignment.solo import FoundAlone
from micalign.alignment.tuned import (
    CLOSE_DB,
    EARLY_S,
    FAR_S,
    FEWEST_MICS,
    HEARD_DB,
    HEARD_S,
    KNOWN,
    LIKELY,
    LOUD_DB,
    MEET,
    MEET_S,
    MEETING_DB,
    OVER_DB,
    REACH_S,
    SAME_S,
    UNLIKELY,
    USUAL_S,
    WIDE_S,
)
from micalign.arrays import Floats
from micalign.take.tracks import Track
from micalign.tdoa.clock import measure_clock
from micalign.tdoa.delays import SourceDelays, TrackDelay
from micalign.tdoa.measure import Delay, measure_many
from micalign.tdoa.strokes import Listened, listen

__all__ = ["By", "Measured", "laid_on_strokes", "level_spread_db", "measured"]

By = Literal["sum", "arrival"]

_AT_ONCE: Final = 2  # tracks; more hold more of the files in memory


@dataclass(frozen=True)
class Measured:
    """The best single answer of each track against the reference; with a scene, each source on its own.

    ``sums`` holds what was found of each DI and its mic; ``on_strokes``: close mics of a kit are placed by where their
    own strokes add up best, and not by their arrivals. ``stretches``: where one source seems to sound alone.
    ``struck``: with a scene, the struck sources whose own mics are to be laid by their strokes.
    """

    reference: str
    sample_rate: int
    tracks: tuple[TrackDelay, ...]
    sources: tuple[SourceDelays, ...] | None = None
    sums: tuple[PairSum, ...] = ()
    on_strokes: bool = False
    stretches: tuple[FoundAlone, ...] = ()
    struck: Struck | None = None

    def sum_of(self, track: str) -> PairSum | None:
        """What was found of a track and the reference where they are a DI and its mic."""
        for one in self.sums:
            if one.track == track and one.reference == self.reference:
                return one
        return None

    @property
    def all_reliable(self) -> bool:
        """Whether every track has a delay to act on."""
        return all(one.delay.reliable for one in self.tracks)


def measured(
    reference: Track,
    tracks: Sequence[Track],
    *,
    max_delay_s: float = 0.05,
    drift: bool = False,
    loopback: Track | None = None,
    by: By = "sum",
    on_strokes: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> Measured:
    """Tracks against a reference, with no scene to tell sources apart.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
    max_delay_s : float
        Largest delay looked for, either way; beyond `FAR_S` the rough place is found by loudness first.
    drift : bool
        Look for a difference of the clocks; delays then hold at the reference's first sample.
    loopback : Track, optional
        A recording of the reference through the interface: its delay is taken for every track.
    by : {"sum", "arrival"}
        What the delay of a DI and its mic follows from: where they add up best, or when the sound arrives.
    on_strokes : bool
        Where the reference stands over a kit: close mics by the shift that adds up best on their own strokes, and the
        other mics over the kit left where they are (`laid_on_strokes`).
    progress : callable, optional
        Told what is being done, and which share of all is done, 0 to 1.
    """
    tell = progress or (lambda _words, _share: None)
    if loopback is not None:
        latency = measure_many(reference, [loopback], max_delay_s=max(max_delay_s, FAR_S))[0]
        # The interface's polarity is its own affair; only its time is used for other tracks.
        delays = [latency if track is loopback else replace(latency, polarity=1) for track in tracks]
    elif drift or max_delay_s > FAR_S:
        delays = []
        for done, track in enumerate(tracks):
            tell(f"measuring {track.name}", done / len(tracks))
            delays.append(_by_clock(reference, track, max_delay_s, drift=drift))
        if not drift:
            return _with_sums(reference, tracks, delays, max_delay_s, by, tell)
    else:
        delays = list(measure_many(reference, tracks, max_delay_s=max_delay_s, progress=tell))
        found = _with_sums(reference, tracks, delays, max_delay_s, by, tell)
        if not on_strokes:
            return found
        laid = laid_on_strokes(reference, tracks, found.tracks)
        return replace(found, tracks=laid, on_strokes=laid != found.tracks)
    rows = tuple(TrackDelay(track.name, delay) for track, delay in zip(tracks, delays, strict=True))
    return Measured(reference.name, reference.sample_rate, rows)


def _with_sums(
    reference: Track,
    tracks: Sequence[Track],
    delays: Sequence[Delay],
    max_delay_s: float,
    by: By,
    tell: Callable[[str, float], None],
) -> Measured:
    """Where a track and the reference are a DI and its mic: placed by their best sum, if that is asked for."""
    sums: dict[str, PairSum] = {}
    dark: set[str] = set()
    arrivals = {track.name: delay for track, delay in zip(tracks, delays, strict=True)}

    def looked(track: Track, delay: Delay) -> tuple[PairSum | None, bool]:
        found = one_path_sum(reference, track, delay, max_delay_s=max_delay_s)
        return found, found is None and may_be_one_path(reference, track)

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for track, (found, is_dark) in zip(tracks, pool.map(looked, tracks, delays), strict=True):
            tell(f"adding {track.name} to {reference.name}", 0.95)
            if found is not None:
                sums[track.name] = found
                arrivals[track.name] = as_arrival(found, arrivals[track.name])
            elif is_dark:
                dark.add(track.name)
                arrivals[track.name] = by_loudest(reference, track, arrivals[track.name])
    dis = {found.filtered for found in sums.values()}
    doubts = doubted(reference, tracks, arrivals, dis=dis) if sums and len(tracks) > 1 else {}
    together = laid_together(reference, tracks, sums) if by == "sum" else {}
    rows = []
    for track in tracks:
        delay, found = arrivals[track.name], sums.get(track.name)
        if track.name in together:
            delay = together[track.name]
        elif found is not None and by == "sum":
            delay = as_best_sum(found, delay)
        elif not delay.reliable and delay.confidence < UNLIKELY and track.name in dark:
            looked_s = max(max_delay_s, WIDE_S) if max_delay_s >= USUAL_S else max_delay_s
            further = f"nothing within {looked_s * 1e3:g} ms fits either: a later re-amp needs a larger --max-delay-ms"
            delay = replace(delay, reason=f"{delay.reason}; {further}" if delay.reason else further)
        if track.name in doubts:
            refused, words = doubts[track.name]
            delay = replace(delay, reliable=delay.reliable and not refused, reason=words)
        rows.append(TrackDelay(track.name, delay))
    return Measured(reference.name, reference.sample_rate, tuple(rows), sums=tuple(sums.values()))


def _by_clock(reference: Track, track: Track, max_delay_s: float, *, drift: bool) -> Delay:
    found = measure_clock(reference, track, max_delay_s=max_delay_s, drift=drift)
    if found.reliable or max_delay_s > FAR_S:
        return found
    plain = measure_many(reference, [track], max_delay_s=max_delay_s)[0]
    return replace(plain, reason=plain.reason or f"no difference of the clocks could be measured: {found.reason}")


def level_spread_db(first: Listened, second: Listened) -> float:
    """How far strokes differ in level between two tracks, from the lowest tenth to the highest, in dB.

    A close mic hears its own drum 15 dB and more louder, against an overhead, than the others; two mics over a whole
    kit hear all of it within some 10 dB. Infinite where fewer than six strokes are heard by both.
    """
    rate = first.track.sample_rate
    later = round((second.track.start_s - first.track.start_s) * rate)
    loud = [one.strokes.samples[one.strokes.level_db > HEARD_DB] for one in (first, second)]
    samples = np.union1d(loud[0], loud[1] + later)
    levels = [_heard_db(first, samples), _heard_db(second, samples - later)]
    both = np.isfinite(levels[0]) & np.isfinite(levels[1])
    if both.sum() < 6:
        return float("inf")
    low, high = np.quantile((levels[0] - levels[1])[both], (0.1, 0.9))
    return float(high - low)


def _heard_db(heard: Listened, samples: npt.NDArray[Any]) -> Floats:
    step = heard.envelope.step
    before, after = (round(seconds * heard.track.sample_rate / step) for seconds in HEARD_S)
    steps = (samples // step)[:, None] + np.arange(-before, after)
    inside = (steps >= 0) & (steps < len(heard.envelope.power))
    power = np.where(inside, heard.envelope.power[np.where(inside, steps, 0)], 0.0).sum(axis=1, dtype=float)
    return np.asarray(10 * np.log10(np.where(power > 0, power, np.nan)))


def laid_on_strokes(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> tuple[TrackDelay, ...]:
    """The rows with what the tracks of a kit are to be moved by in place of their arrivals.

    Rows are left as they are where the reference does not stand over a kit: two close mics at least, or one and another
    mic over the same kit, must be among the tracks. Then every track that is not over the kit is tried.
    """
    heard = listen(reference)
    # What surely comes later than any overhead hears its kit is no track of this kit.
    apart = {row.track for row in rows if row.delay.reliable and abs(row.delay.delay_s) > REACH_S}
    others = {track.name: listen(track) for track in tracks if track.name not in apart}
    spread = {name: level_spread_db(heard, one) for name, one in others.items()}
    meets = {name: _meets(heard, one) for name, one in others.items() if spread[name] <= MEETING_DB}
    meeting = {name: 1 if lows > 0 else -1 for name, lows in meets.items() if abs(lows) >= MEET}
    early = {row.track for row in rows if row.track in others and _is_early(row.delay)} - set(meeting)
    over = [name for name, decibels in spread.items() if name in meeting or (name not in early and decibels <= OVER_DB)]
    apart_db = [name for name, decibels in spread.items() if CLOSE_DB < decibels < float("inf")]
    close = [name for name in apart_db if _closer(others[name], heard)]
    if not close and apart_db and meeting and len(early) >= FEWEST_MICS:
        # Where nearly every stroke is one drum's, as in a march, no mic leaves many out; those at the drums are early.
        close = sorted(early)
    if not close or len(close) + len(over) < FEWEST_MICS:
        return tuple(rows)
    placed = [PlacedTrack(others[name].track, Place(0.0, sign)) for name, sign in meeting.items()]
    rest = [PlacedTrack(reference), *placed]
    words = {
        1: f"the pair stays as it is: it hears the same kit as '{reference.name}'",
        -1: f"the pair stays, but for a polarity: as recorded its lows cancel those of '{reference.name}'",
    }
    laid = []
    for row in rows:
        if row.track in over:
            sign = meeting.get(row.track, 1)
            stays = replace(_still(row.delay, words[sign]), polarity=sign)
            if row.track in meeting:  # the lows say the polarity, so it is as clear as they meet
                stays = replace(stays, polarity_margin=abs(meets[row.track]))
            laid.append(TrackDelay(row.track, stays))
        elif row.track in others:
            laid.append(TrackDelay(row.track, _laid(row.delay, others[row.track], rest)))
        else:
            laid.append(row)
    return tuple(laid)


def _is_early(delay: Delay) -> bool:
    """Whether a track likely hears the kit clearly before the reference: it stands nearer, however alike the levels."""
    return delay.confidence >= LIKELY and -REACH_S <= delay.delay_s <= -EARLY_S


def _meets(reference: Listened, one: Listened) -> float:
    """How the lows of two mics over a kit add up as they are, -1 to 1: close mics are laid onto both where they do."""
    strokes = reference.strokes
    times_s = strokes.samples[strokes.level_db > HEARD_DB] / reference.track.sample_rate + reference.track.start_s
    return lows_meet(reference.track, one.track, evenly(times_s), within_s=MEET_S) if len(times_s) else 0.0


def _closer(one: Listened, reference: Listened) -> bool:
    """Whether a track's loud strokes leave out many of the reference's: a drum's own mic knows only its drum's."""
    rate = one.track.sample_rate
    own, wanted = (heard.strokes.samples[heard.strokes.level_db > LOUD_DB] for heard in (one, reference))
    wanted = wanted + round((reference.track.start_s - one.track.start_s) * rate)
    if not len(own) or not len(wanted):
        return False
    after = np.clip(np.searchsorted(own, wanted), 0, len(own) - 1)
    gaps = np.minimum(np.abs(own[after] - wanted), np.abs(own[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < SAME_S * rate)) < KNOWN


def _still(delay: Delay, words: str) -> Delay:
    return replace(delay, delay_s=0.0, polarity=1, confidence=1.0, reliable=True, reason=words, candidates=())


def _laid(delay: Delay, one: Listened, rest: Sequence[PlacedTrack]) -> Delay:
    if not one.strokes.gap_db:
        return replace(delay, reliable=False, reason="none of its strokes stands out as its own: left as recorded")
    # A doubtful arrival still says where the drum's sound comes, where it is no mere guess.
    likely = delay.confidence >= LIKELY and abs(delay.delay_s) <= REACH_S
    arrival = Place(-delay.delay_s + 0.0, delay.polarity) if likely and delay.reliable else None
    times_s = one.first_wavefronts / one.track.sample_rate + one.track.start_s
    found = laid_by_strokes(one.track, times_s, rest, arrival=arrival, near_s=-delay.delay_s if likely else None)
    if found is None:
        return replace(delay, reliable=False, reason="it has too few strokes of its own: left as recorded")
    if found.by == "arrival":
        return replace(delay, reason=found.words)
    if found.by == "recorded":
        return _still(delay, found.words)
    return replace(
        delay,
        delay_s=-found.place.shift_s + 0.0,
        uncertainty_s=found.uncertainty_s,
        polarity=found.place.polarity,
        polarity_margin=1.0,
        confidence=max(delay.confidence, 0.9),
        reliable=True,
        reason=found.words,
        candidates=(),
    )
