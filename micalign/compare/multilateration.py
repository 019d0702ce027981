"""From arrival times of hits at known points to the places of the mics that took them.

A hit at point p leaves at an unknown moment e and reaches mic m at

    y = e + |m - p| / c.

Only differences between mics count: each hit's own moment is taken out by the weighted mean of its row, which is
least squares over it. What is left is solved for all mics together by `scipy.optimize.least_squares` from many starts
in the room, with a loss that a stray delay cannot bend (soft L1); the places found are then refined with the points
and the speed of sound as unknowns of their own, each with the uncertainty it is known with, whose covariance at the
solution is that of the answer.

Can these hits fix these mics at all, and which further hits would help most? Each hit in M mics gives M - 1
differences; each mic has three unknowns. Beyond the count the places matter: hits on one line leave a mic free to turn
about it, hits in one plane leave its mirror image beyond that plane.

Sources: W. H. Foy, "Position-location solutions by Taylor-series estimation", IEEE Transactions on Aerospace and
Electronic Systems 12(2), 187-194, 1976; J. O. Smith and J. S. Abel, "Closed-form least-squares source location
estimation from range-difference measurements", IEEE Transactions on Acoustics, Speech, and Signal Processing 35(12),
1661-1669, 1987 (the closed form the tests hold this against). Metres and seconds; S hits, M mics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.compare.tuned import (
    DISTINCT,
    FLAT_M,
    LEAST_FREEDOM,
    LEAST_REDUNDANCY,
    MOST_FURTHER,
    SAME_SOLUTION_M,
    START_SIGMA_S,
    STRAY_SHARE,
    STRAY_SIGMAS,
    TARGET_M,
    WALL_M,
)
from micalign.scene.model import Point

__all__ = ["HitArrivals", "Solution", "further_hits", "is_flat", "least_hits", "refined", "refusal", "solutions"]


@dataclass(frozen=True)
class HitArrivals:
    """When S hits were heard by M mics, against anything that is one for a hit.

    Parameters
    ----------
    points_m : array, shape (S, 3)
    points_sigma_m : array, shape (S,)
        One standard deviation along each axis.
    times_s : array, shape (S, M)
        nan where a mic did not hear a hit.
    sigma_s : array, shape (S, M)
    speed_m_s, speed_sigma_m_s : float
    """

    points_m: Floats
    points_sigma_m: Floats
    times_s: Floats
    sigma_s: Floats
    speed_m_s: float
    speed_sigma_m_s: float

    @property
    def mics(self) -> int:
        """M."""
        return int(self.times_s.shape[1])

    @property
    def hits(self) -> int:
        """S."""
        return int(self.times_s.shape[0])


@dataclass(frozen=True)
class Solution:
    """Places (M, 3), covariance of their coordinates (3M, 3M), chi-square, what is left (S, M) and what is stray.

    ``freedom`` is how many arrivals there are beyond those that fix the unknowns. Where more is left over than they
    should leave, the covariance is that much larger (R. T. Birge, Phys. Rev. 40, 207, 1932).
    """

    mics_m: Floats
    covariance_m2: Floats
    chi_square: float
    freedom: int
    residual_s: Floats
    stray: Bools

    @property
    def sigma_m(self) -> Floats:
        """One standard deviation of each coordinate, shape (M, 3)."""
        variance: Floats = np.diag(self.covariance_m2).reshape(-1, 3)
        return np.sqrt(np.maximum(variance, 0.0))  # rounding makes one below nothing where places have run away

    @property
    def chance(self) -> float:
        """The chance that as much as this is left over where all is as it was said to be; 1 where nothing checks it."""
        from scipy.special import chdtrc  # noqa: PLC0415 - only a location needs it

        return float(chdtrc(self.freedom, self.chi_square)) if self.freedom > 0 else 1.0


def solutions(
    heard: HitArrivals, low_m: Floats, high_m: Floats, *, starts: int = 32, seed: int = 1
) -> tuple[Solution, ...]:
    """The places that explain the arrivals, the best first; others follow where the hits allow them as well.

    Parameters
    ----------
    heard : HitArrivals
    low_m, high_m : array, shape (3,)
        Corners of the box in which to start.
    starts : int
        From how many places to begin.
    seed : int
        Of the starts.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> mics, points = rng.uniform(0, 4, (4, 3)), rng.uniform(0, 4, (8, 3))
    >>> times = np.linalg.norm(points[:, None] - mics[None], axis=2) / 343.0 + rng.uniform(0, 1, (8, 1))
    >>> heard = HitArrivals(points, np.full(8, 1e-3), times, np.full((8, 4), 1e-6), 343.0, 0.1)
    >>> found = solutions(heard, np.zeros(3), np.full(3, 4.0))
    >>> bool(np.abs(found[0].mics_m - mics).max() < 1e-3)
    True
    """
    rng = np.random.default_rng(seed)
    began = [_from_start(heard, rng.uniform(low_m, high_m, (heard.mics, 3))) for _ in range(starts)]
    best = min(cost for cost, _ in began)
    distinct: list[Floats] = []
    for cost, mics_m in sorted(began, key=lambda one: one[0]):
        if cost <= best + DISTINCT + 0.5 * best and _is_new(mics_m, distinct):
            distinct.append(mics_m)
    every = sorted((refined(heard, mics_m) for mics_m in distinct), key=lambda one: one.chi_square)
    kept: list[Solution] = []
    for one in every:
        if one.chi_square <= every[0].chi_square + DISTINCT and _is_new(one.mics_m, [k.mics_m for k in kept]):
            kept.append(one)
    return tuple(kept)


def _is_new(mics_m: Floats, known: list[Floats]) -> bool:
    return all(np.linalg.norm(mics_m - other, axis=1).max() > SAME_SOLUTION_M for other in known)


def _from_start(heard: HitArrivals, mics_m: Floats) -> tuple[float, Floats]:
    """The nearest solution with the points as they are: its cost and the places."""
    from scipy.optimize import least_squares  # noqa: PLC0415 - only a location needs it

    weight = np.where(np.isfinite(heard.times_s), 1.0 / np.hypot(np.nan_to_num(heard.sigma_s), START_SIGMA_S), 0.0)

    def residual(unknowns: Floats) -> Floats:
        return _left(heard, weight, unknowns.reshape(-1, 3), heard.points_m, 0.0).ravel()

    def slope(unknowns: Floats) -> Floats:
        found: Floats = _slopes(heard, weight, unknowns.reshape(-1, 3), heard.points_m, 0.0)[0]
        return found

    # 3 m at most between a start and its solution along an axis: 60 steps are plenty.
    found = least_squares(residual, mics_m.ravel(), jac=slope, loss="soft_l1", max_nfev=60)
    return float(found.cost), found.x.reshape(-1, 3)


def _left(heard: HitArrivals, weight: Floats, mics_m: Floats, points_m: Floats, slow: float) -> Floats:
    """Weighted residuals (S, M), each hit's own moment taken out."""
    distance = np.linalg.norm(mics_m[None] - points_m[:, None], axis=2)
    difference = np.nan_to_num(heard.times_s) - distance * (1.0 + slow) / heard.speed_m_s
    return _without_moment(weight * difference, weight)


def _without_moment(scaled: Floats, weight: Floats) -> Floats:
    """Rows of weighted values (S, M, ...) less their weighted mean, times the weight: the projection over emission."""
    share = weight / np.maximum(np.linalg.norm(weight, axis=1, keepdims=True), 1e-30)
    expanded = share.reshape(share.shape + (1,) * (scaled.ndim - 2))
    left: Floats = scaled - expanded * (expanded * scaled).sum(axis=1, keepdims=True)
    return left


def _slopes(
    heard: HitArrivals, weight: Floats, mics_m: Floats, points_m: Floats, slow: float
) -> tuple[Floats, Floats, Floats]:
    """Derivatives of the residuals by mics (SM, 3M), points (SM, 3S) and slowness (SM, 1)."""
    hits, mics = heard.hits, heard.mics
    towards = mics_m[None] - points_m[:, None]
    distance = np.maximum(np.linalg.norm(towards, axis=2), 1e-6)
    unit = -weight[..., None] * towards / distance[..., None] * (1.0 + slow) / heard.speed_m_s
    by_mic, by_point = np.zeros((hits, mics, mics, 3)), np.zeros((hits, mics, hits, 3))
    by_mic[:, np.arange(mics), np.arange(mics)] = unit
    by_point[np.arange(hits), :, np.arange(hits)] = -unit
    by_slow = -weight * distance / heard.speed_m_s
    return (
        _without_moment(by_mic, weight).reshape(hits * mics, -1),
        _without_moment(by_point, weight).reshape(hits * mics, -1),
        _without_moment(by_slow, weight).reshape(-1, 1),
    )


def refined(heard: HitArrivals, mics_m: Floats) -> Solution:
    """The places next to ``mics_m``, shape (M, 3), with points and speed as unknowns; strays are left out one by one,
    the worst first.
    """
    known = np.isfinite(heard.times_s)
    stray = np.zeros_like(known)
    found = np.concatenate([mics_m.ravel(), heard.points_m.ravel(), [0.0]])
    while True:
        weight = np.where(known & ~stray, 1.0 / np.where(known, heard.sigma_s, 1.0), 0.0)
        found, jacobian, residual = _solved(heard, weight, found)
        freedom = _freedom(weight)
        covariance: Floats = np.asarray(np.linalg.pinv(jacobian.T @ jacobian), dtype=np.float64)
        left = _left_out(weight, jacobian, residual, covariance)
        worst = np.unravel_index(int(np.argmax(left)), left.shape)
        if left[worst] < STRAY_SIGMAS or stray.sum() >= STRAY_SHARE * known.sum() or freedom < LEAST_FREEDOM:
            break
        stray[worst] = True
    count = 3 * heard.mics
    left_s = np.where(weight > 0, residual[: weight.size].reshape(weight.shape) / np.maximum(weight, 1e-30), np.nan)
    chi_square = float(residual @ residual)
    spread = max(1.0, chi_square / freedom) if freedom > 0 else 1.0
    places = found[:count].reshape(-1, 3)
    return Solution(places, covariance[:count, :count] * spread, chi_square, freedom, left_s, stray)


def _freedom(weight: Floats) -> int:
    """Arrivals beyond those that fix the moments of the hits and the places of the mics: weights (S, M)."""
    heard_by = (weight > 0).sum(axis=1)
    return int((heard_by[heard_by > 0] - 1).sum() - 3 * weight.shape[1])


def _left_out(weight: Floats, jacobian: Floats, residual: Floats, covariance: Floats) -> Floats:
    """How far each arrival is from what all others say of it, in standard deviations, shape (S, M).

    A residual over the root of its redundancy (W. Baarda, "A testing procedure for use in geodetic networks", 1968):
    what hardly anything else checks bends the places, and leaves little over itself.
    """
    rows = jacobian[: weight.size]
    taken = np.einsum("in,nm,im->i", rows, covariance, rows, optimize=True).reshape(weight.shape)
    own = weight**2 / np.maximum((weight**2).sum(axis=1, keepdims=True), 1e-30)
    redundancy = np.maximum(1.0 - taken - own, LEAST_REDUNDANCY)
    left: Floats = np.abs(residual[: weight.size].reshape(weight.shape)) / np.sqrt(redundancy)
    return left


def _solved(heard: HitArrivals, weight: Floats, start: Floats) -> tuple[Floats, Floats, Floats]:
    """Unknowns (mics, points, slowness), derivatives and residuals at the least of the squares next to ``start``."""
    from scipy.optimize import least_squares  # noqa: PLC0415 - as above

    mics, hits = 3 * heard.mics, 3 * heard.hits
    spread = np.repeat(heard.points_sigma_m, 3)
    slow_sigma = heard.speed_sigma_m_s / heard.speed_m_s

    def parts(unknowns: Floats) -> tuple[Floats, Floats, float]:
        return unknowns[:mics].reshape(-1, 3), unknowns[mics:-1].reshape(-1, 3), float(unknowns[-1])

    def residual(unknowns: Floats) -> Floats:
        left = _left(heard, weight, *parts(unknowns)).ravel()
        believed = (unknowns[mics:-1] - heard.points_m.ravel()) / spread
        return np.concatenate([left, believed, unknowns[-1:] / slow_sigma])

    def slope(unknowns: Floats) -> Floats:
        top = np.hstack(_slopes(heard, weight, *parts(unknowns)))
        believed = np.zeros((hits + 1, top.shape[1]))
        believed[np.arange(hits), mics + np.arange(hits)] = 1.0 / spread
        believed[-1, -1] = 1.0 / slow_sigma
        return np.vstack([top, believed])

    found = least_squares(residual, start, jac=slope, x_scale="jac", method="lm", max_nfev=100)
    return found.x, slope(found.x), residual(found.x)


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
            f"hits at {found} known {'point' if found == 1 else 'points'} cannot fix {heard.mics} mics: "
            f"add hits at {more} further {'place' if more == 1 else 'places'}, off the line and plane of these"
        )
    spread = _spread_m(heard.points_m[usable])
    if spread[1] < FLAT_M:
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
    return bool(_spread_m(points_m)[2] < FLAT_M)


def further_hits(heard: HitArrivals, found: Solution, low_m: Floats, high_m: Floats) -> tuple[Point, ...]:
    """Points at which further hits would bring every mic within 2 cm, the most useful first; at most four.

    Each is the point of a grid in the box that lowers the mean square uncertainty most (A-optimal design:
    F. Pukelsheim, "Optimal Design of Experiments", SIAM 2006, chapter 6).
    """
    information: Floats = np.asarray(np.linalg.pinv(found.covariance_m2), dtype=np.float64)
    grid = _grid(low_m, high_m, found.mics_m)
    added = np.array([_information(heard, found.mics_m, point) for point in grid])
    out: list[Point] = []
    while len(out) < MOST_FURTHER and _worst_sigma_m(information) > TARGET_M:
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
    margin = np.minimum(WALL_M, 0.25 * (high_m - low_m))
    axes = [np.linspace(low_m[i] + margin[i], high_m[i] - margin[i], 6) for i in range(2)]
    heights = np.unique(np.clip([0.4, 0.9, 1.4, 2.0], low_m[2], high_m[2]))
    grid = np.stack(np.meshgrid(*axes, heights, indexing="ij"), axis=-1).reshape(-1, 3)
    nearest = np.linalg.norm(grid[:, None] - mics_m[None], axis=2).min(axis=1)
    return grid[nearest > WALL_M] if (nearest > WALL_M).any() else grid


def _information(heard: HitArrivals, mics_m: Floats, point_m: Floats) -> Floats:
    """What one hit says about the mics: the Fisher information, its moment and its point's uncertainty taken out."""
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
    information: Floats = slope.T @ weight @ slope
    return information
