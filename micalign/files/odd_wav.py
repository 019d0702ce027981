"""How is a WAV read whose chunks the decoder cannot walk: BW64, wide tables, a missing pad byte?

Its samples are plain; only the way to them is unusual, and `micalign.files.riff` has found it. The decoder is shown the
bytes of the ``data`` chunk alone, as raw samples.
"""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path
from typing import TYPE_CHECKING, Final

from micalign.files.riff import ChunkMap, read_chunk

if TYPE_CHECKING:
    import soundfile

__all__ = ["open_odd"]

_SUBTYPES: Final = {
    (1, 8): "PCM_U8",
    (1, 16): "PCM_16",
    (1, 24): "PCM_24",
    (1, 32): "PCM_32",
    (3, 32): "FLOAT",
    (3, 64): "DOUBLE",
}
_EXTENSIBLE: Final = 0xFFFE
_MOST_CHANNELS: Final = 1024  # as many as the decoder takes
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
    if not 0 < channels <= _MOST_CHANNELS or not 0 < rate <= _HIGHEST_RATE:
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
