"""What the curves of evidence say, and with which sign."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.hypotheses import FEATURES, FIRST, ONE_PATH, SECOND, stretch_curve, stroke_curves
from micalign.tdoa.posterior import look
from micalign.tdoa.strokes import listen, struck_at

RATE = 48000
LATE = 120
LAGS = np.arange(-960, 961)


@pytest.fixture(scope="module")
def pair():
    """A struck source and the same 2.5 ms later, softer, with a hiss of its own."""
    rng = np.random.default_rng(5)
    near = 1e-4 * rng.normal(size=4 * RATE)
    far = 1e-4 * rng.normal(size=4 * RATE)
    for at in range(9600, 4 * RATE - 9600, 14000):
        ring = np.exp(-np.arange(6000) / 900) * rng.normal(size=6000)
        near[at : at + 6000] += ring
        far[at + LATE : at + LATE + 6000] += 0.2 * ring
    return listen(Track.from_array("near", near, RATE)), listen(Track.from_array("far", far, RATE))


def test_every_curve_is_highest_at_a_positive_lag_where_the_second_is_later(pair):
    curves = stroke_curves(*pair, LAGS)
    for curve in (curves.novelty.sum(axis=0), curves.stack.sum(axis=0), curves.correlation):
        assert abs(LAGS[np.argmax(curve)] - LATE) <= 5  # 0.1 ms
    assert abs(LAGS[np.argmax(stretch_curve(*pair, LAGS))] - LATE) <= 1


def test_the_other_track_as_the_close_mic_says_the_same_with_the_other_sign(pair):
    curves = stroke_curves(pair[1], pair[0], LAGS)
    assert abs(LAGS[np.argmax(curves.novelty.sum(axis=0))] + LATE) <= 5


def test_an_inverted_track_turns_the_correlations_and_nothing_else(pair):
    near, far = pair
    turned = listen(Track.from_array("far", -far.read(), RATE))
    one, other = stroke_curves(near, far, LAGS), stroke_curves(near, turned, LAGS)
    assert np.allclose(one.correlation, -other.correlation)
    assert np.allclose(one.novelty, other.novelty)
    assert np.allclose(one.stack, other.stack)
    assert np.allclose(stretch_curve(near, far, LAGS), -stretch_curve(near, turned, LAGS))


def test_tracks_that_began_at_other_times_are_compared_on_one_clock(pair):
    near, far = pair
    moved = Track.from_array("far", far.read(), RATE, start_s=0.01)
    found = stroke_curves(near, listen(moved), LAGS + 480)
    assert abs((LAGS + 480)[np.argmax(found.stack.sum(axis=0))] - LATE - 480) <= 5


def test_a_pair_is_seen_with_either_track_as_the_close_mic_and_as_one_path(pair):
    seen = look(*pair, reach_s=0.02)
    assert set(seen.found.kinds) == {FIRST, SECOND, ONE_PATH}
    assert abs(seen.events[0].delay_s - LATE / RATE) < 4e-4
    # So alike are no two that share nothing; in noise that may be, and has its share.
    assert sum(one.probability for one in seen.events) == pytest.approx(1.0, abs=1e-3)
    near, far = pair
    noise = 0.3 * np.random.default_rng(4).normal(size=far.frames)
    drowned = look(near, listen(Track.from_array("far", far.read() + noise, RATE)), reach_s=0.02)
    assert sum(one.probability for one in drowned.events) < 0.995


def test_every_feature_that_has_a_weight_is_told_of_some_delay(pair):
    """By strokes and by paths together: a name that nothing fills would weigh nothing."""
    near, far = pair
    rows = look(struck_at(near, near.strokes.samples), far, reach_s=0.02).found.rows
    assert [name for name, column in zip(FEATURES, rows.T, strict=True) if not column.any()] == []


def test_a_track_without_strokes_is_still_seen_as_one_path(rng):
    held = np.convolve(rng.normal(size=2 * RATE), np.hanning(5), "same")
    seen = look(
        listen(Track.from_array("a", held, RATE)), listen(Track.from_array("b", np.roll(held, 30), RATE)), reach_s=0.02
    )
    assert ONE_PATH in seen.found.kinds


def struck_on(grid, sounds, level=1.0):
    """A track of sounds struck at the samples of a grid, with a hiss of its own."""
    out = 1e-4 * np.random.default_rng(len(sounds[0])).normal(size=int(grid[-1]) + 9600)
    for at, sound in zip(grid, sounds, strict=True):
        out[at : at + len(sound)] += level * sound
    return out


def test_one_drum_in_two_mics_is_followed_and_two_drums_on_one_grid_are_not():
    """Twenty strokes: a common sound and a part of their own each, as hands do; the grids are exact to the sample."""
    rng = np.random.default_rng(8)
    grid = 9600 + 12000 * np.arange(20)
    decay = np.exp(-np.arange(4000) / 500)

    def drum():
        common = rng.normal(size=4000)
        return [rng.uniform(0.6, 1.0) * decay * (common + 0.5 * rng.normal(size=4000)) for _ in grid]

    first, second = drum(), drum()
    near = listen(Track.from_array("near", struck_on(grid, first), RATE))
    same = listen(Track.from_array("far", struck_on(grid + LATE, first, 0.2), RATE))
    other = listen(Track.from_array("other", struck_on(grid + LATE, second, 0.2), RATE))
    one, two = stroke_curves(near, same, LAGS), stroke_curves(near, other, LAGS)
    # The highest of a few thousand normal values is 4; the levels' correlation lies within 3 of its sigmas.
    assert one.waves_follow > 8
    assert two.waves_follow < 6
    assert one.levels_follow > 8
    assert two.levels_follow < 4


def test_one_sample_that_two_kits_share_and_accents_of_one_pattern_are_no_following():
    rng, grid, decay = np.random.default_rng(9), 9600 + 12000 * np.arange(8), np.exp(-np.arange(4000) / 500)

    def kit(accents):
        return [gain * rng.uniform(0.95, 1.0) * decay * rng.normal(size=4000) for gain in accents]

    first, second, third = kit([1.0] * 8), kit([1.0] * 8), kit([1.0, 0.5] * 4)
    second[3] = first[3]
    tracks = [listen(Track.from_array(str(k), struck_on(grid, one), RATE)) for k, one in enumerate((first, second))]
    assert stroke_curves(*tracks, LAGS).waves_follow < 5
    pair = kit([1.0, 0.5] * 4), third
    tracks = [listen(Track.from_array(str(k), struck_on(grid, one), RATE)) for k, one in enumerate(pair)]
    assert stroke_curves(*tracks, LAGS).levels_follow < 4


def test_of_three_strokes_nothing_is_said_to_follow(pair):
    near, far = pair
    few = struck_at(near, near.strokes.samples[near.strokes.weight > 0][:3])
    curves = stroke_curves(few, far, LAGS)
    assert (curves.waves_follow, curves.levels_follow) == (0.0, 0.0)
