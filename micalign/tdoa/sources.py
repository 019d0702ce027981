"""How late is each source in each track, when every source is measured on its own, and when does it lead the take?

For each source the strokes at which it leads are found; every track that should hear it is measured on those alone; two
other tracks on the strokes as the first of them hears them. What a scene predicts weighs the hypotheses and flags
disagreement; it never replaces what was measured. Delay is positive when the event comes later in the track; times are
seconds on the take's clock.

A source leads where its own close track is loud for itself while the close tracks of the other sources are not. Every
track's short-time energy is held against its own loud strokes, so gains do not matter; bleed stays well below a track's
own strokes, a drum struck at the same instant does not. Struck sounds give strokes; sustained ones (a bass, a voice)
give half-seconds.

Where no mic is a source's own, a stroke is of the source from whose place the tracks add up best. Every pair of
tracks is correlated on the stroke with its spectrum flattened; a source is credited with the correlation near the
delay that the scene expects of it, summed over the pairs (steered response power: J. H. DiBiase, *A High-Accuracy,
Low-Latency Technique for Talker Localization in Reverberant Environments*, Brown University 2000). Polarity does not
matter. The scene only tells sources apart here; delays are measured afterwards.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints, cross_spectrum, fast_length
from micalign.take.tracks import Track, two_at_once
from micalign.tdoa import tuned
from micalign.tdoa.delays import (
    Delay,
    Expected,
    PairDelay,
    SourceDelays,
    Wanted,
    as_planned,
    doubted,
    is_near,
    off_plan,
    unknown,
)
from micalign.tdoa.hypotheses import FIRST, ONE_PATH
from micalign.tdoa.measure import decided
from micalign.tdoa.posterior import look, unexpected, without
from micalign.tdoa.spectra import flat_spectra, greatest_before, irfft, raised_cosine
from micalign.tdoa.strokes import FEWEST, Listened, listen, listen_all, struck_at

__all__ = [
    "amplitudes_at",
    "half_seconds",
    "is_struck",
    "leading_strokes",
    "measure_sources",
    "measured_pair",
    "strokes_by_place",
    "strokes_of_no_mic",
]

_EDGE_S: Final = 0.03  # seconds of the fades of a half-second
_LEVEL_S: Final = 0.02  # seconds of a stroke that are its level

_SEGMENT_S: Final = 0.5  # seconds: a held sound is measured in half-seconds
_MOST: Final = 64  # strokes, or half-seconds, of one source that are used
_AFTER_S: Final = (0.015, 0.005)  # a stroke's peak comes within the first after it begins; a rival may be earlier
_SMOOTH_S: Final = 0.05  # seconds over which a held sound's level is smooth


def measure_sources(
    tracks: Sequence[Track],
    wanted: Sequence[Wanted],
    *,
    max_delay_s: float = 0.05,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[SourceDelays, ...]:
    """Every source on the strokes that are its own.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, recorded together.
    wanted : sequence of Wanted
        What to measure, in the order of the answer.
    max_delay_s : float
        Largest delay looked for, either way.
    progress : callable, optional
        Told what is being done, and which share of all tracks and sources is done, 0 to 1.

    Returns
    -------
    tuple of SourceDelays
        One for each wanted source that two tracks hear; a source that never leads has only unreliable pairs.
    """
    shared = [one for one in wanted if len(one.tracks) >= 2]
    steps = len(tracks) + len(shared)
    heard = {one.name: one for one in listen_all(tracks, progress=progress, steps=steps)}
    close = {one.source: one.close for one in wanted if one.close is not None}
    strokes = _by_place(tracks, heard, wanted, leading_strokes(heard, close))

    def tell(done: int) -> None:
        if progress is not None:
            progress(f"measuring {shared[done].source} on its own", (len(tracks) + done) / steps)

    found = two_at_once(lambda one: _measured(heard, one, close, strokes.get(one.source), max_delay_s), shared, tell)
    return tuple(_without_bleed(one, [other.found for other in found if other is not one], heard) for one in found)


def _by_place(
    tracks: Sequence[Track], heard: Mapping[str, Listened], wanted: Sequence[Wanted], found: Mapping[str, Floats]
) -> dict[str, Floats]:
    """The strokes, and those of sources without a track of their own, kept apart by where they stand.

    A stroke of such a source is loud in nobody's own track, so strokes taken for another's are held against the places
    as well.
    """
    homeless = [one for one in wanted if one.close is None and len(one.expected) > 1]
    if not homeless:
        return dict(found)
    names = {name for one in wanted for name in one.expected}
    hearing = [track for track in tracks if track.name in names]
    arrivals = {one.source: {name: e.arrival_s for name, e in one.expected.items()} for one in wanted if one.expected}
    kept = {source: _confirmed(source, times_s, hearing, arrivals) for source, times_s in found.items()}
    listening = list(dict.fromkeys(name for one in homeless for name in one.tracks[:2]))
    taken_s = np.concatenate([np.zeros(0), *kept.values()])
    free_s = strokes_of_no_mic([heard[name] for name in listening], taken_s)
    placed = strokes_by_place(hearing, free_s, arrivals)
    return kept | {one.source: placed[one.source] for one in homeless if one.source in placed}


def _confirmed(
    source: str, times_s: Floats, tracks: Sequence[Track], arrivals_s: Mapping[str, Mapping[str, float]]
) -> Floats:
    """The strokes without those that by their place are clearly another source's; all where none would be left."""
    if source not in arrivals_s:
        return times_s
    placed = strokes_by_place(tracks, times_s, arrivals_s)
    others = np.concatenate([np.zeros(0), *(times for other, times in placed.items() if other != source)])
    left = times_s[~np.isin(times_s, others)]
    return left if len(left) else times_s


@dataclass(frozen=True)
class _Source:
    """A source as it was measured: by which moments, of what kind, up to which delay."""

    wanted: Wanted
    found: SourceDelays
    own: Listened | None
    kind: int
    max_delay_s: float


def _measured(
    heard: Mapping[str, Listened],
    wanted: Wanted,
    close: Mapping[str, str],
    strokes_s: Floats | None,
    max_delay_s: float,
) -> _Source:
    reference = wanted.close or wanted.tracks[0]
    order = [reference, *(name for name in wanted.tracks if name != reference)]
    struck = wanted.close is None or is_struck(heard[reference])
    own_s = _all_own(heard[reference], strokes_s) if struck and wanted.close is not None else ()
    if strokes_s is not None and struck:
        begins_s, length_s, kind = strokes_s, _LEVEL_S, FIRST
        own = struck_at(heard[reference], heard[reference].samples_at(begins_s))
    else:
        begins_s = half_seconds(heard, close, wanted.source) if wanted.close is not None else np.zeros(0)
        if not len(begins_s):
            return _Source(wanted, _never_leads(wanted, reference, order, own_s), None, ONE_PATH, max_delay_s)
        own, length_s, kind = listen(_only(heard[reference], begins_s)), _SEGMENT_S, ONE_PATH
    delays = {
        name: measured_pair(own, heard[name], _prior(wanted, reference, name), max_delay_s, kind) for name in order[1:]
    }
    levels, loudest_s = amplitudes_at(heard, order, begins_s, length_s), float(begins_s[0])
    pairs = _pairs(reference, delays)
    found = SourceDelays(wanted.source, reference, pairs, levels, len(begins_s), loudest_s=loudest_s, strokes_s=own_s)
    return _Source(wanted, found, own, kind, max_delay_s)


def _without_bleed(one: _Source, others: Sequence[SourceDelays], heard: Mapping[str, Listened]) -> SourceDelays:
    """A source's delays; where it holds notes and one is another source's, not its own by the scene, measured anew.

    The half-seconds in which a held sound leads are not its alone: a player's voice may be as loud in a guitar's mics.
    Of a guitar's 58 delays beside one, 47 are right and 44 reliable, none of them wrong; 44, 47 and 3 without this
    (``tests/bench/alignment/sung_and_played.py``, by our own simulation).
    """
    found, wanted = one.found, one.wanted
    if one.own is None or one.kind != ONE_PATH:
        return found
    delays = {pair.track: pair.delay for pair in found.pairs if pair.reference == found.reference}
    bled = {}
    for track, delay in delays.items():
        prior = _prior(wanted, found.reference, track)
        if prior is None or not delay.reliable or abs(delay.delay_s - prior.arrival_s) <= 2 * prior.sigma_s:
            continue
        told_s = {other.source: _told_s(other, found.reference, track) for other in others}
        near = [source for source, at_s in told_s.items() if abs(at_s - delay.delay_s) <= tuned.SAME_PLACE_S]
        if near:
            anew = measured_pair(one.own, heard[track], prior, one.max_delay_s, one.kind, but_s=told_s[near[0]])
            bled[track] = anew if anew.reliable else doubted(anew, f"what is heard there may be '{near[0]}'")
    return replace(found, pairs=_pairs(found.reference, delays | bled)) if bled else found


def _told_s(source: SourceDelays, reference: str, track: str) -> float:
    """What a source reliably says of a pair, seconds; infinite where it says nothing."""
    both = [pair for pair in source.reliable if {pair.reference, pair.track} == {reference, track}]
    return next(((1 if pair.track == track else -1) * pair.delay.delay_s for pair in both), np.inf)


def _all_own(own: Listened, leading_s: Floats | None) -> tuple[float, ...]:
    """All strokes that stand out in a source's own track, whatever else sounds there; those it leads where too few do.

    A delay is measured where nothing else sounds; what a sum gains is heard at every stroke.
    """
    times_s = own.strokes_s[own.strokes.weight > 0]
    if own.strokes.gap_db and len(times_s) >= FEWEST:
        return tuple(times_s.tolist())
    return () if leading_s is None else tuple(np.sort(leading_s).tolist())


def _pairs(reference: str, delays: Mapping[str, Delay]) -> tuple[PairDelay, ...]:
    """Every pair, the earlier in the order as the reference; two other tracks over the source's own."""
    pairs = [PairDelay(reference, name, delay) for name, delay in delays.items()]
    pairs += [PairDelay(one, other, _between(delays[one], delays[other])) for one, other in combinations(delays, 2)]
    return tuple(pairs)


def _between(first: Delay, second: Delay) -> Delay:
    """The delay of two tracks over the source's own, which hears the strokes clean."""
    confidence = first.confidence * second.confidence
    reason = None
    if not (first.reliable and second.reliable):
        reason = "one of the two delays that it follows from is in doubt"
    elif confidence < tuned.RELIABLE:
        reason = "neither of its two delays is sure enough for both to be right"
    return Delay(
        second.delay_s - first.delay_s,
        float(np.hypot(first.uncertainty_s, second.uncertainty_s)),
        first.polarity * second.polarity,
        min(first.polarity_margin, second.polarity_margin),
        confidence,
        reason is None,
        reason,
    )


def _only(track: Track, begins_s: Floats) -> Track:
    """The track with silence outside the half-seconds, softly edged."""
    length, edge = round(_SEGMENT_S * track.sample_rate), round(_EDGE_S * track.sample_rate)
    window = raised_cosine(length, edge, edge)
    samples = np.zeros(track.frames)
    for begin_s in begins_s:
        start = round((begin_s - track.start_s) * track.sample_rate)
        kept = samples[max(start, 0) : max(start + length, 0)]
        kept += (track.read(start, length) * window)[max(-start, 0) :][: len(kept)]
    return Track.from_array(track.name, samples, track.sample_rate, start_s=track.start_s)


def measured_pair(
    own: Listened,
    other: Listened,
    prior: Expected | None,
    max_delay_s: float,
    kind: int = FIRST,
    *,
    but_s: float | None = None,
) -> Delay:
    """The delay of a track against one whose strokes, or whose sound, are the source's alone.

    ``but_s``: a delay that is another source's.
    """
    expected = None if prior is None else (prior.arrival_s, prior.sigma_s)
    planned_s = 0.0 if prior is None else prior.arrival_s
    if own.envelope.silent or other.envelope.silent:
        return unknown("one of the two tracks is silent there", planned_s, max_delay_s)
    seen = look(own, other, reach_s=max_delay_s, close=kind, expected=expected)
    if but_s is not None:
        seen = without(seen, but_s, tuned.SAME_PLACE_S)
    delay = decided(seen)
    off = delay is not None and prior is not None and not is_near(delay, prior)
    if off:
        # Where the scene cannot be right it is no witness of how sure the rest is.
        delay = decided(unexpected(seen))
    if delay is None:
        return unknown("nothing in the tracks is alike", planned_s, max_delay_s)
    if prior is None or not delay.reliable:
        return delay
    reason, reliable = off_plan(prior, other.name) if off else as_planned(prior)
    return replace(delay, reason=reason, reliable=reliable)


def _never_leads(wanted: Wanted, reference: str, order: Sequence[str], own_s: tuple[float, ...]) -> SourceDelays:
    why = (
        f"'{wanted.source}' has no track of its own, so it cannot be told from the others"
        if wanted.close is None
        else f"'{wanted.source}' is nowhere heard alone"
    )
    pairs = tuple(PairDelay(reference, name, unknown(why)) for name in order[1:])
    return SourceDelays(wanted.source, reference, pairs, {}, 0, why, strokes_s=own_s)


def _prior(wanted: Wanted, reference: str, track: str) -> Expected | None:
    first, second = wanted.expected.get(reference), wanted.expected.get(track)
    if first is None or second is None:
        return None
    sigma_s = float(np.hypot(first.sigma_s, second.sigma_s))
    return Expected(second.arrival_s - first.arrival_s, sigma_s, min(first.level_db, second.level_db))


def leading_strokes(heard: Mapping[str, Listened], close: Mapping[str, str]) -> dict[str, Floats]:
    """For each source the strokes of its close track at which no other source is loud, the clearest first, seconds.

    Parameters
    ----------
    heard : mapping of str to Listened
        By track; every close track must be there.
    close : mapping of str to str
        The close track of each source.

    Returns
    -------
    dict
        Sources that never lead are left out.
    """
    loud_db = {name: _loud_db(heard[name]) for name in set(close.values()) if not heard[name].envelope.silent}
    found = {}
    for source, track in close.items():
        rivals = [(heard[name], level_db) for name, level_db in loud_db.items() if name != track]
        if track in loud_db and len(times_s := _leading(heard[track], loud_db[track], rivals)):
            found[source] = times_s
    return found


def _loud_db(one: Listened) -> Floats:
    """The greatest level from each step on, 15 ms far, against the track's own loud strokes.

    Its second loudest sets it, so that one pop does not.
    """
    peaks = greatest_before(one.envelope.power[::-1].astype(np.float64), round(_AFTER_S[0] / _step_s(one)))[::-1]
    steps = one.strokes.samples // one.envelope.step
    return _level_db(peaks, float(np.sort(peaks[steps])[-2:][0] if len(steps) else peaks.max()))


def _step_s(one: Listened) -> float:
    return one.envelope.step / one.sample_rate


def _leading(own: Listened, own_db: Floats, rivals: Sequence[tuple[Listened, Floats]]) -> Floats:
    at, times_s = own.strokes.samples // own.envelope.step, own.strokes_s
    others_db = np.full(len(at), -60.0)
    for rival, level_db in rivals:
        there = rival.steps_at(times_s - _AFTER_S[1])
        near_db = level_db[np.clip([there, there + 5], 0, len(level_db) - 1)]
        others_db = np.maximum(others_db, near_db.max(axis=0))
    lead_db = own_db[at] - others_db
    for least in tuned.LEAD_DB:
        good = lead_db >= least
        if good.sum() >= FEWEST:
            break
    order = np.argsort(-(lead_db + own_db[at])[good], kind="stable")[:_MOST]
    clearest: Floats = times_s[good][order]
    return clearest


def _level_db(energy: Floats, loud: float) -> Floats:
    return 10.0 * np.log10(np.maximum(energy, 1e-20) / max(loud, 1e-20))


def is_struck(one: Listened) -> bool:
    """Whether a track is mostly quiet and sometimes loud, as a drum's own mic is, or rings on brightly from strokes."""
    if _rings_brightly(one):
        return True
    hops = max(round(0.01 / _step_s(one)), 1)
    power = one.envelope.power
    rows = power[: len(power) // hops * hops].reshape(-1, hops).mean(axis=1, dtype=float)
    if not len(rows) or rows.max() <= 0:
        return False
    loud, ordinary = np.quantile(rows, 0.99), np.quantile(rows, 0.5)
    return bool(10.0 * np.log10(max(loud, 1e-30) / max(ordinary, loud * 1e-9, 1e-30)) > tuned.STRUCK_DB)


def _rings_brightly(one: Listened) -> bool:
    own = one.strokes.novelty[one.strokes.weight > 0]
    return bool(len(own) >= FEWEST and np.median(own) > tuned.CLEARLY_RISEN and one.strokes.brightness > tuned.CYMBALS)


def half_seconds(heard: Mapping[str, Listened], close: Mapping[str, str], source: str) -> Floats:
    """Beginnings of half-seconds in which a sustained source leads most of the time, the loudest first.

    It leads where it is loud for itself, and louder so than every other source.
    """
    one = heard[close[source]]
    if one.envelope.silent:
        return np.zeros(0)
    own_db = _smooth_level_db(one)
    leads = own_db > tuned.HELD_DB[0]
    for track in set(close.values()) - {one.name}:
        theirs_db = _smooth_level_db(heard[track])[: len(leads)]
        leads[: len(theirs_db)] &= own_db[: len(theirs_db)] - theirs_db >= tuned.HELD_DB[1]
    steps = round(_SEGMENT_S / _step_s(one))
    count = len(leads) // steps
    good = np.flatnonzero(leads[: count * steps].reshape(count, steps).mean(axis=1) >= tuned.MOSTLY) * steps
    best = good[np.argsort(-one.envelope.mean(good, good + steps), kind="stable")][:_MOST]
    return np.asarray(best * _step_s(one) + one.start_s, dtype=np.float64)


def _smooth_level_db(one: Listened) -> Floats:
    """Level over 50 ms against the track's loud passages."""
    at, width = np.arange(len(one.envelope.power)), max(round(_SMOOTH_S / _step_s(one)), 1)
    smooth = one.envelope.mean(at - width // 2, at + (width + 1) // 2)
    return _level_db(smooth, float(np.percentile(smooth, 98.0))) if len(at) else smooth


def amplitudes_at(
    heard: Mapping[str, Listened], names: Sequence[str], times_s: Floats, length_s: float
) -> dict[str, float]:
    """Root mean square of each track in the ``length_s`` after some times, the middle one of all."""
    found = {}
    for name in names:
        one, first = heard[name], heard[name].steps_at(times_s)
        energy = one.envelope.mean(first, first + max(round(length_s / _step_s(one)), 1))
        found[name] = float(np.sqrt(np.median(energy)))
    return found


_BAND_HZ: Final = (300.0, 12000.0)  # hertz: in which a place is heard: below, waves are longer than a kit
_GATE_S: Final = 0.025  # seconds of a stroke after its beginning
_LEAD_S: Final = 0.004  # seconds before it
_TOLERANCE_S: Final = 0.2e-3  # seconds of what a scene expects: 7 cm of way
_MOST_STROKES: Final = 160  # that are asked for their place
_APART_S: Final = 0.04  # seconds between strokes: nearer ones are one event


def strokes_of_no_mic(listening: Sequence[Listened], taken_s: Floats) -> Floats:
    """Times of the strongest strokes in the listening tracks that lie apart from those already given to a source."""
    found: list[tuple[float, float]] = []
    for one in listening:
        kept = one.strokes.level_db > tuned.OWN_RANGE_DB
        found += zip(one.strokes.level_db[kept].tolist(), one.strokes_s[kept].tolist(), strict=True)
    times: list[float] = []
    for _, time in sorted(found, reverse=True):
        if all(abs(time - other) > _APART_S for other in (*times, *taken_s)):
            times.append(time)
    return np.array(sorted(times[:_MOST_STROKES]))


def strokes_by_place(
    tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]
) -> dict[str, Floats]:
    """The strokes of each source, the clearest first.

    Parameters
    ----------
    tracks : sequence of Track
        All that may hear the strokes.
    times_s : shape (H,)
        The strokes.
    arrivals_s : mapping of source to mapping of track to seconds
        When each source should arrive in each track after it sounds.

    Returns
    -------
    dict
        Only sources that some stroke is clearly of.
    """
    if not len(times_s):
        return {}
    credit = _credits(tracks, times_s, arrivals_s)
    second, first = np.sort(np.pad(credit, ((0, 0), (1, 0))), axis=1)[:, -2:].T
    clear = first / np.maximum(second, 1e-12)
    found = {}
    for column, source in zip(credit.T, arrivals_s, strict=True):
        own: Ints = np.flatnonzero((column == first) & (clear >= tuned.CLEARLY))
        if len(own):
            found[source] = times_s[own[np.argsort(-clear[own], kind="stable")][:_MOST]]
    return found


def _credits(tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]) -> Floats:
    """Credit of every source for every stroke, shape (H, S)."""
    farthest = max(max(one.values()) for one in arrivals_s.values())
    rate = tracks[0].sample_rate
    before, after = round((_LEAD_S + farthest) * rate), round((_GATE_S + farthest) * rate)
    window = np.hanning(before + after)
    size = fast_length(2 * (before + after))
    flat = {}
    for track in tracks:
        starts = np.rint((times_s - track.start_s) * rate).astype(np.intp) - before
        flat[track.name] = flat_spectra(track.frames_at(starts, before + after) * window, size, rate, _BAND_HZ)
    credit = np.zeros((len(times_s), len(arrivals_s)))
    for a, b in combinations(flat, 2):
        correlation = np.abs(irfft(cross_spectrum(flat[a], flat[b]), size))
        for column, arrivals in enumerate(arrivals_s.values()):
            if a in arrivals and b in arrivals:
                low, high = (arrivals[b] - arrivals[a] + off_s for off_s in (-_TOLERANCE_S, _TOLERANCE_S))
                near = np.arange(round(low * rate), round(high * rate) + 1) % size
                credit[:, column] += correlation[:, near].max(axis=1)
    return credit
