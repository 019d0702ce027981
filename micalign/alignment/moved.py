"""A track and what is done to it on its way into an aligned set: moved, drift taken out, flipped, turned in phase.

One value holds the wishes, and hands out the samples that follow from them, block by block.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign import __version__
from micalign.alignment.all_pass import Section, all_pass_blocks, ring_samples
from micalign.alignment.resample import rate_of_original, resampled_blocks, resampled_span
from micalign.alignment.shift import Span, shifted_blocks, shifted_span, split_shift
from micalign.arrays import Floats
from micalign.take.tracks import Track, as_recorded

__all__ = ["MovedTrack", "on_one_clock"]

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
