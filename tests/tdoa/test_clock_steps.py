"""The steps of finding a second recorder: likeness as numpy has it, lines through known points, another pace."""

from __future__ import annotations

import numpy as np
import pytest
from two_drums import kit

from micalign.take.tracks import Track
from micalign.tdoa import change


def correlations(stretch: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Pearson's coefficient at every place, by numpy."""
    count = len(stretch)
    return np.array([np.corrcoef(stretch, whole[at : at + count])[0, 1] for at in range(len(whole) - count + 1)])


def test_the_likeness_of_a_stretch_is_the_coefficient_at_every_place(rng):
    """What is unlike counts as nothing, and so do places where nothing leaps."""
    whole = rng.uniform(size=900)
    stretch = 3.0 * whole[400:500] + 0.3 * rng.uniform(size=100) + 5.0
    whole[600:700] = 0.2
    found = change._likeness(stretch, whole)
    with np.errstate(invalid="ignore"):
        expected = np.nan_to_num(correlations(stretch, whole))
    assert found == pytest.approx(np.maximum(expected, 0.0), abs=1e-6)
    assert np.argmax(found) == 400
    assert not change._likeness(np.full(50, 2.0), whole).any()


def leaps_of(monkeypatch, first: np.ndarray, second: np.ndarray) -> list[Track]:
    """Two tracks whose leaps are these, a hundredth of a second each."""
    tracks = [Track.from_array(name, np.zeros(80), 8000) for name in "ab"]
    known = {"a": first, "b": second}
    monkeypatch.setattr(change, "_novelty", lambda track: known[track.name])
    return tracks


def at_pace(rng, start: float, ppm: float, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Leaps, and the same heard ``start`` frames later by a clock that runs so much slower."""
    first, second = rng.exponential(size=count), 0.1 * rng.exponential(size=count)
    at = np.rint(start + np.arange(count) * (1.0 + ppm * 1e-6)).astype(int)
    inside = (at >= 0) & (at < count)
    second[at[inside]] += first[inside]
    return first, second


@pytest.mark.parametrize("ppm", [0.0, 180.0, -250.0])
def test_the_line_of_most_likeness_is_taken(monkeypatch, rng, ppm):
    """A hundred seconds, 1.5 s later: by the frames that the ends are apart the rough clock is known to 0.2 ms/s."""
    line = change._coarse(*leaps_of(monkeypatch, *at_pace(rng, 150, ppm, 10_000)), 60.0)
    assert line is not None
    assert line.slope == pytest.approx(ppm * 1e-6, abs=210e-6)
    for time_s in (10.0, 50.0, 90.0):
        assert line.at(time_s) == pytest.approx(1.5 + ppm * 1e-6 * time_s, abs=0.011)


def test_over_half_an_hour_the_rough_clock_is_known_to_a_few_ppm(monkeypatch, rng):
    line = change._coarse(*leaps_of(monkeypatch, *at_pace(rng, -700, 120.0, 180_000)), 60.0)
    assert line is not None
    assert line.slope == pytest.approx(120e-6, abs=8e-6)
    assert line.at(900.0) == pytest.approx(-7.0 + 120e-6 * 900.0, abs=0.011)


@pytest.mark.parametrize(("late", "found"), [(10, True), (11, False), (-10, True), (-11, False)])
def test_the_start_is_looked_for_within_the_range(monkeypatch, rng, late, found):
    line = change._coarse(*leaps_of(monkeypatch, *at_pace(rng, late, 0.0, 3000)), 0.1)
    assert line is not None
    assert (line.at(15.0) == pytest.approx(late * 0.01)) == found


def test_tracks_of_less_than_half_a_second_have_no_line(monkeypatch, rng):
    assert change._coarse(*leaps_of(monkeypatch, rng.uniform(size=49), rng.uniform(size=900)), 1.0) is None
    assert change._coarse(*leaps_of(monkeypatch, rng.uniform(size=900), rng.uniform(size=50)), 1.0) is not None


def pieces(time, delay) -> np.ndarray:
    """As `_pieces` tells them."""
    return np.stack([time, delay, np.full(len(time), 0.9)], axis=1)


def test_a_straight_line_passes_by_the_strays(rng):
    """Forty pieces on a line of 35 ppm to 2 us, six of them anywhere."""
    time = np.linspace(5.0, 300.0, 40)
    noise = 2e-6 * rng.normal(size=40)
    delay = 0.25 + 35e-6 * time + noise
    stray = rng.choice(40, 6, replace=False)
    delay[stray] += rng.choice([-1, 1], 6) * rng.uniform(1e-3, 0.02, 6)
    line, kept = change._straight(pieces(time, delay), drift=True)
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
    line, kept = change._straight(pieces(np.arange(len(delay)), delay), drift=False)
    assert (line.slope, line.slope_sigma, kept) == (0.0, 0.0, 8)
    assert (line.at(0.0), line.sigma_at(0.0)) == pytest.approx((0.1, 1e-5 / np.sqrt(8)))


def test_pieces_without_any_scatter_are_not_told_without_error():
    line, _ = change._straight(pieces(np.arange(4), 0.1 + 1e-5 * np.arange(4)), drift=True)
    assert line.slope == pytest.approx(1e-5)
    assert line.sigma_at(0.0) == pytest.approx(2e-7 * np.hypot(0.5, 1.5 / np.sqrt(5)))


@pytest.mark.parametrize(("off_s", "kept"), [(149e-6, 9), (151e-6, 8)])
def test_a_piece_within_150_us_of_the_line_is_a_witness(off_s, kept):
    delay = [0.1, 0.1, 0.1, 0.1, 0.1 + off_s, 0.1, 0.1, 0.1, 0.1]
    assert change._straight(pieces(np.arange(len(delay)), delay), drift=False)[1] == kept


def test_the_slope_is_the_median_of_those_between_pieces_far_apart(rng):
    time = np.sort(rng.uniform(0.0, 100.0, 9))
    delay = rng.normal(size=9)
    for first in (0, 4):
        apart = [(i, j) for i in range(9) for j in range(9) if j - i >= 2 and (i < first) == (j < first)]
        by_hand = [(delay[j] - delay[i]) / (time[j] - time[i]) for i, j in apart]
        assert change._slope(time, delay, np.arange(9) < first) == pytest.approx(np.median(by_hand))
    assert change._slope(time[:1], delay[:1], time[:1] < 0.0) == 0.0


@pytest.mark.parametrize(
    ("late_s", "last", "jumps"),
    [(5e-3, 3, True), (5e-3, 2, False), (4.2e-4, 3, True), (3.8e-4, 3, False), (-5e-3, 10, True), (0.0, 5, False)],
)
def test_a_jump_is_three_pieces_and_four_tenths_of_a_millisecond(rng, late_s, last, jumps):
    """Twenty pieces at 90 ppm, the last of them on a line of their own; a stray elsewhere is none."""
    time = np.linspace(1.0, 30.0, 20)
    delay = 0.01 + 90e-6 * time + 1e-6 * rng.normal(size=20)
    delay[20 - last :] += late_s
    delay[7] += 0.02
    parted = change._parted(pieces(time, delay), drift=True)
    assert (parted is not None) is jumps
    if parted is not None:
        assert parted == (pytest.approx(time[20 - last]), pytest.approx(90e-6, abs=2e-6))


@pytest.mark.parametrize(("by_s", "shifted"), [(10e-3, True), (-0.6e-3, True), (0.2e-3, False), (0.0, False)])
@pytest.mark.parametrize(("ppm", "read_ppm"), [(0.0, 0.0), (90.0, 0.0), (90.0, 140.0)])
def test_what_all_pieces_say_is_shifted_after_a_jump_and_by_no_other_drum(rng, by_s, shifted, ppm, read_ppm):
    """Two drums, 3 ms apart, before the moment mostly the one and after it mostly the other; half samples at 8 kHz.

    Whatever the pace at which the pieces were read.
    """
    rate, times_s = 8000, np.linspace(1.0, 39.0, 20)
    lags_s = np.arange(-640, 641) / (2 * rate)
    curves = []
    for time_s in times_s:
        share, late_s = (0.3, by_s) if time_s > 20.0 else (0.7, 0.0)
        at_s = (ppm - read_ppm) * 1e-6 * (time_s - 20.0) + late_s
        waves = [np.exp(-(((lags_s - at_s - drum_s) / 1e-4) ** 2)) for drum_s in (0.0, 3e-3)]
        one = share * waves[0] + (1 - share) * waves[1] + 0.05 * rng.normal(size=len(lags_s))
        curves.append(one / np.linalg.norm(one))
    told = change._Pieces(np.zeros((0, 3)), times_s, np.array(curves), read_ppm * 1e-6)
    assert change._is_shifted(told, 20.0, ppm * 1e-6, rate) is shifted


@pytest.mark.parametrize(
    ("by_s", "alike", "shifted"),
    [(10e-3, 0.9, True), (10e-3, 0.45, False), (0.45e-3, 1.0, True), (0.25e-3, 1.0, False)],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_what_is_hardly_alike_when_shifted_or_hardly_shifted_is_no_jump(sign, by_s, alike, shifted):
    """A shifted copy beside another sound, which is like nothing before the moment."""
    rate, times_s = 8000, np.linspace(1.0, 39.0, 20)
    lags_s = np.arange(-640, 641) / (2 * rate)
    before, after = (np.exp(-(((lags_s - at_s) / 1e-4) ** 2)) for at_s in (0.0, sign * by_s))
    other = np.where(np.abs(lags_s - 25e-3) < 10e-3, np.sin(2 * np.pi * 400.0 * lags_s), 0.0)
    other *= np.sqrt(1.0 - alike**2) * np.linalg.norm(after) / np.linalg.norm(other)
    curves = [before if time_s < 20.0 else alike * after + other for time_s in times_s]
    told = change._Pieces(np.zeros((0, 3)), times_s, np.array(curves), 0.0)
    assert change._is_shifted(told, 20.0, 0.0, rate) is shifted


@pytest.mark.parametrize(("looks", "jumps"), [((True, False), True), ((False, True), True), ((False, False), False)])
def test_a_jump_that_either_look_tells_is_one(monkeypatch, looks, jumps):
    """The second has the clock's difference taken out, which a jump that is known already would spoil."""
    time, told, read = np.arange(8.0), iter(looks), []
    steady = change._Pieces(pieces(time, np.full(8, 0.1)), time, np.zeros((8, 3)), 0.0)
    monkeypatch.setattr(change, "_pieces", lambda *_, **__: read.append(1) or steady)
    monkeypatch.setattr(change, "_jumps", lambda *_, **__: next(told))
    track = Track.from_array("a", np.zeros(80), 8000)
    found = change._along(track, track, change._Line(0.1, 0.0), drift=True)
    assert (found.reason == "the delay jumps within the take", len(read)) == (jumps, 1 if looks[0] else 2)


@pytest.mark.parametrize("slope", [200e-6, -150e-6, 0.0])
def test_a_stretch_is_read_at_another_pace_about_its_middle(slope):
    """A slow tone, at which straight lines between eightfold points are exact to a hundred-thousandth."""
    count = 4000
    number = np.arange(count) - (count - 1) / 2
    # Tapered, so that the ends, which a transform takes for neighbours, do not matter.
    sound = np.exp(-((number / 500) ** 2)) * np.sin(0.05 * number + 0.3)
    at = number * (1.0 + slope)
    expected = np.exp(-((at / 500) ** 2)) * np.sin(0.05 * at + 0.3)
    assert change._stretched(sound, slope) == pytest.approx(expected, abs=2e-5)


def leaping(rng, rate: int, at: list[int], count: int) -> np.ndarray:
    """Noise of hundredths of a second that is ten times as loud in every other stretch between some of them."""
    levels = 10.0 ** (np.searchsorted(at, np.arange(count), "right") % 2)
    return np.repeat(levels, round(0.01 * rate)) * rng.choice([-0.5, 0.5], count * round(0.01 * rate))


def test_leaps_are_of_the_level_upward_alone(rng):
    """Of the differences' energy, hundredths of a second each."""
    samples = leaping(rng, 8000, [50, 90, 200], 250)
    energy = (np.diff(samples, prepend=samples[0]) ** 2).reshape(250, 80).mean(axis=1)
    level = np.log10(energy + 1e-4 * energy.mean() + 1e-20)
    leaps = change._novelty(Track.from_array("a", np.concatenate([samples, samples[:40]]), 8000))
    assert leaps == pytest.approx(np.maximum(np.diff(level, prepend=level[0]), 0.0), abs=1e-5)
    assert len(change._novelty(Track.from_array("a", samples[:40], 8000))) == 0


def test_hundredths_of_a_second_stay_so_where_a_millisecond_is_no_whole_number_of_samples(rng):
    """44 samples to a step: after half a minute ten steps each would be seven frames too early."""
    leaps = change._novelty(Track.from_array("a", leaping(rng, 44100, [50, 90, 3000], 3100), 44100))
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
    curve, found = change._piece(first, second[4000 - margin : 4000 + length + margin], margin, rate)
    assert np.linalg.norm(curve) == pytest.approx(1.0)
    assert abs(np.argmax(np.abs(curve)) - margin - 2 * late) <= 1.0
    assert found is not None
    assert found[0] * rate == pytest.approx(late, abs=0.01)
    assert 0.9 < sign * found[1] <= 1.0


def test_a_piece_of_two_ways_is_unclear_where_the_second_is_nearly_as_loud(rng):
    rate, length, margin = 16000, 24000, 1280
    sound = rng.normal(size=32768)
    told = []
    for share in (0.5, 0.95):
        second = np.roll(sound, 50) + share * np.roll(sound, 300)
        told.append(
            change._piece(sound[4000 : 4000 + length], second[4000 - margin :][: length + 2 * margin], margin, rate)[1]
        )
    assert told[0] is not None
    assert told[0][1] == pytest.approx(0.5, abs=0.06)
    assert told[1] is None
    assert change._piece(np.zeros(length), np.zeros(length + 2 * margin), margin, rate)[1] is None
    assert change._piece(rng.normal(size=length), rng.normal(size=length + 2 * margin), margin, rate)[1] is None


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_two_close_mics_of_one_kit_tell_no_clock(seed):
    """Each piece hears the drum that was struck there: a line through such pieces is no pace."""
    tracks = kit(np.random.default_rng(seed))
    told = change.measure_clock(tracks["one"], tracks["two"])
    assert not told.reliable
    assert "do not agree well on one start and one clock" in (told.reason or "")
    assert change.measure_clock(tracks["left"], tracks["one"]).reliable
