"""How does a delay change along a take: do clocks run apart, does one jump, was a mic moved; when did another start?

Where the starts may lie far apart the loudness of a few stretches of the reference is found again in the track's
loudness, anywhere within the range: the line of at most `_MOST_PPM` along which they are likest, all together, gives
start and rate to a hundredth of a second. Then short pieces along the whole take are measured as a pair each, and a
straight line through those that lie near the line of the middle slope gives start and rate (P. K. Sen, "Estimates of
the regression coefficient based on Kendall's tau", J. American Statistical Association 63, 1379-1389, 1968). With that
rate taken out of each piece they are measured again: what is loud early in its piece would else pull the line. Where
two lines of one slope, before a moment and after it, hold clearly more of the pieces than one, the delay may jump. A
close mic hears one drum later than another, though, and now the one is played, now the other: what all pieces say
together, added up before the moment and after it, must be far more alike shifted than as it is, as of a mic that was
moved. Then nothing is told. Delay is positive when the event comes later in the track, and grows by ``drift_ppm``
microseconds each second.

Of a mic that was moved each of the near track's own strokes is correlated with the far track
(`micalign.tdoa.hypotheses`). Added up before a moment and after it, the strokes of a mic that stands still give one and
the same curve: direct sound, lobes and room. After a move the curve is there again, some lags away. So the two sums are
correlated with each other: where they are more alike at one shift than as they are and than at any other, the delay has
changed, by that shift. Which delay is the true one is not asked: a curve of several peaks tells a change as well as one
of a single peak, and other strokes after the moment than before, as of a song's next part, make the two unlike at every
shift. A change is positive where the events come later in the far track after it than before. Times are seconds on the
take's clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.delays import Delay, known, unknown
from micalign.tdoa.hypotheses import ANSWERS_S, each_correlated
from micalign.tdoa.posterior import MEMBER_S
from micalign.tdoa.spectra import APART_S, irfft, raised_cosine, refine, rfft, rival_of, sum_ahead, whitening
from micalign.tdoa.strokes import FEWEST, Energies, Listened, listen

__all__ = ["DelayChange", "Steadiness", "change_between", "measure_clock"]

_MOST_PPM: Final = 300.0  # parts per million: two crystals of 100 each, and some margin
_FRAME_S: Final = 0.01  # seconds of loudness: coarse, a hundredth of a second
_STRETCH_S: Final = 20.0  # seconds of loudness that is found again: some bars
_STRETCHES: Final = 12  # that are looked for along the take
_PIECES: Final = 48  # measured finely along the take
_PIECE_S: Final = 1.5  # seconds of one such piece: some strokes
_SEARCH_S: Final = 0.04  # seconds about where the loudness has it, four of its frames
_LEAST_PIECES: Final = 4  # on which a line can be robust
_MORE: Final = 2.5  # pieces that two lines hold and one does not: of mere strays one always lies on its line
_FLOOR_S: Final = 2e-7  # seconds of scatter: less is rounding
_FINER: Final = 8  # straight lines between eightfold points are 50 dB true up to 6 kHz


@dataclass(frozen=True, slots=True)
class _Line:
    """Delay at an instant of the reference and how much it grows each second; one standard deviation of both."""

    delay_s: float
    slope: float
    time_s: float = 0.0
    sigma_s: float = 0.0
    slope_sigma: float = 0.0

    def at(self, time_s: float) -> float:
        return self.delay_s + self.slope * (time_s - self.time_s)

    def sigma_at(self, time_s: float) -> float:
        return float(np.hypot(self.sigma_s, self.slope_sigma * (time_s - self.time_s)))


def measure_clock(reference: Track, track: Track, *, max_delay_s: float = 60.0, drift: bool = True) -> Delay:
    """Start and clock of a track against a reference that was recorded elsewhere.

    Parameters
    ----------
    reference, track : Track
        Of one nominal rate.
    max_delay_s : float
        Largest difference of the starts, either way.
    drift : bool
        Look for a difference of the clocks; otherwise they are taken to run alike.

    Returns
    -------
    Delay
        At the reference's first sample; ``drift_ppm`` is positive where the delay grows.
    """
    coarse = _coarse(reference, track, max_delay_s)
    if coarse is None:
        return unknown("nowhere within the range does the track sound like the reference", uncertainty_s=_FRAME_S)
    return _along(reference, track, coarse, drift=drift)


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Short stretches along the take: their middles in seconds, and how alike each is at every lag about a line.

    ``good``, shape (G, 3): middle, delay and clearness, with the sign of the polarity, of those that are clear.
    ``curves``, shape (N, lags): half a sample apart, each of one size in all; ``slope`` is that of the line.
    """

    good: Floats
    times_s: Floats
    curves: Floats
    slope: float


def _along(reference: Track, track: Track, line: _Line, *, drift: bool) -> Delay:
    """The delay at the reference's first sample, by the pieces that lie near a rough line."""
    rate, pieces = reference.sample_rate, _pieces(reference, track, line)
    jumps = _jumps(pieces, rate, drift=drift)
    if drift and not jumps and len(pieces.good) >= _LEAST_PIECES:
        # A second look with the clock's difference taken out of each piece, so that it blurs nothing.
        pieces = _pieces(reference, track, _straight(pieces.good, drift=True)[0], unhurried=True)
    good, asked = pieces.good, len(pieces.times_s)
    if len(good) < _LEAST_PIECES:
        return unknown("too few stretches of the two are alike", line.at(0.0), _FRAME_S)
    line, kept = _straight(good, drift=drift)
    if jumps or _jumps(pieces, rate, drift=drift):
        return unknown("the delay jumps within the take", line.at(0.0), _FRAME_S)
    if kept < max(_LEAST_PIECES, 0.5 * len(good)):
        return unknown("the stretches do not agree on one start and one clock", line.at(0.0), _FRAME_S)
    if line.sigma_at(0.0) > tuned.SAME_PLACE_S:
        hint = "" if drift else ": do the clocks differ? look for it with --drift"
        return unknown(f"the delay changes along the take{hint}", line.at(0.0), _FRAME_S)
    sign = float(np.sign(good[:, 2]).mean())
    margin = abs(sign) * float(np.median(np.abs(good[:, 2])))
    told = known(line.at(0.0), line.sigma_at(0.0), sign, margin, kept / asked)
    reason = None if told.reliable else "the stretches do not agree well on one start and one clock"
    return replace(told, reason=reason, drift_ppm=line.slope * 1e6 if drift else None)


def _coarse(reference: Track, track: Track, max_delay_s: float) -> _Line | None:
    """The line along which stretches of the reference are found again likest, by loudness alone."""
    first, second = _novelty(reference), _novelty(track)
    length, reach = min(round(_STRETCH_S / _FRAME_S), len(first), len(second)), round(max_delay_s / _FRAME_S)
    if length < 50:
        return None
    starts = np.unique(np.linspace(0, len(first) - length, _STRETCHES).astype(int))
    beyond = np.pad(second, (reach, reach + len(first)))
    likeness = np.array([_likeness(first[at : at + length], beyond[at : at + length + 2 * reach]) for at in starts])
    time = starts - (starts[0] + starts[-1]) / 2
    most = int(_MOST_PPM * 1e-6 * time[-1])  # frames by which the ends may be nearer or further

    def along(slope: float) -> Floats:
        turned = [np.roll(one, -round(slope * at)) for one, at in zip(likeness, time, strict=True)]
        return np.asarray(np.sum(turned, axis=0))

    slope = max((np.arange(-most, most + 1) / max(time[-1], 1.0)).tolist(), key=lambda slope: along(slope).max())
    place = int(np.argmax(along(slope)))
    return _Line((place - reach) * _FRAME_S, slope, float(time[-1] + length / 2) * _FRAME_S) if likeness.any() else None


def _novelty(track: Track) -> Floats:
    """How much the level leaps from one hundredth of a second to the next, leaps up only."""
    heard = listen(track)
    steps = _FRAME_S * track.sample_rate / heard.envelope.step
    edges = np.rint(np.arange(int(track.duration_s / _FRAME_S) + 1) * steps).astype(np.intp)
    energy = Energies(heard.rises, heard.envelope.step).mean(edges[:-1], edges[1:])
    if not len(energy):
        return energy
    level = np.log10(energy + 1e-4 * float(energy.mean()) + 1e-20)
    return np.maximum(np.diff(level, prepend=level[:1]), 0.0)


def _likeness(stretch: Floats, whole: Floats) -> Floats:
    """The coefficient of correlation of a stretch of leaps with each place of a longer one, 0 where it is negative."""
    count, template = len(stretch), stretch - stretch.mean()
    size = fast_length(len(whole) + count)
    product = irfft(cross_spectrum(rfft(template, size), rfft(whole, size)), size)[: len(whole) - count + 1]
    spread = sum_ahead(whole**2, count) - sum_ahead(whole, count) ** 2 / count
    return np.asarray(np.maximum(product, 0.0) / np.sqrt(np.maximum(spread, 1e-12) * (template @ template + 1e-12)))


def _pieces(reference: Track, track: Track, coarse: _Line, *, unhurried: bool = False) -> _Pieces:
    """Short stretches along the take, about a rough line."""
    rate = reference.sample_rate
    length, margin = round(_PIECE_S * rate), round(2 * _SEARCH_S * rate)
    low = max(0.0, -coarse.at(0.0))
    high = min(reference.duration_s, track.duration_s - coarse.at(0.0))
    count = 0 if high - low < _PIECE_S else min(_PIECES, max(1, int(2 * (high - low) / _PIECE_S) - 1))
    starts = np.rint(np.linspace(low, high - _PIECE_S, count) * rate).astype(int)
    times_s = (starts + length / 2) / rate
    good, curves = [], np.zeros((count, 2 * margin + 1))
    for k, start in enumerate(starts.tolist()):
        offset = round(coarse.at(times_s[k]) * rate)
        samples = track.read(start + offset - margin, length + 2 * margin)
        samples = _stretched(samples, coarse.slope) if unhurried else samples
        curves[k], found = _piece(reference.read(start, length), samples, margin, rate)
        if found is not None:
            good.append((times_s[k], found[0] + offset / rate, found[1]))
    return _Pieces(np.reshape(good, (-1, 3)), times_s, curves, coarse.slope)


def _piece(first: Floats, second: Floats, margin: int, rate: int) -> tuple[Floats, tuple[float, float] | None]:
    """How alike a short stretch and a longer one that begins ``margin`` samples earlier are at each lag, (lags,).

    And the delay between them where it is clear, and how much higher its peak is than any other, as a share of it, with
    the sign of the polarity.
    """
    size = fast_length(len(second))
    x = rfft(first * np.hanning(len(first)), size)
    y = rfft(second * raised_cosine(len(second), margin // 2, margin // 2), size)
    turn = np.exp(2j * np.pi * np.arange(len(x)) * (margin / size))
    hz = np.arange(len(x)) * rate / size
    weight = whitening(np.abs(x) ** 2) * whitening(np.abs(y) ** 2) * ((hz > 50.0) & (hz < 10000.0))
    cross = cross_spectrum(x, y) * turn * weight
    lags = np.arange(-margin, margin + 1)  # half samples
    values = irfft(cross, 2 * size)[lags]
    height, top = np.abs(values), int(np.abs(values).argmax())
    curve = values / max(float(np.linalg.norm(values)), 1e-30)
    rival = rival_of(height, top, 2 * APART_S * rate)
    # What stands out little is a piece all the same: the line tells whether it agrees.
    if not height[top] > 0.0 or rival >= tuned.RIVAL:
        return curve, None
    delay_s = refine(cross, hz, 0.5 * lags[top] / rate, within_s=0.2e-3)
    return curve, (delay_s, float(np.sign(values[top])) * (1.0 - rival))


def _stretched(samples: Floats, slope: float) -> Floats:
    """The samples read at a pace of ``1 + slope``, about their middle."""
    count, middle = len(samples), (len(samples) - 1) / 2
    fine = irfft(rfft(samples), count * _FINER) * _FINER
    at = middle + (np.arange(count) - middle) * (1.0 + slope)
    return np.asarray(np.interp(at * _FINER, np.arange(len(fine)), fine))


def _straight(pieces: Floats, *, drift: bool) -> tuple[_Line, int]:
    """A straight line through the pieces that lie near the line of the middle slope, and how many they are."""
    time, delay, _ = pieces.T
    residual = delay - (_slope(time, delay, time < np.inf) if drift else 0.0) * time
    residual -= np.median(residual)
    scale = max(1.4826 * float(np.median(np.abs(residual))), _FLOOR_S)
    kept = np.abs(residual) <= max(tuned.SAME_PLACE_S, 4 * scale)
    time, delay, middle = time[kept], delay[kept], float(time[kept].mean())
    slope, centre = np.polyfit(time - middle, delay, 1) if drift else (0.0, delay.mean())
    spread = max(float(np.sqrt(np.mean((delay - centre - slope * (time - middle)) ** 2))), _FLOOR_S)
    slope_sigma = spread / max(float(np.sqrt(((time - middle) ** 2).sum())), 1e-9) if drift else 0.0
    return _Line(float(centre), float(slope), middle, spread / float(np.sqrt(len(time))), slope_sigma), len(time)


def _slope(time: Floats, delay: Floats, early: Bools) -> float:
    """The median of the slopes between pieces far apart (Theil and Sen), both early or both not."""
    i, j = np.triu_indices(len(time), k=max(1, len(time) // 4))
    i, j = i[early[i] == early[j]], j[early[i] == early[j]]
    return float(np.median((delay[j] - delay[i]) / (time[j] - time[i]))) if len(i) else 0.0


def _jumps(pieces: _Pieces, rate: int, *, drift: bool) -> bool:
    """Whether the delay surely jumps once: by the clear pieces, and by what all of them say together."""
    parted = _parted(pieces.good, drift=drift)
    return parted is not None and _is_shifted(pieces, *parted, rate)


def _parted(good: Floats, *, drift: bool) -> tuple[float, float] | None:
    """When two lines, before a moment and after it, hold three pieces more than one line does, and their slope.

    None where none do.
    """
    time, delay, _ = good.T

    def strays(first: int) -> tuple[float, float, float]:
        """How many pieces, each in part where it is near, lie off the lines; by how much these lie apart; the slope."""
        early = np.arange(len(time)) < first
        slope = _slope(time, delay, early) if drift else 0.0
        left = delay - slope * time
        middles = [float(np.median(left[side])) if side.any() else 0.0 for side in (early, ~early)]
        off = np.abs(left - np.where(early, *middles)) / tuned.SAME_PLACE_S
        return float(np.minimum(off, 1.0).sum()), abs(middles[1] - middles[0]), slope

    whole = strays(0)[0]
    every = [(*strays(first), float(time[first])) for first in range(3, len(time) - 2)]
    fewest = min((one for one in every if one[1] >= APART_S), default=None)
    return None if fewest is None or whole - fewest[0] < _MORE else (fewest[3], fewest[2])


def _is_shifted(pieces: _Pieces, moment_s: float, slope: float, rate: int) -> bool:
    """Whether all pieces before a moment and all after it are far more alike where these are shifted than as they are.

    Which sound is heard when then shifts nothing: it is there with its own delay on either side.
    """
    middle_s, (alike, gained) = float(pieces.times_s.mean()), tuned.JUMPED
    by = np.rint(2 * rate * (pieces.slope - slope) * (pieces.times_s - middle_s)).astype(int).tolist()
    level = np.array([np.roll(curve, turn) for curve, turn in zip(pieces.curves, by, strict=True)])
    early, late = (level[side].sum(axis=0) for side in (pieces.times_s < moment_s, pieces.times_s >= moment_s))
    size = fast_length(2 * len(early))
    both = irfft(cross_spectrum(rfft(early, size), rfft(late, size)), size)
    both /= max(float(np.linalg.norm(early) * np.linalg.norm(late)), 1e-30)
    near, most = round(2 * rate * tuned.SAME_PLACE_S), round(4 * rate * _SEARCH_S)
    as_it_is = float(both[np.arange(-near, near + 1)].max())
    lags = np.concatenate(
        [np.arange(-most, 1 - round(2 * rate * APART_S)), np.arange(round(2 * rate * APART_S), most + 1)]
    )
    shifted = float(both[lags].max())
    return shifted >= alike and shifted - as_it_is >= gained


@dataclass(frozen=True, slots=True)
class DelayChange:
    """By how much the delay changes, and between which two strokes of the near track, in seconds.

    ``is_one``: it changes there and nowhere else. ``along_ppm``: it changes by so many microseconds each second all
    along instead, as clocks run apart; None where it does not.
    """

    by_s: float
    before_s: float
    after_s: float
    is_one: bool = True
    along_ppm: float | None = None

    @property
    def at_s(self) -> float:
        """The middle of the two."""
        return (self.before_s + self.after_s) / 2


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How alike the sums before and after the likeliest moment are, 0 to 1, as they are and at the best shift.

    ``change`` is None where the delay is not surely another one after it.
    """

    as_it_is: float
    shifted: float
    change: DelayChange | None

    @property
    def is_steady(self) -> bool:
        """Whether it is clear that nothing changes."""
        return self.change is None and self.as_it_is >= tuned.JUMPED[0]


def change_between(near: Listened, far: Listened, *, centre_s: float = 0.0) -> Steadiness | None:
    """Whether the delay of the far track against the near one changes within the take; None of too few strokes.

    Parameters
    ----------
    near, far : Listened
        Of one rate; the near track's own strokes are looked at.
    centre_s : float
        About where the delay lies, seconds.

    Examples
    --------
    >>> from micalign.take.tracks import Track
    >>> from micalign.tdoa.strokes import listen
    >>> rng = np.random.default_rng(1)
    >>> claps = [rng.standard_normal(400) * np.exp(-np.arange(400) / 60) for _ in range(9)]
    >>> near, far = np.zeros(56_000), np.zeros(56_000)
    >>> for k, clap in enumerate(claps):
    ...     late = 6000 * k + (20 if k < 5 else 60)
    ...     near[6000 * k + 100 : 6000 * k + 500], far[late + 100 : late + 500] = clap, clap
    >>> tracks = [listen(Track.from_array(name, sound, 8000)) for name, sound in (("near", near), ("far", far))]
    >>> found = change_between(*tracks).change
    >>> round(found.by_s, 4), round(found.at_s, 1), found.is_one
    (0.005, 3.4, True)
    """
    if any(one.envelope.silent for one in (near, far)) or np.sum(near.strokes.weight > 0) < 2 * FEWEST:
        return None
    rate = near.sample_rate
    middle, reach = round(centre_s * rate), round(ANSWERS_S * rate)
    each = each_correlated(near, far, np.arange(middle - reach, middle + reach + 1))
    each *= np.sqrt(near.strokes.weight[near.strokes.weight > 0])[:, None]
    whole = _likeliest(each, rate)
    if not whole.is_change:
        return Steadiness(whole.as_it_is, whole.shifted, None)
    parts = [_likeliest(part, rate) for part in (each[: whole.first], each[whole.first :]) if len(part) >= 2 * FEWEST]
    times_s = near.first_wavefronts / rate + near.start_s
    along_ppm = _along_ppm(each, times_s, whole, rate)
    is_one = along_ppm is None and not any(part.is_change for part in parts)
    change = DelayChange(whole.by_s, float(times_s[whole.first - 1]), float(times_s[whole.first]), is_one, along_ppm)
    return Steadiness(whole.as_it_is, whole.shifted, change)


@dataclass(frozen=True, slots=True)
class _Split:
    """The strokes parted before the one at ``first``, and how alike the two sums are.

    ``rival``: at the best shift that is neither ``by_s`` nor none, told by other periods of a low drum.
    """

    first: int
    by_s: float
    as_it_is: float
    shifted: float
    rival: float

    @property
    def is_change(self) -> bool:
        clear = self.shifted - max(self.as_it_is, self.rival) >= tuned.CHANGED
        return clear and abs(self.by_s) > tuned.SAME_PLACE_S


def _likeliest(each: Floats, rate: int) -> _Split:
    """The moment at which a shift brings together most of what the strokes say, (S, lags).

    Not the one at which the two sums are most alike: that may be one where there is little to bring together.
    """
    early = np.cumsum(each, axis=0)[FEWEST - 1 : -FEWEST]
    late = each.sum(axis=0) - early
    alike = _alike(early, late, rate)
    middle, near = alike.shape[1] // 2, round(tuned.SAME_PLACE_S * rate)
    as_it_is = alike[:, middle - near : middle + near + 1].max(axis=1)
    best = int(np.argmax(alike.max(axis=1) - as_it_is))
    top = int(np.argmax(alike[best]))
    lags = np.arange(alike.shape[1])
    others = np.minimum(np.abs(lags - top), np.abs(lags - middle)) > round(2 * MEMBER_S * rate)
    size = float(np.linalg.norm(early[best]) * np.linalg.norm(late[best])) + 1e-30
    heights = as_it_is[best], alike[best, top], alike[best, others].max(initial=0.0)
    return _Split(best + FEWEST, (top - middle) / rate, *(float(height) / size for height in heights))


def _along_ppm(each: Floats, times_s: Floats, split: _Split, rate: int) -> float | None:
    """The slope of a line of time along which strokes are more alike than where they are shifted once; else None."""
    once = np.where(np.arange(len(each)) < split.first, 0.0, split.by_s)
    # The halves of a line lie half of it apart, of uneven strokes more or less.
    slopes = np.linspace(1.0, 3.0, 41) * split.by_s / (times_s[-1] - times_s[0] + 1e-9)

    def alike(shifts_s: Floats) -> float:
        moved = (np.roll(one, -round(by_s * rate)) for one, by_s in zip(each, shifts_s, strict=True))
        return float(np.linalg.norm(np.sum(list(moved), axis=0)))

    heights = [alike(slope * (times_s - times_s[0])) for slope in slopes]
    best = int(np.argmax(heights))
    return float(slopes[best]) * 1e6 if heights[best] > alike(once) else None


def _alike(early: Floats, late: Floats, rate: int) -> Floats:
    """For each moment how alike both sums are at each shift, none in the middle; (M, shifts)."""
    most = round(tuned.ROOM_S * rate)
    size = fast_length(early.shape[1] + most)
    alike = irfft(cross_spectrum(rfft(early, size), rfft(late, size)), size)
    return np.concatenate([alike[:, -most:], alike[:, : most + 1]], axis=1)
