"""How late is each track against a reference, where no scene tells sources apart?

Chooses the way: a pair measured as it is, two recorders by their clocks, or a loopback for all. Never over a third
track: without a scene nothing says that both legs speak of one source, and their sum may be a delay of neither. A delay
is positive when the event comes later in the track.

A kit's overheads hear every drum at another delay: its close mics are laid onto them by their own strokes instead
(`micalign.alignment.laid_kit`), whichever track was named as reference.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal

from micalign.alignment.beside_kit import beside_kit, grouped, hears_both, one_performances, two_sources_of
from micalign.alignment.di_and_mics import (
    PairSum,
    as_arrival,
    as_best_sum,
    by_loudest,
    doubted,
    in_better_polarity,
    laid_together,
    one_path_sum,
)
from micalign.alignment.fits_nowhere import fit_nowhere, other_beginning
from micalign.alignment.laid_kit import LaidKit, laid_on_strokes, left_without_close_mics
from micalign.alignment.one_performance import may_be_one_path
from micalign.alignment.over_kit import reference_for
from micalign.alignment.own_strokes import Basis
from micalign.alignment.tuned import FEWEST_MICS, UNLIKELY, USUAL_S, WIDE_S
from micalign.take.tracks import OVER_WORDS, ROOM_WORDS, Track, is_called, two_at_once
from micalign.tdoa.change import measure_clock
from micalign.tdoa.delays import SourceDelays, TrackDelay
from micalign.tdoa.measure import Delay, measure_many
from micalign.tdoa.strokes import Listened, listen, listen_all
from micalign.units import show_ms_known

if TYPE_CHECKING:
    from micalign.alignment.close_mics import Struck
    from micalign.alignment.solo import FoundAlone

__all__ = ["By", "Measured", "measured"]

By = Literal["sum", "arrival"]

_BEYOND_CONFIDENCE: Final = 0.5  # probability at the most that is stated where the search may have been too narrow
_LAG_S: Final = 2e-5  # seconds to which two delays of opposite sign are told
_BESIDE: Final = Delay(0.0, 0.0, 1, 1.0, 1.0, True, None)
_ITS_OWN: Final = (
    "it holds notes, as no drum does: left where it was against the kit, since what it hears of that is bleed"
)
_BOTH: Final = (
    "it hears what '{}' and what '{}' stand at, and these at a source each: no one shift serves both, leave it as "
    "recorded, or lay it onto one of them alone"
)
_ONE_OF: Final = "one performance with '{}': left where it was against the kit, since what it hears of that is bleed"
_WITH: Final = "laid with '{}', as one performance, and not by the kit"

_NOT_OVER: Final = Delay(
    0.0,
    0.0,
    1,
    0.0,
    0.0,
    False,
    "left as recorded: these are mics of a kit, and which of them stands over it is not sure: name it by --reference, "
    "and where none does, leave them so",
)


@dataclass(frozen=True)
class Measured:
    """The best single answer of each track against the reference; with a scene, each source on its own.

    ``sums`` holds what was found of each DI and its mic; ``on_strokes``: close mics of a kit are placed by where their
    own strokes add up best, and not by their arrivals. ``stretches``: where one source seems to sound alone.
    ``struck``: with a scene, the struck sources whose own mics are to be laid by their strokes. ``named`` is the track
    that was asked for as reference where another stands over the kit and is the reference here; ``by_name``: that one
    is called an overhead, and nothing that is heard speaks against it. ``stays``: all is moved so that ``named`` stays.
    ``basis``: what a track's place follows from, where that is not its arrival. ``over``: what stands over the kit
    beside the reference. ``of_a_kit``: the tracks are a kit's, over which the reference does not stand, and
    are laid onto it by their arrivals all the same; ``better``: the one that
    surely stands over it, where strokes are not to lay any. ``unsteady``: with a scene, the tracks that no one shift
    suits, since their delay changes within the take, and those whose files began at another time.
    """

    reference: str
    sample_rate: int
    tracks: tuple[TrackDelay, ...]
    sources: tuple[SourceDelays, ...] | None = None
    sums: tuple[PairSum, ...] = ()
    on_strokes: bool = False
    stretches: tuple[FoundAlone, ...] = ()
    struck: Struck | None = None
    named: str | None = None
    by_name: bool = False
    stays: bool = False
    basis: Mapping[str, Basis] = field(default_factory=dict)
    over: frozenset[str] = frozenset()
    of_a_kit: bool = False
    better: str | None = None
    unsteady: tuple[str, ...] = ()

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
    over_kit: bool = False,
    stays: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> Measured:
    """Tracks against a reference, with no scene to tell sources apart.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
    max_delay_s : float
        Largest delay looked for, either way; beyond `WIDE_S` the rough place is found by loudness first.
    drift : bool
        Look for a difference of the clocks; delays then hold at the reference's first sample.
    loopback : Track, optional
        A recording of the reference through the interface: its delay is taken for every track.
    by : {"sum", "arrival"}
        What the delay of a DI and its mic follows from: where they add up best, or when the sound arrives.
    on_strokes : bool
        Where the reference stands over a kit: close mics by the shift that adds up best on their own strokes, and the
        other mics over the kit left where they are (`laid_on_strokes`).
    over_kit : bool
        Where another track stands over the kit and the reference does not, measure against it, so that it stays;
        ``named`` is the reference then. Where it is a kit and none surely stands over it, nothing moves; nor does a
        mic where all are called overheads or a room's (`left_without_close_mics`).
    stays : bool
        The reference is meant: a close mic stays, and what stands over the kit is moved with all that is laid onto it.
    progress : callable, optional
        Told what is being done, and which share of all is done, 0 to 1.
    """
    tell = progress or (lambda _words, _share: None)
    if loopback is not None:
        latency = measure_many(reference, [loopback], max_delay_s=max(max_delay_s, WIDE_S))[0]
        # The interface's polarity is its own affair; only its time is used for other tracks.
        delays = [latency if track is loopback else replace(latency, polarity=1) for track in tracks]
    elif drift or max_delay_s > WIDE_S:
        reference, delays = listen(reference), []
        for done, track in enumerate(tracks):
            tell(f"measuring {track.name}", done / len(tracks))
            delays.append(_by_clock(reference, track, max_delay_s, drift=drift))
        if not drift:
            return _with_sums(reference, tracks, delays, max_delay_s, by, tell)
    else:
        heard = listen_all((reference, *tracks), progress=tell, steps=2 * len(tracks) + 1)
        kit = _kit_of(heard, max_delay_s, by, tell, stays=stays) if over_kit and on_strokes else None
        if kit is not None:
            return kit
        reference, *tracks = heard
        delays = list(measure_many(reference, tracks, max_delay_s=max_delay_s, progress=tell))
        found = _with_sums(reference, tracks, delays, max_delay_s, by, tell)
        found, here = _without_duos(reference, tracks, found)
        holds_di = bool(found.sums)
        elsewhere = _elsewhere(reference, here, found.tracks, max_delay_s)
        found = _without(elsewhere, found)
        if not on_strokes:
            better = reference_for(heard, reference.name)
            is_drums = better != reference.name
            return replace(found, of_a_kit=is_drums, better=better if is_drums else None)
        if holds_di:
            # What a loudspeaker makes of a DI is no kit, whatever its mics are called.
            return found
        laid = _but_for(elsewhere, laid_on_strokes, reference, tracks, found.tracks)
        is_drums = stays and not laid.basis and reference_for(heard, reference.name) != reference.name
        return replace(
            found, tracks=laid.rows, on_strokes=bool(laid.basis), basis=laid.basis, over=laid.over, of_a_kit=is_drums
        )
    rows = tuple(TrackDelay(track.name, delay) for track, delay in zip(tracks, delays, strict=True))
    return Measured(reference.name, reference.sample_rate, rows)


def _kit_of(
    heard: Sequence[Listened], max_delay_s: float, by: By, tell: Callable[[str, float], None], *, stays: bool
) -> Measured | None:
    found = _with_lines(heard, max_delay_s, by, tell, stays=stays)
    return found or _over_kit(heard, max_delay_s, by, tell, stays=stays)


def _with_lines(
    heard: Sequence[Listened], max_delay_s: float, by: By, tell: Callable[[str, float], None], *, stays: bool
) -> Measured | None:
    """A kit with what plays beside it, each by itself; None where nothing does, or the others are no kit.

    A DI and the mics on its cabinet are laid onto each other as they are without a kit; nothing of it is moved against
    the kit. Delays are told against what stands over the kit all the same: there is one clock.
    """
    sums = one_performances(heard, max_delay_s=max_delay_s)
    lines = beside_kit(heard, sums)
    reference, kit = heard[0], [track for track in heard if track.name not in lines]
    if not lines or len(kit) < FEWEST_MICS:
        return None
    is_line = reference.name in lines
    found: Measured | None = measured(
        kit[0],
        kit[1:],
        max_delay_s=max_delay_s,
        by=by,
        on_strokes=True,
        over_kit=True,
        stays=stays and not is_line,
        progress=tell,
    )
    if found is not None and not found.on_strokes:
        found = _over_kit(heard, max_delay_s, by, tell, stays=stays)
    if found is None or not found.on_strokes or found.reference in lines:
        return found
    rows: dict[str, TrackDelay] = {row.track: row for row in found.tracks}
    basis: dict[str, Basis] = dict(found.basis)
    rows |= {name: TrackDelay(name, replace(_BESIDE, reason=_ITS_OWN)) for name in lines}
    basis |= dict.fromkeys(lines, "recorded")
    every = {track.name: track for track in heard}
    for lead, *rest in grouped([one for one in sums if {one.reference, one.track} <= lines]):
        rows[lead] = TrackDelay(lead, replace(_BESIDE, reason=_ONE_OF.format(rest[0])))
        alone = measured(every[lead], [every[name] for name in rest], max_delay_s=max_delay_s, by=by)
        for row in alone.tracks:
            is_laid = row.delay.reliable
            words = _WITH.format(lead) + (f"; {row.delay.reason}" if row.delay.reason else "")
            rows[row.track] = TrackDelay(row.track, replace(row.delay, reason=words if is_laid else row.delay.reason))
            basis[row.track] = "sum" if by == "sum" and alone.sum_of(row.track) else "arrival"
        found = replace(found, sums=(*found.sums, *alone.sums))
    named = reference.name if is_line else found.named
    ordered = tuple(rows[track.name] for track in heard if track.name != found.reference)
    by_name = found.by_name if found.named else is_called(found.reference, OVER_WORDS)
    return replace(found, tracks=ordered, basis=basis, named=named, by_name=by_name, stays=stays)


def _over_kit(
    heard: Sequence[Listened], max_delay_s: float, by: By, tell: Callable[[str, float], None], *, stays: bool
) -> Measured | None:
    """Everything against a mic over the kit, None where the reference may be one or the tracks are no kit.

    Of a kit over which none is surely, the one that happens to be first is no reference: nothing is to move. One that
    is meant is, and where it stands over the kit itself it is that.
    """
    reference, *tracks = heard
    every = {track.name: track for track in heard}
    if not stays and all(is_called(name, OVER_WORDS | ROOM_WORDS) for name in every):
        delays = measure_many(reference, tracks, max_delay_s=max_delay_s, progress=tell)
        pairs = [TrackDelay(track.name, delay) for track, delay in zip(tracks, delays, strict=True)]
        elsewhere = _elsewhere(reference, tracks, pairs, max_delay_s)
        kept = _but_for(elsewhere, left_without_close_mics, reference, tracks, pairs)
        return Measured(reference.name, reference.sample_rate, kept.rows, basis=kept.basis)
    onto = reference_for(heard, reference.name)
    if len(heard) == FEWEST_MICS:
        # Of two nothing but a name tells which may be over a kit; whether it is one, their strokes say.
        onto = next((name for name in every if is_called(name, OVER_WORDS)), onto)
    if onto == reference.name:
        return None
    if onto is not None:
        others = [track for name, track in every.items() if name != onto]
        found = measured(every[onto], others, max_delay_s=max_delay_s, by=by, on_strokes=True, progress=tell)
        if stays and reference.name in found.over:
            return None
        if found.on_strokes:
            return replace(found, named=reference.name, by_name=is_called(onto, OVER_WORDS), stays=stays)
        if is_called(onto, OVER_WORDS):
            # A name alone makes no kit of three mics at one source.
            return None
    if stays:
        return None
    rows = tuple(TrackDelay(track.name, _NOT_OVER) for track in tracks)
    left: dict[str, Basis] = {track.name: "recorded" for track in tracks}
    return Measured(reference.name, reference.sample_rate, rows, basis=left)


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

    def looked(track: Track) -> tuple[PairSum | None, bool]:
        found = one_path_sum(reference, track, arrivals[track.name], max_delay_s=max_delay_s)
        is_heard = not any(listen(one).envelope.silent for one in (reference, track))
        return found, found is None and is_heard and may_be_one_path(reference, track)

    added = two_at_once(looked, tracks, lambda done: tell(f"adding {tracks[done].name} to {reference.name}", 0.95))
    for track, (found, is_dark) in zip(tracks, added, strict=True):
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
        elif found is not None:
            delay = as_best_sum(found, delay) if by == "sum" else in_better_polarity(reference, track, delay)
        elif track.name in dark:
            delay = _in_reach(delay, max_delay_s)
        if track.name in doubts:
            refused, words = doubts[track.name]
            delay = replace(delay, reliable=delay.reliable and not refused, reason=words)
        rows.append(TrackDelay(track.name, delay))
    return Measured(reference.name, reference.sample_rate, tuple(rows), sums=tuple(sums.values()))


def _in_reach(delay: Delay, max_delay_s: float) -> Delay:
    """The delay of what may be a DI and its mic, in doubt beyond the search, with a word that a wider one may tell."""
    within = abs(delay.delay_s) <= max_delay_s
    if max_delay_s < USUAL_S and not (delay.reliable and within):
        further = f"the delay may lie beyond the {max_delay_s * 1e3:g} ms that were searched: widen --max-delay-ms"
        doubt = delay.reason if within else None
        delay = replace(delay, reliable=False, confidence=min(delay.confidence, _BEYOND_CONFIDENCE), reason=doubt)
    elif not delay.reliable and delay.confidence < UNLIKELY:
        looked_ms = max(max_delay_s, WIDE_S) * 1e3
        further = f"nothing within {looked_ms:g} ms fits either: a later re-amp needs a larger --max-delay-ms"
    else:
        return delay
    return replace(delay, reason=f"{delay.reason}; {further}" if delay.reason else further)


def _without_duos(reference: Track, tracks: Sequence[Track], found: Measured) -> tuple[Measured, list[Track]]:
    """What was found with what is said of duos, none of their sums, and the other tracks."""
    duos = _duos(reference, tracks)
    every = {track.name: track for track in tracks}
    for row in found.tracks if duos else ():
        both = (name for name in duos if hears_both(reference, every[name], every[row.track]))
        if row.track not in duos and row.delay.reliable and (name := next(both, None)) is not None:
            words = _BOTH.format(reference.name, name)
            duos = duos | {row.track: TrackDelay(row.track, replace(row.delay, reliable=False, reason=words))}
    rows = tuple(duos.get(row.track, row) for row in found.tracks)
    sums = tuple(one for one in found.sums if one.track not in duos)
    return replace(found, tracks=rows, sums=sums), [track for track in tracks if track.name not in duos]


def _duos(reference: Track, tracks: Sequence[Track]) -> dict[str, TrackDelay]:
    """The tracks of another source than the reference's, of which each hears both: no one shift serves the two."""
    found = {}
    for track in tracks:
        two = two_sources_of(reference, track)
        if two is None:
            continue
        late_s, early_s = two
        late, early = show_ms_known(late_s, _LAG_S), show_ms_known(-early_s, _LAG_S)
        words = (
            f"the two stand at a source each and hear each other's: that of '{reference.name}' comes {late} later in "
            f"it, its own {early} later in '{reference.name}'; no one shift serves both, leave both as recorded"
        )
        found[track.name] = TrackDelay(track.name, Delay(late_s, 0.0, 1, 0.0, 0.0, False, words))
    return found


def _elsewhere(
    reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay], max_delay_s: float
) -> dict[str, TrackDelay]:
    return fit_nowhere(reference, tracks, {row.track: row.delay for row in rows}, max_delay_s=max_delay_s)


def _without(elsewhere: Mapping[str, TrackDelay], found: Measured) -> Measured:
    """The same with what is said of the tracks that fit nowhere, and none of their sums."""
    if not elsewhere:
        return found
    rows = tuple(elsewhere.get(row.track, row) for row in found.tracks)
    return replace(found, tracks=rows, sums=tuple(one for one in found.sums if one.track not in elsewhere))


def _but_for(
    elsewhere: Mapping[str, TrackDelay],
    lay: Callable[[Track, Sequence[Track], Sequence[TrackDelay]], LaidKit],
    reference: Track,
    tracks: Sequence[Track],
    rows: Sequence[TrackDelay],
) -> LaidKit:
    """A kit as it is laid without the tracks that fit nowhere: a best sum of these is chance."""
    here = [track for track in tracks if track.name not in elsewhere]
    laid = lay(reference, here, [row for row in rows if row.track not in elsewhere])
    every = {**elsewhere, **{row.track: row for row in laid.rows}}
    return replace(laid, rows=tuple(every[track.name] for track in tracks))


def _by_clock(reference: Track, track: Track, max_delay_s: float, *, drift: bool) -> Delay:
    found = measure_clock(reference, track, max_delay_s=max_delay_s, drift=drift)
    if found.reliable or max_delay_s > WIDE_S:
        return found
    plain = measure_many(reference, [track], max_delay_s=max_delay_s)[0]
    told = replace(plain, reason=plain.reason or f"no difference of the clocks could be measured: {found.reason}")
    return other_beginning(reference, track, told, max_delay_s=max_delay_s) or told
