"""How late is each source in each track, when every source is measured on its own?

For each source the moments at which it leads are found (`micalign.tdoa.moments`), and every pair of tracks that
should hear it is measured on those moments alone. What a scene predicts narrows the search and flags disagreement; it
never replaces what was measured. Delay is positive when the event comes later in the track, in seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.take.tracks import Track
from micalign.tdoa.closure import closed
from micalign.tdoa.gated import Gate, as_planned, gated_delay, off_plan
from micalign.tdoa.gather import Gathered, gather
from micalign.tdoa.measure import Delay, measure_many
from micalign.tdoa.moments import HOP_S, Envelope, Moments, envelope, leading_moments, leading_stretches
from micalign.tdoa.steered import hits_of_no_mic, moments_by_place
from micalign.tdoa.told import Expected, PairDelay, SourceDelays, Wanted

__all__ = ["is_struck", "measure_sources"]

_HIGH_HZ: Final = 6000.0
_BRIGHT_HZ: Final = 16000.0
_STRUCK_DB: Final = 15.0
_NEAR_S: Final = 0.8e-3  # within this of the scene, or within six of its standard deviations, is as it says
_NEAR_Z: Final = 6.0
_SAME_S: Final = 0.15e-3
_SOUNDS_S: Final = 0.1
_EDGE_S: Final = 0.03
_SEGMENT_S: Final = 0.5
_MOST_SEGMENTS: Final = 60
_MOSTLY: Final = 0.6


def measure_sources(
    tracks: Sequence[Track],
    wanted: Sequence[Wanted],
    *,
    max_delay_s: float = 0.05,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[SourceDelays, ...]:
    """Every source on the moments that are its own.

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
    by_name = {track.name: track for track in tracks}
    tell = progress or (lambda _words, _share: None)
    shared = [one for one in wanted if len(one.tracks) >= 2]
    steps = len(tracks) + len(shared)
    envelopes = {}
    for done, track in enumerate(tracks):
        tell(f"listening to {track.name}", done / steps)
        envelopes[track.name] = envelope(track)
    close = {one.source: one.close for one in wanted if one.close is not None}
    moments = leading_moments(envelopes, close)
    moments = _by_place(tracks, envelopes, wanted, moments)
    measured = []
    for done, one in enumerate(shared, start=len(tracks)):
        tell(f"measuring {one.source} on its own", done / steps)
        measured.append(_measured(by_name, envelopes, one, close, moments.get(one.source), max_delay_s))
    return tuple(measured)


def _by_place(
    tracks: Sequence[Track], envelopes: Mapping[str, Envelope], wanted: Sequence[Wanted], found: Mapping[str, Moments]
) -> dict[str, Moments]:
    """The moments, and those of sources without a track of their own, told apart by where they stand.

    A hit of such a source is loud in nobody's own track, so moments taken for another's are held against the places
    as well.
    """
    homeless = [one for one in wanted if one.close is None and len(one.expected) > 1]
    if not homeless:
        return dict(found)
    heard = {name for one in wanted for name in one.expected}
    hearing = [track for track in tracks if track.name in heard]
    arrivals = {one.source: {name: e.arrival_s for name, e in one.expected.items()} for one in wanted if one.expected}
    kept = {source: _confirmed(one, hearing, arrivals) for source, one in found.items()}
    listening = list(dict.fromkeys(name for one in homeless for name in one.tracks[:2]))
    times = hits_of_no_mic(envelopes, listening, [time for one in kept.values() for time in one.times_s])
    placed = moments_by_place(hearing, times, arrivals)
    return kept | {
        one.source: Moments(one.source, one.tracks[0], placed[one.source], 0.0)
        for one in homeless
        if one.source in placed
    }


def _confirmed(moments: Moments, tracks: Sequence[Track], arrivals_s: Mapping[str, Mapping[str, float]]) -> Moments:
    """The moments without those that by their place are clearly another source's; all where none would be left."""
    if moments.source not in arrivals_s:
        return moments
    placed = moments_by_place(tracks, np.array(moments.times_s), arrivals_s)
    others = {time for source, times in placed.items() if source != moments.source for time in times}
    times = tuple(time for time in moments.times_s if time not in others)
    return replace(moments, times_s=times) if times else moments


def is_struck(energy: Envelope) -> bool:
    """Whether a track is mostly quiet and sometimes loud, as a drum's own mic is."""
    rows = energy.energy[: len(energy.energy) // 4 * 4].reshape(-1, 4).mean(axis=1)
    if not len(rows) or rows.max() <= 0:
        return False
    loud, ordinary = np.quantile(rows, 0.99), np.quantile(rows, 0.5)
    return bool(10.0 * np.log10(max(loud, 1e-30) / max(ordinary, loud * 1e-9, 1e-30)) > _STRUCK_DB)


def _measured(
    tracks: Mapping[str, Track],
    envelopes: Mapping[str, Envelope],
    wanted: Wanted,
    close: Mapping[str, str],
    moments: Moments | None,
    max_delay_s: float,
) -> SourceDelays:
    reference = wanted.close or wanted.tracks[0]
    order = [reference, *(name for name in wanted.tracks if name != reference)]
    if moments is None:
        return _never_leads(wanted, reference, order)
    struck = wanted.close is None or is_struck(envelopes[reference])
    loudest_s = moments.times_s[0]
    if struck:
        times = np.sort(np.array(moments.times_s))
        found = _gathered([tracks[name] for name in order], times, wanted, max_delay_s, _SOUNDS_S)
        gate = Gate(
            found.tracks, found.times_s, max_delay_s=max_delay_s, high_hz=_HIGH_HZ if wanted.close else _BRIGHT_HZ
        )
        pairs = closed(_struck_pairs(gate, order, wanted), reference)
        levels = _at(envelopes, order, times)
        return SourceDelays(wanted.source, reference, pairs, levels, len(times), loudest_s=loudest_s)
    leads = leading_stretches(envelopes, close, wanted.source)
    times = _segments(envelopes[reference], leads)
    if not len(times):
        return _never_leads(wanted, reference, order)
    found = _gathered([tracks[name] for name in order], times, wanted, max_delay_s, _SEGMENT_S)
    masked = {name: _only(track, found.times_s, _SEGMENT_S) for name, track in found.tracks.items()}
    pairs = closed(_pairs(masked, found.tracks, None, order, wanted, max_delay_s), reference)
    levels = _during(envelopes, order, leads)
    return SourceDelays(wanted.source, reference, pairs, levels, len(times), loudest_s=loudest_s)


def _segments(energy: Envelope, leads: Bools) -> Floats:
    """Beginnings of half-seconds in which a sustained source leads most of the time, the loudest, in order."""
    hops = round(_SEGMENT_S / HOP_S)
    count = len(leads) // hops
    if count == 0:
        return np.zeros(0)
    rows = leads[: count * hops].reshape(count, hops).mean(axis=1)
    power = energy.energy[: count * hops].reshape(count, hops).mean(axis=1)
    good = np.flatnonzero(rows >= _MOSTLY)
    best = good[np.argsort(-power[good])][:_MOST_SEGMENTS]
    starts: Floats = energy.times_s[np.sort(best) * hops]
    return starts


def _only(track: Track, times_s: Floats, length_s: float) -> Track:
    """The track with silence outside the stretches, softly edged."""
    samples = track.read()
    length, edge = round(length_s * track.sample_rate), round(_EDGE_S * track.sample_rate)
    ramp = np.minimum(1.0, (np.arange(length) + 0.5) / edge)
    window = ramp * ramp[::-1]
    gain = np.zeros(len(samples))
    for time in times_s:
        start = round(time * track.sample_rate)
        gain[start : start + length] = window[: len(gain) - start]
    return Track.from_array(track.name, samples * gain, track.sample_rate)


def _gathered(tracks: Sequence[Track], times: Floats, wanted: Wanted, max_delay_s: float, sounds_s: float) -> Gathered:
    """The moments with room on both sides for the search, wherever the scene expects the source."""
    arrivals = [one.arrival_s for one in wanted.expected.values()]
    reach_s = 1.25 * (max_delay_s + max(arrivals, default=0.0)) + 0.02
    return gather(tracks, times, before_s=reach_s, after_s=reach_s + sounds_s)


def _struck_pairs(gate: Gate, order: Sequence[str], wanted: Wanted) -> tuple[PairDelay, ...]:
    """Every pair on the gate's moments; the gate follows the sound to the track that is the reference."""
    reference = order[0]
    own = {name: gated_delay(gate, reference, name, _prior(wanted, reference, name)) for name in order[1:]}
    pairs = [PairDelay(reference, name, delay) for name, delay in own.items()]
    for index, name in enumerate(order[1:-1], 1):
        prior = _prior(wanted, reference, name)
        later_s = own[name].delay_s if own[name].reliable or prior is None else prior.arrival_s
        for other in order[index + 1 :]:
            delay = gated_delay(gate, name, other, _prior(wanted, name, other), later_s=later_s)
            pairs.append(PairDelay(name, other, delay))
    return tuple(pairs)


def _pairs(
    references: Mapping[str, Track],
    tracks: Mapping[str, Track],
    times_s: Floats | None,
    order: Sequence[str],
    wanted: Wanted,
    max_delay_s: float,
) -> tuple[PairDelay, ...]:
    """Every pair, the earlier in the order as the reference."""
    return tuple(
        PairDelay(
            name, other, _guided(references[name], tracks[other], times_s, _prior(wanted, name, other), max_delay_s)
        )
        for index, name in enumerate(order[:-1])
        for other in order[index + 1 :]
    )


def _guided(
    reference: Track, track: Track, times_s: Floats | None, prior: Expected | None, max_delay_s: float
) -> Delay:
    """The delay of a pair; where several fit, the scene decides which; where none is what it expects, a word of it."""
    wide = measure_many(
        reference,
        [track],
        max_delay_s=max_delay_s,
        prior_s=None if prior is None else prior.arrival_s,
        prior_sigma_s=None if prior is None else prior.sigma_s,
        moments_s=times_s,
    )[0]
    if prior is None:
        return wide
    near_s = max(_NEAR_S, _NEAR_Z * prior.sigma_s)
    if (wide.reliable and abs(wide.delay_s - prior.arrival_s) <= near_s) or near_s >= max_delay_s:
        return _told(wide, as_planned(prior))
    narrow = measure_many(reference, [track], max_delay_s=near_s, prior_s=prior.arrival_s, moments_s=times_s)[0]
    if narrow.reliable and not wide.reliable:
        return _told(narrow, as_planned(prior))
    if not wide.reliable:
        # Nothing near what the scene expects: where is it, then?
        wide = measure_many(reference, [track], max_delay_s=max_delay_s, moments_s=times_s)[0]
    # Of the delays that the tracks suggest, the scene decides: the direct sound may stand beside a stronger reflection.
    suggested = any(abs(one.delay_s - narrow.delay_s) < _SAME_S for one in wide.candidates)
    if abs(wide.delay_s - narrow.delay_s) < _SAME_S or suggested:
        return _told(narrow, as_planned(prior))
    return _told(wide, off_plan(prior))


def _told(delay: Delay, verdict: tuple[str | None, bool]) -> Delay:
    """A reliable delay with what the scene says of it."""
    reason, reliable = verdict
    return replace(delay, reason=reason or delay.reason, reliable=reliable) if delay.reliable else delay


def _never_leads(wanted: Wanted, reference: str, order: Sequence[str]) -> SourceDelays:
    why = (
        f"'{wanted.source}' has no track of its own, so it cannot be told from the others"
        if wanted.close is None
        else f"'{wanted.source}' is nowhere heard alone"
    )
    nothing = Delay(0.0, 0.0, 1, 0.0, 0.0, False, why)
    pairs = tuple(PairDelay(reference, name, nothing) for name in order[1:])
    return SourceDelays(wanted.source, reference, pairs, {}, 0, why)


def _prior(wanted: Wanted, reference: str, track: str) -> Expected | None:
    first, second = wanted.expected.get(reference), wanted.expected.get(track)
    if first is None or second is None:
        return None
    sigma_s = float(np.hypot(first.sigma_s, second.sigma_s))
    return Expected(second.arrival_s - first.arrival_s, sigma_s, min(first.level_db, second.level_db))


def _at(envelopes: Mapping[str, Envelope], names: Sequence[str], times: Floats) -> dict[str, float]:
    """Root mean square of each track in the 20 ms after the moments."""
    found = {}
    for name in names:
        energy = envelopes[name].energy
        starts = np.searchsorted(envelopes[name].times_s, times)
        hops = np.clip(starts[:, None] + np.arange(8)[None, :], 0, len(energy) - 1)
        found[name] = float(np.sqrt(np.median(energy[hops].mean(axis=1))))
    return found


def _during(envelopes: Mapping[str, Envelope], names: Sequence[str], leads: Bools) -> dict[str, float]:
    """Root mean square of each track where the source leads, which it does somewhere."""
    found = {name: envelopes[name].energy for name in names}
    return {name: float(np.sqrt(energy[leads[: len(energy)]].mean())) for name, energy in found.items()}
