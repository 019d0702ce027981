"""A WAV file written from its first byte to its last, RF64 where it grows beyond 4 GiB.

Every file begins with a ``JUNK`` chunk of 28 bytes that becomes ``ds64`` when the sizes no longer fit 32 bits, as
EBU Tech 3306 describes; so nothing has to be known of the length beforehand. More than two channels, and originals
that have it, get the extensible format chunk with its channel mask.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy.typing as npt

from micalign.files.metadata import Carried, Shape
from micalign.files.pcm import BYTES, FLOATS, pack
from micalign.files.riff import read_chunk, read_layout

__all__ = ["LARGEST_RIFF", "WavWriter", "source_format", "valid_bits"]

LARGEST_RIFF: Final = (1 << 32) - 1
_UNKNOWN: Final = (1 << 32) - 1
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")


def source_format(source: Path) -> bytes | None:
    """The format chunk of a little-endian WAV, or None where there is none."""
    layout = read_layout(source)
    chunk = layout.first(b"fmt ") if layout is not None and layout.byte_order == "<" else None
    return read_chunk(source, chunk)[:40] if chunk is not None and not chunk.is_cut else None


def valid_bits(form: bytes) -> int:
    """How many bits of each sample an extensible format chunk says to be used; 0 where it does not say."""
    (tag,) = struct.unpack_from("<H", form) if len(form) == 40 else (0,)
    return int(struct.unpack_from("<H", form, 18)[0]) if tag == _EXTENSIBLE else 0


def _format_chunk(shape: Shape, subtype: str, like: bytes | None) -> bytes:
    """The format chunk: the original's own where it describes the same samples, for its channel mask and valid bits."""
    tag = _FLOAT if subtype in FLOATS else _PCM
    frame_bytes = shape.channels * BYTES[subtype]
    core = struct.pack(
        "<HIIHH", shape.channels, shape.sample_rate, shape.sample_rate * frame_bytes, frame_bytes, 8 * BYTES[subtype]
    )
    if like is not None and like[2:16] == core and _tag_of(like) == tag:
        return like
    if shape.channels > 2:
        # A mask of 0: the channels are microphones, not loudspeakers.
        extension = struct.pack("<HHI", 22, shape.bits, 0) + struct.pack("<H", tag) + _GUID_TAIL
        return struct.pack("<H", _EXTENSIBLE) + core + extension
    return struct.pack("<H", tag) + core + (struct.pack("<H", 0) if tag == _FLOAT else b"")


def _tag_of(form: bytes) -> int:
    (tag,) = struct.unpack_from("<H", form)
    if tag == _EXTENSIBLE and len(form) == 40:
        (tag,) = struct.unpack_from("<H", form, 24)
    return int(tag)


@dataclass(slots=True)
class WavWriter:
    """Writes the header when made, samples as they come, and the sizes at `finish`."""

    file: BinaryIO
    shape: Shape
    subtype: str
    carried: Carried = field(default_factory=Carried)
    like: bytes | None = None
    always_wide: bool = False
    largest: int = LARGEST_RIFF
    frames: int = 0
    _fact_at: int = 0
    _data_at: int = 0

    def __post_init__(self) -> None:
        self.file.write(b"RIFF" + bytes(4) + b"WAVE")
        self._chunk(b"JUNK", bytes(28))
        self._chunk(b"fmt ", _format_chunk(self.shape, self.subtype, self.like))
        if self.subtype in FLOATS:
            self._fact_at = self._chunk(b"fact", bytes(4))
        self._chunks(self.carried.before)
        self.file.write(b"data" + bytes(4))
        self._data_at = self.file.tell()

    def write(self, values: npt.NDArray[Any]) -> None:
        """Samples of shape (frames, channels): int32 left-justified, or floats."""
        self.file.write(pack(values, self.subtype))
        self.frames += len(values)

    def finish(self) -> None:
        """Write what follows the audio, and the sizes."""
        data_bytes = self.frames * self.shape.channels * BYTES[self.subtype]
        self.file.write(bytes(data_bytes % 2))
        self._chunks(self.carried.after)
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

    def _chunks(self, chunks: Iterable[tuple[bytes, bytes]]) -> None:
        for name, data in chunks:
            self._chunk(name, data)

    def _patch(self, at: int, value: int) -> None:
        self.file.seek(at)
        self.file.write(struct.pack("<I", value))
