"""What is worth knowing of one track before it is compared: when it sounds, when it strikes, how close its mic is.

One pass over the track, made once however many tracks it is compared with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Bools, Floats, Ints
from micalign.delay.onsets import Envelope, closeness_db, envelope, hits
from micalign.take.model import Track

__all__ = ["Listened", "lead_db", "level_spread_db", "listen", "louder_db", "same_samples", "shared_strokes"]

_FEWEST: Final = 6
_FEWEST_OTHERS: Final = 3
_SAME_S: Final = 0.03
_HEARD_STEPS: Final = 30


@dataclass(frozen=True)
class Listened:
    """A track, its short-time energies, its strokes (samples), and how much it is a close mic's."""

    track: Track
    envelope: Envelope
    struck: Ints
    closeness_db: float
    gap_db: float


def listen(track: Track) -> Listened:
    """Reads the track once."""
    env = envelope(track)
    struck = hits(env)
    score, gap = closeness_db(env, struck)
    return Listened(track, env, struck, score, gap)


def same_samples(first: Listened, second: Listened) -> bool:
    """Whether two tracks hold the very same samples from the same start; read again only where their energies agree."""
    a, b = first.track, second.track
    if a.frames != b.frames or a.start_s != b.start_s:
        return False
    if not np.array_equal(first.envelope.power, second.envelope.power):
        return False
    return all(np.array_equal(x, y) for x, y in zip(a.blocks(), b.blocks(), strict=True))


def shared_strokes(near: Listened, far: Listened) -> float:
    """The share of the far track's own loud strokes that are the near one's as well, to 30 ms.

    Two overheads hear the same strokes loudest; a close mic knows only its own drum's among them.
    """
    if len(near.struck) == 0 or len(far.struck) == 0:
        return 0.0
    return float(np.mean(_known(near, far, 0.0)))


def _known(near: Listened, far: Listened, later_s: float) -> Bools:
    """Which of the far track's loud strokes are the near one's as well."""
    wanted = far.struck + (far.track.start_s - near.track.start_s - later_s) * near.track.sample_rate
    after = np.clip(np.searchsorted(near.struck, wanted), 0, len(near.struck) - 1)
    gaps = np.minimum(np.abs(near.struck[after] - wanted), np.abs(near.struck[np.maximum(after - 1, 0)] - wanted))
    known: Bools = gaps < _SAME_S * near.track.sample_rate
    return known


def lead_db(near: Listened, far: Listened, *, later_s: float = 0.0) -> float:
    """How much louder, against the far track, the near one hears its own loud strokes than the far one's others.

    Medians; 5 to 25 dB in a close mic of a drum, 0 where the far track has fewer than three others.
    """
    if len(near.struck) == 0 or len(far.struck) == 0:
        return 0.0
    others = far.struck[~_known(near, far, later_s)]
    if len(others) < _FEWEST_OTHERS:
        return 0.0
    later = round((far.track.start_s - near.track.start_s - later_s) * near.track.sample_rate)
    own = louder_db(near, far, near.struck, later_s=later_s)
    return float(np.median(own) - np.median(louder_db(near, far, others + later, later_s=later_s)))


def louder_db(near: Listened, far: Listened, struck: Ints, *, later_s: float = 0.0) -> Floats:
    """How much louder the near track is than the far one at each of some strokes, which are the near one's samples."""
    later = round((far.track.start_s - near.track.start_s - later_s) * near.track.sample_rate)
    first, second = _energies(near, struck), _energies(far, struck - later)
    louder: Floats = 10 * np.log10(np.maximum(first, 1e-30) / np.maximum(second, 1e-30))
    return louder


def level_spread_db(near: Listened, far: Listened, *, later_s: float = 0.0) -> float:
    """How far the loud strokes of either track differ in level between the two: from the lowest tenth to the highest.

    A close mic hears its own drum 15 to 30 dB louder, against an overhead, than the other drums; two overheads hear
    all of them within 9 dB. Infinite where fewer than six strokes are heard by both. ``later_s``: about how much later
    the far track is, to a few milliseconds.
    """
    later = round((far.track.start_s - near.track.start_s - later_s) * near.track.sample_rate)
    struck = np.union1d(near.struck, far.struck + later)
    first, second = _energies(near, struck), _energies(far, struck - later)
    both = (first > 0) & (second > 0)
    if both.sum() < _FEWEST:
        return float(np.inf)
    low, high = np.quantile(10 * np.log10(first[both] / second[both]), (0.1, 0.9))
    return float(high - low)


def _energies(heard: Listened, struck: Ints) -> Floats:
    """The energy of a track from 2 ms before each stroke to 30 ms after it."""
    power = heard.envelope.power
    steps = (struck // heard.envelope.step)[:, None] + np.arange(-2, _HEARD_STEPS)
    inside = (steps >= 0) & (steps < len(power))
    energy: Floats = np.where(inside, power[np.where(inside, steps, 0)], 0.0).sum(axis=1, dtype=np.float64)
    return energy
