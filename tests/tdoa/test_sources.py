"""Sources told apart: their moments, their places, the triangles that must close; small worlds with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.closure import closed
from micalign.tdoa.gated import Gate, gated_delay
from micalign.tdoa.gather import gather
from micalign.tdoa.measure import Delay
from micalign.tdoa.moments import envelope, leading_moments
from micalign.tdoa.sources import measure_sources
from micalign.tdoa.told import Expected, PairDelay, Wanted

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


def test_moments_are_each_drums_own_and_no_others(tracks):
    found = leading_moments({t.name: envelope(t) for t in tracks}, {"kick": "kick mic", "snare": "snare mic"})
    for drum, hits in HITS.items():
        assert sorted(found[drum].times_s) == pytest.approx(hits, abs=0.006)  # two hops of 2.5 ms


def test_hits_at_one_instant_are_nobodys(rng):
    both = np.zeros(int(SECONDS * RATE))
    for hit in HITS["kick"]:
        both[int(hit * RATE) :][:2000] += rng.standard_normal(2000)
    envelopes = {name: envelope(Track.from_array(name, both, RATE)) for name in ("a", "b")}
    assert leading_moments(envelopes, {"kick": "a", "snare": "b"}) == {}


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
    assert "the scene says +8.80 ms" in (overhead.reason or "")


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


def test_a_stronger_reflection_does_not_win_over_the_scene(rng):
    sound = np.concatenate([rng.standard_normal(2000) * np.exp(-np.arange(2000) / 300), np.zeros(20000)])
    far = 0.6 * np.roll(sound, 100) + 1.0 * np.roll(sound, 350)
    tracks = {"close": Track.from_array("close", sound, RATE), "far": Track.from_array("far", far, RATE)}
    gate = Gate(tracks, np.array([0.0]), max_delay_s=0.05, high_hz=6000.0)
    guided = gated_delay(gate, "close", "far", Expected(102 / RATE, 1e-4))
    assert guided.delay_s * RATE == pytest.approx(100, abs=0.5)
    blind = gated_delay(gate, "close", "far", None)
    assert blind.delay_s * RATE == pytest.approx(350, abs=0.5)


def test_stretches_laid_end_to_end_keep_their_delays(tracks):
    found = gather(tracks, [1.0, 2.0], before_s=0.1, after_s=0.2)
    assert found.times_s.tolist() == pytest.approx([0.1, 0.4])
    for track in tracks:
        cut = found.track(track.name).read()
        assert np.array_equal(cut[:14400], track.read(int(0.9 * RATE), 14400))


def told(delay_ms: float, reliable: bool = True) -> Delay:
    return Delay(delay_ms / 1e3, 1e-6, 1, 1.0, 1.0, reliable, None if reliable else "in doubt")


def test_a_pair_that_does_not_close_is_not_acted_on():
    pairs = [PairDelay("a", "b", told(1.0)), PairDelay("a", "c", told(3.0)), PairDelay("b", "c", told(4.0))]
    kept = closed(pairs, "a")
    assert [pair.delay.reliable for pair in kept] == [True, True, False]
    assert "does not close with 'a'" in (kept[2].delay.reason or "")


def test_a_track_in_doubt_is_believed_where_another_way_says_the_same():
    pairs = [PairDelay("a", "b", told(1.0)), PairDelay("a", "c", told(3.0, False)), PairDelay("b", "c", told(2.0))]
    assert [pair.delay.reliable for pair in closed(pairs, "a")] == [True, True, True]
    other = [*pairs[:2], PairDelay("b", "c", told(7.0))]
    assert [pair.delay.reliable for pair in closed(other, "a")] == [True, False, False]


@pytest.mark.parametrize(
    ("level_db", "reliable", "said"), [(0.0, True, "was something moved"), (-62.0, False, "62 dB down: what is heard")]
)
def test_a_faint_path_far_off_the_plan_is_a_reflection(rng, level_db, reliable, said):
    sound = np.concatenate([rng.standard_normal(2000) * np.exp(-np.arange(2000) / 300), np.zeros(20000)])
    turned_away = 8e-4 * np.roll(sound, 100) + 0.05 * np.roll(sound, 676)  # the room's answer 12 ms after the null
    tracks = {"close": Track.from_array("close", sound, RATE), "away": Track.from_array("away", turned_away, RATE)}
    gate = Gate(tracks, np.array([0.0]), max_delay_s=0.05, high_hz=6000.0)
    found = gated_delay(gate, "close", "away", Expected(100 / RATE, 1e-4, level_db))
    assert found.delay_s * RATE == pytest.approx(676, abs=0.5)
    assert found.reliable is reliable
    assert said in (found.reason or "")


def test_what_a_mic_hears_in_its_null_is_the_room_even_where_the_plan_has_it(rng):
    sound = np.concatenate([rng.standard_normal(2000) * np.exp(-np.arange(2000) / 300), np.zeros(20000)])
    tracks = {"a": Track.from_array("a", sound, RATE), "b": Track.from_array("b", np.roll(sound, 100), RATE)}
    gate = Gate(tracks, np.array([0.0]), max_delay_s=0.05, high_hz=6000.0)
    found = gated_delay(gate, "a", "b", Expected(100 / RATE, 1e-4, -45.0))
    assert not found.reliable
    assert "what is heard is the room" in (found.reason or "")


@pytest.mark.parametrize(("expected", "reliable"), [(118, True), (100, False)])
def test_a_delay_beside_the_plan_must_be_clear(rng, expected, reliable):
    # Two copies, nearly as strong as each other: where the scene has the stronger it is believed, beside it not.
    sound = np.concatenate([rng.standard_normal(2000) * np.exp(-np.arange(2000) / 300), np.zeros(20000)])
    far = np.roll(sound, 118) + 0.87 * np.roll(sound, 90)
    tracks = {"close": Track.from_array("close", sound, RATE), "far": Track.from_array("far", far, RATE)}
    gate = Gate(tracks, np.array([0.0]), max_delay_s=0.05, high_hz=6000.0)
    found = gated_delay(gate, "close", "far", Expected(expected / RATE, 1e-4))
    assert found.delay_s * RATE == pytest.approx(118, abs=0.5)
    assert found.confidence < 0.5
    assert found.reliable is reliable
    assert reliable or "the scene says +2.08 ms, and it is not clear enough" in (found.reason or "")
