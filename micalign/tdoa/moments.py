"""When does one source lead the take, so that what is measured there is measured on it alone?

A source leads where its own close track is loud for itself while the close tracks of the other sources are not. Every
track's short-time energy is held against its own loud hits, so gains do not matter; bleed stays well below a track's
own hits, a drum struck at the same instant does not. Struck sounds give the instants of their onsets; sustained ones
(a bass, a voice) give stretches. Times in seconds on the take's clock.

At most `MOST_SECONDS` of the take are looked at, in stretches spread evenly over it, so a long take costs no more
than a short one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.take.tracks import Track

__all__ = ["MOST_SECONDS", "Envelope", "Moments", "envelope", "leading_moments", "leading_stretches", "onsets"]

MOST_SECONDS: Final = 600.0
HOP_S: Final = 0.0025
_STRETCH_S: Final = 30.0
_BEFORE_HOPS, _RISE_HOPS = 8, 4  # 20 ms of what was there before, 10 ms for the rise
_APART_S: Final = 0.05
_LEAST_RISE_DB: Final = 6.0
_LEAST_LEVEL_DB: Final = -18.0  # below the track's own loud hits
_LEAD_DB: Final = 9.0
_LEAST_LEAD_DB: Final = 4.0
_MOST: Final = 64
_FEW: Final = 4
_SILENCE: Final = 1e-12


@dataclass(frozen=True)
class Envelope:
    """Short-time energy of one track: one value a hop, times of the hops' beginnings, shape (hops,).

    ``sharp`` is the energy of the difference between neighbouring samples: cymbals stand out in it, rumble does not.
    """

    track: str
    energy: Floats
    times_s: Floats
    sharp: Floats


@dataclass(frozen=True)
class Moments:
    """The instants at which a source leads, the strongest lead first, and the least lead among them in decibels."""

    source: str
    track: str
    times_s: tuple[float, ...]
    lead_db: float


def envelope(track: Track) -> Envelope:
    """Short-time energy in hops of 2.5 ms over the looked-at stretches of a track."""
    hop = max(1, round(HOP_S * track.sample_rate))
    energies, times, sharp = [], [], []
    for start, frames in _stretches(track):
        samples = track.read(start, frames - frames % hop)
        samples = samples - samples.mean() if len(samples) else samples
        energies.append((samples.reshape(-1, hop) ** 2).mean(axis=1))
        sharp.append((np.diff(samples, prepend=samples[:1]).reshape(-1, hop) ** 2).mean(axis=1))
        times.append((start + hop * np.arange(len(energies[-1]))) / track.sample_rate)
    empty = np.zeros(0)
    energy, at, keen = (np.concatenate([empty, *parts]) for parts in (energies, times, sharp))
    return Envelope(track.name, energy, at, keen)


def _stretches(track: Track) -> Iterator[tuple[int, int]]:
    length = round(_STRETCH_S * track.sample_rate)
    count = -(-track.frames // length)
    if count <= MOST_SECONDS / _STRETCH_S:
        starts = [length * index for index in range(count)]
    else:
        starts = [int(s) for s in np.linspace(0, track.frames - length, int(MOST_SECONDS / _STRETCH_S))]
    for start in starts:
        yield start, min(length, track.frames - start)


def leading_moments(envelopes: Mapping[str, Envelope], close: Mapping[str, str]) -> dict[str, Moments]:
    """For each source, the onsets in its close track at which no other source is loud.

    Parameters
    ----------
    envelopes : mapping of str to Envelope
        By track; every close track must be there, all of one length.
    close : mapping of str to str
        The close track of each source.

    Returns
    -------
    dict
        Sources that never lead are left out.

    Examples
    --------
    >>> kick, snare = np.full(400, 1e-9), np.full(400, 1e-9)
    >>> kick[[100, 300]], snare[[200, 300]] = 1.0, 1.0
    >>> times = np.arange(400) * HOP_S
    >>> envelopes = {"k": Envelope("k", kick, times, kick), "s": Envelope("s", snare, times, snare)}
    >>> leading_moments(envelopes, {"kick": "k", "snare": "s"})["kick"].times_s
    (0.25,)
    """
    hits = {track: onsets(envelopes[track].energy) for track in set(close.values())}
    loud = {track: _loud(envelopes[track].energy, hits[track]) for track in hits}
    found = {}
    for source, track in close.items():
        rivals = [name for other, name in close.items() if other != source and name != track]
        moments = _leading(envelopes, track, rivals, hits[track], loud)
        if moments is not None:
            found[source] = Moments(source, track, *moments)
    return found


def _leading(
    envelopes: Mapping[str, Envelope], track: str, rivals: Sequence[str], hits: Ints, loud: Mapping[str, float]
) -> tuple[tuple[float, ...], float] | None:
    if not len(hits) or loud[track] <= _SILENCE:
        return None
    own_db = _level_db(_peaks(envelopes[track].energy, hits, 0), loud[track])
    others_db = np.full(len(hits), -60.0)
    for rival in rivals:
        others_db = np.maximum(others_db, _level_db(_peaks(envelopes[rival].energy, hits, 2), loud[rival]))
    lead_db = own_db - others_db
    good = (own_db > _LEAST_LEVEL_DB) & (lead_db >= _LEAD_DB)
    if good.sum() < _FEW:
        good = (own_db > _LEAST_LEVEL_DB) & (lead_db >= _LEAST_LEAD_DB)
    if not good.any():
        return None
    order = np.argsort(-(lead_db + own_db)[good], kind="stable")[:_MOST]
    times = envelopes[track].times_s[hits[good][order]]
    return tuple(times.tolist()), float(lead_db[good][order].min())


def onsets(energy: Floats) -> Ints:
    """Hops at which the energy rises sharply and most, at least 50 ms apart."""
    if len(energy) < _BEFORE_HOPS + _RISE_HOPS:
        return np.zeros(0, dtype=np.intp)
    floor = _SILENCE + 1e-6 * float(energy.max())
    padded = np.concatenate([np.full(_BEFORE_HOPS, floor), energy, np.full(_RISE_HOPS, floor)])
    views = np.lib.stride_tricks.sliding_window_view(padded, _BEFORE_HOPS + _RISE_HOPS)[: len(energy)]
    strength = views[:, _BEFORE_HOPS:].max(axis=1)
    rise_db = 10.0 * np.log10(np.maximum(strength, floor) / (views[:, :_BEFORE_HOPS].mean(axis=1) + floor))
    candidates = np.flatnonzero(rise_db >= _LEAST_RISE_DB)
    kept: list[int] = []
    apart = round(_APART_S / HOP_S)
    taken = np.zeros(len(energy), dtype=np.bool_)
    for index in candidates[np.lexsort((candidates, -strength[candidates]))]:
        # The last hop before the loudest: the beginning of the rise.
        hop = int(index + np.argmax(views[index, _BEFORE_HOPS:]))
        if not taken[hop]:
            kept.append(hop)
            taken[max(hop - apart, 0) : hop + apart] = True
    return np.array(sorted(kept), dtype=np.intp)


def _peaks(energy: Floats, hits: Ints, before: int) -> Floats:
    """The highest energy from ``before`` hops ahead of each hit to 15 ms after it."""
    steps = np.arange(-before, 6)
    peaks: Floats = energy[np.clip(hits[:, None] + steps[None, :], 0, len(energy) - 1)].max(axis=1)
    return peaks


def _loud(energy: Floats, hits: Ints) -> float:
    """The level of a track's own loud hits: its second loudest, so that one pop does not set it."""
    if not len(hits):
        return float(energy.max(initial=0.0))
    peaks = np.sort(_peaks(energy, hits, 0))
    return float(peaks[-min(2, len(peaks))])


def _level_db(energy: Floats, loud: float) -> Floats:
    return 10.0 * np.log10(np.maximum(energy, _SILENCE) / max(loud, _SILENCE))


def leading_stretches(
    envelopes: Mapping[str, Envelope], close: Mapping[str, str], source: str, *, lead_db: float = 6.0
) -> Bools:
    """The hops in which a sustained source leads: loud for itself, and louder so than every other source."""
    own = _smooth_level_db(envelopes[close[source]].energy)
    leads = own > -20.0
    for other, track in close.items():
        if other != source and track != close[source]:
            leads &= own - _smooth_level_db(envelopes[track].energy) >= lead_db
    return leads


def _smooth_level_db(energy: Floats) -> Floats:
    """Level over 50 ms against the track's loud passages."""
    if not len(energy):
        return energy
    width = round(0.05 / HOP_S)
    smooth = np.convolve(energy, np.full(width, 1.0 / width), mode="same")
    return _level_db(smooth, float(np.percentile(smooth, 98.0)))
