"""Sounds grouped by where they came from, with no label trusted: small worlds whose every arrival is written here."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.compare.groups import groups_of
from micalign.take.tracks import Take, Track

RATE = 48000
SECONDS = 4.0
# Samples later than the stroke, at three mics; the second mic is wired the wrong way round.
LATE = {"drum": (20, 150, 400), "bell": (310, 30, 220)}
LEVEL = {"drum": (1.0, -0.3, 0.2), "bell": (0.2, -1.0, 0.4)}
HITS = {"drum": (0.4, 1.2, 2.0, 2.8, 3.6), "bell": (0.8, 1.6, 2.4)}


def stroke(rng: np.random.Generator, decay: float = 200.0) -> np.ndarray:
    return rng.standard_normal(2400) * np.exp(-np.arange(2400) / decay)


def world(rng, *, hits=HITS, hiss=1e-4, mute=()) -> list[np.ndarray]:
    """Three tracks of the strokes; ``mute`` are (source, hit's number, track) that are not heard."""
    made = [hiss * rng.standard_normal(int(SECONDS * RATE)) for _ in range(3)]
    for source, times in hits.items():
        for number, time in enumerate(times):
            sound = stroke(rng)
            for track, (late, level) in enumerate(zip(LATE[source], LEVEL[source], strict=True)):
                if (source, number, track) not in mute:
                    begin = round(time * RATE) + late
                    made[track][begin : begin + len(sound)] += level * sound
    return made


def take(made) -> Take:
    return Take(tuple(Track.from_array(f"t{index}", samples, RATE) for index, samples in enumerate(made)))


def test_each_place_is_a_group_with_its_arrivals(rng):
    groups = groups_of(take(world(rng)))
    assert [len(group.moments_s) for group in groups] == [5, 3]  # most events first
    for group, source in zip(groups, ("drum", "bell"), strict=True):
        late = LATE[source]
        assert group.reference == int(np.argmin(late))
        expected = [time + min(late) / RATE for time in HITS[source]]
        assert list(group.moments_s) == pytest.approx(expected, abs=0.0005)
        for track, heard in enumerate(group.heard):
            assert heard.reliable
            # 0.05 sample: a twentieth of what the strokes' 8 kHz band could be mistaken by without interpolation.
            assert heard.delay_s * RATE == pytest.approx(late[track] - min(late), abs=0.05)
            sign = np.sign(LEVEL[source][track] * LEVEL[source][group.reference])
            assert heard.polarity == sign
            assert 1e-6 <= heard.uncertainty_s < 1e-5 or track == group.reference
            assert heard.is_polarity_clear


def test_the_reference_hears_itself_without_doubt(rng):
    (drum, bell) = groups_of(take(world(rng)))
    for group in (drum, bell):
        own = group.heard[group.reference]
        assert (own.delay_s, own.uncertainty_s, own.polarity, own.polarity_margin, own.reliable) == (0, 0, 1, 1, True)


def test_what_comes_once_is_no_group(rng):
    assert [len(group.moments_s) for group in groups_of(take(world(rng)))] == [5, 3]
    alone = take(world(rng, hits={"drum": HITS["drum"], "bell": (0.8,)}))
    assert [len(group.moments_s) for group in groups_of(alone)] == [5]


def test_a_track_that_hears_hardly_any_of_a_group_is_not_relied_on(rng):
    mute = {("drum", number, 2) for number in range(1, 5)}
    (drum, _) = groups_of(take(world(rng, mute=mute)))
    assert not drum.heard[2].reliable
    assert drum.heard[2].uncertainty_s == 0.03  # the whole of the search
    assert drum.heard[2].polarity_margin == 0.0
    assert drum.heard[1].reliable


def test_a_track_that_hears_something_else_each_time_has_no_polarity(rng):
    made = world(rng, hits={"drum": HITS["drum"]}, mute={("drum", number, 2) for number in range(5)})
    for time in HITS["drum"]:  # at the right instants, other sounds: nothing but when they begin is alike
        begin = round(time * RATE) + LATE["drum"][2]
        made[2][begin : begin + 2400] += 0.5 * stroke(rng)
    (drum, *_) = groups_of(take(made))
    assert drum.heard[1].reliable
    assert drum.heard[1].is_polarity_clear
    assert not drum.heard[2].is_polarity_clear


def test_silence_and_steady_noise_hold_no_events(rng):
    assert groups_of(take([np.zeros(RATE) for _ in range(2)])) == ()
    assert groups_of(take(0.1 * rng.standard_normal((2, RATE)))) == ()


def test_a_stroke_that_one_track_alone_hears_is_no_event(rng):
    mute = {("drum", number, track) for number in range(5) for track in (1, 2)}
    assert groups_of(take(world(rng, hits={"drum": HITS["drum"]}, mute=mute))) == ()


def test_strokes_nearer_than_30_ms_are_one_event(rng):
    hits = {"drum": tuple(t + d for t in HITS["drum"] for d in (0.0, 0.02))}
    (drum,) = groups_of(take(world(rng, hits=hits)))
    assert list(drum.moments_s) == pytest.approx([time + 20 / RATE for time in HITS["drum"]], abs=0.0005)


def test_level_offset_and_hum_change_nothing(rng):
    made = world(rng)
    times = np.arange(len(made[0])) / RATE
    plain = groups_of(take(made))
    wounded = [made[0] * 1e-3, made[1] + 0.3, made[2] + 0.05 * np.sin(2 * np.pi * 50 * times)]
    for one, other in zip(plain, groups_of(take(wounded)), strict=True):
        assert (one.reference, len(one.moments_s)) == (other.reference, len(other.moments_s))
        for mine, theirs in zip(one.heard, other.heard, strict=True):
            assert theirs.delay_s == pytest.approx(mine.delay_s, abs=0.1 / RATE)
            assert (theirs.polarity, theirs.reliable) == (mine.polarity, mine.reliable)


def test_a_wall_that_answers_louder_does_not_hide_the_direct_sound(rng):
    """The direct sound is the first: an echo 9 ms later, twice as loud, is not taken for it."""
    made = world(rng, hits={"drum": HITS["drum"]})
    echo = np.zeros_like(made[2])
    echo[432:] = 2.0 * made[2][:-432]
    made[2] = made[2] + echo
    (drum, *_) = groups_of(take(made))
    assert drum.heard[2].delay_s * RATE == pytest.approx(LATE["drum"][2] - LATE["drum"][0], abs=0.2)


def test_more_strokes_than_are_looked_at_are_thinned_evenly(rng):
    """Of 500 strokes every second is taken: 250 moments from the first to the last."""
    count, gap = 500, 3200
    made = [1e-5 * rng.standard_normal(count * gap + 4000) for _ in range(2)]
    for number in range(count):
        sound = stroke(rng, 60.0)[:400]
        for track, late in enumerate((0, 96)):
            made[track][2000 + number * gap + late :][:400] += sound
    (group,) = groups_of(take(made))
    assert len(group.moments_s) == 250
    assert np.diff(group.moments_s) == pytest.approx(np.full(249, 2 * gap / RATE), abs=0.001)
    assert group.heard[1].delay_s == pytest.approx(0.002, abs=1e-6)


def test_tracks_of_another_rate_are_heard_alike(rng):
    made = [np.interp(np.arange(int(SECONDS * 44100)) / 44100, np.arange(len(s)) / RATE, s) for s in world(rng)]
    groups = groups_of(Take(tuple(Track.from_array(f"t{i}", s, 44100) for i, s in enumerate(made))))
    assert [len(group.moments_s) for group in groups] == [5, 3]
    # Straight lines between samples dull the top: a fifth of a sample.
    assert groups[0].heard[2].delay_s == pytest.approx(380 / RATE, abs=0.2 / 44100)
