"""When does a track sound, and when does it strike?

Short-time energies in steps of a millisecond, gathered in one pass over the blocks of a track; hits are steps whose
energy leaps up from what stood before. Times are seconds on the track's own samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.take.model import BLOCK_FRAMES, Track

__all__ = ["STEP_S", "Envelope", "envelope", "hits", "sparsity_db"]

STEP_S: Final = 0.001
"""Seconds from one short-time energy to the next."""


@dataclass(frozen=True)
class Envelope:
    """Mean square of each step of a track: ``power``, shape (steps,); ``step`` in samples."""

    power: Floats
    step: int
    sample_rate: int


def envelope(track: Track) -> Envelope:
    """Short-time energies of a track, its mean taken out step by step over the block."""
    step = max(round(STEP_S * track.sample_rate), 1)
    frames = BLOCK_FRAMES // step * step
    parts = [_block_power(block, step) for block in track.blocks(frames)]
    return Envelope(np.concatenate(parts) if parts else np.zeros(0), step, track.sample_rate)


def _block_power(block: Floats, step: int) -> Floats:
    whole = len(block) // step * step
    # The difference of neighbours takes out the offset and most of the hum, and favours the stroke over the ring.
    rows = np.diff(block[:whole], prepend=block[:1]).reshape(-1, step)
    power: Floats = np.einsum("ij,ij->i", rows, rows) / step
    return power


def sparsity_db(env: Envelope) -> float:
    """How far the loud moments stand above the ordinary ones, in dB: large for a close mic on a drum."""
    power = _coarse(env.power, 10)
    if len(power) == 0 or power.max() <= 0:
        return 0.0
    loud, ordinary = np.quantile(power, 0.99), np.quantile(power, 0.5)
    return float(10 * np.log10(loud / max(ordinary, loud * 1e-9)))


def _coarse(power: Floats, factor: int) -> Floats:
    whole = len(power) // factor * factor
    coarse: Floats = power[:whole].reshape(-1, factor).mean(axis=1)
    return coarse


def hits(env: Envelope, *, below_loudest_db: float = 12.0, rise_db: float = 8.0, apart_s: float = 0.06) -> Ints:
    """First samples of the loud strokes of a track, in order of time, shape (hits,).

    A stroke leaps by ``rise_db`` above the 20 ms before it and its 5 ms peak comes within ``below_loudest_db`` of the
    loud strokes' own level.
    """
    power = env.power
    if len(power) < 40 or power.max() <= 0:
        return np.zeros(0, dtype=np.intp)
    now = np.convolve(power, np.ones(5) / 5)[4:]
    before = np.convolve(power, np.ones(20) / 20)[: len(now)]
    before = np.concatenate([np.full(1, power[:20].mean()), before[:-1]])
    leap = (now + 1e-30) / (before + now.max() * 1e-9)
    keen = leap > 10 ** (rise_db / 10)
    order = np.flatnonzero(keen)
    if len(order) == 0:
        return np.zeros(0, dtype=np.intp)
    picked = _pick(now, order, round(apart_s / STEP_S))
    level = now[picked]
    loud = np.sort(level)[-max(len(level) // 10, 1) :].mean()
    return np.sort(picked[level >= loud * 10 ** (-below_loudest_db / 10)]) * env.step


def _pick(now: Floats, keen: Ints, apart: int) -> Ints:
    """The strongest of each run of keen steps: runs further apart than ``apart`` are strokes of their own."""
    breaks = np.flatnonzero(np.diff(keen) > apart) + 1
    return np.array([run[np.argmax(now[run])] for run in np.split(keen, breaks)], dtype=np.intp)
