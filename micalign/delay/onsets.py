"""When does a track sound, and when does it strike?

Short-time energies in steps of a millisecond, gathered in one pass over the blocks of a track. A stroke is a step
whose energy leaps up from the 30 ms before it; a track's own strokes are those near the level of its loudest, for in
a close mic its own drum is the loudest by far.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints, Real
from micalign.take.model import BLOCK_FRAMES, Track

__all__ = ["STEP_S", "Envelope", "closeness_db", "envelope", "hits", "sparsity_db"]

STEP_S: Final = 0.001
"""Seconds from one short-time energy to the next."""

_APART: Final = 80
_BEFORE: Final = 30
_STROKE: Final = 25
_RING: Final = 150
_SPAN: Final = 60_000  # steps looked at together, a minute: what is worked out on the way stays small


@dataclass(frozen=True)
class Envelope:
    """Mean square of each step of a track: ``power``, shape (steps,), 32-bit; ``step`` in samples."""

    power: Real
    step: int

    @property
    def silent(self) -> bool:
        """Whether nothing but an offset was recorded."""
        return len(self.power) == 0 or not self.power.max() > 0


def envelope(track: Track) -> Envelope:
    """Short-time energies of a track about the mean of each block."""
    step = max(round(STEP_S * track.sample_rate), 1)
    # The one thing that grows with the length: 2.4 MB to ten minutes.
    power = np.zeros(track.frames // step, dtype=np.float32)
    done = 0
    for block in track.blocks(BLOCK_FRAMES // step * step):
        part = _step_power(block, step)
        power[done : done + len(part)] = part
        done += len(part)
    return Envelope(power, step)


def _step_power(block: Floats, step: int) -> Floats:
    whole = len(block) // step * step
    rows = block[:whole].reshape(-1, step)
    offset = float(block.mean()) if whole else 0.0
    # sum (x - m)^2 = sum x^2 - 2 m sum x + n m^2 without another copy of the block; offsets are small, so no digits go.
    power: Floats = np.einsum("ij,ij->i", rows, rows) / step
    if abs(offset) > 1e-9:
        power += offset * (offset - 2.0 * rows.mean(axis=1))
    # What rounding leaves of a constant is not sound.
    power[power < 1e-13 * offset**2] = 0.0
    return np.maximum(power, 0.0)


def sparsity_db(env: Envelope) -> float:
    """How far the loud moments stand above the ordinary ones, in dB: large for a close mic on a drum."""
    whole = len(env.power) // 10 * 10
    power = env.power[:whole].reshape(-1, 10).mean(axis=1)
    if env.silent or len(power) == 0:
        return 0.0
    loud, ordinary = float(np.quantile(power, 0.99)), float(np.quantile(power, 0.5))
    loud = loud if loud > 0 else float(power.max())
    # Beyond 30 dB it is the silence between the sounds that is measured, which says nothing of the mic.
    return float(10 * np.log10(loud / max(ordinary, loud * 1e-3)))


def hits(env: Envelope, *, below_loudest_db: float = 10.0, rise_db: float = 6.0) -> Ints:
    """First samples of the loud strokes of a track, in order of time, shape (hits,).

    A stroke leaps by ``rise_db`` above the 30 ms before it, and its 25 ms mean comes within ``below_loudest_db`` of
    the loudest tenth of them.
    """
    if env.silent or len(env.power) < 2 * _BEFORE:
        return np.zeros(0, dtype=np.intp)
    starts = _leaps(env.power, 10 ** (rise_db / 10))
    if len(starts) == 0:
        return starts
    level = _stroke_power(env.power, starts)
    kept = _apart(starts, level)
    # A file cut in the middle of a sound begins with a leap that is no stroke.
    kept = kept[starts[kept] > 8]
    if len(kept) == 0:
        return np.zeros(0, dtype=np.intp)
    starts, level = starts[kept], level[kept]
    loud = np.sort(level)[-max(len(level) // 10, 1) :].mean()
    own: Ints = starts[level >= loud * 10 ** (-below_loudest_db / 10)] * env.step
    return own


def _leaps(power: Real, factor: float) -> Ints:
    """The first step of each leap: where the energy reaches a tenth of the leap's peak."""
    spans = [(first, min(first + _SPAN, len(power) - 5)) for first in range(0, len(power) - 5, _SPAN)]
    floor = 1e-7 * max(_now_and_before(power, *span)[0].max() for span in spans)
    parts = []
    for first, last in spans:
        now, before = _now_and_before(power, first, last)
        parts.append(first + np.flatnonzero(now > factor * (np.maximum(before, 0.0) + floor)))
    keen = np.concatenate(parts)
    if len(keen) == 0:
        return np.zeros(0, dtype=np.intp)
    first = keen[np.concatenate([[True], np.diff(keen) > 20])]
    return np.array([begin + _rise(power[begin : begin + _STROKE]) for begin in first], dtype=np.intp)


def _now_and_before(power: Real, first: int, last: int) -> tuple[Floats, Floats]:
    """Means of the 5 ms from each step on and of the 30 ms before it, for a span of steps."""
    low = max(first - _BEFORE, 0)
    total = np.concatenate([[0.0], np.cumsum(power[low : last + 5], dtype=np.float64)])
    steps = np.arange(first - low, last - low)
    now = (total[steps + 5] - total[steps]) / 5
    since = np.maximum(steps - _BEFORE, 0)
    before = (total[steps] - total[since]) / np.maximum(steps - since, 1)
    if first == 0:
        before[0] = power[:20].mean()
    return now, before


def _stroke_power(power: Real, starts: Ints) -> Floats:
    """What each 25 ms from a start hold together."""
    steps = starts[:, None] + np.arange(_STROKE)
    within = np.where(steps < len(power), power[np.minimum(steps, len(power) - 1)], 0.0)
    together: Floats = within.sum(axis=1, dtype=np.float64)
    return together


def _rise(stretch: Real) -> int:
    return int(np.argmax(stretch >= 0.1 * stretch.max()))


def _apart(starts: Ints, level: Floats) -> Ints:
    """Indices of strokes further apart than 80 ms, the stronger of two neighbours."""
    taken = np.zeros(len(starts), dtype=bool)
    free = np.ones(len(starts), dtype=bool)
    for index in np.argsort(level)[::-1]:
        if free[index]:
            taken[index] = True
            low, high = np.searchsorted(starts, [starts[index] - _APART, starts[index] + _APART])
            free[low:high] = False
    return np.flatnonzero(taken)


def closeness_db(env: Envelope, struck: Ints) -> tuple[float, float]:
    """How much a track is a close mic's: a score to compare tracks by, and its gap.

    The gap is how far, in dB, the track's own strokes stand above as many of the loudest moments between them; an
    overhead hears something nearly as loud between any two of its loudest strokes. The score adds twice the gap to
    the sparsity.
    """
    if env.silent or len(struck) == 0:
        return sparsity_db(env), 0.0
    steps = struck // env.step
    own = _stroke_power(env.power, steps) / _STROKE
    quiet = np.ones(len(env.power), dtype=bool)
    for step in steps:
        quiet[max(step - _STROKE, 0) : step + _RING] = False
    whole = len(quiet) // _STROKE * _STROKE
    means = env.power[:whole].reshape(-1, _STROKE).mean(axis=1)
    rest = means[quiet[:whole].reshape(-1, _STROKE).all(axis=1)]
    if len(rest) < 4:
        return sparsity_db(env), 0.0
    loudest = np.sort(rest)[-max(len(struck), 4) :]
    between = max(float(np.median(loudest)), float(own.max()) * 1e-3)
    gap = float(10 * np.log10(np.median(own) / between))
    return sparsity_db(env) + 2.0 * gap, gap
