"""The speed of sound against published values and a reference library."""

from __future__ import annotations

import outside
import pyfar
import pytest

from micalign.acoustics.arrivals import speed_of_sound


@pytest.mark.parametrize("row", outside.rows(1, "c_cramer_"), ids=lambda row: row["id"])
def test_cramer(row: dict) -> None:
    """Cramer's polynomial, within a millimetre a second of the same polynomial coded by others.

    The variant of a national laboratory takes other coefficients for the vapour pressure: 10 mm/s there.
    """
    given = row["inputs"]
    found = speed_of_sound(given["T_C"], 100 * given["RH"], given["p_Pa"] / 1e3)
    within = 0.01 if "davis" in row["id"] else 0.001
    outside.confirm(
        f"{given['T_C']} C, {100 * given['RH']:.0f} %",
        found,
        row["expected"],
        within=within,
        source=row["source"],
        unit="m/s",
    )


@pytest.mark.parametrize("row", [row for row in outside.rows(1, "c_simple_") if 0 <= row["inputs"]["T_C"] <= 30])
def test_dry_air_is_near_the_standards_law(row: dict) -> None:
    """Dry air against ISO 9613-1 A.5; Cramer counts CO2 and real gas, which its square root does not: 0.2 m/s."""
    temperature = row["inputs"]["T_C"]
    outside.confirm(
        f"dry, {temperature} C",
        speed_of_sound(temperature, 0.0),
        row["expected"],
        within=0.2,
        source=row["source"],
        unit="m/s",
    )


@pytest.mark.parametrize("row", [row for row in outside.rows(1, "c_ideal_") if 0 <= row["inputs"]["T_C"] <= 30])
def test_humid_air_is_near_the_ideal_gas(row: dict) -> None:
    """Moist air against the humid ideal gas (Ostashev and Wilson 2015): 0.2 m/s, as the paper's own comparison."""
    given = row["inputs"]
    outside.confirm(
        f"humid ideal gas, {given['T_C']} C, {100 * given['RH']:.0f} %",
        speed_of_sound(given["T_C"], 100 * given["RH"]),
        row["expected"],
        within=0.2,
        source=row["source"],
        unit="m/s",
    )


@pytest.mark.parametrize(("temperature", "book"), [(0, 331.3), (10, 337.3), (20, 343.2), (25, 346.1), (30, 349.0)])
def test_handbook(temperature: float, book: float) -> None:
    """Dry air as handbooks print it; they differ among themselves by 0.7 m/s."""
    outside.confirm(
        f"handbook, {temperature} C",
        speed_of_sound(temperature, 0.0),
        book,
        within=0.7,
        source="handbook values for dry air, from memory",
        unit="m/s",
    )


@pytest.mark.parametrize("pressure_kpa", [75.0, 80.0, 90.0, 101.325, 102.0])
@pytest.mark.parametrize("temperature", [0.0, 12.5, 30.0])
@pytest.mark.parametrize("humidity", [0.0, 35.0, 100.0])
def test_pressure_as_in_the_reference_library(temperature: float, humidity: float, pressure_kpa: float) -> None:
    """Temperature, humidity and pressure over the whole stated range, against another coding of the paper."""
    reference = pyfar.constants.speed_of_sound_cramer(temperature, humidity / 100, 425.19, pressure_kpa * 1e3)
    outside.confirm(
        f"{temperature} C, {humidity} %, {pressure_kpa} kPa",
        speed_of_sound(temperature, humidity, pressure_kpa),
        float(reference),
        within=0.001,
        source="pyfar constants.speed_of_sound_cramer",
        unit="m/s",
    )
