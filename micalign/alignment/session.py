"""What does a whole session say: its tracks against one reference, and with a scene each source on its own?

Joins scene and take: which tracks should hear a source and when (`wanted_of`), the measurement (`measured`), and the
one set of shifts that follows from it (`planned`). Signs as everywhere: a delay is positive when the event comes later
in the track; a shift is positive when it moves the track later.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import Final

from micalign.alignment.close_mics import Struck, laid_close_mics
from micalign.alignment.compromise import agreed, stated
from micalign.alignment.di_and_mics import PairSum, laid_by_sums, one_path_sum
from micalign.alignment.fits_nowhere import fit_nowhere, without_changed
from micalign.alignment.network import (
    Constraints,
    HeardSource,
    Link,
    arrival_times,
    arrivals_of,
    best_polarity,
    connected,
    inverted_lobes,
    own_tracks,
    well_heard,
)
from micalign.alignment.offsets import Offsets, Shift, followed, held_against, moved_onto, unmoved
from micalign.alignment.own_strokes import Basis
from micalign.alignment.pairings import By, Measured
from micalign.alignment.solo import found_alone, measured_on, outranked, with_found
from micalign.alignment.tuned import BLEED_CONFIDENCE, DISAGREE_S
from micalign.alignment.unsaid import understood
from micalign.errors import SceneError
from micalign.scene.model import Source
from micalign.scene.quantities import AloneStretch
from micalign.scene.scene import Scene
from micalign.take.tracks import Take
from micalign.tdoa.delays import Alone, PairDelay, SourceDelays, TrackDelay, Wanted
from micalign.tdoa.measure import Delay
from micalign.tdoa.sources import measure_sources
from micalign.tdoa.strokes import listen_all
from micalign.units import many

__all__ = ["constraints_of", "default_reference", "di_and_mic", "measured_scene", "planned", "wanted_of"]

_UNKNOWN: Final = Delay(0.0, 0.0, 1, 0.0, 0.0, False, None)
_SUM: Final[Basis] = "sum"
_A_DRUMS: Final = (
    "these are mics of a kit, over which '{}' does not stand: each is laid by whichever drum the two share best, and "
    "every other drum may add up to less: listen, or leave all as recorded"
)
_BACK: Final = "inverted as the scene says: a mic hears it with its back"


def measured_scene(
    scene: Scene,
    take: Take,
    *,
    reference: str | None = None,
    max_delay_s: float = 0.05,
    by: By = "sum",
    alone: Sequence[Alone] = (),
    struck: Sequence[AloneStretch] = (),
    progress: Callable[[str, float], None] | None = None,
) -> Measured:
    """Every source of a scene in every pair of tracks, and the best single answer of each track.

    ``alone`` are stretches in which one source sounds and nothing else: what they say of it outranks the song. Of the
    other sources such stretches are found by themselves, but for those that overlap ``struck``.
    ``progress`` is called with what is being done and which share of all is done, 0 to 1.

    Raises
    ------
    SceneError
        If the take holds fewer than two of the scene's tracks.
    TakeError
        If the reference is not among the tracks, or nothing is struck in a stretch.
    """
    names = [track.name for track in take.tracks]
    if len(names) < 2:
        raise SceneError("the take holds one track only: a delay needs two")
    steps = len(take.tracks) + len(scene.sources)
    take = Take(tuple(listen_all(take.tracks, progress=progress, steps=steps)))
    against = reference or default_reference(scene, names)
    take.track(against)
    limits = constraints_of(scene, names, reference=against)
    scene = understood(scene).scene
    wanted = wanted_of(scene, names)
    wired = {di.of for di in scene.dis}  # what a DI and its mic share says more than beginnings of notes
    own = {source: tracks for source, tracks in own_tracks(scene, names).items() if source not in wired}
    found = found_alone(take, own, struck=struck)
    apart = measured_on(with_found(take, alone, found), wanted)
    heard = measure_sources(take.tracks, wanted, max_delay_s=max_delay_s, progress=progress)
    heard = outranked(heard, apart)
    sums = _sums(scene, take, heard, max_delay_s)
    if by == "sum":
        heard = _laid_by_sums(scene, take, heard, sums)
    others = [track for track in take.tracks if track.name != against]
    joined = {name for one in heard for pair in one.reliable for name in (pair.reference, pair.track)}
    changed = fit_nowhere(
        take.track(against),
        others,
        dict.fromkeys(names, _UNKNOWN),
        max_delay_s=max_delay_s,
        joined=joined if against in joined else (),
        of_scene=True,
    )
    heard = tuple(without_changed(one, changed) for one in heard)
    sums = tuple(one for one in sums if not {one.reference, one.track} & {*changed})
    sources = tuple(_with_backs_named(one, limits) for one in heard)
    rows = tuple(
        changed.get(name) or TrackDelay(name, _best_answer(sources, limits, name)) for name in names if name != against
    )
    measured = Measured(against, take.sample_rate, rows, sources, sums, stretches=found, unsteady=tuple(changed))
    return replace(measured, struck=_struck(take, own, heard, changed)) if by == "sum" else measured


def _laid_by_sums(
    scene: Scene, take: Take, heard: Sequence[SourceDelays], sums: Sequence[PairSum]
) -> tuple[SourceDelays, ...]:
    """The sources with what each DI and its mic are laid by: where they add up best."""
    return tuple(laid_by_sums(one, take, {di.name for di in scene.dis if di.of == one.source}, sums) for one in heard)


def _struck(
    take: Take, own: Mapping[str, Sequence[str]], heard: Sequence[SourceDelays], changed: Collection[str]
) -> Struck:
    """The struck sources that have mics of their own and no DI, without the mics whose delay changes."""
    own = {source: tuple(name for name in mics if name not in changed) for source, mics in own.items()}
    times_s = {one.source: one.strokes_s for one in heard if one.strokes_s and own.get(one.source)}
    return Struck(take.tracks, times_s, {source: tuple(own[source]) for source in times_s})


def di_and_mic(scene: Scene, names: Sequence[str]) -> dict[str, str]:
    """Each DI and the first mic that is there for its source alone, of those that have a track."""
    pairs, mics_of = {}, understood(scene).scene.mics
    for di in scene.dis:
        mics = [mic.name for mic in mics_of if mic.on == (di.of,) and mic.name in names]
        if di.name in names and mics:
            pairs[di.name] = mics[0]
    return pairs


def _sums(scene: Scene, take: Take, heard: Sequence[SourceDelays], max_delay_s: float) -> tuple[PairSum, ...]:
    """What is found of every DI and its mic; the pair's own delay leads where it is reliable."""
    found = []
    for di, mic in di_and_mic(scene, [track.name for track in take.tracks]).items():
        pairs = [p for one in heard for p in one.pairs if {p.reference, p.track} == {di, mic} and p.delay.reliable]
        pair = pairs[0] if pairs else PairDelay(mic, di, _UNKNOWN)
        summed = one_path_sum(
            take.track(pair.reference),
            take.track(pair.track),
            pair.delay,
            max_delay_s=max_delay_s,
            known=di if pairs else None,
        )
        found += [] if summed is None else [summed]
    return tuple(found)


def _with_backs_named(source: SourceDelays, limits: Constraints) -> SourceDelays:
    """A source with a word at every inversion that the scene itself predicts: it is no fault of a cable."""

    def named(pair: PairDelay) -> PairDelay:
        backs = [(source.source, name) in limits.inverted for name in (pair.reference, pair.track)]
        if pair.delay.polarity > 0 or pair.delay.reason or not pair.delay.reliable or backs[0] == backs[1]:
            return pair
        return replace(pair, delay=replace(pair.delay, reason=_BACK))

    return replace(source, pairs=tuple(named(pair) for pair in source.pairs))


def default_reference(scene: Scene, names: Sequence[str]) -> str:
    """The track the others are laid onto: a mic of a pair, else the one that takes the most sources, else the first.

    Where the scene leaves open what mics take, the first of those that by their places are there for all of it.

    >>> from micalign.scene.model import Mic
    >>> scene = Scene(sources=(Source("kick", (1.0, 1.0, 0.3)), Source("snare", (2.0, 1.0, 0.7))),
    ...     mics=(Mic("k", (1.0, 0.8, 0.3), on=("kick",)), Mic("top", (1.5, 1.0, 2.0), on=("kick", "snare"))))
    >>> default_reference(scene, ["k", "top"])
    'top'
    """
    paired = [mic for pair in scene.pairs for mic in pair.mics if set(pair.mics) <= set(names)]
    told = understood(scene)
    paired += [name for name in names if name in told.together and name not in told.beside]
    if paired:
        return paired[0]
    takes = {mic.name: len(mic.on) or len(scene.sources) for mic in told.scene.mics}
    return max(names, key=lambda name: takes.get(name, 0))


def constraints_of(
    scene: Scene,
    names: Sequence[str],
    *,
    reference: str,
    for_source: str | None = None,
    split_pairs: bool = False,
    max_shift_s: float | None = None,
) -> Constraints:
    """What a scene asks of the compromise: pairs stay together, each mic counts for what it is there to take."""
    if for_source is not None:
        scene.source(for_source)
    told, inverted = understood(scene), inverted_lobes(scene)
    scene = told.scene
    pairs: tuple[tuple[str, ...], ...] = ()
    if not split_pairs:
        pairs = tuple(pair.mics for pair in scene.pairs if set(pair.mics) <= set(names))
    if told.together and not split_pairs:
        pairs = _joined(pairs, tuple(name for name in told.together if name in names))
    on = {mic.name: mic.on for mic in scene.mics} | {di.name: (di.of,) for di in scene.dis}
    expected = {source.name: arrivals_of(scene, source) for source in scene.sources}
    hearing = well_heard(scene, names)
    return Constraints(
        reference,
        pairs,
        on,
        for_source,
        max_shift_s,
        hearing,
        inverted,
        expected,
        beside=frozenset() if split_pairs else told.beside,
        own=told.own,
        left={name: why for name, why in told.left.items() if name != reference},
    )


def _joined(pairs: tuple[tuple[str, ...], ...], together: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """Pairs, and what stays together beside them, which may hold some of them."""
    apart = tuple(pair for pair in pairs if not set(pair) & set(together))
    return (together, *apart) if len(together) > 1 else pairs


def wanted_of(scene: Scene, names: Sequence[str]) -> tuple[Wanted, ...]:
    """For each source the tracks that should hear it, the nearest first, and when."""
    return tuple(_wanted(scene, source, names) for source in scene.sources)


def _wanted(scene: Scene, source: Source, names: Sequence[str]) -> Wanted:
    arrivals = arrivals_of(scene, source)
    mics = [mic for mic in scene.mics if mic.name in names]
    if arrivals:
        mics.sort(key=lambda mic: arrivals[mic.name].arrival_s)
    dis = [di.name for di in scene.dis if di.of == source.name and di.name in names]
    own = [mic.name for mic in mics if mic.on == (source.name,)]
    # A source without a mic of its own is held against the nearest that is there to take it, not against bleed.
    mics.sort(key=lambda mic: source.name not in mic.on)
    return Wanted(source.name, (*dis, *(mic.name for mic in mics)), next(iter([*dis, *own]), None), arrivals)


def _best_answer(sources: Sequence[SourceDelays], limits: Constraints, track: str) -> Delay:
    """What the source says that adds up most in track and reference; a word where other sources say otherwise.

    Only sources that may bring the two together (`Constraints.joins`) answer: `agreed` moves a track by no others.
    """
    reference = limits.reference
    names = [reference, *(name for one in sources for name in (one.reference, *(other.track for other in one.tracks)))]
    if track not in limits.within_reach(list(dict.fromkeys([*names, track])), reference):
        bleed = _doubtful_answer(sources, limits, track)
        return replace(bleed, reason=f"it shares no source with '{reference}': what both hear is faint bleed")
    ranked = sorted(sources, key=lambda one: -_weight(one, limits, reference, track))
    answers = ((one.source, _through(_joining(one, limits), reference, track)) for one in ranked)
    source, best = next((answer for answer in answers if answer[1]), ("", None))
    if best is None:
        return _by_several(sources, limits, track) or _doubtful_answer(sources, limits, track)
    others = [(one.source, _through(one, reference, track)) for one in ranked if one.source != source]
    differ = [(name, delay) for name, delay in others if delay and abs(delay.delay_s - best.delay_s) > DISAGREE_S]
    if not differ:
        return best
    said = ", ".join(f"{name} {delay.delay_s * 1e3:+.2f} ms" for name, delay in differ)
    return replace(best, reason=f"by {source}; other sources differ: {said}")


def _joining(source: SourceDelays, limits: Constraints) -> SourceDelays:
    """A source with those of its pairs alone that it may bring together."""
    kept = tuple(pair for pair in source.pairs if limits.joins(source.source, pair.reference, pair.track))
    return replace(source, pairs=kept)


def _weight(source: SourceDelays, limits: Constraints, reference: str, track: str) -> float:
    adds = source.amplitudes.get(reference, 0.0) * source.amplitudes.get(track, 0.0)
    return adds * limits.counts(source.source, reference) * limits.counts(source.source, track)


def links_of(source: SourceDelays) -> tuple[Link, ...]:
    """The reliable pairs of a source as links of a network."""
    return tuple(
        Link(
            pair.reference,
            pair.track,
            pair.delay.delay_s,
            pair.delay.uncertainty_s,
            pair.delay.polarity,
            clear=pair.delay.polarity_margin,
        )
        for pair in source.reliable
    )


def _through(source: SourceDelays, reference: str, track: str) -> Delay | None:
    """The delay of a track against a reference by all reliable pairs of a source, None where they do not join them."""
    names = list(dict.fromkeys([source.reference, *(n for pair in source.pairs for n in (pair.reference, pair.track))]))
    links = links_of(source)
    if track not in names or reference not in names or track not in connected(names, links, reference):
        return None
    times = arrival_times([reference, *(name for name in names if name != reference)], links)
    signs = best_polarity(names, links)
    direct = [pair.delay for pair in source.reliable if {pair.reference, pair.track} == {reference, track}]
    # By way of other tracks no surer than the weakest pair.
    confidence = max((delay.confidence for delay in direct), default=min(p.delay.confidence for p in source.reliable))
    weakest = min(pair.delay.polarity_margin for pair in source.reliable)
    margin = max((delay.polarity_margin for delay in direct), default=weakest)
    reason = next((delay.reason for delay in direct if delay.reason), None)
    polarity = signs[reference] * signs[track]
    return Delay(times.times_s[track], times.sigmas_s[track], polarity, margin, confidence, True, reason)


def _by_several(sources: Sequence[SourceDelays], limits: Constraints, track: str) -> Delay | None:
    """What brings a track to the reference over others and more than one source, None where nothing does.

    That is how `agreed` would move it. A pair is one to it, whatever is measured between its two: that says nothing.
    """
    if limits.leader(track) == limits.leader(limits.reference):
        return None
    joining = [_joining(one, limits) for one in sources]
    heard = [HeardSource(one.source, links_of(one), one.amplitudes) for one in joining]
    names = dict.fromkeys(name for one in joining for pair in one.pairs for name in (pair.reference, pair.track))
    shift = agreed(list(names | dict.fromkeys([limits.reference, track])), heard, limits, sample_rate=1).shift(track)
    if not shift.reliable:
        return None
    own = [p.delay for one in joining for p in one.reliable if track in (p.reference, p.track)]
    margin = min((one.polarity_margin for one in own), default=0.0)
    confidence = min((one.confidence for one in own), default=0.0)
    polarity = -1 if shift.polarity_flip else 1
    reason = "by way of other tracks, which several sources join"
    return Delay(shift.delay_s, shift.uncertainty_s, polarity, margin, confidence, True, reason)


def _doubtful_answer(sources: Sequence[SourceDelays], limits: Constraints, track: str) -> Delay:
    """The most confident doubt of a source that may bring a track and the reference together, else what bleed says.

    Bleed gives a number, and not one to act on, however sure.
    """
    reference = limits.reference
    direct = [(one.source, p) for one in sources for p in one.pairs if {p.reference, p.track} == {reference, track}]
    if not direct:
        return Delay(0.0, 0.0, 1, 0.0, 0.0, False, f"no source is heard both in it and in '{reference}'")
    own = [(source, pair) for source, pair in direct if limits.joins(source, reference, track)]
    source, best = max(own or direct, key=lambda one: one[1].delay.confidence)
    delay = best.delay if best.reference == reference else best.turned.delay
    if own:
        return delay
    reason = f"what it and '{reference}' both hear is faint bleed of '{source}'"
    return replace(delay, reliable=False, confidence=min(delay.confidence, BLEED_CONFIDENCE), reason=reason)


def planned(found: Measured, limits: Constraints, *, gains_db: Mapping[str, float] | None = None) -> Offsets:
    """The shifts and flips that follow from a measurement."""
    if found.sources is None:
        best = {one.track: one.best.delay_s for one in found.sums}
        summed = [one.track for one in found.tracks if best.get(one.track) == one.delay.delay_s]
        basis = dict.fromkeys(summed, _SUM) | dict(found.basis)
        shifts = [replace(_shift(one), basis=basis.get(one.track, "arrival")) for one in found.tracks]
        offsets = followed(
            shifts,
            reference=found.reference,
            sample_rate=found.sample_rate,
            max_shift_s=None if found.stays else limits.max_shift_s,
            summed=summed,
            on_strokes=found.on_strokes,
        )
        if found.of_a_kit and any(shift.is_to_act_on for shift in offsets.shifts if shift.track != found.reference):
            offsets = replace(offsets, compromise=f"{offsets.compromise}; {_A_DRUMS.format(found.reference)}")
        if found.named is None:
            return offsets
        if found.stays:
            return moved_onto(offsets, found.named, max_shift_s=limits.max_shift_s)
        return held_against(offsets, found.named, by_name=found.by_name)
    gains = gains_db or {}
    heard = []
    for one in found.sources:
        levels = {name: value * 10.0 ** (gains.get(name, 0.0) / 20.0) for name, value in one.amplitudes.items()}
        heard.append(HeardSource(one.source, links_of(one), levels))
    names = [found.reference, *(one.track for one in found.tracks)]
    offsets = agreed(names, heard, limits, sample_rate=found.sample_rate)
    if found.struck is not None:
        laid = laid_close_mics(offsets, found.struck, limits)
        offsets = stated(
            replace(offsets, shifts=laid.shifts), heard, limits, summed=laid.summed, recorded=laid.recorded
        )
    told = {one.track: one.delay.reason or "" for one in found.tracks if one.track in found.unsteady}
    shifts = [unmoved(one.track, told[one.track]) if one.track in told else one for one in offsets.shifts]
    return replace(offsets, shifts=tuple(_with_basis(shift, found.sources, limits) for shift in shifts))


def _with_basis(shift: Shift, sources: Sequence[SourceDelays], limits: Constraints) -> Shift:
    """A shift with a word of what it was measured on: strokes alone, or moments of the song."""
    if not shift.applied or shift.reason or limits.leader(shift.track) == limits.leader(limits.reference):
        return shift
    joining = [_joining(one, limits) for one in sources]
    by = [one for one in joining if any(shift.track in (pair.reference, pair.track) for pair in one.reliable)]
    by = sorted(by, key=lambda one: (limits.on.get(shift.track) != (one.source,), -one.alone_hits))
    return replace(shift, reason=", ".join(map(_measured_words, by[:2])) or None)


def _measured_words(source: SourceDelays) -> str:
    if source.alone_hits:
        return f"{source.source}: {many(source.alone_hits, 'hit')} alone"
    return f"{source.source}: {many(source.moments, 'moment')}"


def _shift(one: TrackDelay) -> Shift:
    delay = one.delay
    inverted = delay.polarity < 0
    in_doubt = inverted and delay.reliable and not delay.is_polarity_clear
    kept = "its polarity is in doubt, and kept" if in_doubt else None
    return Shift(
        one.track,
        delay.delay_s,
        delay.uncertainty_s,
        -delay.delay_s + 0.0,
        polarity_flip=inverted and not in_doubt,
        reliable=delay.reliable,
        applied=delay.reliable,
        reason="; ".join(words for words in (delay.reason, kept) if words) or None,
        drift_ppm=delay.drift_ppm,
    )
