"""Absorption of air against the tables of ISO 9613 and a reference library."""

from __future__ import annotations

import numpy as np
import outside
import pyfar
import pytest

from micalign.acoustics.arrivals import absorption_db_per_m
from micalign.scene.model import Air


def _db_per_km(frequency_hz: float, temperature_c: float, humidity_percent: float, kpa: float = 101.325) -> float:
    air = Air(temperature_c, humidity_percent, kpa)
    return float(absorption_db_per_m(np.array([frequency_hz]), air)[0]) * 1000


def _name(given: dict) -> str:
    return f"{given['T_C']} C, {given['RH_pct']} %, {given['f_nominal_Hz']} Hz"


@pytest.mark.parametrize("row", outside.rows(2, "air_"), ids=lambda row: row["id"])
def test_octave_bands(row: dict) -> None:
    """ISO 9613-2 Table 2 to its last printed digit (0.055 dB/km, three-figure entries 0.5), and the formula itself."""
    given, expected = row["inputs"], row["expected"]
    found = _db_per_km(given["f_exact_Hz"], given["T_C"], given["RH_pct"])
    printed = 0.55 if expected["table"] >= 100 else 0.055
    outside.confirm(_name(given), found, expected["table"], within=printed, source=row["source"], unit="dB/km")
    outside.confirm(
        f"{_name(given)}, computed",
        found,
        expected["computed"],
        within=1e-5 * expected["computed"] + 1e-6,
        source="pyfar 0.8.1 constants.air_attenuation",
        unit="dB/km",
    )


@pytest.mark.parametrize("row", outside.rows(2, "iso1_"), ids=lambda row: row["id"])
def test_spot_values(row: dict) -> None:
    """ISO 9613-1 Table 1 prints three digits: half a per cent."""
    given, expected = row["inputs"], row["expected"]
    found = _db_per_km(given["f_exact_Hz"], given["T_C"], given["RH_pct"])
    outside.confirm(
        _name(given),
        found,
        expected["table"],
        within=0.005 * expected["table"],
        source=row["source"],
        unit="dB/km",
    )


@pytest.mark.parametrize("kpa", [75.0, 90.0, 101.325])
def test_pressure(kpa: float) -> None:
    """Away from sea level the reference library's equations 3 to 5 agree to a millionth.

    Its equation B.1 multiplies by the pressure ratio where the share of water is saturation over pressure; it is
    handed the humidity that makes up for that.
    """
    humidity = 0.4 / (kpa / 101.325) ** 2
    frequencies = np.array([63.0, 500.0, 4000.0, 16_000.0])
    reference = np.ravel(pyfar.constants.air_attenuation(18.0, frequencies, humidity, kpa * 1e3)[0])
    for frequency, expected in zip(frequencies, reference, strict=True):
        outside.confirm(
            f"18 C, 40 %, {kpa} kPa, {frequency:.0f} Hz",
            _db_per_km(frequency, 18.0, 40.0, kpa),
            1000 * float(expected),
            within=1e-6 * 1000 * float(expected),
            source="pyfar constants.air_attenuation",
            unit="dB/km",
        )


def test_at_room_scale() -> None:
    """Over 10 m at 20 C and 50 % the top octave loses 1 dB, 1 kHz next to nothing."""
    for frequency, expected in ((7943.28, 1.04), (1000.0, 0.047)):
        outside.confirm(
            f"10 m, {frequency:.0f} Hz",
            _db_per_km(frequency, 20.0, 50.0) / 100,
            expected,
            within=0.005,  # the printed last digit
            source="ISO 9613-1:1993, computed with pyfar 0.8.1",
            unit="dB",
        )
