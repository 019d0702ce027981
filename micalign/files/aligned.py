"""The aligned copy of a recording's file: its channels moved, its rate, subtype, container and metadata kept.

All files of a group are written on one `Span` of the take's clock, so that they start together. Where a channel goes
through the fractional kernel, a resampler or a gain, integers get triangular dither; whole shifts are bit for bit.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from micalign import __version__
from micalign.alignment.phase import Section, all_pass_blocks, ring_samples
from micalign.alignment.resample import resampled_blocks, resampled_span
from micalign.alignment.shift import Span, common_span, shifted_blocks, shifted_span, split_shift
from micalign.arrays import Floats
from micalign.errors import OutputError, TakeError
from micalign.files.audio import audio_info
from micalign.files.encode import Written, write_audio
from micalign.files.metadata import Moved
from micalign.take.model import Track

__all__ = ["AlignedFile", "MovedTrack", "group_span", "refuse_clashes", "write_aligned"]

_WORKERS: Final = 2  # one reads and filters while another encodes; more only wait for the disk
_BLOCK_VALUES: Final = 1 << 16


@dataclass(frozen=True, slots=True)
class MovedTrack:
    """A track and what is done to it: moved later by ``shift_samples``, its drift taken out, its polarity (1 or -1).

    ``sections`` are all-passes as (hertz, Q), applied last.
    """

    track: Track
    shift_samples: float = 0.0
    polarity: int = 1
    drift_ppm: float = 0.0
    sections: tuple[Section, ...] = ()

    def span(self, *, whole: bool = False) -> Span:
        """Where it sounds on the take's clock."""
        ring = ring_samples(self.sections, sample_rate=self.track.sample_rate)
        if self.drift_ppm:
            span = resampled_span(self.track.frames, self.shift_samples, self.drift_ppm)
        else:
            span = shifted_span(self.track.frames, self.shift_samples, whole=whole)
        return Span(span.start, span.stop + ring)

    def blocks(self, span: Span, *, whole: bool, gain: float, block_frames: int) -> Iterator[Floats]:
        """Its samples after all that."""
        blocks = self._shifted(span, whole=whole, gain=gain, block_frames=block_frames)
        rate = self.track.sample_rate
        return all_pass_blocks(blocks, self.sections, sample_rate=rate) if self.sections else blocks

    def _shifted(self, span: Span, *, whole: bool, gain: float, block_frames: int) -> Iterator[Floats]:
        if self.drift_ppm:
            return resampled_blocks(
                self.track,
                self.shift_samples,
                self.drift_ppm,
                polarity=self.polarity,
                gain=gain,
                span=span,
                block_frames=block_frames,
            )
        return shifted_blocks(
            self.track,
            self.shift_samples,
            whole=whole,
            polarity=self.polarity,
            gain=gain,
            span=span,
            block_frames=block_frames,
        )

    def is_exact(self, *, whole: bool) -> bool:
        """Whether every sample comes out as it went in."""
        return not self.drift_ppm and not self.sections and split_shift(self.shift_samples, whole=whole)[1] == 0.0


@dataclass(frozen=True, slots=True)
class AlignedFile:
    """A file to write: its path, the original whose kind and metadata it keeps, and its channels in their order."""

    path: Path
    source: Path
    channels: tuple[MovedTrack, ...]


def group_span(files: Sequence[AlignedFile], *, whole: bool = False) -> Span:
    """The stretch of the take's clock on which all the files lie, with nothing of any track cut off."""
    return common_span(channel.span(whole=whole) for file in files for channel in file.channels)


def write_aligned(
    files: Sequence[AlignedFile],
    *,
    span: Span | None = None,
    whole: bool = False,
    headroom_db: float = 0.0,
    force: bool = False,
    workers: int = _WORKERS,
    progress: Callable[[int], object] | None = None,
) -> tuple[Written, ...]:
    """Write the files of a group, each whole or not at all.

    Parameters
    ----------
    files : sequence of AlignedFile
        What to write.
    span : Span, optional
        The stretch that all of them cover; `group_span` if left out.
    whole : bool
        Whole-sample shifts: bit for bit.
    headroom_db : float
        How much lower to write every file, so that nothing clips.
    force : bool
        Replace files that exist; an original is never replaced.
    workers : int
        Files worked on at once.
    progress : callable, optional
        Called with the samples (of one channel) of every block that is done, from any thread.

    Returns
    -------
    tuple of Written
        In the order of ``files``.

    Raises
    ------
    OutputError
        If two outputs are one file, an output is an original, or one cannot be written.
    TakeError
        If an original cannot be read to its end.
    """
    refuse_clashes([file.path for file in files], originals=[file.source for file in files])
    stretch = span or group_span(files, whole=whole)
    gain = 1.0 if headroom_db == 0.0 else 10.0 ** (-headroom_db / 20.0)

    def write(file: AlignedFile) -> Written:
        return _write_one(file, stretch, whole=whole, gain=gain, force=force, progress=progress)

    if workers <= 1 or len(files) == 1:
        return tuple(map(write, files))
    with ThreadPoolExecutor(min(workers, len(files))) as pool:
        waiting = [pool.submit(write, file) for file in files]
        try:
            return tuple(future.result() for future in waiting)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def refuse_clashes(outputs: Sequence[Path], *, originals: Sequence[Path] = ()) -> None:
    """`OutputError` where two outputs would be one file (also where a disk ignores case), or one is an original."""
    seen: dict[str, Path] = {}
    for path in outputs:
        key = os.path.normcase(path.absolute()).casefold()
        if key in seen:
            raise OutputError(
                f"{seen[key]} and {path} would be one file (disks may ignore case): rename one of the originals"
            )
        seen[key] = path
    for path in outputs:
        for original in originals:
            if _is_same(path, original):
                raise OutputError(f"{path} is an original recording ({original}): choose another folder with --out")


def _is_same(path: Path, original: Path) -> bool:
    try:
        return path.samefile(original)
    except OSError:
        return False


def _write_one(
    file: AlignedFile,
    span: Span,
    *,
    whole: bool,
    gain: float,
    force: bool,
    progress: Callable[[int], object] | None,
) -> Written:
    info = audio_info(file.source)
    _refuse_other_rate(file, info.sample_rate)
    exact = gain == 1.0 and all(channel.is_exact(whole=whole) for channel in file.channels)
    first = file.channels[0]
    moved = Moved(
        start_samples=span.start,
        content_samples=round(first.shift_samples) - span.start,
        history=_history(first, span, whole=whole, gain=gain),
    )
    return write_audio(
        file.path,
        _interleaved(file, span, whole=whole, gain=gain, progress=progress),
        sample_rate=info.sample_rate,
        subtype=info.subtype,
        format=info.format,
        endian=info.endian,
        channels=len(file.channels),
        force=force,
        metadata_from=file.source,
        moved=moved,
        # Files get draws of their own: the same dither in two tracks would add up in their sum.
        dither_seed=None if exact else zlib.crc32(os.fsencode(file.path.name)),
    )


def _refuse_other_rate(file: AlignedFile, sample_rate: int) -> None:
    for channel in file.channels:
        if channel.track.sample_rate != sample_rate:
            raise TakeError(
                f"{file.source} is at {sample_rate} Hz, but track '{channel.track.name}' at "
                f"{channel.track.sample_rate} Hz: was the file changed meanwhile?"
            )


def _interleaved(
    file: AlignedFile, span: Span, *, whole: bool, gain: float, progress: Callable[[int], object] | None
) -> Iterator[Floats]:
    block_frames = max(_BLOCK_VALUES // len(file.channels), 4096)
    streams = [c.blocks(span, whole=whole, gain=gain, block_frames=block_frames) for c in file.channels]
    for blocks in zip(*streams, strict=True):
        yield blocks[0][:, np.newaxis] if len(blocks) == 1 else np.stack(blocks, axis=1)
        if progress is not None:
            progress(len(blocks[0]))


def _history(channel: MovedTrack, span: Span, *, whole: bool, gain: float) -> str:
    shift = f"{round(channel.shift_samples):+d}" if whole else f"{channel.shift_samples:+.3f}"
    words = [f"micalign {__version__}: moved {shift} samples"]
    if channel.polarity == -1:
        words.append("polarity flipped")
    if channel.drift_ppm:
        words.append(f"drift {channel.drift_ppm:+.2f} ppm taken out")
    words += [f"all-pass {frequency:.0f} Hz Q {q:.2f}" for frequency, q in channel.sections]
    if gain != 1.0:
        words.append(f"gain {20.0 * np.log10(gain):+.1f} dB")
    if span.start:
        words.append(f"starts {-span.start:+d} samples earlier")
    return "; ".join(words)
