"""What was recorded: a track hands out its samples in blocks; a take is tracks of one rate; what do their names say?

Samples are float64, full scale +-1, one channel to a track. A track never changes what it reads from. An array in
memory is one track (`Track.from_array`); a channel of a file is another (made in `micalign.files.audio`), and the
arithmetic sees no difference.

Where two recorders (or two regions of a session) began at different times, each sample of one has a place on the
other's clock. `placed` shows a track so; what comes before the clock's beginning is then out of sight, not lost:
`as_recorded` gives the whole track back. Counts are samples; positive is later.

Engineers name tracks alike the world over: a name says which two are the sides of a pair, which hang over a kit or
stand in the room. It is a hint, which what is heard may contradict.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final, Protocol, TypeVar, runtime_checkable

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats, Ints
from micalign.errors import TakeError, nearest
from micalign.units import Listing, Shown

__all__ = [
    "DRUM_WORDS",
    "LINE_WORDS",
    "OVER_WORDS",
    "ROOM_WORDS",
    "Samples",
    "Take",
    "Track",
    "as_recorded",
    "called_after",
    "is_called",
    "pairs_by_name",
    "placed",
    "refuse_mixed_rates",
    "track_named",
    "two_at_once",
]

_BLOCK_FRAMES: Final = 1 << 18
"""Frames in a block where a reader has no reason of its own: 5.5 s at 48 kHz, 2 MiB of float64."""

_Asked = TypeVar("_Asked")
_Made = TypeVar("_Made")

OVER_WORDS: Final = frozenset({"overhead", "overheads", "over", "oh", "ohs", "ohl", "ohr"})
"""Words, in small letters, by which engineers call the mics over a kit (common practice, no source)."""

ROOM_WORDS: Final = frozenset({"room", "rooms", "amb", "ambs", "ambience", "ambient"})
"""Words, in small letters, by which engineers call the mics in a room (common practice, no source)."""

LINE_WORDS: Final = frozenset(
    {
        "acoustic", "amp", "bass", "cab", "cabinet", "di", "gtr", "guitar", "keys", "organ", "piano", "synth", "vocal",
        "vocals", "voc", "voice", "vox",
    }
)  # fmt: skip
"""Words, in small letters, by which engineers call what plays or sings beside a kit (common practice, no source)."""

DRUM_WORDS: Final = frozenset(
    {
        "bd", "crash", "cymbal", "drum", "drums", "floor", "hat", "hats", "hh", "hihat", "kick", "ride", "snare", "sn",
        "tom", "toms",
    }
)  # fmt: skip
"""Words, in small letters, by which engineers call the close mics of a kit (common practice, no source)."""

_WORD: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")
_SIDES: Final = {"left": "l", "right": "r", "l": "l", "r": "r"}
_CHANNELS: Final = {"1": "l", "2": "r"}  # of a stereo file


def two_at_once(work: Callable[[_Asked], _Made], asked: Sequence[_Asked], tell: Callable[[int], None]) -> list[_Made]:
    """What is made of each, in two threads: sums and transforms leave the interpreter to others; more fill the memory.

    ``tell`` is called with the number of each before it is waited for. What still waits is given up where one fails.

    >>> two_at_once(abs, [-1, 2, -3], lambda number: None)
    [1, 2, 3]
    """
    made = []
    with ThreadPoolExecutor(2) as pool:
        try:
            for number, waiting in enumerate([pool.submit(work, one) for one in asked]):
                tell(number)
                made.append(waiting.result())
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return made


class Samples(Protocol):
    """Where a track's samples come from."""

    def read(self, start: int, frames: int) -> Floats:
        """Float64 samples ``start`` to ``start + frames``, all of them inside the track."""
        ...


@runtime_checkable
class ScatteredSamples(Samples, Protocol):
    """Samples of which many short frames are read at once."""

    def read_each(self, starts: Ints, frames: int) -> Floats:
        """Float64 frames from each sample on, (S, frames), all of them inside the track."""
        ...


@dataclass(frozen=True, slots=True)
class _ArraySamples:
    """Samples that lie in memory."""

    samples: Floats

    def read(self, start: int, frames: int) -> Floats:
        """A copy of a stretch, so that a caller cannot change the original."""
        return self.samples[start : start + frames].copy()


@dataclass(frozen=True, repr=False, eq=False)
class Track:
    """One channel of sound; two tracks are equal where they are one.

    Parameters
    ----------
    name : str
        What the user calls it: a mic's name, or a file's.
    sample_rate : int
        Hertz.
    frames : int
        Its length in samples.
    samples : Samples
        Where they come from.
    start_s : float
        When its first sample was recorded, on the take's clock.

    Examples
    --------
    >>> track = Track.from_array("click", [0.0, 1.0, 0.0, 0.0], 48000)
    >>> track.frames, float(track.read(1, 1)[0])
    (4, 1.0)
    >>> track, np.asarray(track)
    (Track('click', 4 samples at 48000 Hz), array([0., 1., 0., 0.]))
    >>> [block.tolist() for block in track.blocks(3)]
    [[0.0, 1.0, 0.0], [0.0]]
    """

    name: str
    sample_rate: int
    frames: int
    samples: Samples
    start_s: float = 0.0

    def __post_init__(self) -> None:
        if self.sample_rate <= 0 or not float(self.sample_rate).is_integer():
            raise TakeError(
                f"track '{self.name}' has the sample rate {self.sample_rate}: a whole number of hertz above 0 is needed"
            )

    @classmethod
    def from_array(cls, name: str, samples: npt.ArrayLike, sample_rate: int, *, start_s: float = 0.0) -> Track:
        """A track of samples in memory, one channel: shape (frames,), any real type, taken as full scale +-1."""
        values = np.asarray(samples, dtype=np.float64)
        if values.ndim != 1:
            raise TakeError(f"track '{name}' has the shape {values.shape}: give one channel, shape (frames,)")
        rate = int(sample_rate) if float(sample_rate).is_integer() else sample_rate
        return cls(name, rate, len(values), _ArraySamples(values), start_s)

    def __repr__(self) -> str:
        return f"Track({self.name!r}, {self.frames} samples at {self.sample_rate} Hz)"

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        """All samples, shape (frames,); always a copy."""
        return self.read().astype(dtype or np.float64, copy=False)

    @property
    def duration_s(self) -> float:
        """Its length in seconds."""
        return self.frames / self.sample_rate

    def read(self, start: int = 0, frames: int | None = None) -> Floats:
        """Samples from ``start``; silence where the stretch reaches beyond the track on either side."""
        count = self.frames - start if frames is None else frames
        inside = min(max(start, 0), self.frames), min(max(start + count, 0), self.frames)
        body = self.samples.read(inside[0], inside[1] - inside[0]) if inside[1] > inside[0] else np.zeros(0)
        if len(body) == count:
            return body
        out = np.zeros(max(count, 0))
        offset = max(inside[0] - start, 0)
        out[offset : offset + len(body)] = body
        return out

    def frames_at(self, starts: Ints, length: int) -> Floats:
        """Frames from each of some samples on, shape (S, length), silent beyond the track's ends.

        >>> Track.from_array("click", [0.0, 1.0, 0.0, 0.0], 48000).frames_at(np.array([0, 1, 3]), 2).tolist()
        [[0.0, 1.0], [1.0, 0.0], [0.0, 0.0]]
        """
        out, apart = np.empty((len(starts), length)), np.ones(len(starts), bool)
        if isinstance(self.samples, ScatteredSamples):
            apart = (starts < 0) | (starts + length > self.frames)
            if len(starts) and not apart.any():
                return self.samples.read_each(starts, length)
            out[~apart] = self.samples.read_each(starts[~apart], length)
        for row in np.flatnonzero(apart).tolist():
            out[row] = self.read(int(starts[row]), length)
        return out

    def blocks(self, frames: int = _BLOCK_FRAMES) -> Iterator[Floats]:
        """The samples from first to last, in blocks of at most ``frames``."""
        for start in range(0, self.frames, frames):
            yield self.read(start, min(frames, self.frames - start))


@dataclass(frozen=True, repr=False)
class Take(Shown):
    """Tracks of one sample rate that were recorded together.

    Attributes
    ----------
    tracks : tuple of Track
        Their lengths may differ.

    Raises
    ------
    TakeError
        If there is no track, the rates differ or two tracks share a name.

    Examples
    --------
    >>> Take((Track.from_array("left", [0.0] * 480, 48000), Track.from_array("right", [0.0] * 480, 48000)))
    2 tracks at 48000 Hz
    track    length
    left    0.010 s
    right   0.010 s
    """

    tracks: tuple[Track, ...]

    def __post_init__(self) -> None:
        if not self.tracks:
            raise TakeError("the take has no track: name at least one audio file")
        refuse_mixed_rates(self.tracks)
        names = [track.name for track in self.tracks]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise TakeError(
                f"two tracks of the take are called '{twice[0]}': name each file once, or rename one of the two"
            )

    @property
    def sample_rate(self) -> int:
        """Hertz, the same for every track."""
        return self.tracks[0].sample_rate

    def to_dict(self) -> dict[str, Any]:
        """What there is, without the samples."""
        keys = ("name", "sample_rate", "frames", "start_s")
        return {"tracks": [{key: getattr(track, key) for key in keys} for track in self.tracks]}

    def _listing(self) -> Listing:
        rows = ((track.name, f"{track.duration_s:.3f} s") for track in self.tracks)
        title = f"{len(self.tracks)} tracks at {self.sample_rate} Hz"
        return Listing(title, ("track", "length"), rows, len(self.tracks))

    @property
    def frames(self) -> int:
        """The length of the longest track in samples."""
        return max(track.frames for track in self.tracks)

    def track(self, name: str) -> Track:
        """The track of that name; `TakeError` where there is none."""
        return track_named(self.tracks, name)


def track_named(tracks: Sequence[Track], name: str) -> Track:
    """The track of that name, of tracks of any rates; `TakeError` where there is none."""
    for track in tracks:
        if track.name == name:
            return track
    names = [track.name for track in tracks]
    known = ", ".join(f"'{one}'" for one in names)
    raise TakeError(f"the take has no track '{name}'{nearest(name, names) or f': it has {known}'}")


def refuse_mixed_rates(tracks: Sequence[Track]) -> None:
    """`TakeError` where a track is not at the rate of the first."""
    first = tracks[0]
    for track in tracks[1:]:
        if track.sample_rate != first.sample_rate:
            raise TakeError(
                f"'{track.name}' is at {track.sample_rate} Hz but '{first.name}' at {first.sample_rate} Hz: "
                "convert one of them to the other's rate first"
            )


@dataclass(frozen=True, slots=True)
class _PlacedSamples:
    """Another track's samples, counted on a clock on which it began at ``begun_samples``."""

    track: Track
    begun_samples: int

    def read(self, start: int, frames: int) -> Floats:
        """Float64 samples ``start`` to ``start + frames`` of that clock."""
        return self.track.read(start - self.begun_samples, frames)

    def read_each(self, starts: Ints, frames: int) -> Floats:
        """Float64 frames from each of some samples of that clock on, shape (S, frames)."""
        return self.track.frames_at(starts - self.begun_samples, frames)


def placed(track: Track, begun_samples: int) -> Track:
    """The track as seen on a clock on which its first sample lies at ``begun_samples``.

    >>> late = placed(Track.from_array("late", [1.0, 2.0], 48000), 3)
    >>> late.frames, late.read(2, 3).tolist()
    (5, [0.0, 1.0, 2.0])
    >>> placed(Track.from_array("early", [1.0, 2.0, 3.0], 48000), -1).read().tolist()
    [2.0, 3.0]
    """
    if begun_samples == 0:
        return track
    frames = max(track.frames + begun_samples, 0)
    return Track(track.name, track.sample_rate, frames, _PlacedSamples(track, begun_samples))


def as_recorded(track: Track) -> tuple[Track, int]:
    """The whole track, and where its first sample lies on the clock it was laid on.

    >>> track = Track.from_array("early", [1.0, 2.0, 3.0], 48000)
    >>> as_recorded(placed(track, -1)) == (track, -1), as_recorded(track) == (track, 0)
    (True, True)
    """
    samples = track.samples
    return (samples.track, samples.begun_samples) if isinstance(samples, _PlacedSamples) else (track, 0)


def is_called(name: str, words: Collection[str]) -> bool:
    """Whether a track's name holds one of some words, parted by case, digits, or anything else.

    >>> [is_called(name, OVER_WORDS) for name in ("OHL", "kit Overhead-2.wav", "oh_r", "Cohen", "kick")]
    [True, True, True, False, False]
    """
    return any(word.casefold() in words for word in _WORD.findall(name))


def called_after(source: str, names: Sequence[str]) -> str | None:
    """The track that is called as a source is, a file's ending aside, or the one close mic whose name holds its words.

    >>> called_after("Kick", ["kick.wav", "kick out.wav"]), called_after("snare", ["OH snare side.wav", "2 snare.wav"])
    ('kick.wav', '2 snare.wav')
    >>> called_after("snare", ["snare top.wav", "snare bottom.wav"]) is None
    True
    """
    for name in names:
        if source.casefold() in (name.casefold(), name.casefold().rpartition(".")[0]):
            return name
    words = {word.casefold() for word in _WORD.findall(source)}
    holding = [name for name in names if words and words <= {word.casefold() for word in _WORD.findall(name)}]
    close = [name for name in holding if not is_called(name, OVER_WORDS | ROOM_WORDS)]
    return close[0] if len(close) == 1 else None


def pairs_by_name(names: Sequence[str]) -> tuple[tuple[int, int], ...]:
    """The places of tracks whose names differ in left and right alone, or that are one stereo file of a kit or a room.

    A file of more channels is no pair's, wherever it was recorded.

    >>> pairs_by_name(["OHL", "kick", "OHR", "room left.wav", "Room Right.wav", "tom 1.wav", "tom 2.wav"])
    ((0, 2), (3, 4))
    >>> pairs_by_name(["overheads.wav:1", "overheads.wav:2", "desk.wav:1", "desk.wav:2"])
    ((0, 1),)
    """
    wide = {name[:-2] for name in names if name.endswith(":3")}
    found = [_sided(name, may_be_stereo=name[:-2] not in wide) for name in names]
    return tuple(
        (one, other)
        for one, other in combinations(range(len(names)), 2)
        if found[one][0] == found[other][0] and {found[one][1], found[other][1]} == {"l", "r"}
    )


def _sided(name: str, *, may_be_stereo: bool) -> tuple[tuple[str, ...], str]:
    """A name's words without the one that says a side, and which it says; "" for none."""
    file, _, channel = name.rpartition(":")
    if may_be_stereo and channel in _CHANNELS and is_called(file, OVER_WORDS | ROOM_WORDS):
        return (file,), _CHANNELS[channel]
    words = _WORD.findall(name)
    for k, word in reversed(list(enumerate(words))):
        rest, end = (word[:-1], word[-1:]) if word.isupper() or word in {"ohl", "ohr"} else ("", word)
        side = _SIDES.get(word.casefold()) or _SIDES.get(end.casefold())
        if side:
            rest = "" if word.casefold() in _SIDES else rest
            return tuple(one.casefold() for one in (*words[:k], rest, *words[k + 1 :])), side
    return tuple(map(str.casefold, words)), ""
