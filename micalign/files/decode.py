"""Samples of an audio file, decoded once for all its channels, in pages that several threads may ask for.

Integers are read as integers and floats as floats, so nothing is rounded on the way in; a track gets float64 with
full scale +-1, which holds every 8 to 32 bit integer and every float or double exactly.
"""

from __future__ import annotations

import os
import sys
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import soundfile

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.files.specs import refuse_unreadable, spoken_read

__all__ = ["AudioFile", "AudioInfo", "ChannelSamples", "open_soundfile"]

PAGE_FRAMES: Final = 1 << 16
_CACHE_BYTES: Final = 48 << 20  # a block of 2^18 frames of a 24-channel file in 32 bit, and its neighbours

_WHOLE_NUMBERS: Final = {
    "PCM_S8": ("int16", 2.0**-15),
    "PCM_U8": ("int16", 2.0**-15),
    "PCM_16": ("int16", 2.0**-15),
    "PCM_24": ("int32", 2.0**-31),
    "PCM_32": ("int32", 2.0**-31),
}


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


def open_soundfile(path: Path) -> soundfile.SoundFile:
    """The decoder of a file; `TakeError` where it is none that can be read."""
    size = refuse_unreadable(path)
    # Bytes, since a name need not be valid text; on Windows names are text.
    name: Any = str(path) if sys.platform == "win32" else os.fsencode(path)
    try:
        with spoken_read(path), path.open("rb"):
            return soundfile.SoundFile(name)
    except soundfile.LibsndfileError as error:
        raise TakeError(
            f"{path} is no audio that micalign can read ({size} bytes; {_reason(error)}): give WAV, AIFF or FLAC"
        ) from error


def _reason(error: soundfile.LibsndfileError) -> str:
    return str(error.error_string).rstrip(".")


class AudioFile:
    """One audio file: its header, and its samples by channel and place.

    Reads are guarded by a lock. The decoder is opened when it is needed and closed when the end was read or the
    object is gone; decoded pages stay for the tracks that follow in step.
    """

    def __init__(self, path: Path) -> None:
        with open_soundfile(path) as file:
            self.info = AudioInfo(
                path, file.samplerate, file.frames, file.channels, file.format, file.subtype, file.endian
            )
        self._dtype, self._scale = _WHOLE_NUMBERS.get(
            self.info.subtype, ("float32" if self.info.subtype == "FLOAT" else "float64", 1.0)
        )
        self._lock = threading.Lock()
        self._file: soundfile.SoundFile | None = None
        self._pages: OrderedDict[int, npt.NDArray[Any]] = OrderedDict()
        page_bytes = PAGE_FRAMES * self.info.channels * np.dtype(self._dtype).itemsize
        self._most_pages = max(2, min(_CACHE_BYTES // page_bytes, 6))

    def read(self, channel: int, start: int, frames: int) -> Floats:
        """Float64 samples of one channel (from 0)."""
        out = np.empty(frames)
        done = 0
        while done < frames:
            page, offset = divmod(start + done, PAGE_FRAMES)
            values = self._page(page)[channel, offset : offset + frames - done]
            np.multiply(values, self._scale, out=out[done : done + len(values)])
            done += len(values)
        if self._scale == 1.0:
            self._refuse_not_finite(out, channel, start)
        return out

    def _page(self, number: int) -> npt.NDArray[Any]:
        with self._lock:
            if number in self._pages:
                self._pages.move_to_end(number)
                return self._pages[number]
            page = self._decode(number)
            self._pages[number] = page
            if len(self._pages) > self._most_pages:
                self._pages.popitem(last=False)
            return page

    def _decode(self, number: int) -> npt.NDArray[Any]:
        start = number * PAGE_FRAMES
        wanted = min(PAGE_FRAMES, self.info.frames - start)
        if self._file is None:
            self._file = open_soundfile(self.info.path)
        try:
            if self._file.tell() != start:
                self._file.seek(start)
            found = self._file.read(wanted, dtype=self._dtype, always_2d=True)
        except soundfile.LibsndfileError as error:
            raise self._cut_short(start, _reason(error)) from error
        if len(found) < wanted:
            raise self._cut_short(start + len(found), "the samples end there")
        if start + wanted == self.info.frames:
            self._file.close()
            self._file = None
        return np.ascontiguousarray(found.T)

    def _cut_short(self, frame: int, reason: str) -> TakeError:
        at_s = frame / self.info.sample_rate
        return TakeError(
            f"{self.info.path} cannot be read on at {at_s:.3f} s of {self.info.duration_s:.3f} s ({reason}): "
            "the file is damaged or was changed meanwhile; copy it anew from the recorder"
        )

    def _refuse_not_finite(self, samples: Floats, channel: int, start: int) -> None:
        finite = np.isfinite(samples)
        if finite.all():
            return
        at_s = (start + int(np.argmin(finite))) / self.info.sample_rate
        where = f" channel {channel + 1}" if self.info.channels > 1 else ""
        raise TakeError(
            f"{self.info.path}{where} holds a sample that is no number (NaN or infinite) at {at_s:.6f} s: "
            "cut that place out or export the file again"
        )


@dataclass(frozen=True, slots=True)
class ChannelSamples:
    """One channel (from 0) of an audio file, as a track's samples."""

    file: AudioFile
    channel: int

    def read(self, start: int, frames: int) -> Floats:
        """Float64 samples ``start`` to ``start + frames``."""
        return self.file.read(self.channel, start, frames)
