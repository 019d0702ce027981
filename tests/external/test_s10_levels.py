"""Levels against standards and closed forms: dBFS, RMS, true peak, the share of a clipped sine, the steps of a file."""

from __future__ import annotations

import numpy as np
import outside
import pytest
from clip_runs import clipping_of

from micalign.take.levels import measure_levels
from micalign.take.loudness import true_peak
from micalign.take.tracks import Track

RATE = 48_000
EXACT_DB = 0.001  # the row's own tolerance
METER_DB = 0.1  # what a true-peak meter may differ by


def read(sound):
    return measure_levels([Track.from_array("tone", sound, RATE)])[0]


def tone(divisor: int, phase: float, frames: int = 4800) -> np.ndarray:
    """A unit sine at a whole fraction of the rate; faded in and out, since an abrupt edge overshoots by itself."""
    ramp = np.minimum(1.0, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / 1000.0)
    return np.sin(2.0 * np.pi * np.arange(frames) / divisor + phase) * np.sin(0.5 * np.pi * ramp) ** 2


def worst_phase(divisor: int) -> float:
    """The phase at which the samples lie as far from the crest as they can."""
    phases = np.linspace(0.0, np.pi, 721)
    peaks = [np.abs(np.sin(2.0 * np.pi * np.arange(2 * divisor) / divisor + phase)).max() for phase in phases]
    return float(phases[int(np.argmin(peaks))])


@pytest.mark.parametrize("row", outside.rows(10, "dbfs_"), ids=lambda row: row["id"])
def test_fractions_of_full_scale(row):
    """Peaks of fractions of full scale."""
    sound = np.zeros(4800)
    sound[100] = row["inputs"]["fraction"]
    outside.confirm(
        f"peak of {100 * row['inputs']['fraction']:g} % of full scale",
        read(sound).peak_dbfs,
        row["expected"],
        within=row["tolerance"]["abs"],
        source=row["source"],
        unit="dBFS",
    )


@pytest.mark.parametrize("row", outside.rows(10, "tp_"), ids=lambda row: row["id"])
def test_true_peaks_of_tones_at_their_worst_phase(row):
    """True peaks of tones whose samples miss the crest by as much as they can."""
    divisor = row["inputs"]["N"]
    sound = tone(divisor, worst_phase(divisor))
    outside.confirm(
        f"sample peak of a unit sine at 1/{divisor} of the rate, worst phase",
        read(sound).peak_dbfs,
        row["expected"],
        within=row["tolerance"]["abs"],
        source=row["source"],
        unit="dBFS",
    )
    outside.confirm(
        f"true peak of a unit sine at 1/{divisor} of the rate, worst phase",
        read(sound).true_peak_dbtp,
        0.0,
        within=METER_DB,
        source="ITU-R BS.1770-4, Annex 2; the sine's own amplitude",
        unit="dBTP",
    )


@pytest.mark.parametrize("oversampling", [4, 8, 16])
def test_the_under_read_of_an_oversampling_meter_bounds_ours(oversampling):
    (row,) = outside.rows(10, f"under_{oversampling}")
    formula = -20.0 * np.log10(np.cos(np.pi * 0.45 / oversampling))
    assert formula == pytest.approx(row["expected"]["f_0_45"], abs=EXACT_DB)
    # A tone of 0.45 of the rate passes all phases by itself; its true peak is 1.
    frames = 48_000
    ramp = np.minimum(1.0, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / 1000.0)
    found = 20.0 * np.log10(true_peak(np.sin(2 * np.pi * 0.45 * np.arange(frames) + 0.3) * ramp))
    assert -row["expected"]["f_0_45"] <= found <= METER_DB


def test_root_mean_squares_of_closed_forms(rng):
    """RMS of sine, square, triangle and even noise, against full scale 1."""
    frames = np.arange(RATE)
    sine = np.sin(2.0 * np.pi * 1000.0 * frames / RATE + 0.1)
    triangle = 2.0 / np.pi * np.arcsin(np.sin(2.0 * np.pi * 10.0 * frames / RATE))
    forms = {
        "full-scale sine": (sine, -3.0103, EXACT_DB, "1/sqrt(2); AES17 would call it 0 dBFS"),
        "square wave": (np.where(frames % 100 < 50, 1.0, -1.0), 0.0, EXACT_DB, "closed form"),
        "triangle": (triangle, -4.7712, EXACT_DB, "1/sqrt(3)"),
        "uniform noise": (rng.uniform(-1.0, 1.0, size=20 * RATE), -4.7712, 0.02, "1/sqrt(3)"),
    }
    for what, (sound, expected, within, source) in forms.items():
        outside.confirm(
            f"RMS of a {what} against full scale 1",
            read(sound).rms_dbfs,
            expected,
            within=within,
            source=source,
            unit="dBFS",
        )


def test_the_share_of_a_clipped_sine():
    """The share of a clipped sine that lies at full scale."""
    (row,) = outside.rows(10, "clipfrac")
    drive = row["inputs"]["overdrive"]
    sound = np.clip(drive * np.sin(2.0 * np.pi * 97.0 * np.arange(RATE) / RATE), -1.0, 1.0)
    found = clipping_of(sound, RATE)
    outside.confirm(
        f"share of samples at the rails of a sine of peak {drive:g} clipped at 1",
        found.samples / RATE,
        row["expected"],
        within=row["tolerance"]["abs"],
        source=row["source"],
        unit="",
    )


def test_the_positive_rail_of_16_bit_is_below_full_scale_and_clips_all_the_same():
    """The highest value of 16 bits, which is below full scale and clips all the same."""
    sound = np.zeros(4800)
    sound[1000:1010] = 32767 / 32768
    found = read(sound)
    outside.confirm(
        "peak of +32767 of 32768",
        found.peak_dbfs,
        -0.000265,
        within=1e-6,
        source="20 log10(32767 / 32768)",
        unit="dBFS",
    )
    assert found.clipping.runs == 1
    assert found.clipping.at_full_scale


@pytest.mark.parametrize(
    ("bits", "dither", "expected"),
    [(16, False, -101.10), (24, False, -149.27), (16, True, -96.33), (24, True, -144.49)],
)
def test_the_noise_of_a_files_steps(bits, dither, expected, rng):
    """The noise of a file's steps at 16 and 24 bits, with and without dither."""
    step = 2.0 ** (1 - bits)
    exact = 0.3 * rng.normal(size=4 * RATE)
    # Without dither the error of a loud noise is as even as the textbook wants it.
    added = step * (rng.random(len(exact)) + rng.random(len(exact)) - 1.0) if dither else 0.0
    noise = np.round((exact + added) / step) * step - exact
    outside.confirm(
        f"floor of the rounding noise of {bits} bit{', triangular dither' if dither else ''}",
        read(noise).rms_dbfs,
        expected,
        within=0.05,
        source="q/sqrt(12), with triangular dither q/2",
        unit="dBFS",
    )
