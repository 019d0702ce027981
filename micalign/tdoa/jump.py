"""Does the delay jump within the take, as it does where a recorder dropped a buffer?

Two lines of one slope, one before a moment and one after it, are laid through the correlations of the frames, for
every moment and for slopes about the whole line's. It is a jump where each frame's own side fits it better than the
other side's delay does, and the two lines together fit better than any one line: each told by the scatter of the
frames themselves (Student's t), so that neither loud frames nor narrow bands need a rule of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats

__all__ = ["jumps"]

APART_S: Final = 0.0003
"""What a jump is at least; less is a step of the correlation's samples or a lobe's slope."""

_SLOPE_STEP_S: Final = 4e-5
_SLOPES: Final = 24
_EDGE: Final = 0.07
_FEWEST: Final = 6
_CLEAR: Final = 6.0  # the highest of what nine frames of mere noise say stood 4.1 times over the rest
_MOST_FRAMES: Final = 0.75
_SURE: Final = 3.5


@dataclass(frozen=True)
class _Split:
    """The best two lines: the first frame after the jump, and how well both delays fit each frame, shape (K,)."""

    height: float
    first: int
    early: Floats
    late: Floats
    contrast: float


def jumps(rows: Floats, rate: float, times_s: Floats, *, reach_s: float, slope: float, polarity: int) -> bool:
    """Whether two lines explain the frames where one does not.

    Parameters
    ----------
    rows : float, shape (K, lags)
        Circular correlations of K frames, lag 0 first.
    rate : float
        Lags a second.
    times_s : float, shape (K,)
        The frames' times from the middle of the take, in seconds.
    reach_s : float
        The largest delay to be looked for, in seconds.
    slope, polarity : float, int
        Of the whole's best line.

    Examples
    --------
    >>> rows = np.zeros((40, 400))
    >>> rows[:20, 10] = rows[20:, 30] = 1.0
    >>> jumps(rows, 12000.0, np.arange(-20.0, 20.0), reach_s=0.01, slope=0.0, polarity=1)
    True
    >>> rows[20:] = rows[0]
    >>> jumps(rows, 12000.0, np.arange(-20.0, 20.0), reach_s=0.01, slope=0.0, polarity=1)
    False
    """
    if len(rows) < 3 * _FEWEST:
        return False
    even = polarity * rows / np.maximum(np.sqrt((rows**2).sum(axis=1, keepdims=True)), 1e-300)
    half, span_s = int(reach_s * rate), max(float(np.ptp(times_s)), 1.0)
    best, whole, highest = None, np.zeros(len(rows)), -np.inf
    for steeper in np.arange(-_SLOPES, _SLOPES + 1) * (_SLOPE_STEP_S / span_s):
        along = _along(even, (slope + steeper) * times_s * rate, half)
        total = along.sum(axis=0)
        if total.max() > highest:
            highest, whole = float(total.max()), along[:, int(total.argmax())]
        split = _split(along, round(APART_S * rate), rate)
        if best is None or split.height > best.height:
            best = split
    return best is not None and best.height > highest and _told(best, whole)


def _along(rows: Floats, shifts: Floats, half: int) -> Floats:
    """Each correlation read along the line, shape (K, 2 half + 1)."""
    lags = np.arange(-half, half + 1) + np.rint(shifts).astype(np.intp)[:, None]
    read: Floats = np.take_along_axis(rows, lags % rows.shape[1], axis=1)
    return read


def _split(along: Floats, apart: int, rate: float) -> _Split:
    """The moment and the two delays, ``apart`` lags from one another at least, of the highest sum."""
    edge = max(int(np.ceil(_EDGE * len(along))), _FEWEST)
    sums = np.cumsum(along, axis=0)
    before = sums[edge - 1 : len(along) - edge]
    after = sums[-1] - before
    pairs = np.concatenate([_two(before, after, apart), _two(after, before, apart)[:, [0, 2, 1]]])
    place = int(pairs[:, 0].argmax())
    early, late, index = int(pairs[place, 1]), int(pairs[place, 2]), place % len(before)
    sides = ((before[index], early), (after[index], late))
    contrast = min(_contrast(side, top, rate) for side, top in sides)
    return _Split(float(pairs[place, 0]), index + edge, along[:, early], along[:, late], contrast)


def _two(first: Floats, second: Floats, apart: int) -> Floats:
    """For each moment the sum of two heights and their lags: the first's highest, the second's highest elsewhere."""
    moments = np.arange(len(first))
    one = first.argmax(axis=1)
    near = np.abs(np.arange(first.shape[1]) - one[:, None]) < apart
    other = np.where(near, -np.inf, second).argmax(axis=1)
    return np.stack([first[moments, one] + second[moments, other], one, other], axis=1)


def _contrast(total: Floats, top: int, rate: float) -> float:
    """How far a side's peak stands over what is a millisecond and more away."""
    away = total[np.abs(np.arange(len(total)) - top) > 0.001 * rate]
    return float(total[top] / max(float(np.sqrt(np.mean(away**2))) if len(away) else 0.0, 1e-300))


def _told(split: _Split, whole: Floats) -> bool:
    """Whether most frames of both sides prefer their own delay, and one side surely to the whole's line."""
    before, after = slice(None, split.first), slice(split.first, None)
    own = (split.early[before] - split.late[before], split.late[after] - split.early[after])
    gained = (split.early[before] - whole[before], split.late[after] - whole[after])
    most = min(float(np.mean(more > 0)) for more in own) >= _MOST_FRAMES
    sure = min(_student(more) for more in own) >= _SURE and max(_student(more) for more in gained) >= _SURE
    return most and sure and split.contrast >= _CLEAR


def _student(values: Floats) -> float:
    """The mean in units of its own standard error."""
    error = float(np.std(values, ddof=1) / np.sqrt(len(values)))
    return float(np.mean(values)) / max(error, 1e-12)
