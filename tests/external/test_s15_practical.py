"""Figures carried in the head: samples to a centimetre, wavelengths, feet to a millisecond, one degree."""

from __future__ import annotations

import math

import outside
import pytest
from scipy.optimize import brentq

from micalign.acoustics.arrivals import speed_of_sound
from micalign.acoustics.prediction import Prediction, predict
from micalign.scene.model import Air, Mic, Source
from micalign.scene.scene import Scene
from micalign.units import METRES

ARITHMETIC = "distance / 343.2 m/s (ISO 9613-1's speed at 20 C)"
# The air, dry, whose speed by our formula is that of the tables: they all go by 343.2 m/s.
AIR = Air(float(brentq(lambda celsius: speed_of_sound(celsius, 0.0) - 343.2, 15.0, 25.0)), 0.0)


def _two_mics(path_m: float, air: Air = AIR) -> Prediction:
    """One source with a mic 2 m away and another one farther by ``path_m``, behind it."""
    return predict(
        Scene(
            sources=(Source("voice", (0.0, 0.0, 1.0)),),
            mics=(Mic("near", (2.0, 0.0, 1.0)), Mic("far", (2.0 + path_m, 0.0, 1.0))),
            air=air,
        )
    )


@pytest.mark.parametrize("row", outside.rows(15, "spl_"), ids=lambda row: row["id"])
def test_samples_to_a_centimetre(row: dict) -> None:
    """Samples to a centimetre and millimetres to a sample, at five sample rates."""
    rate, expected = row["inputs"]["fs"], row["expected"]
    samples = _two_mics(0.01).differences[0].difference_s * rate
    for what, found, value, unit in (
        ("samples to a centimetre", samples, expected["samples_per_cm"], "samples"),
        ("millimetres to a sample", 10.0 / samples, expected["mm_per_sample"], "mm"),
    ):
        # The table's last digit.
        outside.confirm(f"{what}, {rate} Hz", found, value, within=6e-5, source=ARITHMETIC, unit=unit)


@pytest.mark.parametrize("row", outside.rows(15, "wl_"), ids=lambda row: row["id"])
def test_wavelengths(row: dict) -> None:
    """Two mics a wavelength apart, one behind the other, add up at that frequency and cancel at half of it."""
    frequency, wavelength = row["inputs"]["f_Hz"], row["expected"]
    comb = _two_mics(wavelength).differences[0]
    assert comb.first_notch_hz is not None
    source = "wavelength = 343.2 m/s / frequency; half of it cancels (Everest and Pohlmann, ch. 10)"
    for what, found, expected in (
        ("first peak", comb.peaks_hz[0], float(frequency)),
        ("first notch", comb.first_notch_hz, frequency / 2),
    ):
        # Teeth are kept to a millihertz.
        outside.confirm(f"{what} of {wavelength} m", found, expected, within=0.001, source=source, unit="Hz")


@pytest.mark.parametrize(
    ("distance_m", "expected_ms", "within"),
    [(1.0, 2.91375, 5e-6), (METRES["ft"], 0.88811, 5e-6), (10.0, 29.1375, 5e-5)],
)
def test_milliseconds_to_a_metre_and_a_foot(distance_m: float, expected_ms: float, within: float) -> None:
    """A metre takes 2.91 ms and a foot 0.888 ms; to the last digit of the figures."""
    found = _two_mics(distance_m).differences[0].difference_s * 1e3
    outside.confirm(f"{distance_m} m", found, expected_ms, within=within, source=ARITHMETIC, unit="ms")


def test_feet_to_a_millisecond() -> None:
    """The rule of 1.13 feet to a millisecond is a warm room's: at 21 C and 36 % it is exact, at 20 C within 1 %."""
    rule = "common practice, no source: sound travels 1.13 ft in a millisecond"
    for celsius, humidity, within in ((21.0, 36.0, 0.0005), (20.0, 50.0, 0.0113), (25.0, 50.0, 0.0113)):
        found = speed_of_sound(celsius, humidity) / METRES["ft"] / 1e3
        outside.confirm(f"speed at {celsius} C, {humidity} %", found, 1.13, within=within, source=rule, unit="ft/ms")


@pytest.mark.parametrize(("path_m", "expected_us"), [(3.0, 14.9), (10.0, 49.6), (30.0, 149.0)])
def test_one_degree_of_error(path_m: float, expected_us: float) -> None:
    """A thermometer one degree off is 15 us over 3 m, 50 us over 10 m: 2.4 samples at 48 kHz.

    The outside figure takes the square root of the absolute temperature; ours, moist air, differs by a few per cent.
    """
    source = "c / (2 T): ISO 9613-1 A.5 differentiated at 20 C, over 343.2 m/s"
    low, high = (_two_mics(path_m, Air(celsius, 0.0)).differences[0].difference_s for celsius in (19.5, 20.5))
    outside.confirm(
        f"one degree over {path_m:.0f} m", (low - high) * 1e6, expected_us, within=0.03 * expected_us, source=source,
        unit="us",
    )  # fmt: skip


def test_one_degree_of_speed() -> None:
    """A degree near 20 C is 0.585 m/s in dry air."""
    found = speed_of_sound(20.5, 0.0) - speed_of_sound(19.5, 0.0)
    expected = 343.2 / (2 * 293.15)
    assert math.isclose(expected, 0.585, abs_tol=5e-4)
    # The polynomial's slope is not the square root's: two per cent.
    outside.confirm("one degree", found, expected, within=0.012, source="ISO 9613-1 A.5, differentiated", unit="m/s")
