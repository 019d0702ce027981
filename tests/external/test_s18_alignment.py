"""Alignment against standards, published recipes, other libraries and closed forms."""

from __future__ import annotations

from itertools import product

import numpy as np
import outside
import pytest
from scipy import signal

from micalign.alignment.gain import BlendTrack, all_pass_blocks, all_pass_response, sum_gain, third_octaves
from micalign.alignment.network import Link, arrival_times, best_polarity
from micalign.alignment.shift import Span, resampled_blocks, shifted_blocks
from micalign.take.tracks import Track

RATE = 48_000
IEC = "IEC 61260-1:2014, exact midbands of base ten: 1000 x 10^(k/10)"
COOKBOOK = "R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients (second-order all-pass)"


def test_bands_are_the_standards() -> None:
    """Third octaves from 100 Hz to 10 kHz"""
    for found, expected in zip(
        third_octaves(100.0, 10_000.0), [1000.0 * 10 ** (k / 10) for k in range(-10, 11)], strict=True
    ):
        outside.confirm(f"{expected:.0f} Hz", found, expected, within=1e-6, source=IEC, unit="Hz")


@pytest.mark.parametrize("count", [2, 3, 4])
def test_equal_tracks_add_up_coherently(count: int) -> None:
    """N equal tracks: 10 log10 N above what they would be without relation; two opposite ones: nothing left"""
    noise = np.random.default_rng(1).standard_normal(2 * RATE) * 0.1
    tracks = [BlendTrack(Track.from_array(str(index), noise, RATE)) for index in range(count)]
    outside.confirm(
        f"{count} tracks",
        sum_gain(tracks).after_db or 0.0,
        10 * np.log10(count),
        within=1e-6,
        source="sum of N equal amplitudes against N powers",
        unit="dB",
    )
    flipped = [tracks[0], BlendTrack(Track.from_array("b", noise, RATE), 0.0, -1)]
    outside.confirm(
        "two opposite ones, told as the floor",
        sum_gain(flipped).after_db or 0.0,
        -120.0,
        within=0,
        source="complete cancellation",
        unit="dB",
    )


def test_a_late_copy_gains_in_the_bands_its_comb_says() -> None:
    """24 samples late: bands about 1 and 2 kHz, worked from the sum of two paths over each band's edges"""
    noise = np.random.default_rng(2).standard_normal(30 * RATE) * 0.1
    late = np.concatenate([np.zeros(24), noise[:-24]])
    found = sum_gain([BlendTrack(Track.from_array("a", noise, RATE)), BlendTrack(Track.from_array("b", late, RATE))])
    for band in (one for one in found.bands if 900.0 <= one.centre_hz <= 2200.0):
        f = np.linspace(band.centre_hz * 10**-0.05, band.centre_hz * 10**0.05, 4001)
        expected = 10 * np.log10(np.mean(np.abs(1 + np.exp(-2j * np.pi * f * 24 / RATE)) ** 2) / 2)
        outside.confirm(
            f"band at {band.centre_hz:.0f} Hz",
            band.after_db or 0.0,
            float(expected),
            within=0.3,
            source="sum of two paths (formula), IEC 61260-1 edges",
            unit="dB",
        )


@pytest.mark.parametrize(("frequency", "q"), [(80.0, 0.5), (300.0, 1.2), (2000.0, 4.0)])
def test_an_all_pass_turns_as_its_recipe_says(frequency: float, q: float) -> None:
    """Phase at six frequencies and from the blocks' impulse response, against the published recipe in scipy"""
    turn = 2 * np.pi * frequency / RATE
    alpha = np.sin(turn) / (2 * q)
    b, a = [1 - alpha, -2 * np.cos(turn), 1 + alpha], [1 + alpha, -2 * np.cos(turn), 1 - alpha]
    at = frequency * np.array([0.3, 0.7, 1.0, 1.4, 2.5, 5.0])
    wanted = signal.freqz(b, a, worN=at, fs=RATE)[1]
    found = all_pass_response([(frequency, q)], at, sample_rate=RATE)
    impulse = np.zeros(1 << 16)
    impulse[0] = 1.0
    blocks = np.concatenate(list(all_pass_blocks(np.split(impulse, 4), [(frequency, q)], sample_rate=RATE)))
    played = np.array([np.sum(blocks * np.exp(-2j * np.pi * f * np.arange(len(blocks)) / RATE)) for f in at])
    for index, f in enumerate(at):
        for what, value in (("told", found[index]), ("played", played[index])):
            off = float(np.degrees(np.angle(value / wanted[index])))
            outside.confirm(f"{what} at {f:.0f} Hz", off, 0.0, within=1e-4, source=COOKBOOK, unit="degrees")


def test_a_triangle_that_does_not_close_is_shared() -> None:
    """Three equally sure delays that miss closing by 30 us: each gives 10, and is surer by sqrt(2/3)"""
    links = [Link("a", "b", 3e-3, 20e-6), Link("b", "c", 1e-3, 20e-6), Link("a", "c", 4.03e-3, 20e-6)]
    found = arrival_times(["a", "b", "c"], links)
    source = "adjustment of a closed loop by least squares (Gauss): a third of the misclosure to each (formula)"
    outside.confirm("b", found.times_s["b"], 3.01e-3, within=1e-8, source=source, unit="s")
    outside.confirm("c", found.times_s["c"], 4.02e-3, within=1e-8, source=source, unit="s")
    outside.confirm("u(c)", found.sigmas_s["c"], 20e-6 * (2 / 3) ** 0.5, within=2e-7, source=source, unit="s")


def test_unequally_sure_delays_are_weighed() -> None:
    """Two measurements of one delay, one four times as sure: the weighted mean, numpy's"""
    links = [Link("a", "b", 1.00e-3, 40e-6), Link("a", "b", 1.03e-3, 10e-6)]
    expected = float(np.average([1.00e-3, 1.03e-3], weights=[1 / 40**2, 1 / 10**2]))
    outside.confirm(
        "b",
        arrival_times(["a", "b"], links).times_s["b"],
        expected,
        within=1e-8,
        source="JCGM 100:2008 (weighted mean, numpy.average)",
        unit="s",
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_best_polarities_are_found(seed: int) -> None:
    """Six tracks, contradictory evidence: no assignment of signs agrees with more of it, all 32 tried"""
    rng = np.random.default_rng(seed)
    names = list("abcdef")
    links = [
        Link(x, y, 0.0, 1e-5, polarity=int(rng.choice([-1, 1])), clear=float(rng.uniform(0.2, 1.0)))
        for index, x in enumerate(names) for y in names[index + 1 :]
    ]  # fmt: skip

    def agreeing(signs: dict[str, int]) -> float:
        return sum(link.clear * link.polarity * signs[link.reference] * signs[link.track] for link in links)

    most = max(agreeing(dict(zip(names, (1, *rest), strict=True))) for rest in product([1, -1], repeat=5))
    outside.confirm(
        "agreement",
        agreeing(best_polarity(names, links)),
        most,
        within=1e-9,
        source="all assignments tried (maximum cut)",
    )


@pytest.mark.parametrize("samples", [3.0, -2.5, 100.25])
def test_a_shift_moves_a_tone_later(samples: float) -> None:
    """A tone of 1 kHz: positive shifts move it later, read off its own formula"""
    n = np.arange(9600)
    track = Track.from_array("t", np.sin(2 * np.pi * 1000 * n / RATE), RATE)
    moved = np.concatenate(list(shifted_blocks(track, samples, span=Span(0, 9600))))
    at = 4803
    outside.confirm(
        f"{samples:g} samples",
        float(moved[at]),
        float(np.sin(2 * np.pi * 1000 * (at - samples) / RATE)),
        within=1e-4,
        source="closed form of a tone",
    )


@pytest.mark.parametrize("ppm", [50.0, -200.0])
def test_a_clock_that_drifts_is_read_at_the_references_instants(ppm: float) -> None:
    """A tone of 1 kHz recorded on a clock some parts in a million off: sample m lies at m (1 + drift)"""
    frames = 96_000
    track = Track.from_array("t", np.sin(2 * np.pi * 1000 * np.arange(frames) / RATE), RATE)
    made = np.concatenate(list(resampled_blocks(track, 0.0, ppm, span=Span(0, frames))))
    at = 90_003
    outside.confirm(
        f"{ppm:g} ppm",
        float(made[at]),
        float(np.sin(2 * np.pi * 1000 * at * (1 + ppm * 1e-6) / RATE)),
        within=1e-4,
        source="closed form of a tone",
    )
