"""Where the samples of a container go, and how the original's metadata comes with them.

WAV is written by us byte by byte, since its metadata needs places that an encoder does not offer; everything else goes
through soundfile. What cannot be carried is named. A FLAC begins with blocks of metadata (a type, a length of 24 bits,
the data), the last one marked: comments and pictures say nothing of places in the audio and are carried byte for byte;
a cue sheet or a foreign application's block may.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Container, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats
from micalign.errors import OutputError
from micalign.files.metadata import LARGEST_METADATA, Carried, Moved, Shape, carry
from micalign.files.riff import append_chunks
from micalign.files.signals import held
from micalign.files.specs import spoken_read
from micalign.files.wav import BYTES, WavWriter, source_format

if TYPE_CHECKING:
    import soundfile

__all__ = [
    "Job",
    "Sink",
    "can_hold",
    "carried_blocks",
    "carried_for",
    "flac_bytes",
    "insert_blocks",
    "is_plain",
    "open_sink",
    "refuse_too_long",
]

_COMMENT, _PICTURE = 4, 6
_NAMES: Final = {2: "APPLICATION", _COMMENT: "VORBIS_COMMENT", 5: "CUESHEET", _PICTURE: "PICTURE"}
_LAST: Final = 0x80
_MOST_BLOCKS: Final = 1024
_PIECE: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class _Block:
    kind: int
    data: bytes


def _is_comment(data: bytes) -> bool:
    """Whether it is a vendor's name, a count and so many texts, each behind its length (little-endian)."""
    at = _behind_text(data, 0, "little")
    count = int.from_bytes(data[at : at + 4], "little")
    at += 4
    for _ in range(min(count, len(data))):
        at = _behind_text(data, at, "little")
    return at == len(data)


def _is_picture(data: bytes) -> bool:
    """Whether type, two texts behind their lengths, four numbers and the picture behind its length fill it."""
    at = _behind_text(data, _behind_text(data, 4, "big"), "big")
    return _behind_text(data, at + 16, "big") == len(data)


def _behind_text(data: bytes, at: int, order: Literal["little", "big"]) -> int:
    return at + 4 + int.from_bytes(data[at : at + 4], order)


_SOUND: Final = {_COMMENT: _is_comment, _PICTURE: _is_picture}
"""A decoder refuses a whole file over one damaged block, so only sound ones are carried."""


def carried_blocks(source: Path) -> tuple[tuple[tuple[int, bytes], ...], tuple[str, ...]]:
    """The blocks (type and data) to carry over from a FLAC, and the names of those left out; none of other files."""
    with spoken_read(source), source.open("rb") as file:
        blocks, _ = _read_blocks(file, wanted=_SOUND)
    carried: list[tuple[int, bytes]] = []
    left_out: list[str] = []
    room = LARGEST_METADATA
    for block in blocks:
        if block.kind in _SOUND and len(block.data) <= room and _SOUND[block.kind](block.data):
            carried.append((block.kind, block.data))
            room -= len(block.data)
        elif block.kind in _NAMES:
            left_out.append(_NAMES[block.kind])
    return tuple(carried), tuple(dict.fromkeys(left_out))


def insert_blocks(path: Path, carried: Sequence[tuple[int, bytes]]) -> None:
    """Put blocks into a finished FLAC; its own comments give way to carried ones."""
    if not carried:
        return
    replaced = {kind for kind, _ in carried} & {_COMMENT}
    with path.open("r+b") as file:
        own, audio_at = _read_blocks(file)
        kept = [(block.kind, block.data) for block in own if block.kind not in replaced]
        head = _head([*kept, *carried])
        _move_tail(file, audio_at, len(head))
        file.seek(0)
        file.write(head)


def _read_blocks(file: BinaryIO, *, wanted: Container[int] = range(128)) -> tuple[list[_Block], int]:
    """The blocks, and where the audio begins; no blocks where it is no FLAC or is damaged.

    Kinds that are not wanted, and what is too large to be carried, come without their data.
    """
    blocks: list[_Block] = []
    room = LARGEST_METADATA
    if file.read(4) != b"fLaC":
        return [], 0
    while len(blocks) < _MOST_BLOCKS:
        head = file.read(4)
        length = int.from_bytes(head[1:], "big")
        at = file.tell()
        # Padding, a cue sheet's or an application's gigabytes are passed over.
        data = file.read(length) if head[:1] and head[0] & ~_LAST in wanted and length <= room else b""
        room -= len(data)
        if len(head) < 4 or file.seek(0, os.SEEK_END) < at + length:
            return [], 0
        file.seek(at + length)
        blocks.append(_Block(head[0] & ~_LAST, data))
        if head[0] & _LAST:
            return blocks, file.tell()
    return [], 0


def _head(blocks: Sequence[tuple[int, bytes]]) -> bytes:
    last = len(blocks) - 1
    parts = [
        bytes([kind | (_LAST if number == last else 0)]) + len(data).to_bytes(3, "big") + data
        for number, (kind, data) in enumerate(blocks)
    ]
    return b"fLaC" + b"".join(parts)


def _move_tail(file: BinaryIO, source: int, target: int) -> None:
    """Move everything from ``source`` on to ``target``, piece by piece, from the end that is not overwritten."""
    end = file.seek(0, os.SEEK_END)
    places = range(source, end, _PIECE)
    for place in reversed(places) if target > source else places:
        file.seek(place)
        piece = file.read(_PIECE)
        file.seek(place + target - source)
        file.write(piece)
    file.truncate(end + target - source)


_SEED = 1


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

    rng = np.random.default_rng(_SEED)
    dither = rng.random(len(samples)) - rng.random(len(samples))
    whole = np.clip(np.round(samples * 32767.0 + dither), -32768, 32767).astype(np.int16)
    made = io.BytesIO()
    soundfile.write(made, whole, sample_rate, format="FLAC", subtype="PCM_16")
    return made.getvalue()


_OWN: Final = frozenset({"WAV", "WAVEX", "RF64"})
_KINDS: Final = {"AIFF": b"AIFF", "WAV": b"WAVE", "WAVEX": b"WAVE", "RF64": b"WAVE"}
_NARROW: Final = frozenset({"AIFF", "AU", "SVX", "NIST", "IRCAM"})
_NARROW_BYTES: Final = (1 << 32) - (1 << 24)  # room for the metadata


Sink = Callable[[npt.NDArray[Any]], None]


@dataclass(frozen=True, slots=True)
class Job:
    """What to write, and after which original."""

    path: Path
    container: str
    subtype: str
    shape: Shape
    endian: str
    source: Path | None
    moved: Moved
    carried: Carried = field(default_factory=Carried)


def can_hold(container: str, subtype: str) -> bool:
    """Whether such a file can hold such samples."""
    if container in _OWN and subtype in BYTES:
        return True
    import soundfile  # noqa: PLC0415 - 20 ms that plain WAV need not pay

    return bool(soundfile.check_format(container, subtype))


def is_plain(job: Job) -> bool:
    """Whether the file is written by us, without an encoder."""
    return job.container in _OWN and job.subtype in BYTES


def carried_for(job: Job) -> Carried:
    """The original's metadata for the new file."""
    if job.source is None:
        return Carried()
    if job.container == "FLAC":
        return Carried(left_out=carried_blocks(job.source)[1])
    if job.container not in _KINDS:
        return Carried(left_out=(f"all metadata ({job.container})",))
    return carry(job.source, _KINDS[job.container], job.shape, job.moved)


def refuse_too_long(job: Job, frames: int) -> None:
    """Containers of 32-bit sizes that nothing widens would be written with a wrong length."""
    if job.container in _NARROW and frames * job.shape.channels * job.shape.bits // 8 > _NARROW_BYTES:
        raise OutputError(
            f"{job.path} was not written: {job.container} holds at most 4 GiB; convert the original to WAV, which "
            "becomes RF64 by itself"
        )


@contextmanager
def open_sink(partial: Path, job: Job) -> Iterator[Sink]:
    """Where samples go: int32 left-justified for integers, floats for the rest."""
    if is_plain(job):
        with partial.open("r+b", buffering=1 << 16) as file:
            like = None if job.source is None else source_format(job.source)
            wav = WavWriter(file, job.shape, job.subtype, job.carried, like, always_wide=job.container == "RF64")
            yield wav.write
            wav.finish()
        return
    with partial.open("r+b", buffering=0) as raw:
        pen = _Pen(raw)
        with _encoder(pen, job) as file:
            yield lambda values: _encode(file, pen, values, job)
        pen.refuse_lost()
    append_chunks(partial, (*job.carried.before, *job.carried.after))
    if job.container == "FLAC" and job.source is not None:
        insert_blocks(partial, carried_blocks(job.source)[0])


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
        # Signals wait while the encoder runs: an exception would be lost in its calls back to the pen.
        with held():
            file = soundfile.SoundFile(
                pen, "w", shape.sample_rate, shape.channels, job.subtype, job.endian, format=job.container
            )
        try:
            yield file
        finally:
            with held():
                file.close()
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
