"""Which sounds are in a take, and how much later is each in every track?

No label is trusted: a cable may be in the wrong input. Every stroke that any track hears is an event; an event's
arrival times across the tracks are a signature of the place it came from. Events of one signature are one group (one
drum, one singer), and each group is measured again on all its events at once by the delay engine. Which source a
group is, is left to whoever holds it against a scene.

Times are seconds on the take's clock; a delay is positive when the event comes LATER in the track.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.delay.correlation import frame_spectra, raised_cosine
from micalign.delay.measure import measure_many
from micalign.delay.onsets import envelope, hits
from micalign.take.model import Take, Track

__all__ = ["Group", "Heard", "groups_of"]

_MAX_DELAY_S: Final = 0.03
_SAME_EVENT_S: Final = 0.02
_SAME_PLACE_S: Final = 0.00015
_MOST_EVENTS: Final = 240
_BAND_HZ: Final = (150.0, 9000.0)


@dataclass(frozen=True, slots=True)
class Heard:
    """How one group sounds in one track, against the group's reference track."""

    delay_s: float
    uncertainty_s: float
    polarity: int
    polarity_margin: float
    reliable: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Events that came from one place.

    ``heard`` has one entry for each track of the take, in its order; the reference's own is at 0.
    """

    reference: int
    moments_s: tuple[float, ...]
    heard: tuple[Heard, ...]


@dataclass(frozen=True, slots=True)
class _Event:
    """A stroke: the track that hears it first, when, and how much later each track hears it (nan where unsure)."""

    first: int
    start: int
    delays_s: Floats


def groups_of(take: Take, *, least_events: int = 2) -> tuple[Group, ...]:
    """The groups of a take, the one with most events first.

    Parameters
    ----------
    take : Take
        Tracks that share a clock.
    least_events : int
        Groups of fewer events are left out.
    """
    events = _events(take)
    found = [members for members in _grouped(events) if len(members) >= least_events]
    return tuple(_measured(take, members) for members in sorted(found, key=len, reverse=True))


def _events(take: Take) -> list[_Event]:
    strokes = _strokes(take)
    out: list[_Event] = []
    for first in sorted({track for track, _ in strokes}):
        starts = np.array([start for track, start in strokes if track == first], dtype=np.intp)
        delays_s = np.stack(
            [
                np.zeros(len(starts)) if index == first else _event_delays(take.tracks[first], track, starts)
                for index, track in enumerate(take.tracks)
            ],
            axis=1,
        )
        out += [_Event(first, int(start), row) for start, row in zip(starts, delays_s, strict=True)]
    return out


def _strokes(take: Take) -> list[tuple[int, int]]:
    """Strokes that begin after a rest in any track: the track that hears each first, and the sample there."""
    found = sorted(
        (int(start), index)
        for index, track in enumerate(take.tracks)
        for start in hits(envelope(track), below_loudest_db=30.0)
    )
    apart = round(_SAME_EVENT_S * take.sample_rate)
    out: list[tuple[int, int]] = []
    last = -apart
    for start, index in found:
        if start - last >= apart:
            out.append((index, start))
            last = start
    step = max(1, -(-len(out) // _MOST_EVENTS))
    return out[::step]


def _event_delays(first: Track, track: Track, starts: Ints) -> Floats:
    """The delay of each event in a track against the first, nan where two delays fit nearly alike."""
    rate = first.sample_rate
    window = raised_cosine(round(0.023 * rate), round(0.002 * rate), round(0.010 * rate))
    begin = starts - round(0.003 * rate)
    spectra = frame_spectra(first, track, begin, window, margin=round(_MAX_DELAY_S * rate))
    frequency_hz = spectra.frequencies_hz
    inside = (frequency_hz > _BAND_HZ[0]) & (frequency_hz < _BAND_HZ[1])
    size = np.abs(spectra.cross) + 1e-30
    level = np.maximum(size, size.max(axis=1, keepdims=True) * 1e-4)
    white = np.where(inside, spectra.cross * level**-0.7, 0.0)
    correlation = np.fft.irfft(white, 2 * spectra.size, axis=1)
    return np.array([_clear_peak(row, 2 * rate) for row in correlation]) + spectra.centre_s


def _clear_peak(correlation: Floats, rate: int) -> float:
    """The lag of the highest peak of either sign, in seconds; nan where another place rivals it."""
    half = round(_MAX_DELAY_S * rate)
    values = np.abs(np.concatenate([correlation[-half:], correlation[: half + 1]]))
    best = int(np.argmax(values))
    beside = round(0.0004 * rate)
    others = values.copy()
    others[max(best - beside, 0) : best + beside + 1] = 0.0
    return (best - half) / rate if values[best] > 1.15 * others.max() else float("nan")


def _grouped(events: Sequence[_Event]) -> list[list[_Event]]:
    """Events whose signatures agree, each with the group that most of its kind are in."""
    if not events:
        return []
    rows = np.array([event.delays_s for event in events])
    like = _agreement(rows)
    left = np.ones(len(events), dtype=bool)
    out = []
    while left.any():
        middle = int(np.argmax(np.where(left, (like & left).sum(axis=1), -1)))
        members = like[middle] & left
        members[middle] = True
        out.append([event for event, is_in in zip(events, members, strict=True) if is_in])
        left &= ~members
    return out


def _agreement(rows: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Whether two signatures agree, whatever track each was counted from: shape (E, E)."""
    difference = rows[:, None] - rows[None]
    known = np.isfinite(difference)
    counts = known.sum(axis=2)
    middle = np.zeros(counts.shape)
    some = counts > 0
    middle[some] = np.nanmedian(difference[some], axis=1)
    near = (np.abs(difference - middle[..., None]) < _SAME_PLACE_S) & known
    needed = np.maximum(2, np.ceil(0.7 * counts))
    agree: np.ndarray[tuple[int, ...], np.dtype[np.bool_]] = near.sum(axis=2) >= needed
    return agree


def _measured(take: Take, members: Sequence[_Event]) -> Group:
    counted = np.bincount([event.first for event in members])
    reference = int(np.argmax(counted))
    moments_s = [_moment_in(event, reference, take.sample_rate) for event in members]
    moments_s = sorted(moment for moment in moments_s if np.isfinite(moment))
    others = [track for index, track in enumerate(take.tracks) if index != reference]
    delays = measure_many(take.tracks[reference], others, max_delay_s=_MAX_DELAY_S, moments_s=moments_s)
    heard = [Heard(d.delay_s, d.uncertainty_s, d.polarity, d.polarity_margin, d.reliable) for d in delays]
    heard.insert(reference, Heard(0.0, 0.0, 1, 1.0, True))
    return Group(reference, tuple(moments_s), tuple(heard))


def _moment_in(event: _Event, track: int, sample_rate: int) -> float:
    return float(event.start / sample_rate + event.delays_s[track])
