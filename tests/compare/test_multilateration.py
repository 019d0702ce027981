"""Places from time differences, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.compare.multilateration import HitArrivals, further_hits, least_hits, refusal, solutions

SPEED = 343.0
LOW, HIGH = np.zeros(3), np.array([6.0, 5.0, 3.0])


def heard_by(points: np.ndarray, mics: np.ndarray, rng: np.random.Generator, *, sigma_s: float = 1e-6) -> HitArrivals:
    """Exact arrivals, each hit at a moment of its own."""
    times = np.linalg.norm(points[:, None] - mics[None], axis=2) / SPEED + rng.uniform(0.0, 5.0, (len(points), 1))
    return HitArrivals(points, np.full(len(points), 1e-3), times, np.full(times.shape, sigma_s), SPEED, 0.05)


def layout(seed: int, hits: int = 8, mics: int = 4) -> tuple[np.ndarray, np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(seed)
    return rng.uniform(LOW, HIGH, (hits, 3)), rng.uniform(LOW, HIGH, (mics, 3)), rng


@pytest.mark.parametrize("seed", range(3))
def test_exact_arrivals_give_exact_places(seed: int):
    """Without noise every mic is found to 0.1 mm, whatever the hits' own moments."""
    points, mics, rng = layout(seed)
    found = solutions(heard_by(points, mics, rng), LOW, HIGH, starts=12)
    assert np.abs(found[0].mics_m - mics).max() < 1e-4


def test_the_least_squares_agree_with_a_closed_form():
    """With one mic's place given, ranges to the others are known, and |m - p|^2 = r^2 less its mean is linear in m.

    That linear solution (the spherical intersections' plane) needs no iteration; both must agree to 0.1 mm.
    """
    points, mics, rng = layout(11, hits=9)
    heard = heard_by(points, mics, rng)
    found = solutions(heard, LOW, HIGH, starts=12)[0].mics_m
    first = np.linalg.norm(points - found[0], axis=1)
    for mic in range(1, 4):
        ranges = SPEED * (heard.times_s[:, mic] - heard.times_s[:, 0]) + first
        rows = np.column_stack([-2.0 * points, np.ones(len(points))])
        right = ranges**2 - (points**2).sum(axis=1)
        closed = np.linalg.lstsq(rows, right, rcond=None)[0][:3]
        assert found[mic] == pytest.approx(closed, abs=1e-4)


def test_hits_in_one_plane_leave_a_mirror_of_each_mic():
    """All points on a table top: each mic above it may as well be as far below, and nothing in the delays tells."""
    points, mics, rng = layout(4, hits=10)
    points[:, 2], mics[:, 2] = 0.3, rng.uniform(1.0, 1.6, 4)
    found = solutions(heard_by(points, mics, rng), np.array([0.0, 0.0, -3.0]), HIGH, starts=12)
    assert len(found) > 1
    for one in found:
        assert np.abs(one.mics_m[:, 2] - 0.3) == pytest.approx(mics[:, 2] - 0.3, abs=2e-3)
        assert one.mics_m[:, :2] == pytest.approx(mics[:, :2], abs=2e-3)


def test_a_stray_delay_does_not_bend_the_places():
    """One delay 2 ms off (a reflection taken for the direct sound) is left out and named."""
    points, mics, rng = layout(5, hits=10)
    heard = heard_by(points, mics, rng)
    heard.times_s[3, 2] += 2e-3
    found = solutions(heard, LOW, HIGH, starts=12)[0]
    assert np.abs(found.mics_m - mics).max() < 1e-3
    assert found.stray[3, 2]
    assert found.stray.sum() == 1


def test_uncertainty_grows_with_that_of_the_points():
    """Points ten times less sure make mics ten times less sure: the covariance is of what was put in."""
    points, mics, rng = layout(6)
    heard = heard_by(points, mics, rng)
    loose = HitArrivals(points, np.full(8, 1e-2), heard.times_s, 10 * heard.sigma_s, SPEED, 0.5)
    sure, unsure = (np.sqrt(np.trace(solutions(one, LOW, HIGH, starts=8)[0].covariance_m2)) for one in (heard, loose))
    assert unsure / sure == pytest.approx(10.0, rel=0.01)


def test_the_number_of_hits_follows_from_the_unknowns():
    """S (M - 1) differences against 3 M coordinates: 6 hits for two mics, 5 for three, 4 from four mics on."""
    assert [least_hits(mics) for mics in (2, 3, 4, 5, 13)] == [6, 5, 4, 4, 4]


@pytest.mark.parametrize(
    ("hits", "mics", "change", "words"),
    [
        (8, 1, None, "one mic alone"),
        (3, 4, None, "^hits at 3 known points cannot fix 4 mics: add hits at 1 further place"),
        (4, 2, None, "add hits at 2 further places"),
        (8, 4, "line", "one line"),
        (8, 4, "deaf", "heard well by 'c' \\(2\\)"),
    ],
)
def test_what_cannot_be_solved_is_refused_with_the_reason(hits: int, mics: int, change: str | None, words: str):
    """Too few mics, too few hits, hits on one line, a mic that heard too little."""
    import re

    points, places, rng = layout(7, hits, mics)
    if change == "line":
        points = np.array([1.0, 1.0, 1.0]) + np.linspace(0, 2, hits)[:, None] * np.array([1.0, 0.5, 0.2])
    heard = heard_by(points, places, rng)
    if change == "deaf":
        heard.times_s[2:, 2] = np.nan
    why = refusal(heard, ("a", "b", "c", "d")[:mics])
    assert why is not None
    assert re.search(words, why)


def test_a_sound_layout_is_not_refused():
    """Eight hits in space, four mics."""
    points, mics, rng = layout(8)
    assert refusal(heard_by(points, mics, rng), ("a", "b", "c", "d")) is None


def test_the_hit_it_asks_for_helps_more_than_any_other_of_a_few():
    """Adding a hit at the first further place lowers the uncertainty, and more than at random places."""
    points, mics, rng = layout(9, hits=5)
    heard = heard_by(points, mics, rng, sigma_s=2e-5)
    heard = HitArrivals(points, np.full(5, 0.01), heard.times_s, heard.sigma_s, SPEED, 0.05)
    found = solutions(heard, LOW, HIGH, starts=12)[0]
    wanted = further_hits(heard, found, LOW, HIGH)

    def after(point: np.ndarray) -> float:
        more = np.vstack([points, point])
        again = heard_by(more, mics, np.random.default_rng(1), sigma_s=2e-5)
        again = HitArrivals(more, np.full(6, 0.01), again.times_s, again.sigma_s, SPEED, 0.05)
        return float(np.trace(solutions(again, LOW, HIGH, starts=6)[0].covariance_m2))

    assert wanted
    best = after(np.array(wanted[0]))
    others = [after(rng.uniform(LOW + 0.3, HIGH - 0.3)) for _ in range(3)]
    assert best < np.trace(found.covariance_m2)
    assert best <= min(others) * 1.05
