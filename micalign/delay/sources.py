"""How late is each source in each track, when every source is measured on its own?

For each source the moments at which it leads are found (`micalign.delay.moments`), and every pair of tracks that
should hear it is measured on those moments alone. What a scene predicts narrows the search and flags disagreement; it
never replaces what was measured. Delay is positive when the event comes later in the track, in seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.delay.gather import Gathered, gather
from micalign.delay.measure import Delay, measure_many
from micalign.delay.moments import HOP_S, Envelope, Moments, envelope, leading_moments, leading_stretches
from micalign.delay.steered import hits_of_no_mic, moments_by_place
from micalign.take.model import Track

__all__ = ["Expected", "PairDelay", "SourceDelays", "TrackDelay", "Wanted", "is_struck", "measure_sources"]

_STRUCK_DB: Final = 15.0
_NEAR_S: Final = 0.8e-3  # within this of the scene, or within six of its standard deviations, is as it says
_NEAR_Z: Final = 6.0
_SAME_S: Final = 0.15e-3
_SUGGESTED: Final = 0.35  # a rival this strong may be the direct sound beside a stronger reflection
_CLOSES_S: Final = 30e-6  # 1.4 samples at 48 kHz: what reflections shift a peak by
_SOUNDS_S: Final = 0.1
_EDGE_S: Final = 0.03


@dataclass(frozen=True, slots=True)
class TrackDelay:
    """A track and its delay against some reference."""

    track: str
    delay: Delay


@dataclass(frozen=True, slots=True)
class PairDelay:
    """The delay of ``track`` against ``reference``."""

    reference: str
    track: str
    delay: Delay


@dataclass(frozen=True, slots=True)
class Expected:
    """When a source should arrive in a track: seconds after it sounds, with one standard deviation."""

    arrival_s: float
    sigma_s: float


@dataclass(frozen=True)
class Wanted:
    """A source to be measured: the tracks that should hear it, the nearest first, and when each should.

    ``close`` names the track of its own, where it has one.
    """

    source: str
    tracks: tuple[str, ...]
    close: str | None = None
    expected: Mapping[str, Expected] = field(default_factory=dict)


@dataclass(frozen=True)
class SourceDelays:
    """One source on its own: every pair, its amplitude in each track, and how many moments told so."""

    source: str
    reference: str
    pairs: tuple[PairDelay, ...]
    amplitudes: Mapping[str, float]
    moments: int
    remark: str | None = None

    @property
    def tracks(self) -> tuple[TrackDelay, ...]:
        """The other tracks against the source's reference."""
        return tuple(TrackDelay(pair.track, pair.delay) for pair in self.pairs if pair.reference == self.reference)

    @property
    def reliable(self) -> tuple[PairDelay, ...]:
        """The pairs to act on."""
        return tuple(pair for pair in self.pairs if pair.delay.reliable)


def measure_sources(
    tracks: Sequence[Track],
    wanted: Sequence[Wanted],
    *,
    max_delay_s: float = 0.05,
    progress: Callable[[str], None] | None = None,
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
        Told each source before it is measured.

    Returns
    -------
    tuple of SourceDelays
        One for each wanted source that two tracks hear; a source that never leads has only unreliable pairs.
    """
    by_name = {track.name: track for track in tracks}
    envelopes = {track.name: envelope(track) for track in tracks}
    close = {one.source: one.close for one in wanted if one.close is not None}
    moments = leading_moments(envelopes, close)
    moments |= _by_place(tracks, envelopes, wanted, moments)
    measured = []
    for one in wanted:
        if len(one.tracks) < 2:
            continue
        if progress is not None:
            progress(one.source)
        measured.append(_measured(by_name, envelopes, one, close, moments.get(one.source), max_delay_s))
    return tuple(measured)


def _by_place(
    tracks: Sequence[Track], envelopes: Mapping[str, Envelope], wanted: Sequence[Wanted], found: Mapping[str, Moments]
) -> dict[str, Moments]:
    """Moments of the sources without a track of their own, told apart by where they stand."""
    homeless = [one for one in wanted if one.close is None and len(one.expected) > 1]
    if not homeless:
        return {}
    listening = list(dict.fromkeys(name for one in homeless for name in one.tracks[:2]))
    taken = [time for one in found.values() for time in one.times_s]
    times = hits_of_no_mic(envelopes, listening, taken)
    heard = {name for one in wanted for name in one.expected}
    arrivals = {one.source: {name: e.arrival_s for name, e in one.expected.items()} for one in wanted if one.expected}
    placed = moments_by_place([track for track in tracks if track.name in heard], times, arrivals)
    return {
        one.source: Moments(one.source, one.tracks[0], placed[one.source], 0.0)
        for one in homeless
        if one.source in placed
    }


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
    if struck:
        times = np.sort(np.array(moments.times_s))
        found = _gathered([tracks[name] for name in order], times, wanted, max_delay_s)
        pairs = closed(_pairs(found.tracks, found.times_s, order, wanted, max_delay_s), reference)
        return SourceDelays(wanted.source, reference, pairs, _at(envelopes, order, times), len(times))
    leads = leading_stretches(envelopes, close, wanted.source)
    masked = {name: _masked(tracks[name], envelopes[name], leads) for name in order}
    pairs = closed(_pairs(masked, None, order, wanted, max_delay_s, whole=tracks), reference)
    count = round(float(leads.sum()) * HOP_S / 0.1)
    return SourceDelays(wanted.source, reference, pairs, _during(envelopes, order, leads), count)


def _gathered(tracks: Sequence[Track], times: Floats, wanted: Wanted, max_delay_s: float) -> Gathered:
    """The moments with room on both sides for the search, wherever the scene expects the source."""
    arrivals = [one.arrival_s for one in wanted.expected.values()]
    reach_s = 1.25 * (max_delay_s + max(arrivals, default=0.0)) + 0.02
    return gather(tracks, times, before_s=reach_s, after_s=reach_s + _SOUNDS_S)


def _pairs(
    tracks: Mapping[str, Track],
    times_s: Floats | None,
    order: Sequence[str],
    wanted: Wanted,
    max_delay_s: float,
    *,
    whole: Mapping[str, Track] | None = None,
) -> tuple[PairDelay, ...]:
    """Every pair, the tracks of ``whole`` (or the same) against those of ``tracks``."""
    others = tracks if whole is None else whole
    return tuple(
        PairDelay(name, other, _guided(tracks[name], others[other], times_s, _prior(wanted, name, other), max_delay_s))
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
        return wide
    narrow = measure_many(reference, [track], max_delay_s=near_s, prior_s=prior.arrival_s, moments_s=times_s)[0]
    suggested = max((r.strength for r in wide.rivals if abs(r.delay_s - narrow.delay_s) < _SAME_S), default=0.0)
    if abs(wide.delay_s - narrow.delay_s) < _SAME_S or suggested >= _SUGGESTED:
        return narrow
    if not wide.reliable:
        return wide
    return replace(wide, reason=f"the scene says {prior.arrival_s * 1e3:+.2f} ms: was something moved?")


def closed(pairs: Sequence[PairDelay], reference: str) -> tuple[PairDelay, ...]:
    """The pairs, held against each other round the triangles with the source's own track.

    A track's delay against that one counts for more than a pair of two others, since only it hears the source clean.
    A pair that does not close is not acted on; a track in doubt is believed where another way round says the same.
    """
    own = {pair.track: pair.delay for pair in pairs if pair.reference == reference}
    sure = {track: delay for track, delay in own.items() if delay.reliable}
    for pair in pairs:
        track, delay = _in_doubt(pair, sure, own)
        if (
            track is not None
            and delay is not None
            and abs(delay.delay_s - own[track].delay_s) <= _closes_s(delay, own[track])
        ):
            own[track] = replace(own[track], reliable=True, reason=None)
    return tuple(_held(pair, reference, own) for pair in pairs)


def _in_doubt(pair: PairDelay, sure: Mapping[str, Delay], own: Mapping[str, Delay]) -> tuple[str | None, Delay | None]:
    """The track of a reliable pair that is in doubt, and what the way over the other one, which is not, says of it."""
    if not pair.delay.reliable or pair.reference not in own or (pair.reference in sure) == (pair.track in sure):
        return None, None
    forth = pair.reference in sure
    over = sure[pair.reference if forth else pair.track]
    way_s = over.delay_s + (pair.delay.delay_s if forth else -pair.delay.delay_s)
    sigma_s = float(np.hypot(over.uncertainty_s, pair.delay.uncertainty_s))
    return (pair.track if forth else pair.reference), replace(pair.delay, delay_s=way_s, uncertainty_s=sigma_s)


def _closes_s(one: Delay, other: Delay) -> float:
    """How far two ways may differ and still say the same."""
    return max(_CLOSES_S, 3.0 * min(float(np.hypot(one.uncertainty_s, other.uncertainty_s)), _CLOSES_S))


def _held(pair: PairDelay, reference: str, own: Mapping[str, Delay]) -> PairDelay:
    if pair.reference == reference:
        return replace(pair, delay=own[pair.track])
    first, second, delay = own[pair.reference], own[pair.track], pair.delay
    if not delay.reliable:
        return pair
    if not (first.reliable and second.reliable):
        return replace(pair, delay=replace(delay, reliable=False, reason="no second way round says the same"))
    if abs(second.delay_s - first.delay_s - delay.delay_s) > _closes_s(first, second):
        return replace(pair, delay=replace(delay, reliable=False, reason=f"it does not close with '{reference}'"))
    return pair


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
    return Expected(second.arrival_s - first.arrival_s, float(np.hypot(first.sigma_s, second.sigma_s)))


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
    """Root mean square of each track where the source leads."""
    if not leads.any():
        return dict.fromkeys(names, 0.0)
    found = {name: envelopes[name].energy for name in names}
    return {name: float(np.sqrt(energy[leads[: len(energy)]].mean())) for name, energy in found.items()}


class _MaskedSamples:
    """A track's samples where a source leads, silence elsewhere, with soft edges."""

    def __init__(self, track: Track, times_s: Floats, gain: Floats) -> None:
        self._track, self._times_s, self._gain = track, times_s, gain

    def read(self, start: int, frames: int) -> Floats:
        at = (start + np.arange(frames)) / self._track.sample_rate
        return self._track.read(start, frames) * np.interp(at, self._times_s, self._gain, left=0.0, right=0.0)


def _masked(track: Track, energy: Envelope, leads: Bools) -> Track:
    if leads.all():
        return track
    width = max(1, round(_EDGE_S / HOP_S))
    gain = np.convolve(leads[: len(energy.times_s)].astype(np.float64), np.full(width, 1.0 / width), mode="same")
    return replace(track, samples=_MaskedSamples(track, energy.times_s, gain))
