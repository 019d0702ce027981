"""Was a recording's header ever finished, and is all of its audio there?

A recorder that loses power leaves a WAV whose header says 0 samples, or those of its last save, while the audio lies
behind it: decoders then read nothing, or less, without a word. A broken copy is the other way round: the header
promises more than the file holds.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from micalign.errors import TakeError
from micalign.files.riff import Chunk, ChunkMap, read_chunk, read_layout

__all__ = ["crashed_frames", "refuse_unfinished"]

_LEAST_FRAMES = 1024  # less than this behind the audio is padding or rubbish, not a lost recording


_STREAMED: Final = 0x7FFFF000  # from here on a size only says that its writer did not know it


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
    if audio is None or audio.present - audio.claimed < _LEAST_FRAMES * audio.frame_bytes:
        return None
    return audio.present // audio.frame_bytes


def refuse_unfinished(path: Path, layout: ChunkMap) -> None:
    """`TakeError` where the header promises less, or more, than the file holds."""
    audio = _audio(path, layout)
    if audio is None:
        _refuse_cut_chunk(path, layout)
        return
    claimed, present = audio.claimed // audio.frame_bytes, audio.present // audio.frame_bytes
    if audio.present - audio.claimed >= _LEAST_FRAMES * audio.frame_bytes:
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
    if data is not None and data.is_cut and data.size < _STREAMED:
        raise TakeError(
            f"{path} is cut short: its header promises {data.size} bytes of audio, the file holds {data.present}; "
            "copy it anew from the recorder"
        )


def _long(frames: int, audio: _Audio) -> str:
    return f"{frames} samples ({frames / audio.sample_rate:.2f} s)"


def _audio(path: Path, layout: ChunkMap) -> _Audio | None:
    return _wave_audio(path, layout) if layout.kind == b"WAVE" else _aiff_audio(path, layout)


def _wave_audio(path: Path, layout: ChunkMap) -> _Audio | None:
    form, data = layout.first(b"fmt "), layout.first(b"data")
    head = read_chunk(path, form)[:16] if form is not None and form.present >= 16 else b""
    if data is None or len(head) < 16:
        return None
    _, _, rate, _, frame_bytes, _ = struct.unpack(layout.byte_order + "HHIIHH", head)
    if frame_bytes == 0 or rate == 0:
        return None
    return _Audio(frame_bytes, data.size, _held(layout, data), rate)


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
