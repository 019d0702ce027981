"""The delay engine against published bounds, closed forms and independent libraries."""

from __future__ import annotations

import numpy as np
import pytest
from outside import confirm, rows

from micalign.take.tracks import Track
from micalign.tdoa import measure
from micalign.tdoa.measure import measure_pair
from micalign.tdoa.spectra import cramer_rao_s, frame_spectra, refine

KNAPP = "Knapp and Carter, IEEE Trans. ASSP 24(4) 320-327, 1976; Quazi, IEEE Trans. ASSP 29(3) 527-533, 1981"
RATE = 48000


@pytest.mark.parametrize("row", rows(8, "crlb"), ids=lambda row: row["id"])
def test_the_bound_is_the_published_one(row):
    """The least possible error of a delay (Cramer-Rao), by band, length and noise."""
    given = row["inputs"]
    hz = np.linspace(given["f1_Hz"], given["f2_Hz"], 20001)
    hz = (hz[1:] + hz[:-1]) / 2
    ratio = given["snr_power_ratio_each_channel"]
    for key, coherence in (
        ("both_noisy_us", (ratio / (1 + ratio)) ** 2),
        ("one_channel_noiseless_us", ratio / (1 + ratio)),
    ):
        found = cramer_rao_s(hz, np.full(len(hz), coherence), given["T_s"]) * 1e6
        expected = row["expected"][key]
        # The row's own tolerance: its digits.
        confirm(f"{row['id']} {key}", found, expected, within=1e-4 * expected, source=KNAPP, unit="us")


def _trial(rng, snr, noiseless, whitened):
    """One periodic pair, 200-4000 Hz, 0.1 s; the error of the exact peak in seconds."""
    hz = np.fft.rfftfreq(4800, 1 / RATE)
    band = (hz >= 200) & (hz <= 4000)

    def flat(power):
        return np.sqrt(power / 2) * (rng.normal(size=len(hz)) + 1j * rng.normal(size=len(hz))) * band

    delay_s = rng.uniform(-5, 5) / RATE
    sound = flat(1.0)
    first = sound + (0 if noiseless else flat(1 / snr))
    second = sound * np.exp(-2j * np.pi * hz * delay_s) + flat(1 / snr)
    cross = np.conj(first) * second
    if whitened:
        cross = cross / np.maximum(np.abs(cross), 1e-30)
    return refine(cross, hz, delay_s, within_s=1e-4) - delay_s


@pytest.mark.parametrize(
    ("row_id", "snr", "noiseless", "whitened"),
    [("mc_0", 10, False, False), ("mc_1", 10, True, False), ("mc_2", 1, False, False), ("mc_3", 10, False, True)],
)
@pytest.mark.long
def test_the_exact_peak_reaches_the_bound(row_id, snr, noiseless, whitened):
    """Error over the bound, 1500 trials of noise: what the exact peak of a correlation attains."""
    # 1500 trials: one standard error is 1.8 % of the ratio, and the row's own is 1.1 %; three of both together.
    _against_the_bound(row_id, snr, noiseless, whitened, trials=1500, within_share=0.065)


def test_the_exact_peak_comes_near_the_bound_in_a_few_trials():
    """Error over the bound, 200 trials."""
    # 200 trials: one standard error is 5 % of the ratio; three of them.
    _against_the_bound("mc_0", 10, False, False, trials=200, within_share=0.15)


def _against_the_bound(row_id, snr, noiseless, whitened, *, trials, within_share):
    rng = np.random.default_rng(int(row_id[-1]))
    row = rows(8, row_id)[0]
    errors = [_trial(rng, snr, noiseless, whitened) for _ in range(trials)]
    ratio = float(np.sqrt(np.mean(np.square(errors)))) * 1e6 / row["expected"]["bound_us"]
    within = within_share * row["expected"]["ratio"]
    confirm(f"Monte Carlo {row_id}", ratio, row["expected"]["ratio"], within=within, source=KNAPP)


@pytest.mark.parametrize("row", rows(8, "parab_"), ids=lambda row: row["id"])
def test_a_peak_between_samples_has_not_the_bias_of_a_parabola(row):
    """A peak between samples is found where it is; a parabola through three samples is up to 0.12 sample off."""
    offset, cross = row["inputs"]["true_offset_samples"], np.zeros(0)
    hz = np.arange(1.0, 2048.0)
    cross = np.exp(-2j * np.pi * hz * offset / 4096)
    found = refine(cross, hz, round(offset) / 4096, within_s=1 / 4096) * 4096
    assert abs(row["expected"]["estimate"] - offset) > 0.04 or offset == 0.5
    confirm(f"offset {offset} sample", found, offset, within=1e-6, source="sum of cosines, closed form")


@pytest.mark.parametrize("row", rows(8, "ncc_"), ids=lambda row: row["id"])
def test_the_correlation_coefficient_is_that_of_its_definition(row):
    """How alike two noisy copies are taken to be, at 20, 10 and 0 dB: the root of their coherence."""
    rng = np.random.default_rng(8)
    sound = rng.normal(size=8 * RATE)
    noise = 10 ** (-row["inputs"]["snr_dB"] / 20)
    first, second = (sound + noise * rng.normal(size=len(sound)) for _ in (0, 1))
    pair = Track.from_array("a", first, RATE), Track.from_array("b", second, RATE)
    window = np.sin(np.pi * (np.arange(4096) + 0.5) / 4096) ** 1.5
    spectra = frame_spectra(*pair, np.arange(0, 7 * RATE, 2048), window, margin=0)
    coherence, _ = measure._coherence(spectra, spectra.cross.sum(axis=0), 0.0)
    found = float(np.sqrt(coherence[spectra.frequencies_hz > 20.0].mean()))
    confirm(row["id"], found, row["expected"]["both_noisy"], within=0.01, source="definition: SNR / (1 + SNR)")


def _pair(seed, delay_samples):
    rng = np.random.default_rng(seed)
    sound = rng.normal(size=1 << 16)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(sound)) * delay_samples)
    return sound, np.fft.irfft(np.fft.rfft(sound) * turn, len(sound))


def test_the_sign_is_that_of_scipy_with_the_track_first():
    """Sign and whole lag of a delay of 37.3 samples."""
    from scipy.signal import correlate, correlation_lags

    first, second = _pair(1, 37.3)
    lags = correlation_lags(len(second), len(first))
    theirs = int(lags[np.argmax(correlate(second, first))])
    ours = measure_pair(Track.from_array("a", first, RATE), Track.from_array("b", second, RATE)).delay_s * RATE
    confirm(
        "sign and whole lag",
        round(ours),
        theirs,
        within=0,
        source="scipy.signal.correlate",
        unit="samples",
    )


def test_the_fraction_of_a_sample_agrees_with_phase_correlation():
    """The fraction of the same delay."""
    from skimage.registration import phase_cross_correlation

    first, second = _pair(2, 37.3)
    shift, _, _ = phase_cross_correlation(first, second, upsample_factor=100)
    ours = measure_pair(Track.from_array("a", first, RATE), Track.from_array("b", second, RATE)).delay_s * RATE
    # Their grid is a hundredth of a sample, and theirs is the opposite sign.
    confirm(
        "fraction",
        ours,
        -float(shift[0]),
        within=0.01,
        source="skimage phase_cross_correlation",
        unit="samples",
    )


def test_the_difference_of_two_paths_in_a_box_is_that_of_image_sources():
    """The difference of two paths in a room rendered by a library, to one sample."""
    pra = pytest.importorskip("pyroomacoustics")
    rng = np.random.default_rng(3)
    room = pra.ShoeBox([6.2, 4.7, 2.5], fs=RATE, materials=pra.Material(0.4), max_order=6)
    strokes = np.zeros(4 * RATE)
    for at in range(4000, len(strokes) - 8000, 19000):
        strokes[at : at + 4000] += rng.normal(size=4000) * np.exp(-np.arange(4000) / 500)
    source, mics = np.array([2.1, 2.0, 0.7]), np.array([[2.2, 1.9, 0.8], [1.6, 2.4, 1.9]])
    room.add_source(source, signal=strokes)
    room.add_microphone_array(mics.T)
    room.simulate()
    near, far = room.mic_array.signals
    expected = float(np.diff(np.linalg.norm(mics - source, axis=1))[0]) / room.c
    found = measure_pair(Track.from_array("near", near, RATE), Track.from_array("far", far, RATE))
    assert found.reliable
    # One sample: 7 mm of air.
    confirm(
        "direct path",
        found.delay_s,
        expected,
        within=1 / RATE,
        source="pyroomacoustics image sources",
        unit="s",
    )
