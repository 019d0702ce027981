"""An audio file out of blocks of samples: same rate and subtype as asked, whole or not at all, nothing clipped unsaid.

Integers are made here, left-justified in 32 bits (8 bits are stored with an offset of 128), since an encoder saturates
without a word. WAV is written byte by byte, since its metadata needs places that an encoder does not offer; everything
else goes through soundfile. What metadata cannot be carried is named.

A WAV is written from its first byte to its last: it begins with a ``JUNK`` chunk of 28 bytes that becomes ``ds64`` when
the sizes no longer fit 32 bits (EBU Tech 3306). More than two channels, and originals that have it, get the extensible
format chunk with its channel mask.
"""

from __future__ import annotations

import io
import math
import os
import struct
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from operator import index
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from micalign.alignment.shift import to_integers
from micalign.arrays import Floats
from micalign.errors import OutputError, TakeError
from micalign.files import tuned
from micalign.files.decode import BYTES, MOST_CHANNELS, AudioFile
from micalign.files.headers import EXTENSIBLE, WaveFormat, append_chunks, read_layout, wave_format
from micalign.files.metadata import Carried, Moved, Shape, carry, insert_blocks
from micalign.files.sets import FileSet
from micalign.files.whole import held, whole_file

if TYPE_CHECKING:
    import soundfile

__all__ = ["LARGEST_RIFF", "AudioWriter", "Job", "WavWriter", "Written", "audio_writer", "flac_bytes", "write_audio"]


@dataclass(frozen=True, slots=True)
class Written:
    """What was written.

    Parameters
    ----------
    path : Path
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
    source = None if metadata_from is None else Path(metadata_from)
    try:
        rate, columns = index(sample_rate), index(channels)
    except TypeError as error:
        raise OutputError(
            f"{path} was not written: its rate and channels are whole numbers, not {sample_rate!r} and {channels!r}"
        ) from error
    job = Job(Path(path), format.upper(), subtype.upper(), rate, columns, endian.upper(), source, moved or Moved())
    with audio_writer(job, force=force, dither_seed=dither_seed, within=within) as writer:
        for block in blocks:
            writer.put(block)
    return writer.written


@dataclass(frozen=True, slots=True)
class Job:
    """A file to write: its kind in soundfile's words, its rate (Hz), and the original whose metadata it keeps."""

    path: Path
    container: str
    subtype: str
    sample_rate: int
    channels: int
    endian: str = "FILE"
    source: Path | None = None
    moved: Moved = field(default_factory=Moved)
    carried: Carried = field(default_factory=Carried)

    @property
    def shape(self) -> Shape:
        """Rate, channels and bits."""
        return Shape(self.sample_rate, self.channels, _BITS.get(self.subtype, 8 * BYTES.get(self.subtype, 2)))

    @property
    def is_plain(self) -> bool:
        """Whether it is written by us, without an encoder."""
        return self.container in _OWN and self.subtype in BYTES

    @property
    def source_format(self) -> WaveFormat | None:
        """The format of the original's samples, where that is a little-endian WAV."""
        if self.source is None:
            return None
        layout = read_layout(self.source)
        return wave_format(self.source, layout) if layout is not None and layout.byte_order == "<" else None


@contextmanager
def audio_writer(
    job: Job, *, force: bool = False, dither_seed: int | None = None, within: FileSet | None = None
) -> Iterator[AudioWriter]:
    """The same for several files written in step: ``put`` blocks; the file stands when the ``with`` block ends well."""
    _refuse_unwritable(job)
    if job.source is not None:
        job = replace(job, carried=carry(job.source, job.container, job.shape, job.moved))
    opened = whole_file(job.path, force=force) if within is None else within.file(job.path)
    with opened as partial:
        with _open_sink(partial, job) as sink:
            writer = AudioWriter(job, sink, None if dither_seed is None else np.random.default_rng(dither_seed))
            yield writer
        _refuse_incomplete(partial, job, writer.written)


class AudioWriter:
    """Takes blocks of samples, counts what does not fit."""

    def __init__(self, job: Job, sink: _Sink, dither: np.random.Generator | None) -> None:
        self._job = job
        self._sink = sink
        self._dither = dither
        self._bits = _rounded_to(job, dithered=dither is not None)
        self.written = Written(job.path, 0, 0, 0.0, job.carried.left_out)

    def put(self, block: Floats) -> None:
        """Write one block, shape (frames,) or (frames, channels); `OutputError` where that is impossible."""
        job, before = self._job, self.written
        values: npt.NDArray[Any] = np.asarray(block, dtype=np.float64)
        if values.shape[1:] not in ({(), (1,)} if job.channels == 1 else {(job.channels,)}) or not values.shape:
            raise OutputError(
                f"{job.path} was not written: a block of its samples has the shape {values.shape}: give a list of "
                f"arrays, each (frames, {job.channels})"
            )
        values = values.reshape(len(values), job.channels)
        highest = max(float(values.max(initial=0.0)), -float(values.min(initial=0.0)))
        if not math.isfinite(highest):
            raise OutputError(f"{job.path} was not written: a sample is no number (NaN or infinite): export it again")
        if highest > tuned.MOST_FULL_SCALES:
            raise OutputError(
                f"{job.path} was not written: a sample is {highest:.0e} times full scale, beyond all sound: were they "
                "scaled to +-1?"
            )
        frames, clipped = before.frames + len(values), before.clipped
        _refuse_too_long(job, frames)
        if self._bits is not None:
            made = to_integers(values, self._bits, dither=self._dither)
            values = np.left_shift(made.values, 32 - self._bits)
            clipped += made.clipped
        self._sink(values)
        self.written = replace(before, frames=frames, clipped=clipped, peak=max(before.peak, highest))


def _rounded_to(job: Job, *, dithered: bool) -> int | None:
    """The bits to round to; None for floats.

    An original of 20 bits in 24 gets its dither at the twentieth; without dither nothing may be taken from it.
    """
    bits = _BITS.get(job.subtype)
    like = job.source_format if dithered else None
    return bits if bits is None or like is None else min(bits, like.valid_bits or bits)


def _refuse_unwritable(job: Job) -> None:
    import soundfile  # noqa: PLC0415 - 20 ms that --help must not pay

    if not (job.is_plain or soundfile.check_format(job.container, job.subtype)):
        raise OutputError(
            f"{job.path}: a {job.container} file cannot hold {job.subtype} samples: choose another format"
        )
    if not 1 <= job.channels <= MOST_CHANNELS or not 1 <= job.sample_rate <= tuned.MOST_RATE_HZ:
        raise OutputError(
            f"{job.path}: {job.channels} channels at {job.sample_rate} Hz cannot be written: 1 to {MOST_CHANNELS} "
            "channels and at most 10 MHz can"
        )
    if job.source is not None and job.path.exists() and job.source.exists() and job.path.samefile(job.source):
        raise OutputError(f"{job.path} is an original, which is never replaced: choose another folder with --out")


def _refuse_incomplete(partial: Path, job: Job, written: Written) -> None:
    """Open what was written as a stranger would: all frames must be there, the last ones to be read."""
    if written.frames == 0:
        return
    try:
        file = AudioFile(partial)
        found = file.info.frames
        if not job.is_plain:  # what we wrote ourselves reported its failures; an encoder keeps them
            last = min(found, tuned.LAST_FRAMES)
            file.read(0, found - last, last)
    except TakeError as error:
        raise OutputError(f"{written.path} was not written: read back, it is not whole; is the disk full?") from error
    if found < written.frames:
        raise OutputError(
            f"{written.path} was not written: of {written.frames} samples {found} reached the disk; is it full?"
        )


def flac_bytes(samples: Floats, *, sample_rate: int) -> bytes:
    """A mono FLAC of 16 bits with triangular dither; samples beyond full scale are held at it.

    Parameters
    ----------
    samples : array, shape (N,)
        Full scale +-1.
    sample_rate : int
        Hertz.

    Examples
    --------
    >>> flac_bytes(np.zeros(4800), sample_rate=48000)[:4]
    b'fLaC'
    """
    import soundfile  # noqa: PLC0415 - 90 ms, only where a page is made

    whole = to_integers(samples, 16, dither=np.random.default_rng(tuned.DITHER_SEED)).values.astype(np.int16)
    made = io.BytesIO()
    soundfile.write(made, whole, sample_rate, format="FLAC", subtype="PCM_16")
    return made.getvalue()


_FLOATS: Final = {"FLOAT": "<f4", "DOUBLE": "<f8"}


def _pack(values: npt.NDArray[Any], subtype: str) -> memoryview:
    """The bytes of samples (any shape, in its order): int32 left-justified for integers, any float for floats.

    >>> _pack(np.array([-8388608, 8388607], np.int32) << 8, "PCM_24").tobytes().hex()
    '000080ffff7f'
    """
    if subtype == "PCM_24":
        return _pack_three_bytes(values)
    if subtype in _FLOATS:
        return _bytes_of(values.astype(_FLOATS[subtype]))
    if subtype == "PCM_U8":
        return _bytes_of((np.right_shift(values, 24) + 128).astype(np.uint8))
    if subtype == "PCM_16":
        return _bytes_of(np.right_shift(values, 16).astype("<i2"))
    return _bytes_of(values.astype("<i4"))


def _pack_three_bytes(values: npt.NDArray[Any]) -> memoryview:
    wide = np.ascontiguousarray(values, "<i4").reshape(-1).view(np.uint8).reshape(-1, 4)
    parts = np.empty((len(wide), 3), np.uint8)
    for column in range(3):
        parts[:, column] = wide[:, column + 1]
    return _bytes_of(parts)


def _bytes_of(values: npt.NDArray[Any]) -> memoryview:
    return np.ascontiguousarray(values).reshape(-1).view(np.uint8).data


LARGEST_RIFF: Final = (1 << 32) - 1  # bytes that a 32-bit size can say
_UNKNOWN: Final = (1 << 32) - 1  # and what stands in its place where ds64 has the size
_PCM, _FLOAT = 1, 3  # WAVE_FORMAT_PCM and WAVE_FORMAT_IEEE_FLOAT
_GUID_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")


def _format_chunk(shape: Shape, subtype: str, like: WaveFormat | None) -> bytes:
    """The format chunk: the original's own where it describes the same samples, for its channel mask and valid bits."""
    tag = _FLOAT if subtype in _FLOATS else _PCM
    frame_bytes = shape.channels * BYTES[subtype]
    core = struct.pack(
        "<HIIHH", shape.channels, shape.sample_rate, shape.sample_rate * frame_bytes, frame_bytes, 8 * BYTES[subtype]
    )
    if like is not None and like.data[2:16] == core and like.tag == tag:
        return like.data
    if shape.channels > 2:
        # A mask of 0: the channels are microphones, not loudspeakers.
        extension = struct.pack("<HHI", 22, shape.bits, 0) + struct.pack("<H", tag) + _GUID_TAIL
        return struct.pack("<H", EXTENSIBLE) + core + extension
    return struct.pack("<H", tag) + core + (struct.pack("<H", 0) if tag == _FLOAT else b"")


@dataclass(slots=True)
class WavWriter:
    """Writes the header when made, samples as they come, and the sizes at `finish`."""

    file: BinaryIO
    shape: Shape
    subtype: str
    carried: Carried = field(default_factory=Carried)
    like: WaveFormat | None = None
    always_wide: bool = False
    largest: int = LARGEST_RIFF
    frames: int = 0
    _fact_at: int = 0
    _data_at: int = 0

    def __post_init__(self) -> None:
        self.file.write(b"RIFF" + bytes(4) + b"WAVE")
        self._chunk(b"JUNK", bytes(28))
        self._chunk(b"fmt ", _format_chunk(self.shape, self.subtype, self.like))
        if self.subtype in _FLOATS:
            self._fact_at = self._chunk(b"fact", bytes(4))
        for name, data in self.carried.before:
            self._chunk(name, data)
        self.file.write(b"data" + bytes(4))
        self._data_at = self.file.tell()

    def write(self, values: npt.NDArray[Any]) -> None:
        """Samples of shape (frames, channels): int32 left-justified, or floats."""
        self.file.write(_pack(values, self.subtype))
        self.frames += len(values)

    def finish(self) -> None:
        """Write what follows the audio, and the sizes."""
        data_bytes = self.frames * self.shape.channels * BYTES[self.subtype]
        self.file.write(bytes(data_bytes % 2))
        for name, data in self.carried.after:
            self._chunk(name, data)
        riff_bytes = self.file.tell() - 8
        wide = self.always_wide or riff_bytes > self.largest
        self._patch(4, _UNKNOWN if wide else riff_bytes)
        self._patch(self._data_at - 4, _UNKNOWN if wide else data_bytes)
        if self._fact_at:
            self._patch(self._fact_at, min(self.frames, _UNKNOWN))
        if wide:
            self.file.seek(0)
            self.file.write(b"RF64")
            self.file.seek(12)
            self.file.write(b"ds64" + struct.pack("<IQQQI", 28, riff_bytes, data_bytes, self.frames, 0))

    def _chunk(self, name: bytes, data: bytes) -> int:
        self.file.write(name + struct.pack("<I", len(data)))
        at = self.file.tell()
        self.file.write(data + bytes(len(data) % 2))
        return at

    def _patch(self, at: int, value: int) -> None:
        self.file.seek(at)
        self.file.write(struct.pack("<I", value))


_OWN: Final = frozenset({"WAV", "WAVEX", "RF64"})
_NARROW: Final = frozenset({"AIFF", "AU", "SVX", "NIST", "IRCAM"})
_Sink = Callable[[npt.NDArray[Any]], None]
_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


def _refuse_too_long(job: Job, frames: int) -> None:
    """Containers of 32-bit sizes that nothing widens would be written with a wrong length."""
    if job.container in _NARROW and frames * job.shape.channels * job.shape.bits // 8 > tuned.NARROW_BYTES:
        raise OutputError(
            f"{job.path} was not written: {job.container} holds at most 4 GiB; convert the original to WAV, which "
            "becomes RF64 by itself"
        )


@contextmanager
def _open_sink(partial: Path, job: Job) -> Iterator[_Sink]:
    """Where samples go: int32 left-justified for integers, floats for the rest."""
    if job.is_plain:
        with partial.open("r+b", buffering=1 << 16) as file:
            wav = WavWriter(file, job.shape, job.subtype, job.carried, job.source_format, job.container == "RF64")
            yield wav.write
            wav.finish()
        return
    with partial.open("r+b", buffering=0) as raw:
        pen = _Pen(raw)
        with _encoder(pen, job) as file:
            yield lambda values: _encode(file, pen, values, job)
        pen.refuse_lost()
    append_chunks(partial, (*job.carried.before, *job.carried.after))
    insert_blocks(partial, job.carried.blocks)


class _Pen:
    """The file an encoder writes to. It keeps what the system says: an encoder's last flush fails without a word."""

    def __init__(self, file: io.FileIO) -> None:
        self._file = file
        self._error: OSError | None = None
        self.seek, self.tell, self.read, self.readinto = file.seek, file.tell, file.read, file.readinto

    def write(self, data: bytes) -> int:
        """As many bytes as the disk took."""
        done = 0
        try:
            while self._error is None and done < len(data):
                done += self._file.write(data[done:])
        except OSError as error:
            self._error = error
        return done

    def refuse_lost(self) -> None:
        """The system's own error where a write was lost."""
        if self._error is not None:
            raise self._error


@contextmanager
def _encoder(pen: _Pen, job: Job) -> Iterator[soundfile.SoundFile]:
    import soundfile  # noqa: PLC0415

    shape = job.shape
    try:
        with ExitStack() as stack:
            # Signals wait while the encoder runs: an exception would be lost in its calls back to the pen. One that
            # comes as soon as they may closes it as well.
            with held():
                file = soundfile.SoundFile(
                    pen, "w", shape.sample_rate, shape.channels, job.subtype, job.endian, format=job.container
                )
                stack.callback(held()(file.close))
            yield file
    except soundfile.LibsndfileError as error:
        pen.refuse_lost()
        raise OutputError(
            f"{job.path} cannot be written: {job.container} does not take {shape.channels} channels of {job.subtype} "
            f"at {shape.sample_rate} Hz; convert the original to WAV first"
        ) from error


def _encode(file: soundfile.SoundFile, pen: _Pen, values: npt.NDArray[Any], job: Job) -> None:
    import soundfile  # noqa: PLC0415

    try:
        with held():
            file.write(values)
    except (soundfile.LibsndfileError, AssertionError) as error:
        pen.refuse_lost()
        raise OutputError(
            f"{job.path} cannot be written: the encoder stopped; is the take too long for {job.container}?"
        ) from error
