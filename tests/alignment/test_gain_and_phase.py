"""Sums by band, all-pass sections and previews, against closed forms and scipy."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from di_takes import bass_take, best_sum, delayed
from scipy import signal

from micalign.alignment.best_sum import match_phase
from micalign.alignment.gain import (
    BlendTrack,
    all_pass_blocks,
    all_pass_response,
    lost_bands,
    preview,
    section_coefficients,
    sum_gain,
    third_octaves,
)
from micalign.errors import TakeError
from micalign.take.tracks import Track

RATE = 48000


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def test_two_equal_tracks_gain_three_decibels_when_aligned_and_a_comb_before(rng):
    noise = rng.standard_normal(4 * RATE) * 0.1
    late = np.concatenate([np.zeros(240), noise])[: len(noise)]  # 5 ms: notch at 100 Hz, peak at 200 Hz
    gain = sum_gain(
        [BlendTrack(Track.from_array("a", noise, RATE)), BlendTrack(Track.from_array("b", late, RATE), -240.0)]
    )
    by_band = {round(band.centre_hz): band for band in gain.bands}
    # Closed form 10 log10(1 + cos(2 pi f t)), meant over the third octave at 200 Hz; noise of 4 s scatters 0.15 dB.
    f = np.linspace(199.5 * 10**-0.05, 199.5 * 10**0.05, 1000)
    assert by_band[200].before_db == pytest.approx(10 * np.log10(1 + np.cos(2 * np.pi * f * 0.005).mean()), abs=0.3)
    assert by_band[100].before_db < -8
    assert all(band.after_db == pytest.approx(3.0103, abs=0.02) for band in gain.bands)


def test_gain_of_strangers_is_nothing_and_of_opposites_is_total(rng):
    noise = rng.standard_normal(8 * RATE) * 0.1
    stranger = rng.standard_normal(8 * RATE) * 0.1
    apart = sum_gain(
        [BlendTrack(Track.from_array("a", noise, RATE)), BlendTrack(Track.from_array("b", stranger, RATE))]
    )
    assert apart.after_db == pytest.approx(0.0, abs=0.05)
    against = sum_gain(
        [BlendTrack(Track.from_array("a", noise, RATE)), BlendTrack(Track.from_array("b", noise, RATE), 0.0, -1)]
    )
    assert against.after_db == -120.0
    assert sum_gain([BlendTrack(Track.from_array("a", np.zeros(RATE), RATE))] * 2).after_db is None


def test_third_octaves_are_those_of_the_standard():
    # IEC 61260-1 exact midbands, base ten.
    assert third_octaves(31.0, 130.0) == pytest.approx(
        [31.6228, 39.8107, 50.1187, 63.0957, 79.4328, 100.0, 125.893], rel=1e-5
    )


@pytest.mark.parametrize(("frequency_hz", "q"), [(30.0, 0.3), (200.0, 0.7), (5000.0, 4.0)])
def test_a_section_is_stable_turns_phase_and_changes_no_level(frequency_hz, q):
    section = section_coefficients(frequency_hz, q, sample_rate=RATE)
    assert np.abs(np.roots(section[3:])).max() < 1.0
    at, response = signal.sosfreqz(section[None, :], worN=np.array([1.0, frequency_hz, 20000.0]), fs=RATE)
    assert np.abs(response) == pytest.approx(np.ones(3), abs=1e-9)
    assert abs(np.angle(response[1])) == pytest.approx(np.pi, abs=1e-6)
    assert all_pass_response([(frequency_hz, q)], at, sample_rate=RATE) == pytest.approx(response, abs=1e-9)


@pytest.mark.parametrize(("frequency_hz", "q"), [(0.0, 1.0), (24000.0, 1.0), (100.0, 0.0), (float("nan"), 1.0)])
def test_an_impossible_section_is_refused(frequency_hz, q):
    with pytest.raises(TakeError, match="cannot be made at 48000 Hz"):
        section_coefficients(frequency_hz, q, sample_rate=RATE)


def test_sections_by_blocks_are_sections_in_one(rng):
    sound = rng.standard_normal(5000)
    sections = [(120.0, 0.5), (900.0, 2.0)]
    whole = np.concatenate(list(all_pass_blocks([sound], sections, sample_rate=RATE)))
    parts = np.concatenate(list(all_pass_blocks(np.array_split(sound, 7), sections, sample_rate=RATE)))
    assert np.array_equal(whole, parts)


def test_matched_phase_of_a_bass_beats_every_single_delay():
    take = bass_take(3, seconds=5.0)
    di = BlendTrack(Track.from_array("di", take.di, RATE), take.delay_s * RATE, take.polarity)
    match = match_phase(BlendTrack(Track.from_array("mic", take.mic, RATE)), di, most_sections=1)
    assert match is not None
    assert match.after_db > match.before_db + 0.5
    moved = take.polarity * match.polarity * delayed(take.di, take.delay_s + match.shift_s)
    (turned,) = all_pass_blocks([moved], match.sections, sample_rate=RATE)
    assert _gain_db(turned, take.mic) >= _gain_db(_best_single(take), take.mic) - 0.5


def _best_single(take):
    delay_s, polarity, _ = best_sum(take.di, take.mic, low_hz=60, high_hz=250)
    return polarity * delayed(take.di, delay_s)


def _gain_db(first, second):
    f = np.fft.rfftfreq(len(first), 1 / RATE)
    inside = (f >= 60) & (f <= 250)
    one, other = np.fft.rfft(first)[inside], np.fft.rfft(second)[inside]
    return 10 * np.log10(np.sum(np.abs(one + other) ** 2) / np.sum(np.abs(one) ** 2 + np.abs(other) ** 2))


def test_nothing_is_matched_between_strangers(rng):
    first, second = (BlendTrack(Track.from_array(name, rng.standard_normal(3 * RATE), RATE)) for name in "ab")
    assert match_phase(first, second) is None


def test_previews_are_equally_loud_and_never_clip(rng):
    noise = rng.standard_normal(3 * RATE) * 0.4
    late = np.concatenate([np.zeros(100), noise])[: len(noise)]
    tracks = [BlendTrack(Track.from_array("a", noise, RATE)), BlendTrack(Track.from_array("b", late, RATE), -100.0)]
    before, after = preview(tracks, middle_s=1.5, seconds=1.0)
    assert len(before) == len(after) == RATE
    assert max(np.abs(before).max(), np.abs(after).max()) <= 10 ** (-1 / 20) + 1e-12
    loudness = [_k_weighted_db(sound) for sound in (before, after)]
    assert loudness[0] == pytest.approx(loudness[1], abs=0.01)


def _k_weighted_db(sound):
    """ITU-R BS.1770-4, table 1 and 2, the published coefficients for 48 kHz."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585]
    high_pass = [1, -2, 1, 1, -1.99004745483398, 0.99007225036621]
    return 10 * np.log10(np.mean(signal.sosfilt(np.array([shelf, high_pass]), sound) ** 2))


def test_a_band_that_the_sum_loses_is_told_with_the_track_whose_move_costs_it(rng):
    """Two tracks that met are torn apart by a half wave at 500 Hz; a third has nothing to do with them."""
    noise, other = (0.1 * rng.standard_normal(20 * RATE) for _ in range(2))
    tracks = [Track.from_array(name, sound, RATE) for name, sound in (("a", noise), ("b", noise), ("c", other))]
    moved = [BlendTrack(tracks[0]), BlendTrack(tracks[1], 48.0), BlendTrack(tracks[2], 300.0)]
    lost = lost_bands(sum_gain(moved))[0]
    assert (lost.track, lost.low_hz < 500 < lost.high_hz) == ("b", True)
    # Of the two no power is left at the middle of the band, and a third of the three's was the third's own.
    assert lost.costs_db == pytest.approx(lost.lost_db, abs=0.3)
    still = [BlendTrack(tracks[0]), BlendTrack(tracks[1]), BlendTrack(tracks[2], 300.0)]
    assert lost_bands(sum_gain(still)) == ()


def test_no_single_track_is_named_where_several_moved_together(rng):
    noise = 0.1 * rng.standard_normal(20 * RATE)
    tracks = [Track.from_array(name, noise, RATE) for name in "abcd"]
    moved = [BlendTrack(tracks[0]), *(BlendTrack(one, 48.0) for one in tracks[1:])]
    lost = lost_bands(sum_gain(moved))[0]
    assert (lost.track, lost.costs_db, lost.lost_db > 1.0) == ("", 0.0, True)


def _thirds_db(sound):
    """By third octave, of one transform of the whole."""
    hz, power = np.fft.rfftfreq(len(sound), 1 / RATE), np.abs(np.fft.rfft(sound)) ** 2
    edges = [1000 * 10 ** ((k - 0.5) / 10) for k in range(-13, 9)]
    return [10 * np.log10(power[(hz >= low) & (hz < high)].sum()) for low, high in pairwise(edges)]


def test_what_thirds_of_a_long_take_lose_is_what_one_transform_of_all_of_it_says(rng):
    """A minute of strokes, each its own: windows here and there would tell another sum, short ones leak."""
    tracks = [0.001 * rng.standard_normal(60 * RATE) for _ in range(3)]
    for at in rng.integers(RATE, 59 * RATE, 40):
        stroke = rng.standard_normal(6000) * np.exp(-np.arange(6000) / 1500)
        stroke += 8 * np.sin(2 * np.pi * rng.uniform(50, 600) * np.arange(6000) / RATE) * np.hanning(6000)
        for track, late in zip(tracks, (0, *rng.integers(0, 60, 2)), strict=True):
            track[at + late : at + late + 6000] += rng.uniform(0.1, 1.0) * stroke
    moves = ((0.0, 1), (36.4, 1), (0.0, -1))
    names = [Track.from_array(name, sound, RATE) for name, sound in zip("abc", tracks, strict=True)]
    gain = sum_gain([BlendTrack(track, *move) for track, move in zip(names, moves, strict=True)])
    hz = np.fft.rfftfreq(60 * RATE, 1 / RATE)
    later = np.fft.irfft(np.fft.rfft(tracks[1]) * np.exp(-2j * np.pi * hz * 36.4 / RATE))
    before, after, back = (
        _thirds_db(np.sum(tracks, 0)),
        *(_thirds_db(tracks[0] + x - y) for x, y in ((later, tracks[2]), (tracks[1], tracks[2]))),
    )
    bands = [one for one in gain.bands if 45 < one.centre_hz < 5600]
    assert [one.after_db - one.before_db for one in bands] == pytest.approx(np.subtract(after, before), abs=0.1)
    assert max(np.subtract(before, after)) > 3
    assert gain.costs_db["b"][2:23] == pytest.approx(np.subtract(back, after), abs=0.1)
    assert sorted(gain.costs_db) == ["b", "c"]
    lost = {round((one.low_hz * one.high_hz) ** 0.5): one.lost_db for one in lost_bands(gain)}
    told = {round(one.centre_hz): x - y for one, x, y in zip(bands, before, after, strict=True) if x - y > 1.0}
    assert lost == pytest.approx(told, abs=0.1)
    assert list(lost.values()) == sorted(lost.values(), reverse=True)


def test_what_hiss_loses_is_not_told(rng):
    """A third octave 60 dB under the whole turns over, and one 40 dB under it."""
    times = np.arange(4 * RATE) / RATE
    low, *high = (np.sin(2 * np.pi * hz * times) for hz in (200, 1000, 2000))
    one = low + 1e-3 * high[0] + 1e-2 * high[1]
    two = low - 5e-4 * high[0] - 5e-3 * high[1]
    before, after = (Track.from_array("b", sound, RATE) for sound in (2 * one - two, two))
    gain = sum_gain([BlendTrack(Track.from_array("a", one, RATE)), BlendTrack(after, before=before)])
    assert [round(lost.low_hz) for lost in lost_bands(gain)] == [1778]
