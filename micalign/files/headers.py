"""Can a file be opened, where do its chunks lie, and does it hold all the audio that its header promises?

Only regular files are opened: a pipe or a device could keep a program waiting for ever. No size in a header is trusted.

Chunks: a WAV, RF64, BW64 or AIFF file is chunks of four printable characters, a 32-bit size and that many bytes, padded
to an even count; the pad byte is not in the size. RF64 and BW64 keep sizes beyond 32 bits in a ``ds64`` chunk (EBU Tech
3306; ITU-R BS.2088). AIFF is the same with the size's bytes the other way round.

Truncated headers: decoders read what there is and say nothing. A recorder that loses power leaves a WAV whose header
says 0 samples, or those of its last save, while the audio lies behind it; a broken copy promises more than it holds. An
Ogg promises no number, but its last page says that it is the last. Sources: Sony's W64 is RIFF with 16-byte names and
64-bit sizes that count the chunk's own head; AU is a head of six 32-bit words; CAF is Apple's Core Audio Format
Specification 1.0 (a size of -1 means: to the end of the file).
"""

from __future__ import annotations

import errno
import os
import stat
import struct
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO, Final, Literal

from micalign.errors import TakeError, nearest
from micalign.files import tuned

__all__ = [
    "EXTENSIBLE",
    "Chunk",
    "ChunkMap",
    "WaveFormat",
    "append_chunks",
    "crashed_frames",
    "identity",
    "read_chunk",
    "read_layout",
    "refuse_special",
    "refuse_truncated",
    "refuse_unfinished",
    "refuse_unreadable",
    "spoken_read",
    "wave_format",
]


_REASONS: Final = {
    errno.ENOENT: "there is no such file: is the name spelled right, and the folder?",
    errno.ENOTDIR: "a part of its path is a file, not a folder: is the path right?",
    errno.EACCES: "you may not read it: change its permissions",
    errno.EPERM: "you may not read it: change its permissions",
    errno.ENAMETOOLONG: "the name is longer than any file's can be",
    errno.ELOOP: "it is a link that leads back to itself",
    errno.EIO: "the disk reports a fault while reading it: copy it to another disk first",
    errno.EMFILE: "too many files are open at once: give fewer tracks",
}


def refuse_unreadable(path: Path) -> int:
    """The size of a file in bytes; `TakeError` unless it is a regular file with something in it."""
    _refuse_no_text(path)
    size = refuse_special(path)
    if size == 0:
        raise TakeError(f"{path} is empty (0 bytes): was the copy or the recording interrupted?")
    return size


def refuse_special(path: Path, *, wanted: str = "an audio file") -> int:
    """The size of a file in bytes; `TakeError` for a folder, and for a pipe or device, which might never end."""
    with spoken_read(path):
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise TakeError(f"{path} is a folder: name {wanted} in it")
        if not stat.S_ISREG(found.st_mode):
            raise TakeError(f"{path} is a device or a pipe: micalign reads files only, save it to one first")
        return found.st_size


def _refuse_no_text(path: Path) -> None:
    """Names go into tables, JSON, CSV and pages; bytes that are no text could go into none of them."""
    shown = str(path).encode("utf-8", "backslashreplace").decode()
    if shown != str(path):
        raise TakeError(f"{shown}: the name is no valid text (UTF-8): rename the file first")


def identity(path: Path) -> tuple[int, ...] | None:
    """What changes when a file is replaced or written to (the system's own note of it cannot be set); None: gone."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def _near(path: Path) -> str:
    """The file of nearly that name in the same folder."""
    try:
        names = [one.name for one in islice(path.parent.iterdir(), tuned.MOST_NAMES)]
    except OSError:
        return ""
    return nearest(path.name, names)


@contextmanager
def spoken_read(path: Path) -> Iterator[None]:
    """Turn the system's refusals to read into sentences."""
    try:
        yield
    except OSError as error:
        reason = _REASONS.get(error.errno or 0, error.strerror or str(error))
        near = _near(path) if error.errno == errno.ENOENT else ""
        raise TakeError(f"{path} cannot be read: {reason.partition(':')[0] + near if near else reason}") from error
    except ValueError as error:
        if "null" not in str(error):
            raise
        raise TakeError(f"{str(path)!r} cannot be read: a file's name holds no zero byte") from error


_FORMS: Final = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">", b"FORM": ">"}
_KINDS: Final = frozenset({b"WAVE", b"AIFF", b"AIFC"})
_UNKNOWN: Final = 0xFFFFFFFF  # a size that is not known, or stands in ds64
EXTENSIBLE: Final = 0xFFFE  # WAVE_FORMAT_EXTENSIBLE: the kind of samples stands further behind
_EXTENSIBLE_BYTES: Final = 40  # of such a format chunk
_TAILS: Final = frozenset(map(bytes.fromhex, ("000000001000800000aa00389b71", "00002107d3118644c8c1ca000000")))
"""What follows that kind where it is one of the plain ones, as they are or of an Ambisonic B-format."""
_FARTHEST: Final = 1 << 62  # a 64-bit size may point beyond what a file's offset can say


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk: where its data begins, the size it claims, and how much of that the file holds (bytes)."""

    name: bytes
    start: int
    size: int
    present: int

    @property
    def is_cut(self) -> bool:
        """Whether the file ends inside it."""
        return self.present < self.size


@dataclass(frozen=True, slots=True)
class ChunkMap:
    """The chunks of a file in their order; ``walked_to`` is where they stop making sense (the end in a sound file)."""

    form: bytes
    kind: bytes
    file_bytes: int
    chunks: tuple[Chunk, ...]
    walked_to: int

    @property
    def byte_order(self) -> str:
        """``<`` or ``>``, as `struct` writes it."""
        return _FORMS[self.form]

    def first(self, name: bytes) -> Chunk | None:
        """The first chunk of that name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)


def read_layout(path: Path) -> ChunkMap | None:
    """The chunks of a file, or None where it is no file of chunks.

    Raises
    ------
    TakeError
        If the file cannot be read at all.
    """
    refuse_special(path)
    with spoken_read(path), path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        head = file.read(12)
        if len(head) < 12 or head[:4] not in _FORMS or head[8:] not in _KINDS:
            return None
        chunks, walked_to = _walk(file, size, head[:4])
        return ChunkMap(head[:4], head[8:], size, chunks, walked_to)


def read_chunk(path: Path, chunk: Chunk) -> bytes:
    """The bytes of a chunk, as many as the file holds."""
    with spoken_read(path), path.open("rb") as file:
        file.seek(chunk.start)
        return file.read(chunk.present)


@dataclass(frozen=True, slots=True)
class WaveFormat:
    """What a WAV's format chunk (``data``) says: the kind of samples (1 integers, 3 floats), the rate in hertz.

    ``valid_bits`` are those of each sample that are used; 0 where that is not said.
    """

    data: bytes
    tag: int
    channels: int
    sample_rate: int
    frame_bytes: int
    bits: int
    valid_bits: int = 0


def wave_format(path: Path, layout: ChunkMap) -> WaveFormat | None:
    """The format of a WAV's samples; None of other files, and where the chunk is missing or too short."""
    chunk = layout.first(b"fmt ") if layout.kind == b"WAVE" else None
    data = b"" if chunk is None else read_chunk(path, chunk)[:_EXTENSIBLE_BYTES]
    if len(data) < 16:
        return None
    tag, channels, rate, _, frame_bytes, bits = struct.unpack_from(layout.byte_order + "HHIIHH", data)
    valid_bits = 0
    if tag == EXTENSIBLE and data[26:] in _TAILS:
        valid_bits, tag = struct.unpack_from(layout.byte_order + "H4xH", data, 18)
    return WaveFormat(data, tag, channels, rate, frame_bytes, bits, valid_bits)


def _walk(file: BinaryIO, file_bytes: int, form: bytes) -> tuple[tuple[Chunk, ...], int]:
    chunks: list[Chunk] = []
    wide: dict[bytes, int] = {}
    at = 12
    while len(chunks) < tuned.MOST_CHUNKS:
        found = _header(file, at, form)
        if found is None:
            break
        name, size = found
        if size == _UNKNOWN:
            size = wide.get(name, file_bytes - at - 8 if form == b"RIFF" else size)
        chunk = Chunk(name, at + 8, size, max(min(size, file_bytes - at - 8), 0))
        chunks.append(chunk)
        if name == b"ds64" and not wide:
            wide = _wide_sizes(file, chunk)
        at = _next(file, chunk, form)
    return tuple(chunks), min(at, file_bytes)


def _header(file: BinaryIO, at: int, form: bytes) -> tuple[bytes, int] | None:
    if at > _FARTHEST:
        return None
    file.seek(at)
    head = file.read(8)
    if len(head) < 8 or not all(0x20 <= byte < 0x7F for byte in head[:4]):
        return None
    (size,) = struct.unpack(_FORMS[form] + "I", head[4:])
    return head[:4], size


def _next(file: BinaryIO, chunk: Chunk, form: bytes) -> int:
    """Where the next chunk begins; some writers leave the pad byte out."""
    end = chunk.start + chunk.size
    padded = end + chunk.size % 2
    if padded != end and _header(file, padded, form) is None and _header(file, end, form) is not None:
        return end
    return padded


def _wide_sizes(file: BinaryIO, chunk: Chunk) -> dict[bytes, int]:
    """The 64-bit sizes of a ``ds64``: of ``data``, and of what its table names."""
    file.seek(chunk.start)
    data = file.read(min(chunk.present, 28 + 12 * tuned.MOST_CHUNKS))
    if len(data) < 24:
        return {}
    sizes = {b"data": struct.unpack_from("<Q", data, 8)[0]}
    for at in range(28, len(data) - 11, 12):
        sizes[data[at : at + 4]] = struct.unpack_from("<Q", data, at + 4)[0]
    return sizes


def append_chunks(path: Path, chunks: Iterable[tuple[bytes, bytes]]) -> None:
    """Add chunks at the end of a finished RIFF or AIFF file and mend its size; nothing to do for other files."""
    wanted = tuple(chunks)
    layout = read_layout(path) if wanted else None
    if layout is None:
        return
    with path.open("r+b") as file:
        end = file.seek(0, os.SEEK_END)
        file.write(bytes(end % 2))
        for name, data in wanted:
            file.write(name + struct.pack(layout.byte_order + "I", len(data)) + data + bytes(len(data) % 2))
        total = file.tell() - 8
        file.seek(4)
        file.write(struct.pack(layout.byte_order + "I", total))


_W64: Final = b"riff\x2e\x91\xcf\x11"
_LARGEST_PAGE: Final = 65_307  # bytes of an Ogg page: a head of 27, 255 sizes, 255 segments of 255
_ENDS_STREAM: Final = 0x04  # the flag of an Ogg's last page


def refuse_truncated(path: Path) -> None:
    """`TakeError` where such a file holds less audio than its header says, or its header was never finished."""
    with spoken_read(path), path.open("rb") as file:
        file_bytes = os.fstat(file.fileno()).st_size
        if _is_open_ended_ogg(file, file_bytes):
            raise TakeError(
                f"{path} is cut short: its last page does not end the stream; copy it anew from the recorder"
            )
        file.seek(0)
        found = _audio_bytes(file, file_bytes)
    if found is None:
        return
    declared, start = found
    present = max(file_bytes - start, 0)
    if present < declared:
        sizes = _size(declared), _size(present)
        promised, held = sizes if len(set(sizes)) > 1 else (f"{declared} bytes", f"{present} bytes")
        raise TakeError(
            f"{path} is cut short: its header promises {promised} of audio, the file holds {held}; "
            "copy it anew from the recorder"
        )
    if declared == 0 and present > tuned.LEAST_LOST_BYTES:
        raise TakeError(
            f"{path}: its header says no audio, but {_size(present)} lie behind it: the recording ended before its "
            "header was finished (power, card pulled); work on a copy and have an audio editor repair its header"
        )


def _is_open_ended_ogg(file: BinaryIO, file_bytes: int) -> bool:
    """Whether an Ogg (RFC 3533) lacks its last page: the one that says so, whole, at the end of the file."""
    if file.read(4) != b"OggS":
        return False
    file.seek(max(file_bytes - _LARGEST_PAGE, 0))
    tail = file.read(_LARGEST_PAGE)
    at = tail.rfind(b"OggS")
    head = tail[at : at + 27]
    if at < 0 or len(head) < 27:
        return True
    sizes = tail[at + 27 : at + 27 + head[26]]
    return not head[5] & _ENDS_STREAM or len(sizes) < head[26] or at + 27 + len(sizes) + sum(sizes) > len(tail)


def _size(count: int) -> str:
    return f"{count / 1e6:.2f} MB" if count >= 1e6 else f"{count / 1e3:.1f} kB" if count >= 1e3 else f"{count} bytes"


def _audio_bytes(file: BinaryIO, file_bytes: int) -> tuple[int, int] | None:
    """What the header promises and where it begins; None for other files, and where it promises nothing."""
    head = file.read(24)
    if len(head) == 24 and head[:4] in {b".snd", b"dns."}:
        order: Literal["<", ">"] = ">" if head[:4] == b".snd" else "<"
        start, size = struct.unpack_from(order + "II", head, 4)
        return None if size == _UNKNOWN else (size, start)
    if head[:8] == _W64:
        return _in_chunks(file, at=40, name_bytes=16, wanted=b"data", file_bytes=file_bytes)
    if head[:4] == b"caff":
        return _in_chunks(file, at=8, name_bytes=4, wanted=b"data", file_bytes=file_bytes)
    return None


def _in_chunks(
    file: BinaryIO, *, at: int, name_bytes: Literal[4, 16], wanted: bytes, file_bytes: int
) -> tuple[int, int] | None:
    """The audio chunk's size and place; W64 counts a chunk's head in its size and pads to 8 bytes, CAF does neither."""
    head_bytes = name_bytes + 8
    for _ in range(tuned.MOST_CHUNKS):
        if at >= file_bytes:
            return None
        file.seek(at)
        head = file.read(head_bytes)
        if len(head) < head_bytes:
            return None
        (size,) = struct.unpack_from("<q" if name_bytes == 16 else ">q", head, name_bytes)
        body = size - head_bytes if name_bytes == 16 else size
        if head[:4] == wanted:
            return None if size == -1 and name_bytes == 4 else (max(body, 0), at + head_bytes)
        if body < 0:
            return None
        at += head_bytes + (-(-body // 8) * 8 if name_bytes == 16 else body)
    return None


@dataclass(frozen=True, slots=True)
class _Audio:
    """Bytes of a frame, what the header says there is, what the file holds, and the rate."""

    frame_bytes: int
    claimed: int
    present: int
    sample_rate: float


def crashed_frames(path: str | os.PathLike[str]) -> int | None:
    """How many frames of audio lie in a recording whose header was never finished; None where its header is right.

    Parameters
    ----------
    path : path
        A WAV, RF64 or AIFF file.

    Returns
    -------
    int or None
        Frames that could be read if the header were mended.

    Raises
    ------
    TakeError
        If the file cannot be read at all.
    """
    layout = read_layout(Path(path))
    audio = None if layout is None else _audio(Path(path), layout)
    if audio is None or audio.present - audio.claimed < tuned.LEAST_LOST_FRAMES * audio.frame_bytes:
        return None
    return audio.present // audio.frame_bytes


def refuse_unfinished(path: Path, layout: ChunkMap) -> None:
    """`TakeError` where the header promises less, or more, than the file holds."""
    audio = _audio(path, layout)
    if audio is None:
        _refuse_cut_chunk(path, layout)
        return
    claimed, present = audio.claimed // audio.frame_bytes, audio.present // audio.frame_bytes
    if audio.present - audio.claimed >= tuned.LEAST_LOST_FRAMES * audio.frame_bytes:
        raise TakeError(
            f"{path}: its header says {_long(claimed, audio)} but {_long(present, audio)} of audio lie in the file: "
            "the recording ended before its header was finished (power, card pulled); work on a copy and have the "
            "recorder or an audio editor repair its header"
        )
    if present < claimed:
        raise TakeError(
            f"{path} is cut short: its header promises {_long(claimed, audio)}, the file holds "
            f"{_long(present, audio)}; copy it anew from the recorder"
        )


def _refuse_cut_chunk(path: Path, layout: ChunkMap) -> None:
    """Of compressed samples the bytes are compared alone."""
    data = layout.first(b"data") or layout.first(b"SSND")
    if data is not None and data.is_cut and data.size < tuned.STREAMED_BYTES:
        raise TakeError(
            f"{path} is cut short: its header promises {data.size} bytes of audio, the file holds {data.present}; "
            "copy it anew from the recorder"
        )


def _long(frames: int, audio: _Audio) -> str:
    return f"{frames} samples ({frames / audio.sample_rate:.2f} s)"


def _audio(path: Path, layout: ChunkMap) -> _Audio | None:
    return _wave_audio(path, layout) if layout.kind == b"WAVE" else _aiff_audio(path, layout)


def _wave_audio(path: Path, layout: ChunkMap) -> _Audio | None:
    form, data = wave_format(path, layout), layout.first(b"data")
    if data is None or form is None or form.frame_bytes == 0 or form.sample_rate == 0:
        return None
    return _Audio(form.frame_bytes, data.size, _held(layout, data), form.sample_rate)


def _held(layout: ChunkMap, data: Chunk) -> int:
    """The bytes of audio in the file: to the chunk's end, or to the file's where no chunk follows that makes sense."""
    if data.is_cut:
        return data.present
    following = layout.chunks[layout.chunks.index(data) + 1 :]
    broken = layout.walked_to < layout.file_bytes or (bool(following) and following[-1].is_cut)
    if broken and not _is_known(following):
        return layout.file_bytes - data.start
    return data.size


def _is_known(following: tuple[Chunk, ...]) -> bool:
    """Whether a chunk of metadata, not audio that looks like one, follows: then only the metadata is damaged."""
    names = {b"LIST", b"bext", b"iXML", b"cue ", b"smpl", b"id3 ", b"ID3 ", b"JUNK", b"junk", b"FLLR", b"PAD ", b"_PMX"}
    return bool(following) and following[0].name in names


def _aiff_audio(path: Path, layout: ChunkMap) -> _Audio | None:
    form, data = layout.first(b"COMM"), layout.first(b"SSND")
    head = read_chunk(path, form)[:18] if form is not None and form.present >= 18 else b""
    if data is None or len(head) < 18 or data.present < 8:
        return None
    channels, frames, bits = struct.unpack(">hIh", head[:8])
    frame_bytes = channels * ((bits + 7) // 8)
    compression = read_chunk(path, form)[18:22] if form is not None else b""
    if frame_bytes <= 0 or compression not in {b"", b"NONE", b"twos", b"sowt", b"fl32", b"FL32", b"fl64", b"FL64"}:
        return None
    return _Audio(frame_bytes, frames * frame_bytes, _held(layout, data) - 8, _extended(head[8:18]) or 1.0)


def _extended(data: bytes) -> float:
    """An 80-bit float, in which AIFF keeps its rate."""
    exponent, mantissa = struct.unpack(">HQ", data)
    power = (exponent & 0x7FFF) - 16383 - 63
    return float(mantissa) * 2.0**power if -1000 < power < 900 else 0.0
