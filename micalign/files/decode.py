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
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.files.pcm import SCALE
from micalign.files.riff import read_layout
from micalign.files.specs import refuse_unreadable, spoken_read
from micalign.files.unfinished import refuse_unfinished
from micalign.files.wav_read import AudioInfo, WavReader, wav_reader

if TYPE_CHECKING:
    import soundfile

__all__ = ["AudioFile", "AudioInfo", "ChannelSamples"]

PAGE_FRAMES: Final = 1 << 16
_SHORT_FRAMES: Final = PAGE_FRAMES // 4
_CACHE_BYTES: Final = 48 << 20  # a block of 2^18 frames of a 24-channel file in 32 bits, and its neighbours
_MOST_FRAMES: Final = 1 << 48  # decoders say 2^63 - 1 where they do not know
_MOST_CHANNELS: Final = 1024
_MOST_FULL_SCALES: Final = 1e10  # floats written as 32-bit integers reach 2e9; more is a damaged file
_DECODED: Final = {"PCM_S8": "int16", "PCM_U8": "int16", "PCM_16": "int16", "PCM_24": "int32", "PCM_32": "int32"}


class Reader(Protocol):
    """Reads stretches of a file's frames as they are stored."""

    @property
    def info(self) -> AudioInfo: ...

    def read(self, first: int, frames: int) -> npt.NDArray[Any]:
        """Frames from ``first`` on, shape (frames, channels); fewer where the file ends."""
        ...


class AudioFile:
    """One audio file: its header, and its samples by channel and place.

    Reads are guarded by a lock. Decoded pages stay for the tracks that follow in step.
    """

    def __init__(self, path: Path) -> None:
        self._reader, self._scale = _reader_of(path)
        self.info = self._reader.info
        if self.info.channels > _MOST_CHANNELS:
            raise TakeError(f"{path} claims {self.info.channels} channels: its header is damaged, export it anew")
        self._lock = threading.Lock()
        # Hits lie anywhere in a file: unpacking a page for each cost a sixth of measuring eight tracks.
        self._reads_anywhere = isinstance(self._reader, WavReader) and self.info.channels == 1
        self._read_on = 0  # where the last short stretch ended: who goes on from there reads in order, and gets pages
        self._pages: OrderedDict[int, npt.NDArray[Any]] = OrderedDict()
        if self.info.channels == 1:
            self._most_pages = 2
        else:
            self._most_pages = max(2, min(_CACHE_BYTES // (PAGE_FRAMES * self.info.channels * 4), 6))

    def read(self, channel: int, start: int, frames: int) -> Floats:
        """Float64 samples of one channel (from 0)."""
        out = np.empty(frames)
        done = 0
        while done < frames:
            values = self._stored(channel, start + done, frames - done)
            if len(values) == 0:
                raise _cut_short(self.info, start + done, "the samples end there")
            with np.errstate(invalid="ignore"):  # a signalling NaN; it is refused below, with its place
                np.multiply(values, self._scale, out=out[done : done + len(values)])
            done += len(values)
        if self._scale == 1.0:
            self._refuse_no_sound(out, channel, start)
        return out

    def _stored(self, channel: int, first: int, most: int) -> npt.NDArray[Any]:
        """Samples as they are stored, as many as come in one piece: a page's rest, or no more than a short stretch."""
        number, offset = divmod(first, PAGE_FRAMES)
        short = self._reads_anywhere and most <= _SHORT_FRAMES and number not in self._pages
        if short and first != self._read_on:
            self._read_on = first + most
            return self._reader.read(first, most)[:, channel]
        return self._page(number)[channel, offset : offset + most]

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
        wanted = max(min(PAGE_FRAMES, self.info.frames - start), 0)
        found = self._reader.read(start, wanted)
        if len(found) < wanted:
            raise _cut_short(self.info, start + len(found), "the samples end there")
        return np.ascontiguousarray(found.T)

    def _refuse_no_sound(self, samples: Floats, channel: int, start: int) -> None:
        sound = np.abs(samples) <= _MOST_FULL_SCALES  # False for what is no number, too
        if sound.all():
            return
        worst = int(np.argmin(sound))
        at_s = (start + worst) / self.info.sample_rate
        where = f" channel {channel + 1}" if self.info.channels > 1 else ""
        value = float(samples[worst])
        met = f"of {value:.0e} times full scale" if np.isfinite(value) else "that is no number (NaN or infinite)"
        raise TakeError(
            f"{self.info.path}{where} holds a sample {met} at {at_s:.6f} s: cut that place out or export the file again"
        )


@dataclass(frozen=True, slots=True)
class ChannelSamples:
    """One channel (from 0) of an audio file, as a track's samples."""

    file: AudioFile
    channel: int

    def read(self, start: int, frames: int) -> Floats:
        """Float64 samples ``start`` to ``start + frames``."""
        return self.file.read(self.channel, start, frames)


def _reader_of(path: Path) -> tuple[Reader, float]:
    """A file's reader, and what brings its samples to full scale +-1."""
    refuse_unreadable(path)
    layout = read_layout(path)
    if layout is not None:
        refuse_unfinished(path, layout)
        plain = wav_reader(path, layout)
        if plain is not None:
            return plain, SCALE[plain.info.subtype]
    decoder = _Decoder(path)
    return decoder, {"int16": 2.0**-15, "int32": 2.0**-31}.get(decoder.dtype, 1.0)


class _Decoder:
    """Reads through soundfile; its file stays open from the first read to the last frame."""

    def __init__(self, path: Path) -> None:
        with _open(path) as file:
            self.info = AudioInfo(
                path, file.samplerate, file.frames, file.channels, file.format, file.subtype, file.endian
            )
        if self.info.frames > _MOST_FRAMES:
            raise TakeError(
                f"{path}: its header does not say how long it is (an interrupted recording, or a stream): "
                "export it anew as WAV or FLAC"
            )
        self.dtype = _DECODED.get(self.info.subtype, "float32" if self.info.subtype == "FLOAT" else "float64")
        self._file: soundfile.SoundFile | None = None

    def read(self, first: int, frames: int) -> npt.NDArray[Any]:
        """Frames from ``first`` on, shape (frames, channels); fewer where the file ends."""
        import soundfile  # noqa: PLC0415 - 20 ms that plain WAV need not pay

        if self._file is None:
            self._file = _open(self.info.path)
        try:
            if self._file.tell() != first:
                self._file.seek(first)
            found: npt.NDArray[Any] = self._file.read(frames, dtype=self.dtype, always_2d=True)
        except soundfile.LibsndfileError as error:
            raise _cut_short(self.info, first, _reason(error)) from error
        if first + len(found) >= self.info.frames:
            self._file.close()
            self._file = None
        return found


def _open(path: Path) -> soundfile.SoundFile:
    import soundfile  # noqa: PLC0415

    # Bytes, since a name need not be valid text; on Windows names are text.
    name: Any = str(path) if sys.platform == "win32" else os.fsencode(path)
    try:
        with spoken_read(path), path.open("rb"):
            return soundfile.SoundFile(name)
    except soundfile.LibsndfileError as error:
        raise TakeError(
            f"{path} is no audio that micalign can read ({_reason(error)}): give WAV, AIFF or FLAC"
        ) from error


def _reason(error: soundfile.LibsndfileError) -> str:
    return str(error.error_string).rstrip(".")


def _cut_short(info: AudioInfo, frame: int, reason: str) -> TakeError:
    at_s = frame / info.sample_rate
    return TakeError(
        f"{info.path} cannot be read on at {at_s:.3f} s of {info.duration_s:.3f} s ({reason}): "
        "the file is damaged or was changed meanwhile; copy it anew from the recorder"
    )
