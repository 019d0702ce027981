"""Uncertainties against the GUM's law of propagation and its Monte Carlo method.

Published are the methods (JCGM 100:2008, equation 10; JCGM 101:2008, clause 7) and the speed of sound's formula; the
values are derived here by them, through geometry written out in the test and another coding of the formula.
"""

from __future__ import annotations

import numpy as np
import outside
import pytest
from pyfar.constants import speed_of_sound_cramer
from scipy import stats

from micalign.acoustics.arrivals import arrivals, speed_uncertainty_m_s
from micalign.acoustics.comb import differences, first_notch_range_hz
from micalign.acoustics.survey import survey
from micalign.acoustics.tape_doubt import radius_68_m
from micalign.scene.model import Air, Mic, Source, Tape
from micalign.scene.scene import Scene

PROPAGATION = "JCGM 100:2008, equation 10 (method); Cramer 1993 as coded in pyfar (derivatives)"
MONTE_CARLO = "JCGM 101:2008, clause 7 (method): 200 000 draws"
DRAWS = 200_000
GRID_C = np.linspace(10.5, 29.5, 39)  # where the other coding takes a temperature
WITHIN = 0.02  # of a standard deviation from so many draws, six times its own error, and the first order's


def _speed(t: float, h: float) -> float:
    return float(np.squeeze(speed_of_sound_cramer(t, h / 100.0)))


@pytest.mark.parametrize(
    ("t", "h", "ut", "uh"), [(20.0, 50.0, 1.0, 0.0), (28.0, 60.0, 0.0, 20.0), (25.0, 40.0, 1.0, 30.0)]
)
def test_the_speed_of_sound_is_as_sure_as_its_air(t: float, h: float, ut: float, uh: float) -> None:
    """Temperature and humidity, each by itself and both, by the law of propagation"""
    by_t = (_speed(t + 0.1, h) - _speed(t - 0.1, h)) / 0.2
    by_h = (_speed(t, h + 1) - _speed(t, h - 1)) / 2
    found = speed_uncertainty_m_s(Air(t, h, temperature_plus_minus_c=ut, humidity_plus_minus_percent=uh))
    expected = float(np.hypot(by_t * ut, by_h * uh))
    outside.confirm(
        f"u(c) at {t:g} C +- {ut:g}, {h:g} % +- {uh:g}", found, expected, within=0.003, source=PROPAGATION, unit="m/s"
    )


def _drawn() -> tuple[Scene, np.ndarray]:
    """A source and two mics with different uncertainties, and arrivals drawn for them, shape (draws, 2)."""
    rng = np.random.default_rng(100)
    scene = Scene(
        air=Air(temperature_plus_minus_c=2.0, humidity_plus_minus_percent=0.0),
        sources=(Source("s", (0.0, 0.0, 1.0), 0.03),),
        mics=(Mic("near", (1.0, 0.5, 1.2), 0.01), Mic("far", (7.0, 3.0, 2.0), 0.02)),
    )
    source = np.array([0.0, 0.0, 1.0]) + 0.03 * rng.standard_normal((DRAWS, 3))
    mics = [np.array(m.position) + m.plus_minus_m * rng.standard_normal((DRAWS, 3)) for m in scene.mics]
    speed = np.array([_speed(t, 50.0) for t in GRID_C])
    drawn = np.interp(20.0 + 2.0 * rng.standard_normal(DRAWS), GRID_C, speed)
    return scene, np.array([np.linalg.norm(source - mic, axis=1) / drawn for mic in mics]).T


def test_arrivals_and_differences_by_drawing() -> None:
    """Positions and air drawn at random: the spread of the arrivals and of their difference"""
    scene, drawn = _drawn()
    found = arrivals(scene)
    for column, name in enumerate(found.mics):
        outside.confirm(
            f"u(arrival) at the {name} mic", float(found.uncertainty_s[0, column] / drawn[:, column].std()), 1.0,
            within=WITHIN, source=MONTE_CARLO,
        )  # fmt: skip
    row = differences(found)[0]
    outside.confirm(
        "u(difference)",
        row.uncertainty_s / float((drawn[:, 1] - drawn[:, 0]).std()),
        1.0,
        within=WITHIN,
        source=MONTE_CARLO,
    )


def test_a_notch_is_as_sure_as_its_delay() -> None:
    """A notch at 1 / (2 t): its range for a delay one standard deviation either way"""
    low, high = first_notch_range_hz(2e-3, 0.5e-3)
    for what, found, expected in (("lower end", low, 200.0), ("upper end", high or 0.0, 1000.0 / 3.0)):
        outside.confirm(
            what,
            found,
            expected,
            within=1e-6,
            source="Everest and Pohlmann ch. 10: first null at 1 / (2 t) (formula)",
            unit="Hz",
        )


@pytest.mark.parametrize("axes", [1, 2, 3])
def test_the_radius_that_holds_two_in_three(axes: int) -> None:
    """A ball about the place: the root of chi-square's quantile at 68.27 per cent, by as many axes as are unknown"""
    spread = np.diag([1.0] * axes + [0.0] * (3 - axes))
    expected = float(np.sqrt(stats.chi2.ppf(0.6827, axes)))
    outside.confirm(
        f"{axes} axes of 1 m",
        radius_68_m(spread),
        expected,
        within=0.01,
        source="chi-square quantile, scipy.stats",
        unit="m",
    )


def test_a_tape_surveys_as_surely_as_it_is_drawn() -> None:
    """Four tapes to a point, drawn 60 times: the spread of the place found against the one stated"""
    rng = np.random.default_rng(101)
    known = {"a": (0.0, 0.0, 0.3), "b": (3.0, 0.2, 0.5), "c": (1.0, 3.0, 0.7), "d": (2.8, 2.6, 1.4)}
    true = np.array([1.5, 1.2, 1.9])
    lengths = {name: float(np.linalg.norm(true - np.array(at))) for name, at in known.items()}
    off, stated = [], 0.0
    for _ in range(60):
        tapes = tuple(Tape((name, "m"), length + 0.01 * rng.standard_normal()) for name, length in lengths.items())
        scene = Scene(sources=tuple(Source(name, at) for name, at in known.items()), mics=(Mic("m"),), tapes=tapes)
        point = survey(scene).points[0]
        off.append(np.array(point.at_m, dtype=float) - true)
        stated = float(np.sqrt(np.sum(np.square(point.axis_sigma_m))))
    spread = float(np.sqrt(np.mean(np.sum(np.square(off), axis=1))))
    outside.confirm(
        "stated against drawn", stated / spread, 1.0, within=0.3, source="JCGM 101:2008, clause 7 (method): 60 draws"
    )
