"""What a look at a pair is told: which is close, its strokes, where it is expected; and the doubts of drift."""

from __future__ import annotations

import numpy as np
import pytest
from uneven_strokes import uneven_strokes

from micalign.take.tracks import Track
from micalign.tdoa.change import measure_clock
from micalign.tdoa.delays import Delay
from micalign.tdoa.hypotheses import FIRST, SECOND
from micalign.tdoa.measure import decided, measure_pair
from micalign.tdoa.posterior import look
from micalign.tdoa.sources import measured_pair
from micalign.tdoa.strokes import listen, struck_at

RATE = 16000


def track(samples, name="a", start_s=0.0) -> Track:
    return Track.from_array(name, samples, RATE, start_s=start_s)


def later(samples: np.ndarray, count: int) -> np.ndarray:
    return np.concatenate([np.zeros(count), samples])[: len(samples)]


@pytest.fixture
def drums(rng) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """A snare's own mic and an overhead: snare 40 samples later above, tom 90 earlier; each drum's hits in seconds."""
    close, above = 1e-4 * rng.standard_normal((2, 8 * RATE))
    hits = {"snare": np.arange(0.5, 7.5, 1.0), "tom": np.arange(1.0, 7.5, 1.0)}
    for drum, (near, far, gap) in {"snare": (1.0, 0.3, 40), "tom": (0.1, 0.5, -90)}.items():
        for hit in hits[drum]:
            sound = rng.standard_normal(1600) * np.exp(-np.arange(1600) / 250)
            at = round(hit * RATE)
            close[at : at + 1600] += near * sound
            above[at + gap : at + gap + 1600] += far * sound
    return close, above, hits


def on_strokes(close: Track, other: Track, times_s: np.ndarray) -> Delay:
    own = listen(close)
    return measured_pair(struck_at(own, own.samples_at(times_s)), listen(other), None, 0.05)


@pytest.mark.parametrize(("drum", "true"), [("snare", 40), ("tom", -90)])
def test_told_moments_say_which_sound_is_measured(drums, drum, true):
    close, above, hits = drums
    found = on_strokes(track(close), track(above, "b"), hits[drum])
    assert found.reliable, found.reason
    assert found.delay_s * RATE == pytest.approx(true, abs=0.1)
    # The take's clock counts: a file that began later tells its moments at the same times.
    cut = on_strokes(track(close[800:], start_s=800 / RATE), track(above, "b"), hits[drum])
    assert cut.delay_s * RATE == pytest.approx(true, abs=0.1)


def test_told_which_is_close_its_strokes_decide(drums):
    close, above, _ = drums
    both = listen(track(close)), listen(track(above, "b"))
    there, back = (
        decided(look(*both, reach_s=0.05, close=FIRST)),
        decided(look(*both[::-1], reach_s=0.05, close=SECOND)),
    )
    assert there is not None
    assert back is not None
    assert there.delay_s * RATE == pytest.approx(40, abs=0.1)
    assert back.delay_s == pytest.approx(-there.delay_s, abs=0.02 / RATE)


def test_two_ways_as_strong_are_told_as_rivals(rng):
    sound = rng.standard_normal(3 * RATE)
    both = later(sound, 30) - 0.97 * later(sound, 200)
    found = measure_pair(track(sound), track(both + 0.01 * rng.standard_normal(len(both)), "b"))
    assert not found.reliable
    one, other = found.candidates[:2]
    assert abs(one.delay_s - other.delay_s) * RATE == pytest.approx(170, abs=2)
    assert one.polarity == -other.polarity
    assert found.polarity_margin < 0.1


def test_the_first_candidate_is_the_answer_itself(drums):
    """As exactly as that is told, and so are the words of the doubt."""
    close, above, _ = drums
    found = measure_pair(track(close), track(above, "b"))
    assert len(found.candidates) > 1
    assert (found.candidates[0].delay_s, found.candidates[0].polarity) == (found.delay_s, found.polarity)
    assert found.reliable or f"{1e3 * found.delay_s:+.2f} ms" in found.reason


def test_silence_and_shortness_are_told_by_name_with_the_prior_for_an_answer(rng):
    sound = track(rng.standard_normal(RATE))
    silent = measure_pair(sound, track(np.zeros(RATE), "b"), prior_s=0.002)
    assert (silent.delay_s, silent.uncertainty_s, silent.confidence) == (0.002, 0.05, 0.0)
    assert silent.reason == "'b' is silent"
    short = measure_pair(track(rng.standard_normal(799), "c"), sound)
    assert (short.delay_s, short.reason) == (0.0, "'c' is too short")
    assert measure_pair(track(rng.standard_normal(800), "c"), sound).reason != "'c' is too short"
    # One sample that is no silence, too short for even one step of its levels, is not called silent.
    assert measure_pair(track(np.array([0.1]), "d"), sound).reason == "'d' is too short"
    assert measure_pair(sound, sound).drift_ppm is None


def test_a_drift_needs_sounds_enough(rng):
    hit = np.zeros(4 * RATE)
    hit[RATE : RATE + 800] = rng.standard_normal(800)
    found = measure_clock(track(hit), track(later(hit, 5), "b"))
    assert not found.reliable
    assert found.reason == "too few stretches of the two are alike"


def test_strangers_have_no_drift(rng):
    found = measure_clock(*(track(rng.standard_normal(8 * RATE), name) for name in "ab"))
    assert not found.reliable
    assert found.reason is not None


def test_a_drift_along_two_ways_as_strong_is_in_doubt(rng):
    sound = rng.standard_normal(8 * RATE)
    both = later(sound, 20) + 0.95 * later(sound, 200)
    found = measure_clock(track(sound), track(both, "b"))
    assert not found.reliable
    assert found.reason == "too few stretches of the two are alike"


def test_a_very_late_track_with_an_echo_as_loud_is_in_doubt(rng):
    sound = rng.standard_normal(6 * RATE)
    late = np.concatenate([np.zeros(RATE), sound])
    both = late + 0.95 * later(late, 8000)
    found = measure_pair(track(sound), track(both, "b"), max_delay_s=2.0)
    assert not found.reliable
    assert found.confidence <= 0.4
    assert found.reason == "another delay fits nearly as well"


def test_a_recorder_that_began_elsewhere_is_found_without_a_drift_to_look_for(rng):
    sound = uneven_strokes(rng, 40.0, RATE)
    other = np.concatenate([0.01 * rng.standard_normal(5 * RATE), -sound])  # it began five seconds earlier
    found = measure_clock(track(sound), track(other, "b"), max_delay_s=10.0, drift=False)
    assert found.reliable, found.reason
    assert found.delay_s == pytest.approx(5.0, abs=2e-6)
    assert (found.polarity, found.drift_ppm) == (-1, None)
    assert 0.5 < found.polarity_margin <= 1.0
    assert 0.5 < found.confidence <= 1.0
    back = measure_clock(track(other, "b"), track(sound), max_delay_s=10.0, drift=False)
    assert back.delay_s == pytest.approx(-5.0, abs=2e-6)
    near = measure_clock(track(sound), track(other, "b"), max_delay_s=4.0, drift=False)
    assert not near.reliable


def test_a_clock_that_was_not_looked_for_is_hinted_at(rng):
    sound = uneven_strokes(rng, 40.0, RATE)
    at = np.arange(len(sound)) / (1 + 300e-6)
    fine = np.fft.irfft(np.fft.rfft(sound), 4 * len(sound)) * 4
    drifting = np.interp(4 * at, np.arange(len(fine)), fine)
    plain = measure_clock(track(sound), track(drifting, "b"), max_delay_s=5.0, drift=False)
    assert not plain.reliable
    found = measure_clock(track(sound), track(drifting, "b"), max_delay_s=5.0)
    assert found.reliable
    assert found.drift_ppm == pytest.approx(300, abs=0.5)
    assert found.delay_s == pytest.approx(0.0, abs=3e-6)


def test_too_short_or_silent_tracks_have_no_clock(rng):
    sound = track(uneven_strokes(rng, 40.0, RATE))
    for other in (np.zeros(20 * RATE), np.zeros(0), rng.standard_normal(RATE // 4)):
        found = measure_clock(sound, track(other, "b"))
        assert not found.reliable
        assert found.reason == "nowhere within the range does the track sound like the reference"
        assert (found.delay_s, found.uncertainty_s, found.confidence) == (0.0, 0.01, 0.0)


def test_two_seconds_in_common_are_too_few(rng):
    sound = uneven_strokes(rng, 30.0, RATE)
    short = sound[: int(2.5 * RATE)] + 1e-3 * rng.standard_normal(int(2.5 * RATE))
    found = measure_clock(track(sound), track(short, "b"), max_delay_s=1.0, drift=False)
    assert not found.reliable
    assert found.reason == "too few stretches of the two are alike"
