"""Where the chunks of a WAV, RF64, BW64 or AIFF file lie, read without trusting a single size in it.

A chunk is four printable characters, a 32-bit size and that many bytes, padded to an even count; the pad byte is not
in the size. RF64 and BW64 keep sizes beyond 32 bits in a ``ds64`` chunk (EBU Tech 3306; ITU-R BS.2088). AIFF is the
same with the size's bytes the other way round.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from micalign.files.specs import refuse_special, spoken_read

__all__ = ["MOST_CHUNKS", "Chunk", "ChunkMap", "append_chunks", "read_chunk", "read_layout"]

_FORMS: Final = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">", b"FORM": ">"}
_KINDS: Final = frozenset({b"WAVE", b"AIFF", b"AIFC"})
_UNKNOWN: Final = 0xFFFFFFFF
_FARTHEST: Final = 1 << 62  # a 64-bit size may point beyond what a file's offset can say
MOST_CHUNKS: Final = 4096  # a real file has some dozens


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


def _walk(file: BinaryIO, file_bytes: int, form: bytes) -> tuple[tuple[Chunk, ...], int]:
    chunks: list[Chunk] = []
    wide: dict[bytes, int] = {}
    at = 12
    while len(chunks) < MOST_CHUNKS:
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
    data = file.read(min(chunk.present, 28 + 12 * MOST_CHUNKS))
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
