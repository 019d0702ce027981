"""Sources told apart: their strokes, their places, what a scene says; small worlds with known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import sources
from micalign.tdoa.delays import Expected, Wanted, as_planned, off_plan
from micalign.tdoa.measure import Delay
from micalign.tdoa.sources import leading_strokes, measure_sources, measured_pair
from micalign.tdoa.strokes import listen, struck_at

RATE = 48000
SECONDS = 6.0
# Arrival in ms of two drums at their own mics and at one overhead; the overhead is wired the wrong way round.
ARRIVAL_MS = {
    "kick": {"kick mic": 0.3, "snare mic": 1.8, "overhead": 4.1},
    "snare": {"kick mic": 1.7, "snare mic": 0.2, "overhead": 3.0},
}
LEVEL = {
    "kick": {"kick mic": 1.0, "snare mic": 0.1, "overhead": 0.2},
    "snare": {"kick mic": 0.1, "snare mic": 1.0, "overhead": 0.25},
}
HITS = {"kick": (0.5, 1.5, 2.5, 3.5, 4.5), "snare": (1.0, 2.0, 3.0, 4.0, 5.0, 5.5)}


def whole(milliseconds: float) -> int:
    return round(milliseconds * RATE / 1000)


@pytest.fixture
def tracks(rng) -> tuple[Track, ...]:
    made = {name: rng.standard_normal(int(SECONDS * RATE)) * 1e-4 for name in ("kick mic", "snare mic", "overhead")}
    for drum, hits in HITS.items():
        for hit in hits:
            sound = rng.standard_normal(4800) * np.exp(-np.arange(4800) / 900)
            if drum == "kick":
                sound = np.convolve(sound, np.hanning(24) / 12, mode="same") * 3.5  # duller than a snare, and as loud
            for name, samples in made.items():
                start = int(hit * RATE) + whole(ARRIVAL_MS[drum][name])
                samples[start : start + 4800] += LEVEL[drum][name] * sound
    made["overhead"] *= -1
    return tuple(Track.from_array(name, samples, RATE) for name, samples in made.items())


def wanted(**changes: float) -> tuple[Wanted, ...]:
    """Both drums with what a scene would expect, ``changes`` in ms added to a track's arrival."""
    return tuple(
        Wanted(
            drum,
            tuple(sorted(times, key=lambda name: times[name])),
            f"{drum} mic",
            {name: Expected((late + changes.get(name, 0.0)) / 1e3, 1e-4) for name, late in times.items()},
        )
        for drum, times in ARRIVAL_MS.items()
    )


def test_strokes_are_each_drums_own_and_no_others(tracks):
    found = leading_strokes({t.name: listen(t) for t in tracks}, {"kick": "kick mic", "snare": "snare mic"})
    for drum, hits in HITS.items():
        assert sorted(found[drum]) == pytest.approx(hits, abs=0.003)


def test_hits_at_one_instant_are_nobodys(rng):
    both = np.zeros(int(SECONDS * RATE))
    for hit in HITS["kick"]:
        both[int(hit * RATE) :][:2000] += rng.standard_normal(2000)
    heard = {name: listen(Track.from_array(name, both, RATE)) for name in ("a", "b")}
    assert leading_strokes(heard, {"kick": "a", "snare": "b"}) == {}


def test_every_pair_of_every_source_is_measured_on_its_own(tracks):
    for source in measure_sources(tracks, wanted()):
        late = ARRIVAL_MS[source.source]
        assert len(source.pairs) == 3
        for pair in source.pairs:
            true = whole(late[pair.track]) - whole(late[pair.reference])
            assert pair.delay.reliable, pair.delay.reason
            assert pair.delay.delay_s * RATE == pytest.approx(true, abs=0.15)  # 3 us, with bleed at -20 dB
            assert pair.delay.polarity == (-1 if "overhead" in (pair.track, pair.reference) else 1)


def test_a_scene_that_is_wrong_is_told_and_not_followed(tracks):
    (kick, _) = measure_sources(tracks, wanted(overhead=5.0))
    overhead = next(one.delay for one in kick.tracks if one.track == "overhead")
    assert overhead.delay_s * RATE == pytest.approx(whole(4.1) - whole(0.3), abs=0.15)
    assert "the scene has it 8.80 ms later in 'overhead'" in (overhead.reason or "")


def test_without_a_scene_the_answer_is_the_same(tracks):
    plain = [Wanted(one.source, one.tracks, one.close) for one in wanted()]
    for source in measure_sources(tracks, plain):
        late = ARRIVAL_MS[source.source]
        for one in source.tracks:
            true = whole(late[one.track]) - whole(late[source.reference])
            assert one.delay.delay_s * RATE == pytest.approx(true, abs=0.15)


def test_a_source_without_a_mic_is_found_by_its_place(tracks):
    homeless = [wanted()[0], Wanted("snare", ("overhead", "snare mic", "kick mic"), None, wanted()[1].expected)]
    snare = measure_sources(tracks, homeless)[1]
    assert snare.moments >= 3
    for one in snare.tracks:
        true = whole(ARRIVAL_MS["snare"][one.track]) - whole(3.0)
        assert one.delay.delay_s * RATE == pytest.approx(true, abs=0.15)


def test_a_source_that_nothing_tells_apart_says_so(tracks):
    (snare,) = measure_sources(tracks, [Wanted("snare", ("overhead", "snare mic"))])
    assert not snare.reliable
    assert "has no track of its own" in (snare.remark or "")


def struck(sounds: dict[str, np.ndarray], prior: Expected | None, hits=(0.3, 0.9, 1.5, 2.1)) -> Delay:
    """The delay of the second track on the strokes of the first."""
    near, far = (listen(Track.from_array(name, sound, RATE)) for name, sound in sounds.items())
    return measured_pair(struck_at(near, np.round(np.array(hits) * RATE).astype(int)), far, prior, 0.05)


def strokes(rng, hits=(0.3, 0.9, 1.5, 2.1)) -> np.ndarray:
    out = np.zeros(int(2.7 * RATE))
    for hit in hits:
        out[round(hit * RATE) :][:2000] += rng.standard_normal(2000) * np.exp(-np.arange(2000) / 300)
    return out + 1e-5 * rng.standard_normal(len(out))


def test_a_stronger_reflection_does_not_win_over_the_direct_sound(rng):
    sound = strokes(rng)
    far = 0.6 * np.roll(sound, 100) + 1.0 * np.roll(sound, 350)
    for prior in (Expected(102 / RATE, 1e-4), None):
        found = struck({"close": sound, "far": far}, prior)
        assert found.delay_s * RATE == pytest.approx(100, abs=0.5)


@pytest.mark.parametrize(
    ("level_db", "late", "reliable", "words"),
    [
        (0.0, 100, True, None),
        (-39.0, 100, True, None),
        (-41.0, 100, False, "the scene has it 41 dB down there: what is heard is the room"),
        (-19.0, 600, True, "the scene has it 12.50 ms later in 'far': was something moved?"),
        (-21.0, 600, False, "the scene has it 12.50 ms later in 'far', 21 dB down: what is heard may be a reflection"),
    ],
)
def test_a_scene_of_a_faint_path_is_not_acted_on(rng, level_db, late, reliable, words):
    """Below -20 dB what is elsewhere is a reflection sooner than a moved mic; below -40 dB all is the room."""
    sound = strokes(rng)
    found = struck({"close": sound, "far": 0.5 * np.roll(sound, 100)}, Expected(late / RATE, 1e-4, level_db))
    assert (found.reliable, found.reason) == (reliable, words)
    assert found.delay_s * RATE == pytest.approx(100, abs=0.1)


def test_a_silent_track_has_no_delay(rng):
    found = struck({"close": strokes(rng), "far": np.zeros(10_000)}, Expected(0.003, 1e-4))
    assert (found.reliable, found.reason) == (False, "one of the two tracks is silent there")
    assert (found.delay_s, found.uncertainty_s) == (0.003, 0.05)


def test_two_far_tracks_are_told_over_the_sources_own():
    first = Delay(0.003, 3e-5, -1, 0.8, 0.95, True, None)
    second = Delay(0.005, 4e-5, -1, 0.6, 0.96, True, None)
    found = sources._between(first, second)
    assert (found.delay_s, found.uncertainty_s) == (pytest.approx(0.002), pytest.approx(5e-5))
    assert (found.polarity, found.polarity_margin, found.reliable, found.reason) == (1, 0.6, True, None)
    assert found.confidence == pytest.approx(0.95 * 0.96)
    # 0.95 and 0.92 are each sure enough, and not both at once.
    unsure = sources._between(first, replace(second, confidence=0.92))
    assert (unsure.reliable, unsure.confidence) == (False, pytest.approx(0.95 * 0.92))
    assert unsure.reason == "neither of its two delays is sure enough for both to be right"
    doubtful = replace(second, reliable=False, reason="the first arrival is not clear")
    # What is doubtful of it, in milliseconds perhaps, is another pair's.
    assert sources._between(first, doubtful).reason == "one of the two delays that it follows from is in doubt"
    assert not sources._between(first, doubtful).reliable


def test_what_a_scene_says_of_a_pair_is_the_difference_of_its_arrivals():
    expected = {"a": Expected(0.002, 3e-4, -5.0), "b": Expected(0.005, 4e-4, -9.0)}
    found = sources._prior(Wanted("drum", ("a", "b"), "a", expected), "a", "b")
    assert found is not None
    assert (found.arrival_s, found.sigma_s, found.level_db) == pytest.approx((0.003, 5e-4, -9.0))
    assert sources._prior(Wanted("drum", ("a", "c"), "a", expected), "a", "c") is None
    assert sources._prior(Wanted("drum", ("a", "c"), "a", expected), "c", "b") is None


def test_what_the_scene_says_is_said_in_milliseconds_and_decibels():
    assert as_planned(Expected(0.0, 0.0, -40.0)) == (None, True)
    assert as_planned(Expected(0.0, 0.0, -40.1))[1] is False
    words = "the scene has it 1.20 ms earlier in 'far': was something moved?"
    assert off_plan(Expected(-0.0012, 0.0, -20.0), "far") == (words, True)
    faint = "the scene has it 1.20 ms later in 'far', 20 dB down: what is heard may be a reflection"
    assert off_plan(Expected(0.0012, 0.0, -20.1), "far") == (faint, False)
