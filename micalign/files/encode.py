"""An audio file out of blocks of samples: same rate and subtype as asked, whole or not at all, nothing clipped unsaid.

Integers are made here, since an encoder saturates without a word; where they go is said in `micalign.files.sinks`.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.alignment.dither import to_integers
from micalign.arrays import Floats
from micalign.errors import OutputError, TakeError
from micalign.files.decode import AudioFile
from micalign.files.metadata import Moved, Shape
from micalign.files.sets import FileSet
from micalign.files.sinks import Job, Sink, can_hold, carried_for, is_plain, open_sink, refuse_too_long
from micalign.files.wav import BYTES, source_format, valid_bits
from micalign.files.whole import whole_file

__all__ = ["AudioWriter", "Written", "audio_writer", "write_audio"]

_LAST_FRAMES: Final = 1024  # read back from the end of what was written
_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


@dataclass(frozen=True, slots=True)
class Written:
    """What was written.

    Parameters
    ----------
    path : Path
        The file.
    frames : int
        Samples in each channel.
    clipped : int
        Samples that were held at full scale to fit.
    peak : float
        The highest sample met before that; 1 is full scale.
    left_out : tuple of str
        Names of the original's metadata chunks that were not carried over.
    """

    path: Path
    frames: int
    clipped: int
    peak: float
    left_out: tuple[str, ...] = ()


def write_audio(
    path: str | os.PathLike[str],
    blocks: Iterable[Floats],
    *,
    sample_rate: int,
    subtype: str = "PCM_24",
    format: str = "WAV",  # noqa: A002 - the word of the trade, and soundfile's
    channels: int = 1,
    endian: str = "FILE",
    force: bool = False,
    metadata_from: str | os.PathLike[str] | None = None,
    moved: Moved | None = None,
    dither_seed: int | None = None,
    within: FileSet | None = None,
) -> Written:
    """Write blocks of samples as an audio file, whole or not at all.

    Parameters
    ----------
    path : path
        The file to write.
    blocks : iterable of ndarray, shape (frames,) or (frames, channels)
        Float64, full scale +-1, one after the other.
    sample_rate : int
        Hertz.
    subtype, format, endian : str
        In soundfile's words: ``PCM_16``, ``PCM_24``, ``PCM_32``, ``FLOAT``, ``DOUBLE``; ``WAV`` (RF64 by itself where
        it grows beyond 4 GiB), ``RF64``, ``AIFF``, ``FLAC``.
    channels : int
        Columns of each block.
    force : bool
        Replace a file that exists.
    metadata_from : path, optional
        The original, whose metadata is carried over (EBU Tech 3285 ``bext``, ``iXML``, ``cue``, ``smpl``, ``LIST``).
    moved : Moved, optional
        How the audio moved against that original.
    dither_seed : int, optional
        Adds triangular dither before rounding to integers; without it, samples that are integers stay exact.
    within : FileSet, optional
        The set that the file belongs to: it appears with the set.

    Returns
    -------
    Written
        Frames, clipped samples, peak and metadata left out.

    Raises
    ------
    OutputError
        If the file exists and ``force`` is off, cannot be written, or a sample is no number.

    Examples
    --------
    >>> import tempfile
    >>> out = Path(tempfile.mkdtemp()) / "tone.wav"
    >>> write_audio(out, [np.array([0.0, 0.5, 1.5])], sample_rate=48000).clipped
    1
    """
    with audio_writer(
        path,
        sample_rate=sample_rate,
        subtype=subtype,
        format=format,
        channels=channels,
        endian=endian,
        force=force,
        metadata_from=metadata_from,
        moved=moved,
        dither_seed=dither_seed,
        within=within,
    ) as writer:
        for block in blocks:
            writer.put(block)
    return writer.written


@contextmanager
def audio_writer(
    path: str | os.PathLike[str],
    *,
    sample_rate: int,
    subtype: str = "PCM_24",
    format: str = "WAV",  # noqa: A002
    channels: int = 1,
    endian: str = "FILE",
    force: bool = False,
    metadata_from: str | os.PathLike[str] | None = None,
    moved: Moved | None = None,
    dither_seed: int | None = None,
    within: FileSet | None = None,
) -> Iterator[AudioWriter]:
    """The same for several files written in step: ``put`` blocks; the file stands when the ``with`` block ends well.

    Parameters
    ----------
    path, sample_rate, subtype, format, channels, endian, force, metadata_from, moved, dither_seed, within
        As in `write_audio`.

    Yields
    ------
    AudioWriter
    """
    source = None if metadata_from is None else Path(metadata_from)
    shape = Shape(sample_rate, channels, _BITS.get(subtype, 8 * BYTES.get(subtype, 2)))
    job = Job(Path(path), format, subtype, shape, endian, source, moved or Moved())
    _refuse_unwritable(job)
    _refuse_original(job.path, source)
    job = replace(job, carried=carried_for(job))
    opened = whole_file(path, force=force) if within is None else within.file(job.path)
    with opened as partial:
        with open_sink(partial, job) as sink:
            writer = AudioWriter(job, sink, None if dither_seed is None else np.random.default_rng(dither_seed))
            yield writer
        _refuse_incomplete(partial, job, writer.written)


def _refuse_incomplete(partial: Path, job: Job, written: Written) -> None:
    """Open what was written as a stranger would: all frames must be there, the last ones to be read."""
    if written.frames == 0:
        return
    try:
        file = AudioFile(partial)
        found = file.info.frames
        if not is_plain(job):  # what we wrote ourselves reported its failures; an encoder keeps them
            last = min(found, _LAST_FRAMES)
            file.read(0, found - last, last)
    except TakeError as error:
        raise OutputError(f"{written.path} was not written: read back, it is not whole; is the disk full?") from error
    if found < written.frames:
        raise OutputError(
            f"{written.path} was not written: of {written.frames} samples {found} reached the disk; is it full?"
        )


def _refuse_unwritable(job: Job) -> None:
    if not can_hold(job.container, job.subtype):
        raise OutputError(
            f"{job.path}: a {job.container} file cannot hold {job.subtype} samples: choose another format"
        )
    if not 1 <= job.shape.channels <= 1024 or not 1 <= job.shape.sample_rate <= 10_000_000:
        raise OutputError(
            f"{job.path}: {job.shape.channels} channels at {job.shape.sample_rate} Hz cannot be written: 1 to 1024 "
            "channels and at most 10 MHz can"
        )


def _refuse_original(path: Path, source: Path | None) -> None:
    if source is not None and path.exists() and source.exists() and path.samefile(source):
        raise OutputError(f"{path} is an original, which is never replaced: choose another folder with --out")


def _rounded_to(job: Job, *, dithered: bool) -> int | None:
    """The bits to round to; None for floats.

    An original of 20 bits in 24 gets its dither at the twentieth; without dither nothing may be taken from it.
    """
    bits = _BITS.get(job.subtype)
    like = None if job.source is None or not dithered else source_format(job.source)
    return bits if bits is None or like is None else min(bits, valid_bits(like) or bits)


class AudioWriter:
    """Takes blocks of samples, counts what does not fit."""

    def __init__(self, job: Job, sink: Sink, dither: np.random.Generator | None) -> None:
        self._job = job
        self._sink = sink
        self._dither = dither
        self._bits = _rounded_to(job, dithered=dither is not None)
        self.written = Written(job.path, 0, 0, 0.0, job.carried.left_out)

    def put(self, block: Floats) -> None:
        """Write one block, shape (frames,) or (frames, channels); `OutputError` where that is impossible."""
        job, before = self._job, self.written
        values: npt.NDArray[Any] = block.reshape(len(block), job.shape.channels)
        highest = max(float(values.max(initial=0.0)), -float(values.min(initial=0.0)))
        if not math.isfinite(highest):
            raise OutputError(f"{job.path} was not written: a sample is no number (NaN or infinite): export it again")
        frames, clipped = before.frames + len(block), before.clipped
        refuse_too_long(job, frames)
        if self._bits is not None:
            made = to_integers(values, self._bits, dither=self._dither)
            values = np.left_shift(made.values, 32 - self._bits)
            clipped += made.clipped
        self._sink(values)
        self.written = replace(before, frames=frames, clipped=clipped, peak=max(before.peak, highest))
