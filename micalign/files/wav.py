"""Plain WAV to the byte: read from where its samples lie, odd headers found through; written, as RF64 beyond 4 GiB.

Integers of 8 to 32 bits come left-justified in 32 bits; 8 bits are stored with an offset of 128. Nothing is rounded.
Plain samples are read here and not through the decoder, which takes six times as long for 24 bits (0.56 s against
0.09 s for eight tracks of five minutes): reading was more than half of measuring and a third of aligning.

Where the decoder cannot walk the chunks (BW64, wide tables, a missing pad byte) it is shown the bytes of the ``data``
chunk alone. A file is written from its first byte to its last: it begins with a ``JUNK`` chunk of 28 bytes that becomes
``ds64`` when the sizes no longer fit 32 bits (EBU Tech 3306). More than two channels, and originals that have it, get
the extensible format chunk with its channel mask.
"""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from micalign.files.metadata import Carried, Shape
from micalign.files.riff import ChunkMap, read_chunk, read_layout

if TYPE_CHECKING:
    import soundfile

__all__ = [
    "BYTES",
    "FLOATS",
    "LARGEST_RIFF",
    "MOST_CHANNELS",
    "WavWriter",
    "open_odd",
    "pack",
    "read_samples",
    "source_format",
    "valid_bits",
]

BYTES: Final = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
"""Bytes of a sample by soundfile's word for the kind."""

FLOATS: Final = {"FLOAT": "<f4", "DOUBLE": "<f8"}


_STORED: Final = {"PCM_16": "<i2", "PCM_32": "<i4", **FLOATS}


def read_samples(file: BinaryIO, at: int, count: int, subtype: str) -> npt.NDArray[Any]:
    """``count`` samples from byte ``at`` on, fewer where the file ends.

    Integers come in 16 bits or, left-justified, in 32; 8 bits do not come here.

    >>> import io
    >>> read_samples(io.BytesIO(bytes.fromhex("000080ffff7f00")), 0, 3, "PCM_24").tolist()
    [-2147483648, 2147483392]
    """
    width = BYTES[subtype]
    stored = bytearray(1 + width * count)  # a spare byte in front, for what three bytes are read as
    file.seek(at)
    found = file.readinto(memoryview(stored)[1:]) or 0  # type: ignore[attr-defined]
    whole = found // width
    if subtype != "PCM_24":
        return np.frombuffer(stored, _STORED[subtype], whole, offset=1)
    # Every three bytes as the upper ones of four; the lowest is the neighbour's and goes.
    four: npt.NDArray[np.int32] = np.ndarray((whole,), "<i4", stored, 0, (3,))
    return four & np.int32(-256)


def pack(values: npt.NDArray[Any], subtype: str) -> memoryview:
    """The bytes of samples (any shape, in its order): int32 left-justified for integers, any float for floats.

    >>> pack(np.array([-8388608, 8388607], np.int32) << 8, "PCM_24").tobytes().hex()
    '000080ffff7f'
    """
    if subtype == "PCM_24":
        return _pack_three_bytes(values)
    if subtype in FLOATS:
        return _bytes_of(values.astype(FLOATS[subtype]))
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


_SUBTYPES: Final = {
    (1, 8): "PCM_U8",
    (1, 16): "PCM_16",
    (1, 24): "PCM_24",
    (1, 32): "PCM_32",
    (3, 32): "FLOAT",
    (3, 64): "DOUBLE",
}
_EXTENSIBLE: Final = 0xFFFE
MOST_CHANNELS: Final = 1024  # as many as the decoder takes
_HIGHEST_RATE: Final = (1 << 31) - 1  # hertz; what the decoder's integer holds


def open_odd(path: Path, layout: ChunkMap) -> soundfile.SoundFile | None:
    """The samples of a WAVE file of plain samples, past the decoder's own reading of its chunks; None for any other."""
    data, form = layout.first(b"data"), layout.first(b"fmt ")
    if layout.kind != b"WAVE" or layout.byte_order != "<" or data is None or form is None or form.present < 16:
        return None
    head = read_chunk(path, form)
    tag, channels, rate, _, frame_bytes, bits = struct.unpack("<HHIIHH", head[:16])
    if tag == _EXTENSIBLE and len(head) >= 26:
        (tag,) = struct.unpack_from("<H", head, 24)
    subtype = _SUBTYPES.get((tag, bits))
    if subtype is None or frame_bytes != channels * bits // 8:
        return None
    if not 0 < channels <= MOST_CHANNELS or not 0 < rate <= _HIGHEST_RATE:
        return None
    import soundfile  # noqa: PLC0415 - 20 ms that --help must not pay

    part = _Part(path, data.start, data.present // frame_bytes * frame_bytes)
    return soundfile.SoundFile(part, "r", rate, channels, subtype, "LITTLE", "RAW")


class _Part(io.RawIOBase):
    """A stretch of a file's bytes, as a file of its own."""

    def __init__(self, path: Path, start: int, size: int) -> None:
        self._file = path.open("rb", buffering=0)
        self._start, self._size = start, size
        self.seek(0)

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Go to a byte of the stretch."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self.tell(), os.SEEK_END: self._size}[whence]
        return self._file.seek(self._start + base + offset) - self._start

    def tell(self) -> int:
        """The byte that comes next."""
        return self._file.tell() - self._start

    def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
        """Fill the buffer, up to the stretch's end."""
        return self._file.readinto(memoryview(buffer)[: max(self._size - self.tell(), 0)]) or 0

    def close(self) -> None:
        """Let the file go."""
        if not self.closed:
            self._file.close()
        super().close()


LARGEST_RIFF: Final = (1 << 32) - 1
_UNKNOWN: Final = (1 << 32) - 1
_PCM, _FLOAT = 1, 3
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
