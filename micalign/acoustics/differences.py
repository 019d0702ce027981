"""How much later does each source arrive at one mic than at another, or than at a direct line, and which comb is that?

Every source and every unordered pair of mics, the first of a pair being the one that stands first in the scene.
A difference is the arrival at the second minus that at the first; a level difference likewise, both mics at their
``gain_db``. Uncertainties are one standard deviation, first order; a notch's range is where it lies for a difference
one standard deviation shorter and longer.

A DI takes the signal before the air: it arrives after its own latency alone, and the mics on the same source after
the sound has travelled. Its difference is the arrival at the mic minus that at the DI, so that a positive one says how
much later the DI must go to meet the mic. Its level against a mic depends on gains that no scene holds, so the
comb's teeth are given and its depth is not. A cabinet's or a pickup's own delay is not in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import Arrivals
from micalign.acoustics.comb import AUDIBLE_HZ, first_notch_range_hz, notch_depth_db, notches_hz, peak_height_db
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Di, Scene

__all__ = ["MOST_TEETH", "DiDifference", "Difference", "di_differences", "differences"]

MOST_TEETH: Final = 20
"""How many notches and peaks are listed."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One source at two mics.

    ``polarity`` is -1 where one of the two arrives inverted (its own polarity or a rear lobe); then the first notch
    lies at 0 Hz. ``first_notch_hz`` is None where no notch lies below 20 kHz; ``first_notch_range_hz`` holds it for
    a difference one standard deviation longer and shorter (None for the upper end where the difference may be zero).
    ``notch_depth_db`` is None where there is no notch.
    """

    source: str
    mics: tuple[str, str]
    difference_s: float
    uncertainty_s: float
    level_difference_db: float
    polarity: int
    first_notch_hz: float | None
    first_notch_uncertainty_hz: float | None
    first_notch_range_hz: tuple[float, float | None] | None
    notches_hz: tuple[float, ...]
    peaks_hz: tuple[float, ...]
    notch_depth_db: float | None
    peak_height_db: float


def differences(found: Arrivals, *, wanted: Bools | None = None) -> tuple[Difference, ...]:
    """The differences of a scene, source by source, pair by pair in the order of the file.

    ``wanted``, shape (S, M), leaves out the rows of a source in which one of the two mics is not wanted.
    """
    first, second = np.triu_indices(len(found.mics), 1)
    shown = np.ones((len(found.sources), len(first)), dtype=bool)
    if wanted is not None:
        shown = wanted[:, first] & wanted[:, second]
        kept = shown.any(axis=0)
        first, second, shown = first[kept], second[kept], shown[:, kept]
    late = found.arrival_s[:, second] - found.arrival_s[:, first]
    sigma = difference_uncertainty_s(found, first, second)[shown]
    level = (found.blend_db[:, second] - found.blend_db[:, first])[shown]
    same = (found.sign[:, second] * found.sign[:, first] > 0)[shown]
    late = late[shown]
    notches, notch_count = _teeth(late, np.where(same, 0.5, 0.0))
    peaks, peak_count = _teeth(late, np.where(same, 1.0, 0.5))
    row, column = np.nonzero(shown)
    columns = zip(
        [found.sources[index] for index in row.tolist()],
        [(found.mics[first[index]], found.mics[second[index]]) for index in column.tolist()],
        *(array.tolist() for array in (late, sigma, level, same)),
        _cut(notches, notch_count),
        _cut(peaks, peak_count),
        *(array.tolist() for array in (notch_depth_db(level), peak_height_db(level))),
        strict=True,
    )
    return tuple(_row(*column) for column in columns)


def difference_uncertainty_s(found: Arrivals, first: Ints, second: Ints) -> Floats:
    """One standard deviation of each difference, shape (S, P).

    A shift of the source by u changes the difference by its part along the two ways' directions, apart for mics on
    opposite sides and the same for mics on one; each mic adds its own share along its way, the air in proportion.
    """
    way = found.source_m[:, None, :] - found.mic_m[None, :, :]
    unit = way / np.maximum(found.distance_m, 1e-9)[..., None]
    apart = np.sum((unit[:, second] - unit[:, first]) ** 2, axis=-1)
    mics = found.mic_sigma_m[first] ** 2 + found.mic_sigma_m[second] ** 2
    variance = (apart * found.source_sigma_m[:, None] ** 2 + mics) / found.speed_m_s**2
    late = found.arrival_s[:, second] - found.arrival_s[:, first]
    sigma: Floats = np.sqrt(variance + (late * found.speed_sigma_m_s / found.speed_m_s) ** 2)
    return sigma


def _teeth(late: Floats, start: Floats) -> tuple[Floats, Ints]:
    """The first teeth of every comb, and how many of them lie in the audible band."""
    delay = np.abs(late)
    count = np.floor(AUDIBLE_HZ * delay * (1 + 1e-12) - start) + 1
    shown = np.where(delay > 0, np.clip(count, 0, MOST_TEETH), 0).astype(np.intp)
    index = start[..., None] + np.arange(MOST_TEETH)
    return index / np.maximum(delay, 1e-30)[..., None], shown


def _cut(teeth: Floats, count: Ints) -> list[tuple[float, ...]]:
    # To the thousandth of a hertz: many thousand rows are printed, none of them known that well.
    rows = np.round(teeth.reshape(-1, MOST_TEETH), 3).tolist()
    return [tuple(row[:number]) for row, number in zip(rows, count.ravel().tolist(), strict=True)]


def _row(
    source: str,
    mics: tuple[str, str],
    late: float,
    sigma: float,
    level: float,
    same: bool,
    notches: tuple[float, ...],
    peaks: tuple[float, ...],
    depth: float,
    height: float,
) -> Difference:
    first = notches[0] if notches else None
    known = first is not None and same
    return Difference(
        source,
        mics,
        late,
        sigma,
        level,
        1 if same else -1,
        first,
        sigma / (2 * late * late) if known else None,
        first_notch_range_hz(late, sigma) if known else None,
        notches,
        peaks,
        depth if first is not None or not same else None,
        height,
    )


@dataclass(frozen=True, slots=True)
class DiDifference:
    """A DI against a mic that takes the same source."""

    di: str
    mic: str
    source: str
    difference_s: float
    uncertainty_s: float
    polarity: int
    first_notch_hz: float | None
    notches_hz: tuple[float, ...]


def di_differences(scene: Scene, found: Arrivals) -> tuple[DiDifference, ...]:
    """Each DI against each mic that is on its source; against every mic where none is."""
    return tuple(row for di in scene.dis for row in _rows(scene, found, di))


def _rows(scene: Scene, found: Arrivals, di: Di) -> Iterator[DiDifference]:
    row = found.sources.index(di.of)
    own = [mic.name for mic in scene.mics if di.of in mic.on]
    for name in own or found.mics:
        column = found.mics.index(name)
        late = float(found.arrival_s[row, column]) - di.latency_s
        polarity = 1 if found.sign[row, column] * di.polarity > 0 else -1
        teeth = tuple(notches_hz(late, polarity=polarity).tolist()[:MOST_TEETH])
        sigma = float(found.uncertainty_s[row, column])
        yield DiDifference(di.name, name, di.of, late, sigma, polarity, teeth[0] if teeth else None, teeth)
