"""Which sounds are in a take, and how much later is each in every track?

No label is trusted: a cable may be in the wrong input. Every stroke that any track hears is an event. Its direct
sound is the first to reach a mic, whatever the room sends after it, so each track's first rise gives a coarse arrival
and a few milliseconds from there, correlated between tracks, the exact one. An event's arrivals across the tracks are
a signature of the place it came from: events of one signature are one group (one drum, one singer), which is then
measured on all its events at once. Which source a group is, is left to whoever holds it against a scene.

Times are seconds on the take's clock; a delay is positive when the event comes LATER in the track.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Complexes, Floats, Ints
from micalign.take.tracks import Take, Track
from micalign.tdoa.spectra import Spectra, frame_spectra, irfft, raised_cosine, refine
from micalign.tdoa.strokes import listen, strokes_of_all
from micalign.tdoa.tuned import AGREEING, FOOT, LEAP, LEAST_LIKENESS, SAME_PLACE_S
from micalign.tdoa.wavefronts import cut

__all__ = ["Group", "GroupDelay", "groups_of"]

_STEP_S: Final = 0.00025  # seconds of a first rise: finer than a mic is from the next
_MAX_DELAY_S: Final = 0.03  # seconds of ways: 10 m
_BEFORE_S: Final = 0.015  # seconds of quiet before an arrival
_MARGIN_S: Final = 0.002  # seconds before the stroke, whose onset is known to a millisecond
_WINDOW_S: Final = (0.001, 0.0015, 0.0045)  # seconds: rises until a coarse arrival, holds the direct sound, falls
_NEAR_COARSE_S: Final = 0.0009  # seconds about a coarse arrival: some of its steps
_WITHIN_S: Final = 2 * SAME_PLACE_S  # of one another lie events that agree with the one in their middle
_FINER: Final = 8  # points to a sample
_MOST_EVENTS: Final = 400  # that are compared with one another
_BAND_HZ: Final = (150.0, 9000.0)  # hertz: in which first waves of different mics are alike


@dataclass(frozen=True, slots=True)
class GroupDelay:
    """How one group sounds in one track, against the group's reference track.

    ``polarity_margin`` is 0 where an inverted copy fits as well, 1 where nothing else fits.
    """

    delay_s: float
    uncertainty_s: float
    polarity: int
    polarity_margin: float
    reliable: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Events that came from one place.

    ``heard`` has one entry for each track of the take, in its order; the reference's own is at 0. ``moments_s`` are
    the events' arrivals in the reference track.
    """

    reference: int
    moments_s: tuple[float, ...]
    heard: tuple[GroupDelay, ...]


@dataclass(frozen=True, slots=True)
class _Events:
    """E strokes: the track that hears each first (E,), coarse arrivals in samples (E, M) and delays against it (E, M).

    Both are nan where a track does not hear a stroke.
    """

    first: Ints
    arrival: Floats
    delay_s: Floats


def groups_of(take: Take, *, least_events: int = 2) -> tuple[Group, ...]:
    """The groups of a take, the one with most events first.

    Parameters
    ----------
    take : Take
        Tracks that share a clock.
    least_events : int
        Groups of fewer events are left out.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> clap = rng.standard_normal(400) * np.exp(-np.arange(400) / 60)
    >>> early, late = np.zeros(40000), np.zeros(40000)
    >>> for start in (9000, 21000, 33000):
    ...     early[start : start + 400], late[start + 96 : start + 496] = clap, -clap
    >>> tracks = [Track.from_array(name, samples, 48000) for name, samples in (("a", early), ("b", late))]
    >>> group = groups_of(Take(tuple(tracks)))[0]
    >>> len(group.moments_s), round(group.heard[1].delay_s, 6), group.heard[1].polarity
    (3, 0.002, -1)
    """
    events = _events(take)
    if not len(events.first):
        return ()
    found = [members for members in _grouped(events) if len(members) >= least_events]
    return tuple(_measured(take, events, members) for members in sorted(found, key=len, reverse=True))


def _events(take: Take) -> _Events:
    with ThreadPoolExecutor(2) as pool:
        struck_s = strokes_of_all(list(pool.map(listen, take.tracks)))
    struck_s = struck_s[:: max(1, -(-len(struck_s) // _MOST_EVENTS))]
    arrival = np.array([_arrivals(track, struck_s) for track in take.tracks]).T.reshape(len(struck_s), len(take.tracks))
    arrival = arrival[np.isfinite(arrival).sum(axis=1) >= 2]
    first = np.argmin(np.where(np.isfinite(arrival), arrival, np.inf), axis=1) if len(arrival) else np.zeros(0, np.intp)
    delay_s = np.full(arrival.shape, np.nan)
    for index in np.unique(first):
        rows = np.flatnonzero(first == index)
        for other in range(len(take.tracks)):
            delay_s[rows, other] = _fine_delays(take, arrival[rows], int(index), other)
    return _Events(first, arrival, delay_s)


def _arrivals(track: Track, struck_s: Floats) -> Floats:
    """The sample of a track's first rise after each stroke began somewhere; nan where it rises too little."""
    step = max(round(_STEP_S * track.sample_rate), 1)
    before, ahead = (round(seconds / _STEP_S) for seconds in (_BEFORE_S, _MAX_DELAY_S))
    margin = round(_MARGIN_S / _STEP_S)
    starts = np.rint((struck_s - track.start_s) * track.sample_rate).astype(np.intp) - (before + margin) * step
    # The difference of neighbours favours the stroke over the ring, hum and offset.
    leaps = np.diff(cut(track, starts - 1, (before + margin + ahead) * step + 1), axis=1)
    power = (leaps**2).reshape(len(starts), before + margin + ahead, step).mean(axis=2)
    quiet, window = power[:, :before].mean(axis=1), power[:, before:]
    peak = window.max(axis=1, initial=0.0)
    foot = np.maximum(0.5 * LEAP * quiet, FOOT * peak)
    rises = np.argmax(window > foot[:, None], axis=1)
    return np.where((peak > LEAP * quiet) & (peak > 0), starts + (before + rises) * step, np.nan)


def _spectra(take: Take, arrival: Floats, first: int, other: int, centre_s: Floats) -> Spectra:
    rate = take.sample_rate
    rise, flat, fall = (round(seconds * rate) for seconds in _WINDOW_S)
    starts = np.rint(arrival[:, first]).astype(np.intp) - rise
    window = raised_cosine(rise + flat + fall, rise, fall)
    return frame_spectra(take.tracks[first], take.tracks[other], starts, window, margin=0, centre_s=centre_s)


def _fine_delays(take: Take, arrival: Floats, first: int, other: int) -> Floats:
    """The delay of each event in a track against the one that hears it first, nan where it is not heard."""
    out = np.full(len(arrival), np.nan)
    if first == other:
        return np.zeros(len(arrival))
    heard = np.flatnonzero(np.isfinite(arrival[:, other]))
    if len(heard):
        later_s = take.tracks[other].start_s - take.tracks[first].start_s
        coarse_s = (arrival[heard, other] - arrival[heard, first]) / take.sample_rate + later_s
        spectra = _spectra(take, arrival[heard], first, other, coarse_s)
        white = _whitened(spectra)
        for row, index in enumerate(heard):
            out[index] = _highest(white[row], spectra) + float(np.broadcast_to(spectra.centre_s, len(heard))[row])
    return out


def _whitened(spectra: Spectra) -> Complexes:
    """Cross-spectra (K, B) with their levels evened out, inside the band."""
    frequency_hz = spectra.frequencies_hz
    inside = (frequency_hz > _BAND_HZ[0]) & (frequency_hz < _BAND_HZ[1])
    level = np.abs(spectra.cross).astype(np.float64)
    floor = np.maximum(level.max(axis=1, keepdims=True) * 1e-4, 1e-30)
    return np.where(inside, spectra.cross * np.maximum(level, floor) ** -0.6, 0.0)


def _highest(white: Complexes, spectra: Spectra) -> float:
    """The lag of the highest peak of either sign near the coarse arrival, seconds."""
    near = _near_coarse(white, spectra)
    return float(np.argmax(np.abs(near)) - len(near) // 2) / (_FINER * spectra.sample_rate)


def _near_coarse(white: Complexes, spectra: Spectra) -> Floats:
    """The correlation about the coarse arrival, `_FINER` values to a sample, lag 0 in the middle."""
    values = irfft(white, _FINER * spectra.size)
    half = round(_NEAR_COARSE_S * _FINER * spectra.sample_rate)
    return np.concatenate([values[-half:], values[: half + 1]])


def _grouped(events: _Events) -> list[Ints]:
    """Events whose signatures agree, the largest group first."""
    like = _agreement(events.delay_s)
    left = np.ones(len(like), dtype=np.bool_)
    out = []
    while left.any():
        middle = int(np.argmax(np.where(left, (like & left).sum(axis=1), -1)))
        members = like[middle] & left
        members[middle] = True
        out.append(np.flatnonzero(members))
        left &= ~members
    return out


def _agreement(rows: Floats) -> Bools:
    """Whether two signatures agree, whatever track each was counted from: shape (E, E)."""
    difference = rows[:, None] - rows[None]
    known = np.isfinite(difference)
    counts = known.sum(axis=2)
    middle = np.zeros(counts.shape)
    some = counts > 0
    middle[some] = np.nanmedian(difference[some], axis=1)
    near = (np.abs(difference - middle[..., None]) < SAME_PLACE_S) & known
    agree: Bools = near.sum(axis=2) >= np.maximum(2, np.ceil(AGREEING * counts))
    return agree


def _measured(take: Take, events: _Events, members: Ints) -> Group:
    reference = int(np.argmax(np.bincount(events.first[members])))
    # Delays were counted from the track that heard each event first: turn them to the group's reference.
    turned = events.delay_s[members] - events.delay_s[members, reference][:, None]
    usable = np.isfinite(turned[:, reference])
    turned, arrival = turned[usable], events.arrival[members][usable]
    heard = tuple(_heard(take, arrival, turned, reference, other) for other in range(len(take.tracks)))
    start_s = take.tracks[reference].start_s
    moments = sorted(float(value) / take.sample_rate + start_s for value in arrival[:, reference])
    return Group(reference, tuple(moments), heard)


def _heard(take: Take, arrival: Floats, turned: Floats, reference: int, other: int) -> GroupDelay:
    """One track on all the events of a group at once."""
    if other == reference:
        return GroupDelay(0.0, 0.0, 1, 1.0, True)
    own = np.flatnonzero(np.isfinite(turned[:, other]))
    if len(own) < 2:
        return GroupDelay(0.0, _MAX_DELAY_S, 1, 0.0, False)
    middle_s = float(np.median(turned[own, other]))
    own = own[np.abs(turned[own, other] - middle_s) < _WITHIN_S]
    if len(own) < 2:
        return GroupDelay(middle_s, _MAX_DELAY_S, 1, 0.0, False)
    spectra = _spectra(take, arrival[own], reference, other, np.full(len(own), middle_s))
    away_s = float(np.broadcast_to(spectra.centre_s, len(own))[0])
    white = _whitened(spectra)
    total = white.sum(axis=0)
    frequency_hz = spectra.frequencies_hz
    best = refine(total, frequency_hz, middle_s - away_s, within_s=_WITHIN_S)
    likeness = abs(best.height) * float(np.abs(total).sum()) / max(float(np.abs(white).sum()), 1e-30)
    single = np.array([refine(row, frequency_hz, best.lag_s, within_s=_WITHIN_S).lag_s for row in white])
    scatter_s = 1.4826 * float(np.median(np.abs(single - best.lag_s)))
    return GroupDelay(
        best.lag_s + away_s,
        max(scatter_s / np.sqrt(len(own)), 1e-6),
        best.polarity,
        _margin(total, spectra, abs(best.height) * float(np.abs(total).sum())),
        likeness > LEAST_LIKENESS and scatter_s < SAME_PLACE_S,
    )


def _margin(total: Complexes, spectra: Spectra, height: float) -> float:
    """How far the highest peak of the other polarity stays below the chosen one."""
    near = _near_coarse(total, spectra) * _FINER * spectra.size / 2.0
    other = min(float(near.max()), float(-near.min()))
    return float(np.clip(1.0 - other / max(height, 1e-30), 0.0, 1.0))
