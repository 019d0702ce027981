"""The tags and pictures of a FLAC, carried from one file to another.

A FLAC begins with blocks of metadata (a type, a length of 24 bits, the data), the last one marked; the audio follows.
Comments and pictures say nothing of places in the audio and are carried byte for byte; a cue sheet or a foreign
application's block may, and is named instead.
"""

from __future__ import annotations

import os
from collections.abc import Container, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, Literal

from micalign.files.specs import spoken_read

__all__ = ["carried_blocks", "insert_blocks"]

_COMMENT, _PICTURE = 4, 6
_NAMES: Final = {2: "APPLICATION", _COMMENT: "VORBIS_COMMENT", 5: "CUESHEET", _PICTURE: "PICTURE"}
_LAST: Final = 0x80
_MOST_BLOCKS: Final = 1024
_LARGEST: Final = 16 << 20  # bytes of all that is carried
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
    room = _LARGEST
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
    room = _LARGEST
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
