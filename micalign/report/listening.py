"""What is there to hear of a take: the whole blend and each source by itself, before and after alignment.

An `Excerpt` is the sum of some tracks about one moment, twice: as recorded, and with the planned shifts. Both are
equally loud (ITU-R BS.1770-4 K-weighting) and at most -20 dBFS RMS; full scale is +-1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from micalign.alignment.gain import BlendTrack
from micalign.alignment.pairings import Measured
from micalign.alignment.preview import loudest_moment, preview
from micalign.arrays import Floats
from micalign.files.audio_bytes import flac_bytes
from micalign.report.page import audio_address
from micalign.scene.model import Scene
from micalign.take.loudness import k_weighted
from micalign.take.model import Take
from micalign.tdoa.told import SourceDelays
from micalign.units import amplitude_from_db, db_from_power, show_db

__all__ = ["Excerpt", "excerpts", "player_values"]

_BLEND_S: Final = 6.0
_BLEND_BYTES: Final = 1_600_000  # of 16 bits, both sounds together; with the sources' it is 5.3 MB in a page at most
_SOURCE_S: Final = 2.0
_SOURCES_BYTES: Final = 2_400_000
_MOST_SOURCES: Final = 12
_LEAST_S: Final = 0.5
_LOUDEST_DBFS: Final = -20.0
_SILENT: Final = 1e-9
_HIT_S: Final = (-0.06, 0.44)
"""What is looped of one hit: from so long before its loudest moment to so long after."""


@dataclass(frozen=True, eq=False)
class Excerpt:
    """One thing to hear, before and after; ``hit_s`` is the stretch of it to loop, ``tracks`` what was added up."""

    title: str
    tracks: tuple[str, ...]
    before: Floats
    after: Floats
    sample_rate: int
    hit_s: tuple[float, float]

    @property
    def loudness_lufs(self) -> float:
        """Of both, without the standard's gate: they are short."""
        return float(-0.691 + db_from_power(float(np.mean(k_weighted(self.before, self.sample_rate) ** 2))))


def excerpts(scene: Scene, take: Take, found: Measured, moved: Sequence[BlendTrack]) -> tuple[Excerpt, ...]:
    """The blend, then each source that two tracks or more are there to take; none of what is silent.

    Parameters
    ----------
    scene, take, found
        What was recorded, and what was measured of it.
    moved : sequence of BlendTrack
        Every track of the take and what is done to it.
    """
    rate = take.sample_rate
    seconds = min(_BLEND_S, _BLEND_BYTES / (4 * rate))
    middle_s = loudest_moment(take.track(found.reference))
    blend = _excerpt("the whole blend", moved, middle_s, seconds)
    sources = [one for one in found.sources or () if len(_takes(scene, one.source, moved)) > 1][:_MOST_SOURCES]
    each_s = max(min(_SOURCE_S, _SOURCES_BYTES / (4 * rate * max(len(sources), 1))), _LEAST_S)
    heard = [_of_source(scene, take, one, moved, each_s) for one in sources]
    return tuple(one for one in (blend, *heard) if one is not None)


def _takes(scene: Scene, source: str, moved: Sequence[BlendTrack]) -> list[BlendTrack]:
    """The tracks that are there to take a source."""
    names = {mic.name for mic in scene.mics if source in mic.on} | {di.name for di in scene.dis if di.of == source}
    return [one for one in moved if one.track.name in names]


def _of_source(
    scene: Scene, take: Take, one: SourceDelays, moved: Sequence[BlendTrack], seconds: float
) -> Excerpt | None:
    middle_s = one.loudest_s if one.loudest_s is not None else loudest_moment(take.track(one.reference))
    return _excerpt(one.source, _takes(scene, one.source, moved), middle_s, seconds)


def _excerpt(title: str, moved: Sequence[BlendTrack], moment_s: float, seconds: float) -> Excerpt | None:
    rate = moved[0].track.sample_rate
    longest_s = max(one.track.duration_s for one in moved)
    seconds = min(seconds, longest_s)
    middle_s = min(max(moment_s, seconds / 2), longest_s - seconds / 2)
    before, after = preview(moved, middle_s=middle_s, seconds=seconds)
    rms = float(np.sqrt(np.mean(before**2)))
    if rms < _SILENT:
        return None
    scale = min(1.0, amplitude_from_db(_LOUDEST_DBFS) / rms)
    at_s = moment_s - (middle_s - seconds / 2)
    hit_s = (max(at_s + _HIT_S[0], 0.0), min(at_s + _HIT_S[1], seconds))
    names = tuple(one.track.name for one in moved)
    return Excerpt(title, names, before * scale, after * scale, rate, hit_s)


def player_values(heard: Sequence[Excerpt]) -> list[dict[str, Any]]:
    """What the player's template asks for: each excerpt with its two sounds as addresses."""
    return [
        {
            "title": one.title,
            "tracks": ", ".join(one.tracks),
            "loudness": show_db(one.loudness_lufs).replace("dB", "LUFS"),
            "hit_s": [round(end, 4) for end in one.hit_s],
            "addresses": [
                audio_address(flac_bytes(samples, sample_rate=one.sample_rate), "audio/flac")
                for samples in (one.before, one.after)
            ],
        }
        for one in heard
    ]
