"""What is there to hear of a take: the whole blend, each source by itself, each DI with its mic, in every version.

An `Excerpt` is the sum of some tracks about one moment: as recorded and with the planned shifts, or as the lines of a
DI and its mic have it. All are equally loud (ITU-R BS.1770-4 K-weighting) and at most -20 dBFS RMS; full scale is +-1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from micalign.alignment.gain import BlendTrack
from micalign.alignment.onepath.pair import PairSum, ways_to_add
from micalign.alignment.pairings import Measured
from micalign.alignment.preview import loudest_moment, previews
from micalign.arrays import Floats
from micalign.files.sinks import flac_bytes
from micalign.report.page import audio_address
from micalign.report.threelines import WAY_WORDS
from micalign.scene.model import Scene
from micalign.take.loudness import k_weighted
from micalign.take.tracks import Take
from micalign.tdoa.delays import SourceDelays
from micalign.units import amplitude_from_db, db_from_power, show_db

__all__ = ["Excerpt", "excerpts", "player_values"]

_BLEND_S: Final = 6.0
_BLEND_BYTES: Final = 1_600_000  # of 16 bits, both sounds together; with the sources' it is 5.3 MB in a page at most
_SOURCE_S: Final = 2.0
_SOURCES_BYTES: Final = 2_400_000
_MOST_SOURCES: Final = 12
_LEAST_S: Final = 0.5
_SUM_S: Final = 5.0
_SUMS_BYTES: Final = 1_400_000
_MOST_SUMS: Final = 3
_LOUDEST_DBFS: Final = -20.0
_SILENT: Final = 1e-9
_HIT_S: Final = (-0.06, 0.44)
"""What is looped of one hit: from so long before its loudest moment to so long after."""


@dataclass(frozen=True, eq=False)
class Excerpt:
    """One thing to hear, ``sounds`` by what each version is called; ``hit_s`` is the stretch of it to loop."""

    title: str
    tracks: tuple[str, ...]
    sounds: Mapping[str, Floats]
    sample_rate: int
    hit_s: tuple[float, float]

    @property
    def loudness_lufs(self) -> float:
        """Of each, without the standard's gate: they are short."""
        first = next(iter(self.sounds.values()))
        return float(-0.691 + db_from_power(float(np.mean(k_weighted(first, self.sample_rate) ** 2))))


def excerpts(scene: Scene, take: Take, found: Measured, moved: Sequence[BlendTrack]) -> tuple[Excerpt, ...]:
    """The blend, each source that two tracks or more are there to take, each DI with its mic; none of what is silent.

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
    blend = _excerpt("the whole blend", _before_and_after(moved), middle_s, seconds)
    sources = [one for one in found.sources or () if len(_takes(scene, one.source, moved)) > 1][:_MOST_SOURCES]
    each_s = max(min(_SOURCE_S, _SOURCES_BYTES / (4 * rate * max(len(sources), 1))), _LEAST_S)
    heard = [_of_source(scene, take, one, moved, each_s) for one in sources]
    sums = found.sums[:_MOST_SUMS]
    sum_s = min(_SUM_S, _SUMS_BYTES / (6 * rate * max(len(sums), 1)))
    pairs = [_of_pair(take, one, sum_s) for one in sums]
    return tuple(one for one in (blend, *heard, *pairs) if one is not None)


def _before_and_after(moved: Sequence[BlendTrack]) -> dict[str, Sequence[BlendTrack]]:
    return {
        "as recorded": [BlendTrack(one.before or one.track, gain_db=one.gain_db) for one in moved],
        "aligned": moved,
    }


def _takes(scene: Scene, source: str, moved: Sequence[BlendTrack]) -> list[BlendTrack]:
    """The tracks that are there to take a source."""
    names = {mic.name for mic in scene.mics if source in mic.on} | {di.name for di in scene.dis if di.of == source}
    return [one for one in moved if one.track.name in names]


def _of_source(
    scene: Scene, take: Take, one: SourceDelays, moved: Sequence[BlendTrack], seconds: float
) -> Excerpt | None:
    middle_s = one.loudest_s if one.loudest_s is not None else loudest_moment(take.track(one.reference))
    return _excerpt(one.source, _before_and_after(_takes(scene, one.source, moved)), middle_s, seconds)


def _of_pair(take: Take, found: PairSum, seconds: float) -> Excerpt | None:
    """Both at one loudness, as the lines of the pair are told."""
    reference, track = take.track(found.reference), take.track(found.track)
    ways = {WAY_WORDS[name]: way for name, way in ways_to_add(found, reference, track).items()}
    return _excerpt(f"{found.reference} and {found.track}", ways, loudest_moment(reference), seconds)


def _excerpt(title: str, ways: Mapping[str, Sequence[BlendTrack]], moment_s: float, seconds: float) -> Excerpt | None:
    moved = next(iter(ways.values()))
    rate = moved[0].track.sample_rate
    longest_s = max(one.track.duration_s for one in moved)
    seconds = min(seconds, longest_s)
    middle_s = min(max(moment_s, seconds / 2), longest_s - seconds / 2)
    sounds = previews(list(ways.values()), middle_s=middle_s, seconds=seconds)
    rms = max(float(np.sqrt(np.mean(sound**2))) for sound in sounds)
    if rms < _SILENT:
        return None
    scale = min(1.0, amplitude_from_db(_LOUDEST_DBFS) / rms)
    at_s = moment_s - (middle_s - seconds / 2)
    hit_s = (max(at_s + _HIT_S[0], 0.0), min(at_s + _HIT_S[1], seconds))
    names = tuple(one.track.name for one in moved)
    versions = {name: sound * scale for name, sound in zip(ways, sounds, strict=True)}
    return Excerpt(title, names, versions, rate, hit_s)


def player_values(heard: Sequence[Excerpt]) -> list[dict[str, Any]]:
    """What the player's template asks for: each excerpt with its sounds as addresses, each by its version's name."""
    return [
        {
            "title": one.title,
            "tracks": ", ".join(one.tracks),
            "loudness": show_db(one.loudness_lufs).replace("dB", "LUFS"),
            "hit_s": [round(end, 4) for end in one.hit_s],
            "sounds": [
                (name, audio_address(flac_bytes(samples, sample_rate=one.sample_rate), "audio/flac"))
                for name, samples in one.sounds.items()
            ],
        }
        for one in heard
    ]
