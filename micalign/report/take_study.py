"""Everything that one page tells of a take: levels, delays, offsets, what the sum gains, and how it sounds.

A stretch is every track before and after alignment, for figures of it: at its gain, as recorded, and again shifted and
flipped as the offsets say. Times are seconds on the take's clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.gain import BlendTrack, SumGain, sum_gain
from micalign.alignment.offsets import Offsets
from micalign.alignment.pairings import Measured
from micalign.alignment.preview import loudest_moment
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.alignment.shift import Span, shifted_blocks
from micalign.arrays import Floats
from micalign.report.listening import Excerpt, excerpts
from micalign.scene.model import Scene
from micalign.take.levels import TrackLevels, measure_levels
from micalign.take.tracks import Take, Track, as_recorded
from micalign.tdoa.delays import Alone, SourceDelays
from micalign.units import amplitude_from_db

__all__ = ["Stretch", "TakeStudy", "close_tracks", "gains_of", "stretch", "study"]
_SPECTRUM_S: Final = 8.0
_HIT_S: Final = 0.020
_BEFORE_HIT_S: Final = 0.004


@dataclass(frozen=True, eq=False)
class Stretch:
    """So many seconds of each track, as recorded (``before``) and as aligned (``after``), at the blend's gains."""

    start_s: float
    sample_rate: int
    before: Mapping[str, Floats]
    after: Mapping[str, Floats]

    @property
    def sum_before(self) -> Floats:
        """The blend as recorded."""
        summed: Floats = np.sum(list(self.before.values()), axis=0)
        return summed

    @property
    def sum_after(self) -> Floats:
        """The blend as aligned."""
        summed: Floats = np.sum(list(self.after.values()), axis=0)
        return summed


def stretch(
    tracks: Sequence[Track],
    offsets: Offsets,
    *,
    start_s: float,
    seconds: float,
    gains_db: Mapping[str, float] | None = None,
) -> Stretch:
    """Cut a stretch out of every track, before and after.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, each with its shift among ``offsets``.
    offsets : Offsets
    start_s, seconds : float
    gains_db : mapping of name to float, optional
        Of the blend; 0 dB where left out.

    Examples
    --------
    >>> from micalign.alignment.offsets import Shift, followed
    >>> late = Shift("late", 0.002, 0.0, -0.002, polarity_flip=True, reliable=True, applied=True)
    >>> offsets = followed([late], reference="first", sample_rate=1000)
    >>> tracks = [Track.from_array("first", [0, 1, 0, 0, 0], 1000), Track.from_array("late", [0, 0, 0, -1, 0], 1000)]
    >>> stretch(tracks, offsets, start_s=0.0, seconds=0.005).sum_after.tolist()
    [0.0, 2.0, 0.0, 0.0, 0.0]
    """
    rate = offsets.sample_rate
    start, frames = round(start_s * rate), round(seconds * rate)
    gains = gains_db or {}
    before, after = {}, {}
    for track in tracks:
        gain, shift = amplitude_from_db(gains.get(track.name, 0.0)), offsets.shift(track.name)
        before[track.name] = gain * track.read(start, frames)
        blocks = shifted_blocks(
            track,
            shift.shift_s * rate,
            polarity=-1 if shift.polarity_flip else 1,
            gain=gain,
            span=Span(start, start + frames),
        )
        after[track.name] = np.concatenate(list(blocks))
    return Stretch(start_s, rate, before, after)


@dataclass(frozen=True, eq=False)
class TakeStudy:
    """What was found; ``heard`` is what there is to hear, none of it where the take is silent."""

    take: Take
    close: frozenset[str]
    levels: tuple[TrackLevels, ...]
    measured: Measured
    offsets: Offsets
    gain: SumGain
    around: Stretch
    hit: Stretch
    hit_of: str
    heard: tuple[Excerpt, ...]

    @property
    def close_sources(self) -> tuple[SourceDelays, ...]:
        """The sources with a track of their own, heard in another one as well."""
        return tuple(one for one in self.measured.sources or () if one.reference in self.close and one.tracks)

    @property
    def is_sound(self) -> bool:
        """Whether every track is as it should be and every delay reliable."""
        return self.measured.all_reliable and not any(one.has_problem for one in self.levels)


def study(
    scene: Scene, take: Take, *, alone: Sequence[Alone] = (), say: Callable[[str], None] = lambda _: None
) -> TakeStudy:
    """Measure a take against its scene, plan the offsets, and cut out what a page shows of it.

    Parameters
    ----------
    scene : Scene
    take : Take
        Its tracks, named as in the scene; two or more.
    alone : sequence of Alone
        Where one source sounds alone.
    say : callable
        Told what is being done.

    Raises
    ------
    SceneError, TakeError
        If the take holds fewer than two tracks of the scene, or a file breaks off.
    """
    say("reading levels")
    levels = measure_levels([as_recorded(track)[0] for track in take.tracks])
    say("measuring each source on its own")
    found = measured_scene(scene, take, alone=alone)
    names = [track.name for track in take.tracks]
    gains = gains_of(scene)
    offsets = planned(found, constraints_of(scene, names, reference=found.reference), gains_db=gains)
    moved = [_moved(track.name, take, offsets, gains) for track in take.tracks]
    middle_s = loudest_moment(take.track(found.reference))
    close = close_tracks(scene)
    hit = next((one for one in found.sources or () if one.reference in close), None)
    hit_track = hit.reference if hit else found.reference
    say("adding up before and after")
    return TakeStudy(
        take,
        close,
        levels,
        found,
        offsets,
        sum_gain(moved),
        stretch(take.tracks, offsets, start_s=middle_s - _SPECTRUM_S / 2, seconds=_SPECTRUM_S, gains_db=gains),
        stretch(take.tracks, offsets, start_s=_first_rise_s(take, hit_track), seconds=_HIT_S),
        hit.source if hit else "",
        excerpts(scene, take, found, moved),
    )


def gains_of(scene: Scene) -> dict[str, float]:
    """The blend's gain of each mic and DI."""
    return {mic.name: mic.gain_db for mic in scene.mics} | {di.name: di.gain_db for di in scene.dis}


def _moved(name: str, take: Take, offsets: Offsets, gains: dict[str, float]) -> BlendTrack:
    shift = offsets.shift(name)
    polarity = -1 if shift.polarity_flip else 1
    return BlendTrack(take.track(name), shift.shift_s * take.sample_rate, polarity, gains.get(name, 0.0))


def close_tracks(scene: Scene) -> frozenset[str]:
    """The tracks that are there for one source alone: close mics and DIs."""
    return frozenset([*(mic.name for mic in scene.mics if len(mic.on) == 1), *(di.name for di in scene.dis)])


def _first_rise_s(take: Take, track: str) -> float:
    """A little before the track rises to a quarter of its height within its loudest moment."""
    rate = take.sample_rate
    start = round((loudest_moment(take.track(track)) - 0.05) * rate)
    size = np.abs(take.track(track).read(start, round(0.1 * rate)))
    rise = int(np.argmax(size >= 0.25 * size.max(initial=0.0)))
    return (start + rise) / rate - _BEFORE_HIT_S
