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
from micalign.delay.measure import Delay, measure_many
from micalign.delay.moments import HOP_S, Envelope, Moments, envelope, leading_moments, leading_stretches
from micalign.take.model import Track

__all__ = ["Expected", "PairDelay", "SourceDelays", "TrackDelay", "Wanted", "is_struck", "measure_sources"]

_STRUCK_DB: Final = 15.0
_DISAGREES_Z: Final = 4.0
_DISAGREES_S: Final = 0.2e-3
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
    measured = []
    for one in wanted:
        if len(one.tracks) < 2:
            continue
        if progress is not None:
            progress(one.source)
        measured.append(_measured(by_name, envelopes, one, close, moments.get(one.source), max_delay_s))
    return tuple(measured)


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
    if wanted.close is None or moments is None:
        return _never_leads(wanted, reference, order)
    struck = is_struck(envelopes[reference])
    times = np.sort(np.array(moments.times_s)) if struck else None
    leads = None if struck else leading_stretches(envelopes, close, wanted.source)
    pairs: list[PairDelay] = []
    for index, name in enumerate(order[:-1]):
        first = tracks[name] if leads is None else _masked(tracks[name], envelopes[name], leads)
        for other in order[index + 1 :]:
            prior = _prior(wanted, name, other)
            delay = measure_many(
                first,
                [tracks[other]],
                max_delay_s=max_delay_s,
                prior_s=None if prior is None else prior.arrival_s,
                prior_sigma_s=None if prior is None else prior.sigma_s,
                moments_s=times,
            )[0]
            pairs.append(PairDelay(name, other, _flagged(delay, prior)))
    amplitudes = _amplitudes(envelopes, order, times, leads)
    count = len(moments.times_s) if leads is None else round(float(leads.sum()) * HOP_S / 0.1)
    return SourceDelays(wanted.source, reference, tuple(pairs), amplitudes, count)


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


def _flagged(delay: Delay, prior: Expected | None) -> Delay:
    """The delay as it was measured, with a word where it is not what the scene says."""
    if prior is None or not delay.reliable:
        return delay
    away = delay.delay_s - prior.arrival_s
    if abs(away) < max(_DISAGREES_S, _DISAGREES_Z * float(np.hypot(prior.sigma_s, delay.uncertainty_s))):
        return delay
    return replace(delay, reason=f"the scene says {prior.arrival_s * 1e3:+.2f} ms: was something moved?")


def _amplitudes(
    envelopes: Mapping[str, Envelope], names: Sequence[str], times: Floats | None, leads: Bools | None
) -> dict[str, float]:
    """Root mean square of the source in each track at its moments."""
    found = {}
    for name in names:
        energy = envelopes[name].energy
        if times is not None:
            starts = np.searchsorted(envelopes[name].times_s, times)
            hops = np.clip(starts[:, None] + np.arange(8)[None, :], 0, len(energy) - 1)
            found[name] = float(np.sqrt(np.median(energy[hops].mean(axis=1))))
        else:
            found[name] = float(np.sqrt(energy[leads[: len(energy)]].mean())) if leads is not None else 0.0
    return found


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
