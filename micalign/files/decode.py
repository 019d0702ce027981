"""Samples of an audio file, decoded once for all its channels, in pages that several threads may ask for.

A track gets float64 with full scale +-1, which holds every 8 to 32 bit integer and every float or double exactly. What
is plain and of one channel is read from where it lies; pages keep integers as integers and floats as floats.

The plain samples of a WAV are read past the decoder, which takes four times as long for 24 bits: with it `measure` of
eight tracks of five minutes takes 1.35 times as long. So are those among chunks that it cannot walk (BW64, wide tables,
a missing pad byte); where it can, its words for rate, length and kind are those of the chunks (`headers`). Of several
chunks of samples the first that holds any is read, and how much the others hold is told.
"""

from __future__ import annotations

import os
import re
import sys
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats, Ints
from micalign.errors import TakeError
from micalign.files import tuned
from micalign.files.headers import (
    ChunkMap,
    identity,
    read_layout,
    refuse_truncated,
    refuse_unfinished,
    refuse_unreadable,
    spoken_read,
    wave_format,
)
from micalign.units import many

if TYPE_CHECKING:
    import soundfile

__all__ = [
    "BYTES",
    "MOST_CHANNELS",
    "AudioFile",
    "AudioInfo",
    "ChannelSamples",
    "Decoder",
]


BYTES: Final = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
"""Bytes of a sample by soundfile's word for the kind."""


MOST_CHANNELS: Final = 1024  # as many as the decoder takes


@dataclass(frozen=True, slots=True)
class AudioInfo:
    """What an audio file's header says; ``format`` and ``subtype`` in soundfile's words, ``frames`` per channel.

    ``unread_frames`` lie in further chunks of samples of a WAV, which nobody reads.
    """

    path: Path
    sample_rate: int
    frames: int
    channels: int
    format: str
    subtype: str
    endian: str = "FILE"
    unread_frames: int = 0

    @property
    def duration_s(self) -> float:
        """Its length in seconds."""
        return self.frames / self.sample_rate


class AudioFile:
    """One audio file: its header, and its samples by channel and place.

    Reads are guarded by a lock. Decoded pages stay for the tracks that follow in step.
    """

    def __init__(self, path: Path) -> None:
        self._decoder = Decoder(path)
        self._scale = {"int16": 2.0**-15, "int32": 2.0**-31}.get(self._decoder.dtype, 1.0)
        self.info = self._decoder.info
        if self.info.channels > MOST_CHANNELS:
            raise TakeError(f"{path} claims {self.info.channels} channels: its header is damaged, export it anew")
        if self.info.sample_rate < tuned.LEAST_RATE_HZ:
            raise TakeError(
                f"{path} claims a rate of {self.info.sample_rate} Hz: sound needs {tuned.LEAST_RATE_HZ} Hz at least; "
                "its header is damaged, export it anew"
            )
        self._lock = threading.Lock()
        # Hits lie anywhere in a file: a page for each cost a sixth of measuring eight tracks, and nearly all of 64.
        channels, is_plain = self.info.channels, self.info.subtype in BYTES and self.info.format in _PLAIN
        self._reads_anywhere = is_plain and channels == 1
        self._page_frames = max(tuned.PAGE_FRAMES // channels, 1) if is_plain else tuned.PAGE_FRAMES
        self._pages: OrderedDict[int, npt.NDArray[Any]] = OrderedDict()
        kept = tuned.MOST_PAGES * tuned.PAGE_FRAMES if channels > 1 else 0
        self._most_pages = max(2, min(tuned.CACHE_BYTES // (4 * channels), kept) // self._page_frames)

    def refuse_changed(self) -> None:
        """`TakeError` where the file was replaced or written to since it was opened."""
        if self._decoder.identity != identity(self.info.path):
            raise TakeError(
                f"{self.info.path} was changed or replaced while it was read: nothing of it is used; run the command "
                "again when it is as it should be"
            )

    def read(self, channel: int, start: int, frames: int) -> Floats:
        """Float64 samples of one channel (from 0)."""
        out, done = np.empty(frames), 0
        while done < frames:
            values = self._stored(channel, start + done, frames - done)
            if len(values) == 0:
                raise _cut_short(self.info, start + done, "the samples end there")
            self._scaled(values, out[done : done + len(values)])
            done += len(values)
        if self._scale == 1.0:
            self._refuse_no_sound(out, channel, start)
        return out

    def read_each(self, channel: int, starts: Ints, frames: int) -> Floats:
        """Float64 frames of one channel from each sample on, shape (S, frames).

        Hits lie anywhere in a file: read one after the other, each costs three times as much.
        """
        if self._reads_anywhere:
            with self._lock:
                values = self._decoder.read_each(starts, frames)
            if values is not None:
                out = np.empty(values.shape)
                self._scaled(values, out)
                if self._scale != 1.0 or np.all(np.abs(out) <= tuned.MOST_FULL_SCALES):
                    return out
        return np.array([self.read(channel, int(start), frames) for start in starts]).reshape(len(starts), frames)

    def _scaled(self, values: npt.NDArray[Any], out: Floats) -> None:
        if self._scale != 1.0:
            np.multiply(values, self._scale, out=out)
            return
        with np.errstate(invalid="ignore"):  # a signalling NaN; it is refused with its place
            out[:] = values

    def _stored(self, channel: int, start: int, frames: int) -> npt.NDArray[Any]:
        """Samples of one channel as they are stored, as many as come at once; none behind the last."""
        if self._reads_anywhere:
            with self._lock:
                return self._decoder.read(start, min(frames, tuned.PAGE_FRAMES))[:, 0]
        number, offset = divmod(start, self._page_frames)
        return self._page(number)[channel, offset : offset + frames]

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
        start = number * self._page_frames
        wanted = max(min(self._page_frames, self.info.frames - start), 0)
        found = self._decoder.read(start, wanted)
        if len(found) < wanted:
            raise _cut_short(self.info, start + len(found), "the samples end there")
        return np.ascontiguousarray(found.T)

    def _refuse_no_sound(self, samples: Floats, channel: int, start: int) -> None:
        sound = np.abs(samples) <= tuned.MOST_FULL_SCALES  # False for what is no number, too
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

    def read_each(self, starts: Ints, frames: int) -> Floats:
        """Float64 frames from each of some samples on, shape (S, frames)."""
        return self.file.read_each(self.channel, starts, frames)


class Decoder:
    """Reads stretches of frames as they are stored; open from the first read to the last frame."""

    _file: Any = None  # the decoder's, or where samples lie plainly the file itself

    def __init__(self, path: Path) -> None:
        refuse_unreadable(path)
        self.identity = identity(path)
        layout = read_layout(path)
        if layout is not None:
            refuse_unfinished(path, layout)
        else:
            refuse_truncated(path)
        plain = None if layout is None else _plain(path, layout)
        try:
            # Of several chunks of samples the decoder reads the last, or refuses them all.
            self.info = plain[0] if plain is not None and plain[0].unread_frames else _told(path)
        except TakeError:
            if plain is None:
                raise
            self.info = plain[0]
        if self.info.frames > tuned.MOST_FRAMES:
            raise TakeError(
                f"{path}: its header does not say how long it is (an interrupted recording, or a stream): "
                "export it anew as WAV or FLAC"
            )
        self.dtype = _DECODED.get(self.info.subtype, "float32" if self.info.subtype == "FLOAT" else "float64")
        # Of several format chunks the decoder may read another one than the first that the chunks tell of.
        same = plain is not None and (plain[0].frames, plain[0].channels) == (self.info.frames, self.info.channels)
        self._plain_at = plain[1] if plain is not None and same else None

    def __del__(self) -> None:
        if self._file is not None:
            self._file.close()

    def read(self, first: int, frames: int) -> npt.NDArray[Any]:
        """Frames from ``first`` on, shape (frames, channels); fewer where the file ends."""
        wanted = min(frames, self.info.frames - first)
        if wanted <= 0:
            return np.empty((0, self.info.channels), self.dtype)
        found = self._decoded(first, wanted) if self._plain_at is None else self._stored(self._plain_at, first, wanted)
        if first + len(found) >= self.info.frames:
            self._file.close()
            self._file = None
        return found

    def _decoded(self, first: int, frames: int) -> npt.NDArray[Any]:
        import soundfile  # noqa: PLC0415 - 20 ms that --help must not pay

        if self._file is None:
            self._file = _open(self.info.path)
        found = np.empty((frames, self.info.channels), self.dtype)
        try:
            if self._file.tell() != first:
                self._file.seek(first)
            return found[: self._file.buffer_read_into(found, self.dtype)]
        except soundfile.LibsndfileError as error:
            raise _cut_short(self.info, first, _reason(error)) from error

    def _stored(self, begins: int, first: int, frames: int) -> npt.NDArray[Any]:
        channels = self.info.channels
        frame_bytes = channels * BYTES[self.info.subtype]
        with self._plainly() as file:
            file.seek(begins + first * frame_bytes - 1)
            held = file.read(1 + frames * frame_bytes)
        count = max(len(held) - 1, 0) // frame_bytes * channels
        if not count:
            return np.empty((0, channels), self.dtype)
        return self._lying(np.frombuffer(held, np.uint8)[None], count).reshape(-1, channels)

    def read_each(self, starts: Ints, frames: int) -> npt.NDArray[Any] | None:
        """Frames of one channel from each sample on, (S, frames); None where they do not lie plainly, or not all."""
        if self._plain_at is None or self.info.channels != 1 or not (frames and len(starts)):
            return None
        width = BYTES[self.info.subtype]
        held = np.empty((len(starts), 1 + frames * width), np.uint8)
        with self._plainly() as file:
            for row, start in zip(held, starts.tolist(), strict=True):
                file.seek(self._plain_at + start * width - 1)
                if file.readinto(row) < len(row):
                    return None
        return self._lying(held, frames)

    @contextmanager
    def _plainly(self) -> Iterator[Any]:
        """The file itself, and an error of it in our words."""
        try:
            if self._file is None:
                # A buffer would read what lies behind each of thousands of hits as well.
                self._file = self.info.path.open("rb", buffering=0)
            yield self._file
        except OSError:
            with spoken_read(self.info.path):
                raise

    def _lying(self, held: npt.NDArray[np.uint8], count: int) -> npt.NDArray[Any]:
        """Samples of a WAV as they lie in rows of bytes, behind one that is no sample's: integers in 16 bits or,
        left-justified, in 32; shape (rows, count).
        """
        subtype = self.info.subtype
        if subtype == "PCM_24":
            # Every three bytes as the upper ones of four; the lowest is the neighbour's and goes.
            return np.ndarray((len(held), count), "<i4", held, 0, (held.strides[0], 3)) & np.int32(-256)
        kind = np.dtype(_STORED[subtype])
        samples = np.ndarray((len(held), count), kind, held, 1, (held.strides[0], kind.itemsize))
        if subtype == "PCM_U8":
            samples = (samples ^ 128).view(np.int8).astype(np.int16) * 256
        return samples


_STORED: Final = {"PCM_U8": "u1", "PCM_16": "<i2", "PCM_32": "<i4", "FLOAT": "<f4", "DOUBLE": "<f8"}
_SUBTYPES: Final = {
    (1, 8): "PCM_U8",
    (1, 16): "PCM_16",
    (1, 24): "PCM_24",
    (1, 32): "PCM_32",
    (3, 32): "FLOAT",
    (3, 64): "DOUBLE",
}
_HIGHEST_RATE: Final = (1 << 31) - 1  # hertz; what the decoder's integer holds


def _plain(path: Path, layout: ChunkMap) -> tuple[AudioInfo, int] | None:
    """What a WAV of plain samples holds by its chunks, and at which byte it begins; None for any other file."""
    every, form = [chunk for chunk in layout.chunks if chunk.name == b"data"], wave_format(path, layout)
    if not every or form is None or layout.byte_order != "<":
        return None
    subtype = _SUBTYPES.get((form.tag, form.bits))
    if subtype is None or form.frame_bytes != form.channels * form.bits // 8:
        return None
    if not 0 < form.channels <= MOST_CHANNELS or not 0 < form.sample_rate <= _HIGHEST_RATE:
        return None
    data, *others = [chunk for chunk in every if chunk.present] or every
    frames = data.present // form.frame_bytes
    unread = sum(chunk.present for chunk in others) // form.frame_bytes
    return AudioInfo(path, form.sample_rate, frames, form.channels, "WAV", subtype, "LITTLE", unread), data.start


def _told(path: Path) -> AudioInfo:
    """What the decoder says of a file."""
    with _open(path) as file:
        info = AudioInfo(path, file.samplerate, file.frames, file.channels, file.format, file.subtype, file.endian)
        _refuse_unseekable(path, file)
        if file.format not in _PLAIN and _CUT.search(file.extra_info):
            raise TakeError(
                f"{path} is cut short: its header promises more than the file holds; copy it anew from the recorder"
            )
    return info


_PLAIN: Final = {"WAV", "WAVEX", "RF64", "AIFF"}  # a place in them is found without decoding what lies before it
_CUT: Final = re.compile(r"truncated|Data length \d+ should be|BODY : \d+ \(should be")
"""How a decoder's log says that rarer files (SVX, VOC, MAT4, WVE) are cut short."""


_DECODED: Final = {"PCM_S8": "int16", "PCM_U8": "int16", "PCM_16": "int16", "PCM_24": "int32", "PCM_32": "int32"}


def _refuse_unseekable(path: Path, file: soundfile.SoundFile) -> None:
    """Some compressed formats can only be played from the beginning; a measurement looks here and there."""
    import soundfile  # noqa: PLC0415

    try:
        if file.seekable():
            file.seek(min(1, file.frames))
            return
    except soundfile.LibsndfileError as error:
        if file.format == "FLAC":
            # Every place of a whole one can be looked up.
            raise TakeError(
                f"{path} breaks off in its first samples: it is damaged or cut short; copy it anew from the recorder"
            ) from error
    raise TakeError(
        f"{path} is {file.format} with {file.subtype} samples, in which no place can be looked up: convert it to WAV "
        "or FLAC first"
    )


def _open(path: Path) -> soundfile.SoundFile:
    import soundfile  # noqa: PLC0415 - 20 ms that --help must not pay

    # Bytes, since a name need not be valid text; on Windows names are text.
    name: Any = str(path) if sys.platform == "win32" else os.fsencode(path)
    with spoken_read(path), path.open("rb"):
        try:
            return soundfile.SoundFile(name)
        except TypeError as error:  # the name ends in .raw: samples without a header
            raise TakeError(
                f"{path} has no header that says its rate and kind of samples: give WAV, AIFF or FLAC"
            ) from error
        except soundfile.LibsndfileError as error:
            raise TakeError(
                f"{path} is no audio that micalign can read ({_reason(error)}): give WAV, AIFF or FLAC"
            ) from error


def _reason(error: soundfile.LibsndfileError) -> str:
    return str(error.error_string).rstrip(".")


def _cut_short(info: AudioInfo, frame: int, reason: str) -> TakeError:
    at, whole = f"{frame / info.sample_rate:.3f} s", f"{info.duration_s:.3f} s"
    place = f"{at} of {whole}" if at != whole else f"{at}, {many(info.frames - frame, 'sample')} before its end"
    return TakeError(
        f"{info.path} cannot be read on at {place} ({reason}): "
        "the file is damaged or was changed meanwhile; copy it anew from the recorder"
    )
