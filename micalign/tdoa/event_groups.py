"""Which sounds are in a take, and how much later is each in every track?

No label is trusted: a cable may be in the wrong input. Every stroke that any track hears is an event; when its first
wavefront comes in each track is a signature of the place it came from: events of one signature are one group (one drum,
one singer). A group is then measured as a source on its own strokes is (`micalign.tdoa.sources`), on all its events at
once. Which source a group is, is left to whoever holds it against a scene.

Times are seconds on the take's clock; a delay is positive when the event comes LATER in the track.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.take.tracks import Take, Track
from micalign.tdoa import tuned
from micalign.tdoa.delays import Delay, unknown
from micalign.tdoa.sources import measured_pair
from micalign.tdoa.strokes import Listened, listen_all, strokes_of_all, struck_at
from micalign.tdoa.wavefronts import high_passed_frames, onsets

__all__ = ["Group", "groups_of"]

_MAX_DELAY_S: Final = 0.03  # seconds of ways: 10 m
_BEFORE_S: Final = 0.015  # seconds of quiet before an arrival
_MARGIN_S: Final = 0.002  # seconds before the stroke, whose onset is known to a millisecond
_STRAY_S: Final = 0.001  # seconds: a wavefront that is missed is told some periods late, another sound anywhere
_MOST_EVENTS: Final = 400  # that are compared with one another
_FEWEST: Final = 2  # events of a group: what comes once may be anything


@dataclass(frozen=True, slots=True)
class Group:
    """Events that came from one place.

    ``heard`` has one delay against the reference for each track of the take, in its order; the reference's own is 0.
    ``moments_s`` are the events' arrivals in the reference track.
    """

    reference: int
    moments_s: tuple[float, ...]
    heard: tuple[Delay, ...]


def groups_of(take: Take) -> tuple[Group, ...]:
    """The groups of a take that two events and more make, the one with most events first.

    Parameters
    ----------
    take : Take
        Tracks that share a clock.

    Examples
    --------
    >>> from micalign.take.tracks import Track
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
    heard = listen_all(take.tracks)
    struck_s = strokes_of_all(heard)
    struck_s = struck_s[:: max(1, -(-len(struck_s) // _MOST_EVENTS))]
    arrival_s = np.stack([_arrivals(one, struck_s) for one in heard], axis=1)
    arrival_s = arrival_s[np.isfinite(arrival_s).sum(axis=1) >= 2]
    found = [members for members in _grouped(arrival_s) if len(members) >= _FEWEST]
    return tuple(_measured(heard, arrival_s[members]) for members in sorted(found, key=len, reverse=True))


def _arrivals(track: Track, struck_s: Floats) -> Floats:
    """When the first wavefront of each stroke comes, seconds on the take's clock; nan where a track hears none."""
    rate = track.sample_rate
    before, ahead = round(_BEFORE_S * rate), round((_MARGIN_S + _MAX_DELAY_S) * rate)
    starts = np.rint((struck_s - _MARGIN_S - track.start_s) * rate).astype(np.intp) - before
    at, clear = onsets(high_passed_frames(track, starts, before + ahead) ** 2, before)
    return np.where(clear > tuned.CLEAR_RISE, (starts + at) / rate + track.start_s, np.nan)


def _grouped(arrival_s: Floats) -> list[Ints]:
    """Events whose signatures agree, the largest group first."""
    like = _agreement(arrival_s)
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
    """Whether the arrivals of two events differ by the same in all tracks: shape (E, E)."""
    difference = rows[:, None] - rows[None]
    known = np.isfinite(difference)
    counts = known.sum(axis=2)
    middle = np.zeros(counts.shape)
    some = counts > 0
    middle[some] = np.nanmedian(difference[some], axis=1)
    near = (np.abs(difference - middle[..., None]) < tuned.SAME_PLACE_S) & known
    agree: Bools = near.sum(axis=2) >= np.maximum(2, np.ceil(tuned.AGREEING * counts))
    return agree


def _measured(heard: Sequence[Listened], arrival_s: Floats) -> Group:
    """A group by the strokes that its reference hears: the track that hears most of them first."""
    first = np.argmin(np.where(np.isfinite(arrival_s), arrival_s, np.inf), axis=1)
    reference = int(np.argmax(np.bincount(first)))
    arrival_s = arrival_s[np.isfinite(arrival_s[:, reference])]
    times_s = np.sort(arrival_s[:, reference])
    own = struck_at(heard[reference], heard[reference].samples_at(times_s))

    def told(index: int) -> Delay:
        if index == reference:
            return Delay(0.0, 0.0, 1, 1.0, 1.0, True, None)
        later_s = (arrival_s[:, index] - arrival_s[:, reference])[np.isfinite(arrival_s[:, index])]
        middle_s = float(np.median(later_s)) if len(later_s) else 0.0
        if (np.abs(later_s - middle_s) < _STRAY_S).sum() < 2:
            return unknown("its strokes do not come alike", middle_s, _MAX_DELAY_S)
        return measured_pair(own, heard[index], None, _MAX_DELAY_S)

    return Group(reference, tuple(times_s.tolist()), tuple(map(told, range(len(heard)))))
