"""How many bytes of audio does the header of a W64, AU or CAF file promise, and how many does the file hold?

An Ogg promises no number, but its last page says that it is the last.

Decoders read what there is of a file that was cut short and say nothing. Sources: Sony's W64 is RIFF with 16-byte
names and 64-bit sizes that count the chunk's own head; AU is a head of six 32-bit words; CAF is Apple's Core Audio
Format Specification 1.0 (a size of -1 means: to the end of the file).
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import BinaryIO, Final, Literal

from micalign.errors import TakeError
from micalign.files.specs import spoken_read

__all__ = ["refuse_broken_promise"]

_LEAST_BYTES: Final = 4096  # less than this behind the audio is padding, not a lost recording
_MOST_CHUNKS: Final = 4096
_W64: Final = b"riff\x2e\x91\xcf\x11"
_LARGEST_PAGE: Final = 65_307
_ENDS_STREAM: Final = 0x04
_UNKNOWN_32: Final = 0xFFFFFFFF


def refuse_broken_promise(path: Path) -> None:
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
    promised, start = found
    present = max(file_bytes - start, 0)
    if present < promised:
        raise TakeError(
            f"{path} is cut short: its header promises {_size(promised)} of audio, the file holds {_size(present)}; "
            "copy it anew from the recorder"
        )
    if promised == 0 and present > _LEAST_BYTES:
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
        return None if size == _UNKNOWN_32 else (size, start)
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
    for _ in range(_MOST_CHUNKS):
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
