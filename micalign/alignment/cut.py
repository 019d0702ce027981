"""What is cut off a track where its file begins, and is any of it heard above the track's own noise?

A track that moves earlier loses what would lie before the file's first sample: as a rule pre-roll. Levels are root mean
squares in decibels of full scale, without the track's offset: of what is lost, the loudest hundredth of a second; of
the noise, the floor that ``levels`` tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.moved import MovedTrack
from micalign.arrays import Floats
from micalign.take.noise import Floor, noise_floor
from micalign.take.tracks import Track, as_recorded
from micalign.units import db_from_power

__all__ = ["Cut", "cut_off"]

_WINDOW_S: Final = 0.01  # a click counts as what it is, and noise stays within 2 dB of its mean
_TENTH_S: Final = 0.1
_ABOVE_FLOOR: Final = 10.0**0.6  # 6 dB: noise that is uneven, and no sound
_PAUSELESS: Final = 100.0  # 20 dB: a floor that is a bound may lie so far too high (`micalign.take.noise`)
_SILENT: Final = 1e-14  # -140 dBFS


@dataclass(frozen=True, slots=True)
class Cut:
    """How many samples are lost in front, how loud they are, and how loud the track's own noise is (None: silent)."""

    samples: int = 0
    level_dbfs: float | None = None
    floor_dbfs: float | None = None
    is_heard: bool = False


def cut_off(moved: MovedTrack, start: int, *, whole: bool = False) -> Cut:
    """What a file that begins at ``start`` on the take's clock loses of a track.

    The whole track is read only where anything but silence is lost.

    >>> rng = np.random.default_rng(1)
    >>> sound = 1e-4 * rng.standard_normal(96_000)
    >>> sound[500:600] += np.tile([0.1, -0.1], 50)
    >>> late = MovedTrack(Track.from_array("late", sound, 48_000), -1000.0)
    >>> cut = cut_off(late, 0)
    >>> cut.samples, cut.is_heard, round(cut.level_dbfs), round(cut.floor_dbfs)
    (1000, True, -27, -80)
    >>> cut_off(late, -1000).samples
    0
    """
    samples = moved.samples_before(start, whole=whole)
    track, _ = as_recorded(moved.track)
    if samples == 0 or not _reads_sound(track, samples):
        return Cut(samples)
    powers, offset = _tenths(track)
    lost = _loudest(track, samples, offset)
    floor = noise_floor(powers)
    if lost <= _SILENT or floor is None:
        return Cut(samples)
    return Cut(samples, db_from_power(lost), db_from_power(floor.power), lost > _ABOVE_FLOOR * _surely_noise(floor))


def _surely_noise(floor: Floor) -> float:
    return floor.power / _PAUSELESS if floor.is_bound else floor.power


def _reads_sound(track: Track, samples: int) -> bool:
    step = round(_TENTH_S * track.sample_rate) * 50
    return any(track.read(at, min(step, samples - at)).any() for at in range(0, samples, step))


def _loudest(track: Track, samples: int, offset: float) -> float:
    """The power of the loudest window of the first samples; fewer than a window count as a part of one."""
    window = max(round(_WINDOW_S * track.sample_rate), 1)
    step, loudest = 100 * window, 0.0
    for at in range(0, samples, step):
        found = (track.read(at, min(step, samples - at)) - offset) ** 2
        loudest = max(loudest, float(np.add.reduceat(found, np.arange(0, len(found), window)).max()) / window)
    return loudest


def _tenths(track: Track) -> tuple[Floats, float]:
    """The powers of a track's tenths of a second without its offset, and the offset."""
    tenth = max(round(_TENTH_S * track.sample_rate), 1)
    means, squares = [], []
    for block in track.blocks(tenth * 50):
        rows = block[: len(block) // tenth * tenth].reshape(-1, tenth) if len(block) >= tenth else block[np.newaxis]
        means.append(rows.mean(axis=1))
        squares.append(np.einsum("ij,ij->i", rows, rows) / rows.shape[1])
    mean = np.concatenate(means)
    offset = float(mean.mean())
    powers: Floats = np.maximum(np.concatenate(squares) - (2.0 * mean - offset) * offset, 0.0)
    return powers, offset
