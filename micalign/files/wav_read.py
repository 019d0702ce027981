"""The samples of a WAV, RF64 or BW64 file, read straight from where they lie.

Plain integers and floats need no decoder, only their place: reading them here is two to three times as fast as through
a decoder's buffers, keeps no file open between reads, and knows BW64. Everything unusual (compressed, big-endian, odd
widths) is left to the decoder.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy.typing as npt

from micalign.files.pcm import BYTES, unpack
from micalign.files.riff import Layout, read_chunk
from micalign.files.specs import spoken_read

__all__ = ["AudioInfo", "WavReader", "wav_reader"]

_SUBTYPES: Final = {
    (1, 8): "PCM_U8",
    (1, 16): "PCM_16",
    (1, 24): "PCM_24",
    (1, 32): "PCM_32",
    (3, 32): "FLOAT",
    (3, 64): "DOUBLE",
}
_EXTENSIBLE: Final = 0xFFFE


@dataclass(frozen=True, slots=True)
class AudioInfo:
    """What an audio file's header says; ``format`` and ``subtype`` in soundfile's words, ``frames`` per channel."""

    path: Path
    sample_rate: int
    frames: int
    channels: int
    format: str
    subtype: str
    endian: str = "FILE"

    @property
    def duration_s(self) -> float:
        """Its length in seconds."""
        return self.frames / self.sample_rate


@dataclass(frozen=True, slots=True)
class WavReader:
    """Reads stretches of frames; holds no file open."""

    info: AudioInfo
    start: int

    def read(self, first: int, frames: int) -> npt.NDArray[Any]:
        """Frames from ``first`` on, shape (frames, channels), as they are stored; fewer where the file ends."""
        frame_bytes = self.info.channels * BYTES[self.info.subtype]
        with spoken_read(self.info.path), self.info.path.open("rb", buffering=0) as file:
            file.seek(self.start + first * frame_bytes)
            data = bytearray(frames * frame_bytes)
            view, filled = memoryview(data), 0
            # A single read may stop short, on network drives above all.
            while filled < len(data) and (count := file.readinto(view[filled:])):
                filled += count
        whole = filled // frame_bytes * frame_bytes
        return unpack(view[:whole], self.info.subtype).reshape(-1, self.info.channels)


def wav_reader(path: Path, layout: Layout) -> WavReader | None:
    """The reader of a plain WAV; None where its samples need a decoder."""
    data, form = layout.first(b"data"), layout.first(b"fmt ")
    if layout.kind != b"WAVE" or layout.byte_order != "<" or data is None or form is None or form.present < 16:
        return None
    head = read_chunk(path, form)
    tag, channels, rate, _, frame_bytes, bits = struct.unpack("<HHIIHH", head[:16])
    if tag == _EXTENSIBLE and len(head) >= 26:
        (tag,) = struct.unpack_from("<H", head, 24)
    subtype = _SUBTYPES.get((tag, bits))
    if subtype is None or channels == 0 or rate == 0 or frame_bytes != channels * BYTES[subtype]:
        return None
    container = "RF64" if layout.form in {b"RF64", b"BW64"} else "WAV"
    info = AudioInfo(path, rate, data.present // frame_bytes, channels, container, subtype)
    return WavReader(info, data.start)
