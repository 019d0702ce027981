"""First-order patterns against their closed forms, numerical integrals and a printed table."""

from __future__ import annotations

import numpy as np
import outside
import pytest
from scipy import integrate, optimize

from micalign.acoustics.arrivals import FLOOR_DB, Pattern, floored_db
from micalign.scene.model import PATTERNS

BOOK = "Eargle, The Microphone Book, ch. 5 (from memory)"
ROWS = outside.rows(5, "pat_")


def pattern_of(share: float) -> Pattern:
    return Pattern(np.array(share), np.array(20.0))


def response(share: float, cosine: np.ndarray) -> np.ndarray:
    return pattern_of(share).gain(np.asarray(cosine))


def null_degrees(share: float) -> float | None:
    found = float(pattern_of(share).null_degrees)
    return None if np.isnan(found) else found


def _level(share: float, degrees: float) -> float:
    return float(floored_db(np.array([response(share, float(np.cos(np.radians(degrees))))]))[0])


def _width(share: float, loss_db: float) -> float | None:
    """Full angle within which the level is no more than ``loss_db`` down, by root finding on the response."""
    end = null_degrees(share) or 180.0
    if _level(share, end) > -loss_db:
        return None
    return 2 * float(optimize.brentq(lambda degrees: _level(share, degrees) + loss_db, 0.0, end))


@pytest.mark.parametrize("name", PATTERNS)
def test_every_pattern_has_a_row(name: str) -> None:
    """Each share of the scene file's patterns has its figures from outside, none of them ours."""
    known = [row["inputs"]["a"] for row in ROWS]
    assert any(abs(PATTERNS[name] - share) < 1e-9 for share in known), f"add a row for {name} to values.json, section 5"


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_levels(row: dict) -> None:
    """Level and sign at 45, 90, 135 and 180 degrees; a null is told as the floor."""
    share, expected = row["inputs"]["a"], row["expected"]
    for degrees in (45, 90, 135, 180):
        value = expected[f"level_{degrees}"]
        outside.confirm(
            f"{row['id']} at {degrees} degrees",
            # cos 90 degrees is 6e-17 in floating point: a null to the ear, not to the last bit.
            max(_level(share, degrees), FLOOR_DB),
            FLOOR_DB if value is None else value,
            within=0.01,
            source=row["source"],
            unit="dB",
        )
    back = response(share, -1.0)
    assert np.sign(round(back, 12)) == expected["sign_180"]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_nulls_and_widths(row: dict) -> None:
    """The null's angle and the widths of acceptance at -3, -6 and -10 dB."""
    share, expected = row["inputs"]["a"], row["expected"]
    found = null_degrees(share)
    assert (found is None) == (expected["null_deg"] is None)
    if found is not None:
        outside.confirm(
            f"{row['id']}: null",
            found,
            expected["null_deg"],
            within=0.01,
            source=row["source"],
            unit="degrees",
        )
    for loss in (3, 6, 10):
        width, value = _width(share, loss), expected[f"accept_{loss}dB"]
        assert (width is None) == (value is None)
        if width is not None:
            outside.confirm(
                f"{row['id']}: width at -{loss} dB",
                width,
                value,
                within=0.01,
                source=row["source"],
                unit="degrees",
            )


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_energy(row: dict) -> None:
    """Random energy efficiency (by integration too), directivity, distance factor and front-to-back ratio."""
    share, expected = row["inputs"]["a"], row["expected"]

    def power(low: float, high: float) -> float:
        return integrate.quad(lambda c: response(share, c) ** 2 / 2, low, high)[0]

    pattern = pattern_of(share)
    for what, found, key in (
        ("random energy efficiency", pattern.random_energy_efficiency, "REE"),
        ("random energy efficiency by integration", power(-1.0, 1.0), "REE"),
        ("directivity index", 10 * np.log10(pattern.directivity), "DI_dB"),
        ("distance factor", pattern.directivity**0.5, "distance_factor"),
        ("front to back", 10 * np.log10(power(0.0, 1.0) / power(-1.0, 0.0)), "front_back_dB"),
    ):
        outside.confirm(
            f"{row['id']}: {what}",
            float(found),
            expected[key],
            within=0.001,
            source=row["source"],
        )


@pytest.mark.parametrize(
    ("pattern", "three", "six", "side"),
    [
        ("cardioid", 131, 180, -6.0),
        ("supercardioid", 115, 156, -8.5),
        ("hypercardioid", 105, 141, -12.0),
        ("figure-8", 90, 120, None),
    ],
)
def test_the_named_patterns_against_a_printed_table(pattern: str, three: int, six: int, side: float | None) -> None:
    """The named patterns against a printed table; books round, to 1.8 degrees and 0.6 dB."""
    share = PATTERNS[pattern]
    for what, found, expected in (("-3 dB arc", _width(share, 3), three), ("-6 dB arc", _width(share, 6), six)):
        assert found is not None
        outside.confirm(f"{pattern}: {what}", found, expected, within=1.8, source=BOOK, unit="degrees")
    if side is not None:
        outside.confirm(f"{pattern} at the side", _level(share, 90), side, within=0.6, source=BOOK, unit="dB")


@pytest.mark.parametrize("side_gain", [0.5, 1.0])
def test_mid_and_side(side_gain: float) -> None:
    """A cardioid mid plus a figure-8 side is one first-order mic turned by atan(2 g)."""
    turned = np.arctan(2 * side_gain)
    share = 0.5 / (0.5 + np.sqrt(0.25 + side_gain**2))
    angles = np.radians(np.arange(0, 360, 15))
    summed = response(0.5, np.cos(angles)) + side_gain * response(0.0, np.cos(angles - np.pi / 2))
    virtual = (0.5 + np.sqrt(0.25 + side_gain**2)) * response(float(share), np.cos(angles - turned))
    outside.confirm(
        f"mid and side, gain {side_gain}: worst difference",
        float(np.max(np.abs(summed - virtual))),
        0.0,
        within=1e-12,
        source="identity of first-order patterns",
    )


@pytest.mark.parametrize("row", [row for row in ROWS if row["id"] in {"pat_hypercardioid", "pat_supercardioid_exact"}])
def test_why_the_named_shares_are_what_they_are(row: dict) -> None:
    """The hypercardioid takes least from all around, the supercardioid least from behind."""

    def behind(share: float) -> float:
        power = [integrate.quad(lambda c: response(share, c) ** 2, low, low + 1)[0] for low in (0.0, -1.0)]
        return -power[0] / power[1]

    def around(share: float) -> float:
        return integrate.quad(lambda c: response(share, c) ** 2, -1, 1)[0]

    goal = around if "hyper" in row["id"] else behind
    best = optimize.minimize_scalar(goal, bounds=(0.05, 0.6), method="bounded", options={"xatol": 1e-6}).x
    outside.confirm(
        f"{row['id']}: best omni share",
        float(best),
        row["inputs"]["a"],
        within=1e-4,
        source="numerical optimum by scipy",
    )
