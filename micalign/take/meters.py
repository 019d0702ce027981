"""What do the meters of one track read? It is fed a second at a time, so that a track is read once and never held.

Samples are against full scale 1. A window is a hundredth of a second (rounded down to whole samples), a tenth is ten
windows; what is left at the end, shorter than a window, counts for peaks, root mean square and clipping alone.

Clipping: a run is three or more neighbouring samples at one extreme of the track, above or below: at full scale, or at
any lower level where the signal was cut off before it reached the file. Each side has its own extreme, so +32767 of a
16-bit file counts as well as -32768. Three in a row is custom; no standard defines it. The top of a slow wave has many
samples that are alike too. What shows a cut is the slope at which the sound meets the flat and leaves it: carried on,
those slopes would rise well above it. A parabola that meets a flat of n samples with the slopes a and b (per sample)
would rise n a b / (2 (a + b)) above it. Bright sound is cut in single samples, too short for runs. At full scale it
shows by a *heap*: far more samples at the extreme than just below it, at irregular times (the samples of a pure tone
may all lie on its top, but in step). Sounds thin out towards their extreme; the densest that do not, sines, have 2.4
times as many in the last of two equal bands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.errors import TakeError
from micalign.take import tuned
from micalign.take.digital_faults import ClickMeter, Clicks, GapMeter, Gaps
from micalign.take.loudness import TruePeak
from micalign.take.noise import QuietMeter, QuietSeconds, SteadyMeter, SteadyNoise
from micalign.take.outline import Outline, OutlineMeter
from micalign.take.tracks import Track

__all__ = [
    "ClipMeter",
    "Clipping",
    "Readings",
    "TrackMeter",
]


_STEP_8: Final = 2.0**-7  # of full scale, as the next two: what one step of so many bits is
_STEP_16: Final = 2.0**-15  # likewise
_STEP_24: Final = 2.0**-23  # likewise, and of anything finer


@dataclass(frozen=True, slots=True)
class Clipping:
    """What was cut off.

    Parameters
    ----------
    samples, runs, longest_run : int
        Samples in runs, runs, and the samples of the longest one.
    first_s : tuple of float
        When the first five strokes that are cut begin, in seconds from the track's start.
    marks_s : tuple of float
        Where to mark a picture: about one run to a tenth of a second, in seconds.
    upper, lower : float or None
        The levels of the flats above and below, against full scale 1; None where that side is not cut.
    heap : int
        Single samples at full scale beyond what the sound just below it leads to expect; counted in ``samples``.
    step : float
        The smallest step of the track's samples: 2^-15 for 16 bit.
    """

    samples: int = 0
    runs: int = 0
    longest_run: int = 0
    first_s: tuple[float, ...] = ()
    marks_s: tuple[float, ...] = ()
    upper: float | None = None
    lower: float | None = None
    heap: int = 0
    step: float = _STEP_24

    @property
    def is_cut(self) -> bool:
        """Whether anything was cut off: in runs, or in a heap of single samples."""
        return self.runs > 0 or self.heap > 0

    @property
    def at_full_scale(self) -> bool:
        """Whether a flat lies at full scale or beyond, and not lower: cut by the converter or in the file."""
        highest = max(self.upper or 0.0, self.lower or 0.0)
        return highest >= 1.0 - max(self.step, tuned.FLAT_SHARE)


class ClipMeter:
    """Follows both extremes of a track through blocks that follow each other."""

    def __init__(self, sample_rate: int) -> None:
        self._sample_rate = sample_rate
        every = max(sample_rate // tuned.MARKS_PER_S, 1)
        self._sides = (_Side(1.0, every), _Side(-1.0, every))
        self._step = _STEP_8
        self._done = 0

    def feed(self, block: Floats, highest: float, lowest: float) -> None:
        """Take the next block with its extremes."""
        if self._step > _STEP_24 and max(highest, -lowest) > 0.0:
            self._step = min(self._step, _step_of(block))
        for side, top in zip(self._sides, (highest, -lowest), strict=True):
            side.feed(block, top, self._done, self._step)
        self._done += len(block)

    def finish(self) -> Clipping:
        """Close what is open, and give the sum of both sides."""
        for side in self._sides:
            side.close(self._done, math.nan, self._step)
        heaps = [side.heap(self._step) for side in self._sides]
        upper, lower = (side.top if side.runs or heap else None for side, heap in zip(self._sides, heaps, strict=True))
        heaped = [place for side, heap in zip(self._sides, heaps, strict=True) if heap for place in side.singly]
        firsts = sorted([*(place for side in self._sides for place in side.first), *heaped])
        firsts = _of_hits(firsts, tuned.SAME_HIT_S * self._sample_rate)[: tuned.FIRST_PLACES]
        marks = sorted({*(place for side in self._sides for place in side.marks), *heaped})
        return Clipping(
            samples=sum(side.samples for side in self._sides) + sum(heaps),
            runs=sum(side.runs for side in self._sides),
            longest_run=max(side.longest for side in self._sides),
            first_s=tuple(place / self._sample_rate for place in firsts),
            marks_s=tuple(place / self._sample_rate for place in marks),
            upper=upper,
            lower=lower,
            heap=sum(heaps),
            step=self._step,
        )


def _of_hits(places: list[int], apart: float) -> list[int]:
    """The first place of each stroke, of places in order of time."""
    firsts: list[int] = []
    for place in places:
        if not firsts or place - firsts[-1] >= apart:
            firsts.append(place)
    return firsts


def _step_of(block: Floats) -> float:
    """The coarsest of the usual steps that a block's samples keep to."""
    some = block[:: max(len(block) // tuned.STEP_SAMPLES, 1)]
    for step in (_STEP_8, _STEP_16):
        steps = some / step
        if np.array_equal(steps, np.rint(steps)):
            return step
    return _STEP_24


@dataclass(slots=True)
class _Side:
    """One extreme. ``top`` is its level, ``anchor`` the level when the runs now counted began."""

    sign: float
    mark_every: int
    top: float = 0.0
    anchor: float = 0.0
    runs: int = 0
    samples: int = 0
    longest: int = 0
    single: int = 0
    below: int = 0
    singly: list[int] = field(default_factory=list)
    first: list[int] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)
    open_at: int | None = None
    open_rise: float = math.nan
    last: float = math.nan

    def feed(self, block: Floats, block_top: float, start: int, step: float) -> None:
        if block_top > self.top:
            self.top = block_top
            if self.top - self._alike(step) > self.anchor:
                self._forget()
        flat = self.top - self._alike(step)
        if self.top > 0.0 and block_top >= flat:
            self._find(block, flat, start, step)
        elif self.open_at is not None and len(block):
            self.close(start, self.last - self.sign * float(block[0]), step)
        if len(block):
            self.last = self.sign * float(block[-1])

    def close(self, end: int, fall: float, step: float) -> None:
        """End an open run before sample ``end``, where the sound fell by ``fall``."""
        if self.open_at is not None:
            one = np.array([self.open_at]), np.array([end]), np.array([self.open_rise]), np.array([fall])
            self._count(*one, step)
            self.open_at = None

    def _alike(self, step: float) -> float:
        return max(tuned.FLAT_SHARE * self.top, tuned.FLAT_STEPS * step if step > _STEP_24 else 0.0)

    def _forget(self) -> None:
        """A higher extreme: what was flat below it was no cut at the extreme."""
        self.anchor = self.top
        self.runs = self.samples = self.longest = self.single = self.below = 0
        self.singly.clear()
        self.first.clear()
        self.marks.clear()
        self.open_at = None

    def _find(self, block: Floats, flat: float, start: int, step: float) -> None:
        """Count the runs of a block; one that reaches the block's end stays open."""
        at = np.flatnonzero(block >= flat if self.sign > 0 else block <= -flat)
        under = flat - self._alike(step)
        self.below += int(np.count_nonzero(block >= under if self.sign > 0 else block <= -under)) - len(at)
        breaks = np.flatnonzero(np.diff(at) != 1)
        first = at[np.concatenate(([0], breaks + 1))]
        end = at[np.concatenate((breaks, [len(at) - 1]))] + 1
        rise, fall = self._slopes(block, first, end)
        starts = first + start
        if self.open_at is not None:
            if first[0] == 0:
                starts[0], rise[0] = self.open_at, self.open_rise
                self.open_at = None
            else:
                self.close(start, self.last - self.sign * float(block[0]), step)
        if end[-1] == len(block):
            self.open_at, self.open_rise = int(starts[-1]), float(rise[-1])
            starts, end, rise, fall = starts[:-1], end[:-1], rise[:-1], fall[:-1]
        self._count(starts, end + start, rise, fall, step)

    def _slopes(self, block: Floats, first: Ints, end: Ints) -> tuple[Floats, Floats]:
        """The steps into and out of runs; NaN where the block does not show it."""
        rise = self.sign * (block[first] - block[first - 1])
        fall = self.sign * (block[end - 1] - block[np.minimum(end, len(block) - 1)])
        if first[0] == 0:
            rise[0] = self.sign * float(block[0]) - self.last
        if end[-1] == len(block):
            fall[-1] = math.nan
        return rise, fall

    def _count(self, starts: Ints, ends: Ints, rise: Floats, fall: Floats, step: float) -> None:
        lengths = ends - starts
        short = lengths < tuned.RUN_SAMPLES
        self.single += int(lengths[short].sum())
        self.singly += starts[short][: tuned.KEPT_SINGLES - len(self.singly)].tolist()
        cut = lengths >= tuned.RUN_SAMPLES
        # One step of a coarse file says nothing about a slope: the flanks of a slow wave are such steps.
        grain = step if step > _STEP_24 else 0.0
        cut &= _rises(lengths, rise - grain, fall - grain, tuned.LEAST_RISE * self._alike(step))
        lengths = lengths[cut]
        self.runs += len(lengths)
        self.samples += int(lengths.sum())
        self.longest = max(self.longest, int(lengths.max(initial=0)))
        tenths, index = np.unique(starts[cut] // self.mark_every, return_index=True)
        last = self.marks[-1] // self.mark_every if self.marks else -1
        self.marks += starts[cut][index[tenths > last]].tolist()
        if len(self.first) < tuned.FIRST_PLACES:
            hits = _of_hits(
                [*self.first, *starts[cut].tolist()], tuned.SAME_HIT_S * tuned.MARKS_PER_S * self.mark_every
            )
            self.first = hits[: tuned.FIRST_PLACES]

    def heap(self, step: float) -> int:
        """Single samples at full scale, where they are a heap; else 0."""
        is_heap = self.single >= tuned.HEAP_SAMPLES and self.single > tuned.HEAP_RATIO * self.below
        if not is_heap or self.top < 1.0 - max(step, tuned.FLAT_SHARE):
            return 0
        return self.single if len(np.unique(np.diff(self.singly))) >= tuned.HEAP_GAPS else 0


def _rises(lengths: Ints, rise: Floats, fall: Floats, least: float) -> Bools:
    """Whether the sound would have gone on well above the flat; at the file's ends the other slope serves."""
    rising = np.maximum(np.where(np.isnan(rise), fall, rise), 0.0)
    falling = np.maximum(np.where(np.isnan(fall), rise, fall), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        height = lengths * rising * falling / (2.0 * (rising + falling))
    return np.nan_to_num(height) >= least


_WINDOWS: Final = 100  # to a second
_TENTH: Final = 10  # windows


@dataclass(frozen=True, eq=False)
class Readings:
    """What the meters of one track say.

    Parameters
    ----------
    highest, lowest : float
        The extreme samples.
    true_peak : float
        The highest value between the samples, in size.
    mean_square : float
        Of all samples, with the offset.
    over : int
        Samples beyond full scale, which only a file of floats can hold.
    tenths : array, shape (tenths,)
        The power of each tenth of a second without its mean.
    means : array, shape (tenths,)
        The mean of each tenth.
    broken : str
        Why the track could not be read to its end; empty where it was.
    """

    highest: float
    lowest: float
    true_peak: float
    mean_square: float
    over: int
    tenths: Floats
    means: Floats
    clipping: Clipping
    clicks: Clicks
    gaps: Gaps
    quiet: QuietSeconds | None
    steady: SteadyNoise | None
    outline: Outline
    broken: str = ""

    @property
    def peak(self) -> float:
        """The largest sample in size."""
        return max(self.highest, -self.lowest)


class TrackMeter:
    """Reads one track step by step."""

    def __init__(self, track: Track) -> None:
        self._track = track
        self._window = max(track.sample_rate // _WINDOWS, 1)
        self._step = _WINDOWS * self._window
        self._at = 0
        self._broken = ""
        self._highest, self._lowest = -np.inf, np.inf
        self._squares = 0.0
        self._over = 0
        self._tenths: list[Floats] = []
        self._means: list[Floats] = []
        self._true_peak = TruePeak()
        self._clips = ClipMeter(track.sample_rate)
        self._clicks = ClickMeter(track.sample_rate)
        self._gaps = GapMeter(track.sample_rate)
        self._outline = OutlineMeter(self._window / track.sample_rate)
        self._quiet = QuietMeter(track.sample_rate)
        self._steady = SteadyMeter(track.sample_rate, _TENTH * self._window)

    @property
    def is_done(self) -> bool:
        """Whether the track has been read to its end, or as far as it can be."""
        return bool(self._broken) or self._at >= self._track.frames

    @property
    def at_s(self) -> float:
        """How far the track has been read, in seconds."""
        return self._at / self._track.sample_rate

    def step(self) -> None:
        """Read about a second more; what cannot be read ends the track there, to the sample."""
        frames = min(self._step, self._track.frames - self._at)
        if self._broken or frames <= 0:
            return
        try:
            block = self._read(frames)
        except TakeError as error:
            self._broken = str(error)
            block = self._readable(frames)
        self._at += len(block)
        if len(block):
            self._feed(block)

    def _read(self, frames: int) -> Floats:
        block = self._track.read(self._at, frames)
        if len(block) and not np.isfinite(block.max() - block.min()):
            raise TakeError(
                f"track '{self._track.name}' holds a sample that is no number (NaN or infinite): export it again"
            )
        return block

    def _readable(self, beyond: int) -> Floats:
        """The longest block from here that can be read; one of ``beyond`` samples cannot."""
        whole = np.zeros(0)
        while beyond - len(whole) > 1:
            middle = (len(whole) + beyond) // 2
            try:
                whole = self._read(middle)
            except TakeError:
                beyond = middle
        return whole

    def finish(self) -> Readings:
        """What the meters say of all that was read."""
        empty = self._at == 0
        clipping = self._clips.finish()
        return Readings(
            highest=0.0 if empty else self._highest,
            lowest=0.0 if empty else self._lowest,
            true_peak=self._true_peak.finish(),
            mean_square=self._squares / max(self._at, 1),
            over=self._over,
            tenths=np.concatenate([np.zeros(0), *self._tenths]),
            means=np.concatenate([np.zeros(0), *self._means]),
            clipping=clipping,
            clicks=self._clicks.finish(),
            gaps=self._gaps.finish(clipping.step),
            quiet=self._quiet.finish(),
            steady=self._steady.finish(),
            outline=self._outline.finish(),
            broken=self._broken,
        )

    def _feed(self, block: Floats) -> None:
        highest, lowest = float(block.max()), float(block.min())
        self._highest, self._lowest = max(self._highest, highest), min(self._lowest, lowest)
        peak = max(highest, -lowest)
        if peak > 1.0:
            self._over += int(np.count_nonzero(np.abs(block) > 1.0))
        self._clips.feed(block, highest, lowest)
        self._clicks.feed(block)
        self._gaps.feed(block)
        self._feed_windows(block)

    def _feed_windows(self, block: Floats) -> None:
        count = len(block) // self._window
        windows = block[: count * self._window].reshape(count, self._window)
        rest = block[count * self._window :]
        squares = np.einsum("ij,ij->i", windows, windows)
        self._squares += float(squares.sum()) + float(rest @ rest)
        for some in (windows, rest[None, :]):
            if some.size:
                self._feed_extremes(some)
        whole = count // _TENTH
        if whole:
            self._steady.feed(block[: whole * _TENTH * self._window].reshape(whole, -1))
        tenths, means = self._by_tenths(windows.sum(axis=1), squares)
        self._tenths.append(tenths)
        self._means.append(means)
        if len(block) == self._step:
            self._quiet.feed(block, tenths)

    def _feed_extremes(self, windows: Floats) -> None:
        lows, highs = windows.min(axis=1), windows.max(axis=1)
        self._outline.feed(lows, highs)
        self._true_peak.feed(windows, np.maximum(highs, -lows))

    def _by_tenths(self, sums: Floats, squares: Floats) -> tuple[Floats, Floats]:
        whole = len(sums) // _TENTH * _TENTH
        frames = _TENTH * self._window
        if not whole and not self._tenths and len(sums):
            # A track shorter than a tenth of a second is one short tenth.
            whole, frames = len(sums), len(sums) * self._window
        means = sums[:whole].reshape(-1, frames // self._window).sum(axis=1) / frames
        powers = squares[:whole].reshape(-1, frames // self._window).sum(axis=1) / frames
        return np.maximum(powers - means**2, 0.0), means
