"""The fractional delay against published design figures and exact identities."""

from __future__ import annotations

import numpy as np
import outside
import pytest
from scipy.signal.windows import kaiser

from micalign.alignment.shift import HALF_TAPS, Span, kernel, resampled_blocks, shifted_blocks, to_integers
from micalign.take.tracks import Track

LAAKSO = "Laakso, Valimaki, Karjalainen, Laine, IEEE SP Magazine 13(1) 30-60, 1996, windowed sinc"
BANDS = {"to_0_4535fs": 20000 / 44100, "to_0_4167fs": 20000 / 48000}


def _worst_db(taps_of: object, edge: float) -> float:
    """Largest |H - ideal delay| over 21 fractions, up to ``edge`` cycles a sample."""
    omega = 2 * np.pi * np.linspace(0, edge, 801)
    worst = 0.0
    for fraction in np.linspace(0, 1, 21):
        taps = taps_of(fraction)  # type: ignore[operator]
        response = np.exp(-1j * np.outer(omega, np.arange(len(taps)))) @ taps
        ideal = np.exp(-1j * omega * (HALF_TAPS - 1 + fraction))
        worst = max(worst, float(np.abs(response - ideal).max()))
    return 20 * np.log10(worst)


@pytest.mark.parametrize("band", BANDS)
def test_the_kernels_error_is_the_published_designs(band: str) -> None:
    """128 taps, beta 12, the window moved with the fraction; far below the -80 dB asked for."""
    (row,) = outside.rows(12, "kfd_12_128")
    found = _worst_db(kernel, BANDS[band])
    outside.confirm(
        f"fractional delay: largest error {band.replace('_', ' ')}", found, row["expected"][band],
        within=0.1, source=LAAKSO, unit="dB",
    )  # fmt: skip
    assert found <= -80.0


def test_the_taps_are_a_kaiser_windowed_sinc() -> None:
    """At fraction 0 and 1 an impulse; at a half, the library's own symmetric Kaiser window times the sinc."""
    half = kernel(0.5)
    offset = np.arange(128) - 63.5
    # scipy's window of 257 points covers half-steps of the same width: every second point from the first half-step on.
    window = kaiser(257, 12.0)[1::2]
    assert np.abs(half - np.sinc(offset) * window).max() < 1e-14
    for fraction, place in ((0.0, 63), (1.0, 64)):
        impulse = np.zeros(128)
        impulse[place] = 1.0
        assert np.abs(kernel(fraction) - impulse).max() < 1e-15


@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_files_own_path_keeps_to_the_bar(rate: int) -> None:
    """Not the taps but the blocks that are written: tones to 20 kHz within -80 dB, their phase within 1e-4."""
    for frequency in (50.0, 1000.0, 10_000.0, 20_000.0):
        n = np.arange(6000)
        step = 2 * np.pi * frequency / rate
        track = Track.from_array("tone", np.cos(step * n), rate)
        for shift in (0.1, 0.5, 7.9, -3.3):
            span = Span(500, 5500)
            found = np.concatenate(list(shifted_blocks(track, shift, span=span, block_frames=777)))
            m = np.arange(span.start, span.stop)
            error = np.abs(found - np.cos(step * (m - shift))).max()
            assert 20 * np.log10(error) <= -80.0
            basis = np.stack([np.cos(step * m), np.sin(step * m)], axis=1)
            (real, imaginary), *_ = np.linalg.lstsq(basis, found, rcond=None)
            lag = np.arctan2(imaginary, real) - step * shift
            samples = (lag + np.pi) % (2 * np.pi) - np.pi
            outside.confirm(
                f"delay of {frequency:.0f} Hz at {rate} Hz, shift {shift:+.1f}", shift + samples / step, shift,
                within=1e-4, source="closed form of a tone", unit="samples",
            )  # fmt: skip


def test_two_half_samples_are_one() -> None:
    """Exact for a band-limited burst, to twice the kernel's error."""
    n = np.arange(1000)
    burst = np.cos(0.5 * n) * np.exp(-(((n - 500) / 80) ** 2))
    once = np.concatenate(list(shifted_blocks(Track.from_array("b", burst, 48000), 0.5, span=Span(0, 1000))))
    twice = np.concatenate(list(shifted_blocks(Track.from_array("b", once, 48000), 0.5, span=Span(0, 1000))))
    assert np.abs(twice[1:] - burst[:-1]).max() < 4e-6


@pytest.mark.parametrize("band", BANDS)
def test_the_resampler_has_the_kernels_quality(band: str) -> None:
    """Its polynomials stay below the kernel's own published error, so the whole stays within 1 dB of it."""
    (row,) = outside.rows(12, "kfd_12_128")
    frequency = np.linspace(0.01, BANDS[band], 12)
    n = np.arange(20_000)
    worst = 0.0
    for f in frequency:
        track = Track.from_array("tone", np.sin(2 * np.pi * f * n), 48000)
        span = Span(200, 19_700)
        found = np.concatenate(list(resampled_blocks(track, 0.0, 150.0, span=span)))
        ideal = np.sin(2 * np.pi * f * np.arange(span.start, span.stop) * (1 + 150e-6))
        worst = max(worst, float(np.abs(found - ideal).max()))
    assert 20 * np.log10(worst) <= row["expected"][band] + 1.0


def test_dithered_noise_has_the_published_level() -> None:
    """Half a step rms in all, with triangular dither: -96.33 dBFS at 16 bits (-144.49 at 24)."""
    for bits, expected in ((16, -96.33), (24, -144.49)):
        rng = np.random.default_rng(0)
        samples = rng.uniform(-0.5, 0.5, 500_000)
        made = to_integers(samples, bits, dither=np.random.default_rng(1))
        error = made.values / 2.0 ** (bits - 1) - samples
        outside.confirm(
            f"TPDF dither and rounding at {bits} bits", 20 * np.log10(np.sqrt(np.mean(error**2))), expected,
            within=0.05, source="q/2: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5) 1992", unit="dBFS",
        )  # fmt: skip
