"""How late is each source in each track, when every source is measured on its own?

For each source the strokes at which it leads are found (`micalign.tdoa.leading`); every track that should hear it is
measured on those alone; two other tracks on the strokes as the first of them hears them. What a scene predicts weighs
the hypotheses and flags disagreement; it never replaces what was measured. Delay is positive when the event comes later
in the track, in seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.take.tracks import Track, two_at_once
from micalign.tdoa import leading, tuned
from micalign.tdoa.delays import Delay, Expected, PairDelay, SourceDelays, Wanted, unknown
from micalign.tdoa.hypotheses import FIRST, ONE_PATH
from micalign.tdoa.measure import decided
from micalign.tdoa.posterior import look, unexpected
from micalign.tdoa.spectra import raised_cosine
from micalign.tdoa.strokes import FEWEST, Listened, listen, listen_all, struck_at

__all__ = ["as_planned", "measure_sources", "measured_pair", "off_plan"]

_EDGE_S: Final = 0.03  # seconds of the fades of a half-second
_LEVEL_S: Final = 0.02  # seconds of a stroke that are its level


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
    strokes = _by_place(tracks, heard, wanted, leading.leading_strokes(heard, close))

    def tell(done: int) -> None:
        if progress is not None:
            progress(f"measuring {shared[done].source} on its own", (len(tracks) + done) / steps)

    return tuple(
        two_at_once(lambda one: _measured(heard, one, close, strokes.get(one.source), max_delay_s), shared, tell)
    )


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
    free_s = leading.strokes_of_no_mic([heard[name] for name in listening], taken_s)
    placed = leading.strokes_by_place(hearing, free_s, arrivals)
    return kept | {one.source: placed[one.source] for one in homeless if one.source in placed}


def _confirmed(
    source: str, times_s: Floats, tracks: Sequence[Track], arrivals_s: Mapping[str, Mapping[str, float]]
) -> Floats:
    """The strokes without those that by their place are clearly another source's; all where none would be left."""
    if source not in arrivals_s:
        return times_s
    placed = leading.strokes_by_place(tracks, times_s, arrivals_s)
    others = np.concatenate([np.zeros(0), *(times for other, times in placed.items() if other != source)])
    left = times_s[~np.isin(times_s, others)]
    return left if len(left) else times_s


def _measured(
    heard: Mapping[str, Listened],
    wanted: Wanted,
    close: Mapping[str, str],
    strokes_s: Floats | None,
    max_delay_s: float,
) -> SourceDelays:
    reference = wanted.close or wanted.tracks[0]
    order = [reference, *(name for name in wanted.tracks if name != reference)]
    struck = wanted.close is None or leading.is_struck(heard[reference])
    own_s = _all_own(heard[reference], strokes_s) if struck and wanted.close is not None else ()
    if strokes_s is not None and struck:
        begins_s, length_s, kind = strokes_s, _LEVEL_S, FIRST
        own = struck_at(heard[reference], heard[reference].samples_at(begins_s))
    else:
        begins_s = leading.half_seconds(heard, close, wanted.source) if wanted.close is not None else np.zeros(0)
        if not len(begins_s):
            return _never_leads(wanted, reference, order, own_s)
        own, length_s, kind = listen(_only(heard[reference], begins_s)), leading.SEGMENT_S, ONE_PATH
    pairs = _pairs(own, heard, order, wanted, max_delay_s, kind)
    levels, loudest_s = leading.amplitudes_at(heard, order, begins_s, length_s), float(begins_s[0])
    return SourceDelays(wanted.source, reference, pairs, levels, len(begins_s), loudest_s=loudest_s, strokes_s=own_s)


def _all_own(own: Listened, leading_s: Floats | None) -> tuple[float, ...]:
    """All strokes that stand out in a source's own track, whatever else sounds there; those it leads where too few do.

    A delay is measured where nothing else sounds; what a sum gains is heard at every stroke.
    """
    times_s = own.strokes_s[own.strokes.weight > 0]
    if own.strokes.gap_db and len(times_s) >= FEWEST:
        return tuple(times_s.tolist())
    return () if leading_s is None else tuple(np.sort(leading_s).tolist())


def _pairs(
    own: Listened, heard: Mapping[str, Listened], order: Sequence[str], wanted: Wanted, max_delay_s: float, kind: int
) -> tuple[PairDelay, ...]:
    """Every pair, the earlier in the order as the reference; two other tracks over the source's own."""
    delays = {
        name: measured_pair(own, heard[name], _prior(wanted, order[0], name), max_delay_s, kind) for name in order[1:]
    }
    pairs = [PairDelay(order[0], name, delay) for name, delay in delays.items()]
    pairs += [PairDelay(one, other, _between(delays[one], delays[other])) for one, other in combinations(order[1:], 2)]
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
    length, edge = round(leading.SEGMENT_S * track.sample_rate), round(_EDGE_S * track.sample_rate)
    window = raised_cosine(length, edge, edge)
    samples = np.zeros(track.frames)
    for begin_s in begins_s:
        start = round((begin_s - track.start_s) * track.sample_rate)
        kept = samples[max(start, 0) : max(start + length, 0)]
        kept += (track.read(start, length) * window)[max(-start, 0) :][: len(kept)]
    return Track.from_array(track.name, samples, track.sample_rate, start_s=track.start_s)


def measured_pair(
    own: Listened, other: Listened, prior: Expected | None, max_delay_s: float, kind: int = FIRST
) -> Delay:
    """The delay of a track against one whose strokes, or whose sound, are the source's alone."""
    expected = None if prior is None else (prior.arrival_s, prior.sigma_s)
    planned_s = 0.0 if prior is None else prior.arrival_s
    if own.envelope.silent or other.envelope.silent:
        return unknown("one of the two tracks is silent there", planned_s, max_delay_s)
    seen = look(own, other, reach_s=max_delay_s, close=kind, expected=expected)
    delay = decided(seen)
    off = delay is not None and prior is not None and not _is_near(delay, prior)
    if off:
        # Where the scene cannot be right it is no witness of how sure the rest is.
        delay = decided(unexpected(seen))
    if delay is None:
        return unknown("nothing in the tracks is alike", planned_s, max_delay_s)
    if prior is None or not delay.reliable:
        return delay
    reason, reliable = off_plan(prior, other.name) if off else as_planned(prior)
    return replace(delay, reason=reason, reliable=reliable)


def _is_near(delay: Delay, prior: Expected) -> bool:
    return abs(delay.delay_s - prior.arrival_s) <= max(tuned.AS_PLANNED[0], tuned.AS_PLANNED[1] * prior.sigma_s)


def as_planned(prior: Expected) -> tuple[str | None, bool]:
    """What to say of a delay that is where the scene expects it, and whether to act on it."""
    if prior.level_db < tuned.DROWNED_DB:
        return f"the scene has it {-prior.level_db:.0f} dB down there: what is heard is the room", False
    return None, True


def off_plan(prior: Expected, track: str) -> tuple[str, bool]:
    """What to say of a track's delay that is not where the scene expects it, and whether to act on it all the same."""
    way = "later" if prior.arrival_s >= 0 else "earlier"
    said = f"the scene has it {abs(prior.arrival_s) * 1e3:.2f} ms {way} in '{track}'"
    if prior.level_db < tuned.FAINT_DB:
        return f"{said}, {-prior.level_db:.0f} dB down: what is heard may be a reflection", False
    return f"{said}: was something moved?", True


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
