"""Combs against the handbook's table and against a digital filter's response."""

from __future__ import annotations

import numpy as np
import outside
import pytest
from scipy import signal

from micalign.acoustics.arrivals import FLOOR_DB
from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz, response_db


@pytest.mark.parametrize("row", outside.rows(3, "comb_"), ids=lambda row: row["id"])
def test_teeth(row: dict) -> None:
    """Notches and peaks of two copies, of one polarity or one inverted; exact but for rounding."""
    polarity = -1 if "inv" in row["id"] else 1
    delay_s = row["inputs"]["delay_ms"] / 1e3
    for kind, teeth in (("notches", notches_hz), ("peaks", peaks_hz)):
        expected = row["expected"][kind]
        found = teeth(delay_s, polarity=polarity, upper_hz=expected[-1] * 1.001)
        assert len(found) == len(expected)
        for one, other in zip(found, expected, strict=True):
            outside.confirm(
                f"{kind} of {row['inputs']['delay_ms']} ms, polarity {polarity:+d}",
                float(one),
                float(other),
                within=1e-9 * max(other, 1.0),
                source=row["source"],
                unit="Hz",
            )


@pytest.mark.parametrize("row", outside.rows(3, "combdepth_"), ids=lambda row: row["id"])
def test_depth_and_height(row: dict) -> None:
    """Dip and peak by level difference; total cancellation is told as the floor of -200 dB."""
    difference, expected = row["inputs"]["level_difference_dB"], row["expected"]
    dip = FLOOR_DB if expected["dip"] is None else expected["dip"]
    for kind, found, value in (
        ("dip", notch_depth_db(difference), dip),
        ("peak", peak_height_db(difference), expected["peak"]),
    ):
        outside.confirm(f"{kind} at {difference} dB", found, value, within=0.001, source=row["source"], unit="dB")


@pytest.mark.parametrize(("gain", "polarity"), [(1.0, 1), (0.5, 1), (1 / 3, 1), (0.5, -1)])
def test_response_as_a_digital_filter(gain: float, polarity: int) -> None:
    """A two-tap filter 48 samples apart at 48 kHz is a comb of 1 ms: one response at every frequency."""
    taps = np.zeros(49)
    taps[0], taps[48] = 1.0, polarity * gain
    frequency = np.linspace(1.0, 20_000.0, 997)
    _, reference = signal.freqz(taps, worN=frequency, fs=48_000)
    found = response_db(frequency, 0.001, level_difference_db=20 * np.log10(gain), polarity=polarity)
    level = np.maximum(20 * np.log10(np.abs(reference)), FLOOR_DB)
    kept = level > -80  # in the bottom of a full notch rounding alone decides
    worst = float(np.max(np.abs(found - level)[kept]))
    outside.confirm(
        f"two-tap filter, gain {gain:.2f}, polarity {polarity:+d}: worst difference",
        worst,
        0.0,
        within=1e-6,
        source="scipy.signal.freqz",
        unit="dB",
    )


def test_spoken_examples() -> None:
    """The handbook's: 0.1 ms is 1.356 in at 1130 ft/s, 8 ms spaces peaks by 125 Hz and is 9 ft of path."""
    source = "Everest and Pohlmann, Master Handbook of Acoustics, chapter 10"
    feet = 1130.0
    spacing = float(np.diff(peaks_hz(0.008, upper_hz=500.0))[0])
    for what, found, expected, within, unit in (
        ("path of 0.1 ms", 0.5 / notches_hz(1e-4)[0] * feet * 12, 1.356, 0.0005, "in"),
        ("path of 8 ms", 0.5 / notches_hz(8e-3)[0] * feet, 9.0, 0.05, "ft"),
        ("peak spacing of 8 ms", spacing, 125.0, 1e-9, "Hz"),
    ):
        outside.confirm(what, float(found), expected, within=within, source=source, unit=unit)


def test_what_a_deeper_rule_would_need() -> None:
    """A dip above -1 dB needs 19.27 dB, above -3 dB 10.69 dB; a 9 dB gap ripples by +2.64 / -3.81 dB."""
    source = "sum of two amplitudes"
    for what, found, expected in (
        ("dip at 19.27 dB", notch_depth_db(19.271), -1.0),
        ("dip at 10.69 dB", notch_depth_db(10.691), -3.0),
        ("dip at 9 dB", notch_depth_db(9.0), -3.81),
        ("peak at 9 dB", peak_height_db(9.0), 2.64),
    ):
        outside.confirm(what, found, expected, within=0.005, source=source, unit="dB")
