"""Can these hits fix these mics at all, and which further hits would help most?

Each hit heard by M mics gives M - 1 differences; each mic has three unknowns. Beyond the count the places matter: hits
on one line leave a mic free to turn about it, hits in one plane leave its mirror image beyond that plane. Metres.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.locate.multilateration import HitArrivals, Solution
from micalign.scene.model import Point

__all__ = ["further_hits", "is_flat", "least_hits", "refusal"]

_FLAT_M: Final = 0.03
_TARGET_M: Final = 0.02
_MOST_FURTHER: Final = 4
_WALL_M: Final = 0.3


def least_hits(mics: int) -> int:
    """How many hits at different points the places of so many mics need: S (M - 1) >= 3 M.

    >>> least_hits(2), least_hits(4)
    (6, 4)
    """
    return -(-3 * mics // (mics - 1))


def refusal(heard: HitArrivals, names: tuple[str, ...]) -> str | None:
    """Why the hits cannot fix the mics, in one sentence; None where they may."""
    if heard.mics < 2:
        return "one mic alone hears no difference in time: record at least two mics on one clock"
    usable = np.isfinite(heard.times_s).sum(axis=1) >= 2
    needed, found = least_hits(heard.mics), int(usable.sum())
    if found < needed:
        more = needed - found
        return (
            f"{found} {'hit' if found == 1 else 'hits'} at known points cannot fix {heard.mics} mics: "
            f"add hits at {more} further {'place' if more == 1 else 'places'}, off the line and plane of these"
        )
    spread = _spread_m(heard.points_m[usable])
    if spread[1] < _FLAT_M:
        return "all hits lie on one line, about which every mic could turn: add hits at 2 places well off that line"
    counts = np.isfinite(heard.times_s)[usable].sum(axis=0)
    few = [f"'{name}' ({count})" for name, count in zip(names, counts, strict=True) if count < 4]
    if few:
        return f"too few hits were heard well by {', '.join(few)}: 4 are needed at least; hit louder, or nearer to it"
    return None


def _spread_m(points_m: Floats) -> Floats:
    """Root mean square spread along the three principal directions, the largest first."""
    values: Floats = np.linalg.svd(points_m - points_m.mean(axis=0), compute_uv=False)
    spread: Floats = np.pad(values, (0, 3 - len(values))) / np.sqrt(len(points_m))
    return spread


def is_flat(points_m: Floats) -> bool:
    """Whether the points lie in one plane, within what positions are known to."""
    return bool(_spread_m(points_m)[2] < _FLAT_M)


def further_hits(heard: HitArrivals, found: Solution, low_m: Floats, high_m: Floats) -> tuple[Point, ...]:
    """Points at which further hits would bring every mic within 2 cm, the most useful first; at most four.

    Each is the point of a grid in the box that lowers the mean square uncertainty most (A-optimal design:
    F. Pukelsheim, "Optimal Design of Experiments", SIAM 2006, chapter 6).
    """
    information: Floats = np.asarray(np.linalg.pinv(found.covariance_m2), dtype=np.float64)
    grid = _grid(low_m, high_m, found.mics_m)
    added = np.array([_information(heard, found.mics_m, point) for point in grid])
    out: list[Point] = []
    while len(out) < _MOST_FURTHER and _worst_sigma_m(information) > _TARGET_M:
        totals = np.trace(np.linalg.pinv(information[None] + added), axis1=1, axis2=2)
        best = int(np.argmin(totals))
        x, y, z = grid[best]
        out.append((round(float(x), 2), round(float(y), 2), round(float(z), 2)))
        information = information + added[best]
    return tuple(out)


def _worst_sigma_m(information: Floats) -> float:
    variance = np.diag(np.linalg.pinv(information)).reshape(-1, 3).sum(axis=1)
    return float(np.sqrt(variance.max()))


def _grid(low_m: Floats, high_m: Floats, mics_m: Floats) -> Floats:
    """Candidate points: a grid off the walls, at heights a person can clap at, not on top of a mic."""
    margin = np.minimum(_WALL_M, 0.25 * (high_m - low_m))
    axes = [np.linspace(low_m[i] + margin[i], high_m[i] - margin[i], 6) for i in range(2)]
    heights = np.unique(np.clip([0.4, 0.9, 1.4, 2.0], low_m[2], high_m[2]))
    grid = np.stack(np.meshgrid(*axes, heights, indexing="ij"), axis=-1).reshape(-1, 3)
    nearest = np.linalg.norm(grid[:, None] - mics_m[None], axis=2).min(axis=1)
    return grid[nearest > _WALL_M] if (nearest > _WALL_M).any() else grid


def _information(heard: HitArrivals, mics_m: Floats, point_m: Floats) -> Floats:
    """What one hit tells about the mics: the Fisher information, its moment and its point's uncertainty taken out."""
    towards = mics_m - point_m
    unit = towards / np.linalg.norm(towards, axis=1, keepdims=True) / heard.speed_m_s
    noise = float(np.nanmedian(heard.sigma_s)) ** 2 * np.eye(len(mics_m))
    noise += float(np.median(heard.points_sigma_m)) ** 2 * unit @ unit.T
    weight = np.linalg.inv(noise)
    ones = np.ones((len(mics_m), 1))
    weight = weight - weight @ ones @ ones.T @ weight / float((ones.T @ weight @ ones).item())
    slope = np.zeros((len(mics_m), 3 * len(mics_m)))
    for index, row in enumerate(unit):
        slope[index, 3 * index : 3 * index + 3] = row
    told: Floats = slope.T @ weight @ slope
    return told
