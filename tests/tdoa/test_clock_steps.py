"""The steps of finding a second recorder: likeness as numpy has it, lines through known points, another pace."""

from __future__ import annotations

import numpy as np
import pytest
from two_drums import kit

from micalign.take.tracks import Track
from micalign.tdoa import clock
from micalign.tdoa.measure import Delay


def correlations(stretch: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Pearson's coefficient at every place, by numpy."""
    count = len(stretch)
    return np.array([np.corrcoef(stretch, whole[at : at + count])[0, 1] for at in range(len(whole) - count + 1)])


@pytest.mark.parametrize("start", [300, 0])
def test_a_stretch_is_found_where_its_coefficient_is_highest_each_time_ten_frames_away(rng, start):
    """Four places, each with the frames up to a tenth of a second on both sides out of the next's reach."""
    whole = rng.uniform(size=900)
    stretch = 3.0 * whole[400:500] + 0.3 * rng.uniform(size=100) + 5.0
    whole[611:711] += 0.7 * (stretch - 5.0)
    whole[410:510] = 0.3 * whole[410:510] + 0.3 * whole[400:500]  # ten frames beside the best
    whole[150:250] += whole[400:500]
    found = clock._found_again(stretch, whole, start, 60.0)
    left = correlations(stretch, whole)
    for time_s, delay_s, likeness in found:
        best = int(np.argmax(left))
        assert time_s == pytest.approx((start + 50) * 0.01)
        assert delay_s == pytest.approx((best - start) * 0.01)
        assert likeness == pytest.approx(left[best], abs=1e-9)
        left[max(best - 10, 0) : best + 11] = -1.0
    assert len(found) == 4


@pytest.mark.parametrize("beside", [-11, -10, 10, 11])
def test_places_within_ten_frames_of_a_find_are_the_same_find(beside):
    """A lone leap is looked for; the higher one is, over what comes and goes around it, the likelier."""
    stretch, whole = np.zeros(8), np.tile([0.0, 1.0], 300)
    stretch[0] = 1.0
    whole[400], whole[400 + beside] = 9.0, 8.0
    whole[[100, 200, 500]] = 5.0, 4.0, 3.0
    found = [round(delay_s / 0.01) for _, delay_s, _ in clock._found_again(stretch, whole, 0, 60.0)]
    assert found == ([400, 400 + beside, 100, 200] if abs(beside) > 10 else [400, 100, 200, 500])


@pytest.mark.parametrize(("at", "found"), [(109, True), (110, True), (111, False), (91, True), (90, True), (89, False)])
def test_a_stretch_is_looked_for_within_the_range(rng, at, found):
    """The true place is the best one exactly where it is no more than ten frames from the stretch's own."""
    whole = rng.uniform(size=300)
    (_, delay_s, likeness), *_ = clock._found_again(whole[at : at + 50], whole, 100, 0.1)
    assert (likeness > 0.99) == found
    assert not found or delay_s == pytest.approx((at - 100) * 0.01)


def test_a_stretch_without_leaps_or_room_is_not_looked_for(rng):
    whole = rng.uniform(size=100)
    assert clock._found_again(np.full(50, 2.0), whole, 0, 60.0) == []
    assert clock._found_again(whole[:60], whole[:59], 0, 60.0) == []
    assert clock._found_again(whole[:60], whole[:60], 0, 60.0)[0][1:] == pytest.approx((0.0, 1.0))


def test_the_line_of_most_likeness_is_taken():
    """Five places on a line of 100 ppm from 1.5 s on, four more likely ones that agree with nothing."""
    time = np.array([10.0, 60.0, 110.0, 160.0, 210.0])
    places = [(t, 1.5 + 100e-6 * t, 0.5) for t in time]
    places += [(t, 3.0 + t / 20, 0.9) for t in (20.0, 70.0, 120.0, 170.0)]
    line = clock._most_agreed(places)
    assert line is not None
    assert (line.at(0.0), line.slope) == pytest.approx((1.5, 100e-6))
    assert line.at(100.0) == pytest.approx(1.51)
    assert clock._most_agreed([(1.0, 2.0, -0.5)]) is None


@pytest.mark.parametrize(("last_s", "slope"), [(59.9, 0.0), (60.1, 50e-6)])
def test_over_less_than_a_minute_the_rough_clock_is_not_looked_for(last_s, slope):
    line = clock._most_agreed([(t, 2.0 + 50e-6 * t, 0.5) for t in np.linspace(0.0, last_s, 5)])
    assert line is not None
    assert line.slope == pytest.approx(slope)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_rough_clock_is_held_to_what_clocks_do(sign):
    """350 ppm: over 100 s that is within the 2.5 frames that a place may be off."""
    line = clock._most_agreed([(t, 2.0 + sign * 350e-6 * t, 0.5) for t in np.linspace(0.0, 100.0, 9)])
    assert line is not None
    assert line.slope == pytest.approx(sign * 300e-6)
    assert line.at(0.0) == pytest.approx(2.0 + sign * 50e-6 * 50.0)  # the median place's


def piece(delay_s: float) -> Delay:
    return Delay(delay_s, 1e-6, 1, 0.9, 0.9, True, None)


def test_a_straight_line_passes_by_the_strays(rng):
    """Forty pieces on a line of 35 ppm to 2 us, six of them anywhere."""
    time = np.linspace(5.0, 300.0, 40)
    noise = 2e-6 * rng.normal(size=40)
    delay = 0.25 + 35e-6 * time + noise
    stray = rng.choice(40, 6, replace=False)
    delay[stray] += rng.choice([-1, 1], 6) * rng.uniform(1e-3, 0.02, 6)
    line, kept = clock._straight([(t, piece(d)) for t, d in zip(time, delay, strict=True)], drift=True)
    assert kept == 34
    good = np.setdiff1d(np.arange(40), stray)
    (slope, start), spread = np.polyfit(time[good], delay[good], 1, cov=True)
    assert line.slope == pytest.approx(slope)
    assert line.at(0.0) == pytest.approx(start)
    # Numpy counts two degrees of freedom less.
    assert line.slope_sigma == pytest.approx(spread[0, 0] ** 0.5 * np.sqrt(32 / 34))
    assert line.sigma_at(0.0) == pytest.approx(spread[1, 1] ** 0.5 * np.sqrt(32 / 34))


def test_without_a_drift_the_line_is_level_and_its_error_the_means():
    delay = 0.1 + 1e-5 * np.array([-1, 1, -1, 1, -1, 1, -1, 1])
    line, kept = clock._straight([(float(t), piece(d)) for t, d in enumerate(delay)], drift=False)
    assert (line.slope, line.slope_sigma, kept) == (0.0, 0.0, 8)
    assert (line.at(0.0), line.sigma_at(0.0)) == pytest.approx((0.1, 1e-5 / np.sqrt(8)))


def test_pieces_without_any_scatter_are_not_told_without_error():
    line, _ = clock._straight([(t, piece(0.1 + 1e-5 * t)) for t in (0.0, 1.0, 2.0, 3.0)], drift=True)
    assert line.slope == pytest.approx(1e-5)
    assert line.sigma_at(0.0) == pytest.approx(2e-7 * np.hypot(0.5, 1.5 / np.sqrt(5)))


@pytest.mark.parametrize(("off_s", "kept"), [(149e-6, 9), (151e-6, 8)])
def test_a_piece_within_150_us_of_the_line_is_a_witness(off_s, kept):
    delay = [0.1, 0.1, 0.1, 0.1, 0.1 + off_s, 0.1, 0.1, 0.1, 0.1]
    assert clock._straight([(float(t), piece(d)) for t, d in enumerate(delay)], drift=False)[1] == kept


def test_the_slope_is_the_median_of_those_between_pieces_far_apart(rng):
    time = np.sort(rng.uniform(0.0, 100.0, 9))
    delay = rng.normal(size=9)
    for first in (0, 4):
        apart = [(i, j) for i in range(9) for j in range(9) if j - i >= 2 and (i < first) == (j < first)]
        by_hand = [(delay[j] - delay[i]) / (time[j] - time[i]) for i, j in apart]
        assert clock._slope(time, delay, np.arange(9) < first) == pytest.approx(np.median(by_hand))
    assert clock._slope(time[:1], delay[:1], time[:1] < 0.0) == 0.0


@pytest.mark.parametrize(
    ("late_s", "pieces", "jumps"),
    [(5e-3, 3, True), (5e-3, 2, False), (4.2e-4, 3, True), (3.8e-4, 3, False), (-5e-3, 10, True), (0.0, 5, False)],
)
def test_a_jump_is_three_pieces_and_four_tenths_of_a_millisecond(rng, late_s, pieces, jumps):
    """Twenty pieces at 90 ppm, the last of them on a line of their own; a stray elsewhere is none."""
    time = np.linspace(1.0, 30.0, 20)
    delay = 0.01 + 90e-6 * time + 1e-6 * rng.normal(size=20)
    delay[20 - pieces :] += late_s
    delay[7] += 0.02
    found = [(t, piece(d)) for t, d in zip(time, delay, strict=True)]
    assert clock._jumps(found, drift=True) is jumps


@pytest.mark.parametrize("slope", [200e-6, -150e-6, 0.0])
def test_a_stretch_is_read_at_another_pace_about_its_middle(slope):
    """A slow tone, at which straight lines between eightfold points are exact to a hundred-thousandth."""
    count = 4000
    number = np.arange(count) - (count - 1) / 2
    # Tapered, so that the ends, which a transform takes for neighbours, do not matter.
    sound = np.exp(-((number / 500) ** 2)) * np.sin(0.05 * number + 0.3)
    at = number * (1.0 + slope)
    expected = np.exp(-((at / 500) ** 2)) * np.sin(0.05 * at + 0.3)
    assert clock._stretched(sound, slope) == pytest.approx(expected, abs=2e-5)


def leaping(rng, rate: int, at: list[int], count: int) -> np.ndarray:
    """Noise of hundredths of a second that is ten times as loud in every other stretch between some of them."""
    levels = 10.0 ** (np.searchsorted(at, np.arange(count), "right") % 2)
    return np.repeat(levels, round(0.01 * rate)) * rng.choice([-0.5, 0.5], count * round(0.01 * rate))


def test_leaps_are_of_the_level_upward_alone(rng):
    """Of the differences' energy, hundredths of a second each."""
    samples = leaping(rng, 8000, [50, 90, 200], 250)
    energy = (np.diff(samples, prepend=samples[0]) ** 2).reshape(250, 80).mean(axis=1)
    level = np.log10(energy + 1e-4 * energy.mean() + 1e-20)
    leaps = clock._novelty(Track.from_array("a", np.concatenate([samples, samples[:40]]), 8000))
    assert leaps == pytest.approx(np.maximum(np.diff(level, prepend=level[0]), 0.0), abs=1e-5)
    assert len(clock._novelty(Track.from_array("a", samples[:40], 8000))) == 0


def test_hundredths_of_a_second_stay_so_where_a_millisecond_is_no_whole_number_of_samples(rng):
    """44 samples to a step: after half a minute ten steps each would be seven frames too early."""
    leaps = clock._novelty(Track.from_array("a", leaping(rng, 44100, [50, 90, 3000], 3100), 44100))
    assert len(leaps) == 3100
    assert np.flatnonzero(leaps > 1.0) == pytest.approx([50, 3000], abs=1)


@pytest.mark.parametrize(("late", "sign"), [(0.0, 1), (100.3, -1), (-599.6, 1), (639.0, 1)])
def test_a_piece_is_told_to_a_fraction_of_a_sample(rng, late, sign):
    """1280 samples of margin at 16 kHz; half of it, 40 ms, is searched."""
    rate, length, margin = 16000, 24000, 1280
    hz = np.fft.rfftfreq(32768)
    sound = rng.normal(size=32768)
    second = sign * np.fft.irfft(np.fft.rfft(sound) * np.exp(-2j * np.pi * hz * late), 32768)
    first = sound[4000 : 4000 + length] + 0.1 * rng.normal(size=length)
    found = clock._piece(first, second[4000 - margin : 4000 + length + margin], margin, rate)
    assert found.reliable
    assert found.delay_s * rate == pytest.approx(late, abs=0.01)
    assert found.polarity == sign
    assert found.uncertainty_s == 1.0 / rate
    assert 0.9 < found.confidence <= 1.0


def test_a_piece_of_two_ways_is_unclear_and_its_confidence_what_the_second_leaves(rng):
    rate, length, margin = 16000, 24000, 1280
    sound = rng.normal(size=32768)
    for share, sure in ((0.5, True), (0.95, False)):
        second = np.roll(sound, 50) + share * np.roll(sound, 300)
        found = clock._piece(sound[4000 : 4000 + length], second[4000 - margin : 4000 + length + margin], margin, rate)
        assert found.reliable == sure
        assert found.confidence == found.polarity_margin == pytest.approx(1.0 - share, abs=0.06)
    silent = clock._piece(np.zeros(length), np.zeros(length + 2 * margin), margin, rate)
    assert not silent.reliable
    noise = clock._piece(rng.normal(size=length), rng.normal(size=length + 2 * margin), margin, rate)
    assert (noise.reliable, noise.reason) == (False, "unclear")


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_two_close_mics_of_one_kit_tell_no_clock(seed):
    """Each piece hears the drum that was struck there: a line through such pieces is no pace."""
    tracks = kit(np.random.default_rng(seed))
    told = clock.measure_clock(tracks["one"], tracks["two"])
    assert not told.reliable
    assert "do not agree well on one start and one clock" in (told.reason or "")
    assert clock.measure_clock(tracks["left"], tracks["one"]).reliable
