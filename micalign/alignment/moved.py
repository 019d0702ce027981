"""A track and what is done to it on its way into an aligned set: moved, drift taken out, flipped, turned in phase, cut.

One value holds what is asked, and hands out the samples that follow from them, block by block.

A track that moves earlier loses what would lie before the file's first sample (`cut_off`): as a rule pre-roll. Levels
are root mean squares in decibels of full scale, without the track's offset: of what is lost, the loudest hundredth of a
second; of the noise, the floor that ``levels`` tells.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign import __version__
from micalign.alignment.gain import Section, all_pass_blocks, ring_samples
from micalign.alignment.shift import (
    Span,
    rate_of_original,
    resampled_blocks,
    resampled_span,
    shifted_blocks,
    shifted_span,
    split_shift,
)
from micalign.alignment.tuned import ABOVE_FLOOR, LOST_WINDOW_S, PAUSELESS
from micalign.arrays import Floats
from micalign.take.noise import Floor, noise_floor
from micalign.take.tracks import Track, as_recorded
from micalign.units import db_from_power

__all__ = ["Cut", "MovedTrack", "cut_off", "on_one_clock"]

_TENTH_S: Final = 0.1  # seconds, as `micalign.take.noise` reads a floor
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
    return Cut(samples, db_from_power(lost), db_from_power(floor.power), lost > ABOVE_FLOOR * _surely_noise(floor))


def _surely_noise(floor: Floor) -> float:
    return floor.power / PAUSELESS if floor.is_bound else floor.power


def _reads_sound(track: Track, samples: int) -> bool:
    step = round(_TENTH_S * track.sample_rate) * 50
    return any(track.read(at, min(step, samples - at)).any() for at in range(0, samples, step))


def _loudest(track: Track, samples: int, offset: float) -> float:
    """The power of the loudest window of the first samples; fewer than a window count as a part of one."""
    window = max(round(LOST_WINDOW_S * track.sample_rate), 1)
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


_NO_LOSS_SAMPLES: Final = 0.01  # a sample that lies so little before its file is heard in the next


@dataclass(frozen=True, slots=True)
class MovedTrack:
    """A track and what is done to it: moved later by ``shift_samples``, its drift taken out, its polarity (1 or -1).

    ``sections`` are all-passes as (hertz, Q), applied last. A track that began elsewhere on the clock
    (`micalign.take.tracks`) is handed out whole: also what lies before the clock's beginning.
    """

    track: Track
    shift_samples: float = 0.0
    polarity: int = 1
    drift_ppm: float = 0.0
    sections: tuple[Section, ...] = ()

    @property
    def begun_samples(self) -> int:
        """Where its first sample lay on the take's clock before any shift."""
        return as_recorded(self.track)[1]

    def goes_with(self, other: MovedTrack) -> bool:
        """Whether another channel of its file goes the same way, to a sample; either keeps its own shift and polarity.

        >>> left, right, late = (MovedTrack(Track.from_array("a", np.zeros(9), 48000), by) for by in (7.2, 7.3, 9.0))
        >>> left.goes_with(right), left.goes_with(late)
        (True, False)
        """
        alike = (self.drift_ppm, self.sections) == (other.drift_ppm, other.sections)
        apart = self.shift_samples + self.begun_samples - other.shift_samples - other.begun_samples
        return alike and abs(apart) <= 1.0

    def span(self, *, whole: bool = False) -> Span:
        """Where it sounds on the take's clock."""
        track, begun = as_recorded(self.track)
        ring = ring_samples(self.sections, sample_rate=track.sample_rate)
        if self.drift_ppm:
            span = resampled_span(track.frames, self.shift_samples + begun, self.drift_ppm)
        else:
            span = shifted_span(track.frames, self.shift_samples + begun, whole=whole)
        return Span(span.start, span.stop + ring)

    def samples_before(self, start: int, *, whole: bool = False) -> int:
        """How many of its samples sound before ``start`` on the take's clock.

        >>> late = MovedTrack(Track.from_array("late", np.zeros(100), 48000), -7.5)
        >>> late.samples_before(0), late.samples_before(-7), late.samples_before(-70)
        (8, 1, 0)
        """
        track, begun = as_recorded(self.track)
        shift = float(round(self.shift_samples)) if whole else self.shift_samples
        first = start * (1.0 + self.drift_ppm * 1e-6) - shift - begun
        return min(max(math.ceil(first - _NO_LOSS_SAMPLES), 0), track.frames)

    def blocks(self, span: Span, *, whole: bool, gain: float, block_frames: int) -> Iterator[Floats]:
        """Its samples after all that."""
        blocks = self._shifted(span, whole=whole, gain=gain, block_frames=block_frames)
        rate = self.track.sample_rate
        return all_pass_blocks(blocks, self.sections, sample_rate=rate) if self.sections else blocks

    def _shifted(self, span: Span, *, whole: bool, gain: float, block_frames: int) -> Iterator[Floats]:
        track, begun = as_recorded(self.track)
        if self.drift_ppm:
            return resampled_blocks(
                track,
                self.shift_samples + begun,
                self.drift_ppm,
                polarity=self.polarity,
                gain=gain,
                span=span,
                block_frames=block_frames,
            )
        return shifted_blocks(
            track,
            self.shift_samples + begun,
            whole=whole,
            polarity=self.polarity,
            gain=gain,
            span=span,
            block_frames=block_frames,
        )

    def is_exact(self, *, whole: bool) -> bool:
        """Whether every sample comes out as it went in."""
        if rate_of_original(as_recorded(self.track)[0])[1]:
            return False
        return not self.drift_ppm and not self.sections and split_shift(self.shift_samples, whole=whole)[1] == 0.0

    def history(self, span: Span, *, whole: bool, gain: float) -> str:
        """What is done to it, in words for a file's coding history."""
        shift = f"{round(self.shift_samples):+d}" if whole else f"{self.shift_samples:+.3f}"
        words = [f"micalign {__version__}: moved {shift} samples"]
        original, is_converted = rate_of_original(as_recorded(self.track)[0])
        if is_converted:
            words.append(f"converted from {original.sample_rate} Hz")
        if self.polarity == -1:
            words.append("polarity flipped")
        if self.drift_ppm:
            words.append(f"drift {self.drift_ppm:+.2f} ppm taken out")
        words += [f"all-pass {frequency:.0f} Hz Q {q:.2f}" for frequency, q in self.sections]
        if gain != 1.0:
            words.append(f"gain {20.0 * np.log10(gain):+.1f} dB")
        if earlier := self.begun_samples - span.start:
            words.append(f"starts {earlier:+d} samples earlier")
        return "; ".join(words)


@dataclass(frozen=True, slots=True)
class _OnOneClock:
    """A track's samples as the reference's clock would have taken them, shift included."""

    moved: MovedTrack

    def read(self, start: int, frames: int) -> Floats:
        """Samples ``start`` to ``start + frames`` of the reference's clock."""
        one = self.moved
        span = Span(start, start + frames)
        return np.concatenate(list(resampled_blocks(one.track, one.shift_samples, one.drift_ppm, span=span)))


def on_one_clock(moved: MovedTrack) -> Track:
    """The track with its shift and its drift taken out, read as it is asked for."""
    stop = max(moved.span().stop, 0)
    return Track(moved.track.name, moved.track.sample_rate, stop, _OnOneClock(moved))
