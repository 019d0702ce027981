"""When is something struck in a track, and which of its strokes are its own source's?

The one onset detector. Energies are means of 1 ms steps, in the whole band and of the sample-to-sample difference
(which raises high frequencies by 6 dB an octave), gathered in one pass; an onset is a step that rises above everything
of the 30 ms before it. A close mic hears its own source 10 to 40 dB louder than what bleeds into it: its own strokes
are the class above the highest gap of levels. Whether a mic is close at all is not decided here.

Source: J. P. Bello et al., "A tutorial on onset detection in music signals", IEEE Transactions on Speech and Audio
Processing 13(5), 1035-1047, 2005 (energy rise as novelty, peak picking).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints, Real
from micalign.take.tracks import Track
from micalign.tdoa.transforms import greatest_before, greatest_near
from micalign.tdoa.tuned import (
    APART_STEPS,
    BEFORE_STEPS,
    FEW_STROKES_DB,
    LEAST_GAP_DB,
    LEAST_NOVELTY,
    MOST_STROKES,
    OWN_RANGE_DB,
)
from micalign.tdoa.wavefronts import first_wavefronts

__all__ = ["Energies", "Listened", "Strokes", "listen", "same_samples", "struck_at"]

_STEP_S: Final = 0.001
_BLOCK_FRAMES: Final = 1 << 16  # half a megabyte, which stays near the processor
_ONSET_STEPS: Final = 3
_LEVEL_STEPS: Final = 10
_KNOWN_NOVELTY: Final = 7.0  # what a close mic's own strokes have on a real kit, in the middle
_KNOWN_GAP_DB: Final = 25.0


@dataclass(frozen=True)
class Strokes:
    """Onsets of a track: ``samples``, shape (N,), the step in which each begins; ``novelty`` and ``level_db`` likewise.

    ``level_db`` is against the loudest, in the band that parts the loud class best; ``weight`` is 0 for strokes that
    are not the track's own and the ratio of powers to the loudest, 1 at most, for those that are. ``gap_db`` is the
    gap between the classes, 0 where there is none. ``brightness`` is 0 for a source of equal energy in both bands'
    measures, lower for dark ones.
    """

    samples: Ints
    novelty: Floats
    level_db: Floats
    weight: Floats
    gap_db: float
    brightness: float


@dataclass(frozen=True)
class Energies:
    """Mean square of each step of a track: ``power``, shape (steps,), 32-bit; ``step`` in samples."""

    power: Real
    step: int

    @property
    def silent(self) -> bool:
        """Whether nothing but an offset was recorded."""
        return len(self.power) == 0 or not self.power.max() > 0


@dataclass(frozen=True)
class Listened:
    """A track that was listened to once: mean squares of each step, of the samples and of their differences."""

    track: Track
    envelope: Energies
    rises: Real

    @cached_property
    def strokes(self) -> Strokes:
        """Its onsets."""
        return _strokes((self.envelope.power, self.rises), self.envelope.step)

    @cached_property
    def first_wavefronts(self) -> Ints:
        """The sample at which each of its own strokes begins."""
        return first_wavefronts(self.track, self.strokes.samples[self.strokes.weight > 0])


def listen(track: Track) -> Listened:
    """Reads the track once."""
    step = max(round(_STEP_S * track.sample_rate), 1)
    squares, means, rises = (np.zeros(track.frames // step) for _ in range(3))
    length = max(_BLOCK_FRAMES // step, 1) * step
    leaps, even = np.empty(length), np.full(step, 1.0 / step)
    done, last = 0, 0.0
    for block in track.blocks(length):
        whole = len(block) // step * step
        if not whole:
            break
        part, rows, leaps = slice(done, done + whole // step), block[:whole].reshape(-1, step), leaps[:whole]
        squares[part] = _mean_squares(rows)
        means[part] = rows @ even
        np.subtract(block[1:whole], block[: whole - 1], out=leaps[1:])
        leaps[0] = block[0] - last if done else 0.0
        rises[part] = _mean_squares(leaps.reshape(-1, step))
        done, last = part.stop, block[whole - 1]
    offset = float(means.mean()) if len(means) else 0.0
    power = squares - offset * (2.0 * means - offset)
    # What rounding leaves of a constant is not sound.
    power[power < 1e-13 * offset**2] = 0.0
    return Listened(track, Energies(power.astype(np.float32), step), rises.astype(np.float32))


def _mean_squares(rows: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", rows, rows) / rows.shape[1], dtype=np.float64)


def struck_at(heard: Listened, samples: Ints) -> Listened:
    """The same track with strokes that are known: all of them its own, none else."""
    steps = np.clip(samples // heard.envelope.step, 0, max(len(heard.envelope.power) - 1, 0))
    whole, high = (_levels_db(energy, steps) for energy in (heard.envelope.power, heard.rises))
    level_db = whole - whole.max(initial=-np.inf)
    weight = _thinned(np.clip(10 ** ((level_db + 3.0) / 10), 0.01, 1.0))
    novelty = np.full(len(samples), _KNOWN_NOVELTY)
    known = Strokes(samples, novelty, level_db, weight, _KNOWN_GAP_DB, _brightness(whole, high))
    struck = replace(heard)
    struck.__dict__["strokes"] = known
    return struck


def same_samples(first: Listened, second: Listened) -> bool:
    """Whether two tracks hold the very same samples from the same start; read again only where energies agree."""
    a, b = first.track, second.track
    if (
        a.frames != b.frames
        or a.start_s != b.start_s
        or not np.array_equal(first.envelope.power, second.envelope.power)
    ):
        return False
    return all(np.array_equal(x, y) for x, y in zip(a.blocks(), b.blocks(), strict=True))


def _strokes(energies: tuple[Real, Real], step: int) -> Strokes:
    novelty = np.maximum(*(_novelty(np.asarray(energy, dtype=float)) for energy in energies))
    keen = (novelty >= greatest_near(novelty, APART_STEPS // 2)) & (novelty > LEAST_NOVELTY)
    steps = np.flatnonzero(keen)
    if not len(steps):
        nothing = np.zeros(0)
        return Strokes(steps, nothing, nothing, nothing, 0.0, 0.0)
    whole, high = (_levels_db(energy, steps) for energy in energies)
    gap_db, split_db, level_db = max(
        ((*_gap(levels - levels.max()), levels - levels.max()) for levels in (whole, (whole + high) / 2, high)),
        key=lambda found: found[0],
    )
    own = level_db >= max(split_db, OWN_RANGE_DB)
    weight = np.where(own, np.minimum(10 ** ((level_db + 3.0) / 10), 1.0), 0.0)
    return Strokes(steps * step, novelty[steps], level_db, _thinned(weight), gap_db, _brightness(whole[own], high[own]))


def _levels_db(energy: Real, steps: Ints) -> Floats:
    """The mean of the 10 ms from each of some steps on, in dB."""
    levels: Floats = 10 * np.log10(_ahead(np.asarray(energy, dtype=float), _LEVEL_STEPS)[steps] + 1e-20)
    return levels


def _brightness(whole_db: Floats, high_db: Floats) -> float:
    return float(np.median(high_db - whole_db)) / 10 + 1.5 if len(whole_db) else 0.0


def _novelty(energy: Floats) -> Floats:
    """The log of each step's energy over the greatest of the 30 ms before."""
    floor = float(np.quantile(energy, 0.1)) + float(energy.max(initial=0.0)) * 1e-9 + 1e-20
    now = _ahead(energy, _ONSET_STEPS)
    past = np.concatenate([np.full(min(_ONSET_STEPS, len(now)), floor), now[:-_ONSET_STEPS]])
    before = greatest_before(past, BEFORE_STEPS)
    novelty: Floats = np.log((now + floor) / (before + floor))
    return novelty


def _ahead(energy: Floats, steps: int) -> Floats:
    """The mean over each step and those that follow it."""
    total = np.concatenate([[0.0], np.cumsum(energy), np.zeros(steps)])
    total[len(energy) + 1 :] = total[len(energy)]
    means: Floats = (total[steps : steps + len(energy)] - total[: len(energy)]) / steps
    return means


def _gap(level_db: Floats) -> tuple[float, float]:
    """The highest gap of `LEAST_GAP_DB` or more between a loud class and the rest, in dB, and the level in its middle.

    The highest, not the widest: below the bleed of loud neighbours lies that of soft ones.

    >>> gap, split = _gap(np.array([0.0, -1.0, -2.0, -1.5, -30.0, -31.0, -32.0]))
    >>> round(gap, 1), split
    (26.3, -16.0)
    """
    order = np.sort(np.maximum(level_db, -45.0))[::-1]
    for count in range(1, len(order)):
        if order[count - 1] < OWN_RANGE_DB - 4.0:
            break
        gap = _a_fifth_up(order[:count]) - float(order[count]) - FEW_STROKES_DB / count
        if gap > LEAST_GAP_DB:
            return gap, float(order[count - 1] + order[count]) / 2
    return 0.0, -np.inf


def _a_fifth_up(falling: Floats) -> float:
    """The quantile 0.2 of what is in falling order; numpy's own sorts anew for each of thousands."""
    at = 0.8 * (len(falling) - 1)
    low = int(at)
    high = min(low + 1, len(falling) - 1)
    return float(falling[low] + (at - low) * (falling[high] - falling[low]))


def _thinned(weight: Floats) -> Floats:
    """The weights of at most `MOST_STROKES` strokes, evenly chosen from the loudest down."""
    own = np.flatnonzero(weight > 0)
    if len(own) <= MOST_STROKES:
        return weight
    kept = own[np.argsort(-weight[own], kind="stable")][np.linspace(0, len(own) - 1, MOST_STROKES).astype(np.intp)]
    thinned = np.zeros_like(weight)
    thinned[kept] = weight[kept]
    return thinned
