"""An audio file out of blocks of samples: same rate and subtype as asked, whole or not at all, nothing clipped unsaid.

WAV is written here byte by byte (its metadata needs places that an encoder does not offer); everything else goes
through soundfile. Integers are made here too, since an encoder saturates without a word.
"""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import soundfile

from micalign.alignment.dither import to_integers
from micalign.arrays import Floats
from micalign.errors import OutputError
from micalign.files.metadata import Carried, Moved, Shape, carry
from micalign.files.pcm import BYTES
from micalign.files.riff import append_chunks
from micalign.files.wav import WavWriter, source_format
from micalign.files.whole import whole_file

__all__ = ["AudioWriter", "Written", "audio_writer", "write_audio"]

_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_OWN: Final = frozenset({"WAV", "WAVEX", "RF64"})
_NARROW: Final = frozenset({"AIFF", "AU", "SVX", "NIST", "IRCAM"})
_NARROW_BYTES: Final = (1 << 32) - (1 << 24)  # room for the metadata
_TAGS: Final = ("title", "copyright", "artist", "comment", "date", "album", "license", "tracknumber", "genre")

Sink = Callable[[npt.NDArray[Any]], None]


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


@dataclass(frozen=True, slots=True)
class _Job:
    """What to write, and after which original."""

    path: Path
    container: str
    subtype: str
    shape: Shape
    endian: str
    source: Path | None
    moved: Moved
    carried: Carried = field(default_factory=Carried)


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
) -> Iterator[AudioWriter]:
    """The same for several files written in step: ``put`` blocks; the file stands when the ``with`` block ends well.

    Parameters
    ----------
    path, sample_rate, subtype, format, channels, endian, force, metadata_from, moved, dither_seed
        As in `write_audio`.

    Yields
    ------
    AudioWriter
    """
    source = None if metadata_from is None else Path(metadata_from)
    shape = Shape(sample_rate, channels, _BITS.get(subtype, 8 * BYTES.get(subtype, 2)))
    job = _Job(Path(path), format, subtype, shape, endian, source, moved or Moved())
    _refuse_unwritable(job)
    _refuse_original(job.path, source)
    job = replace(job, carried=_carried(job))
    with whole_file(path, force=force) as partial, _sink(partial, job) as sink:
        yield AudioWriter(job, sink, None if dither_seed is None else np.random.default_rng(dither_seed))


def _refuse_unwritable(job: _Job) -> None:
    if not soundfile.check_format(job.container, job.subtype):
        raise OutputError(
            f"{job.path}: a {job.container} file cannot hold {job.subtype} samples: choose another format"
        )
    if not 1 <= job.shape.channels <= 1024 or not 1 <= job.shape.sample_rate <= 10_000_000:
        raise OutputError(
            f"{job.path}: {job.shape.channels} channels at {job.shape.sample_rate} Hz cannot be written as audio"
        )


def _refuse_original(path: Path, source: Path | None) -> None:
    if source is not None and path.exists() and source.exists() and path.samefile(source):
        raise OutputError(f"{path} is an original, which is never replaced: choose another folder with --out")


def _carried(job: _Job) -> Carried:
    kinds = {"AIFF": b"AIFF", "WAV": b"WAVE", "WAVEX": b"WAVE", "RF64": b"WAVE"}
    if job.source is None or job.container not in kinds:
        return Carried()
    return carry(job.source, kinds[job.container], job.shape, job.moved)


class AudioWriter:
    """Takes blocks of samples, counts what does not fit."""

    def __init__(self, job: _Job, sink: Sink, dither: np.random.Generator | None) -> None:
        self._job = job
        self._sink = sink
        self._dither = dither
        self.written = Written(job.path, 0, 0, 0.0, job.carried.left_out)

    def put(self, block: Floats) -> None:
        """Write one block, shape (frames,) or (frames, channels); `OutputError` where that is impossible."""
        job, before = self._job, self.written
        values: npt.NDArray[Any] = block.reshape(len(block), job.shape.channels)
        highest = max(float(values.max(initial=0.0)), -float(values.min(initial=0.0)))
        if not math.isfinite(highest):
            raise OutputError(f"{job.path} was not written: a sample to write is no number (NaN or infinite)")
        frames, clipped = before.frames + len(block), before.clipped
        _refuse_too_long(job, frames)
        bits = _BITS.get(job.subtype)
        if bits is not None:
            made = to_integers(values, bits, dither=self._dither)
            values = np.left_shift(made.values, 32 - bits)
            clipped += made.clipped
        self._sink(values)
        self.written = replace(before, frames=frames, clipped=clipped, peak=max(before.peak, highest))


def _refuse_too_long(job: _Job, frames: int) -> None:
    """Containers of 32-bit sizes that nothing widens would be written with a wrong length."""
    if job.container in _NARROW and frames * job.shape.channels * job.shape.bits // 8 > _NARROW_BYTES:
        raise OutputError(
            f"{job.path} was not written: {job.container} holds at most 4 GiB; convert the original to WAV, which "
            "becomes RF64 by itself"
        )


@contextmanager
def _sink(partial: Path, job: _Job) -> Iterator[Sink]:
    """Where samples go: int32 left-justified for integers, floats for the rest."""
    if job.container in _OWN and job.subtype in BYTES:
        with partial.open("r+b", buffering=1 << 16) as file:
            like = None if job.source is None else source_format(job.source)
            wav = WavWriter(file, job.shape, job.subtype, job.carried, like, always_wide=job.container == "RF64")
            yield wav.write
            wav.finish()
        return
    with _encoder(partial, job) as file:
        yield lambda values: _encode(file, values, job)
    append_chunks(partial, (*job.carried.before, *job.carried.after))


def _encoder(partial: Path, job: _Job) -> soundfile.SoundFile:
    name: Any = str(partial) if sys.platform == "win32" else os.fsencode(partial)
    shape = job.shape
    file = soundfile.SoundFile(
        name, "w", shape.sample_rate, shape.channels, job.subtype, job.endian, format=job.container
    )
    if job.container in {"FLAC", "OGG"} and job.source is not None:
        tags = _tags(job.source)
        for tag, text in tags.items():
            setattr(file, tag, text)
    return file


def _tags(source: Path) -> dict[str, str]:
    name: Any = str(source) if sys.platform == "win32" else os.fsencode(source)
    with soundfile.SoundFile(name) as file:
        return {tag: text for tag in _TAGS if (text := getattr(file, tag))}


def _encode(file: soundfile.SoundFile, values: npt.NDArray[Any], job: _Job) -> None:
    try:
        file.write(values)
    except (soundfile.LibsndfileError, AssertionError) as error:
        # The encoder keeps the system's reason to itself; a full disk is the common one.
        raise OutputError(
            f"{job.path} cannot be written: the encoder stopped; is the disk full, or the take too long for "
            f"{job.container}?"
        ) from error
