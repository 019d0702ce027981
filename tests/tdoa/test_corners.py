"""Where there is hardly anything to go by: no overlap, no rest, no moments, silence in the middle of a take."""

from __future__ import annotations

import numpy as np
import pytest
from uneven_strokes import uneven_strokes

from micalign.compare.groups import groups_of
from micalign.take.tracks import Take, Track
from micalign.tdoa.change import measure_clock
from micalign.tdoa.delays import Expected, Wanted
from micalign.tdoa.hypotheses import FIRST
from micalign.tdoa.measure import decided, measure_pair
from micalign.tdoa.posterior import look
from micalign.tdoa.sources import measure_sources, measured_pair
from micalign.tdoa.strokes import listen, struck_at

RATE = 8000


def track(samples, name="a", start_s=0.0) -> Track:
    return Track.from_array(name, samples, RATE, start_s=start_s)


def later(samples: np.ndarray, count: int) -> np.ndarray:
    return np.concatenate([np.zeros(count), samples])[: len(samples)]


@pytest.mark.parametrize(
    ("reach_s", "reason"), [(1.0, "the two tracks do not overlap"), (0.05, "nothing in the tracks is alike")]
)
def test_tracks_that_were_recorded_at_other_times_have_no_delay(rng, reach_s, reason):
    first, second = track(rng.normal(size=2 * RATE)), track(rng.normal(size=2 * RATE), "b", 100.0)
    found = measure_pair(first, second, max_delay_s=reach_s)
    assert (found.reliable, found.reason, found.confidence) == (False, reason, 0.0)


def test_a_take_of_one_stroke_and_its_ring_is_measured(rng):
    """150 ms of sound with nothing beside the stroke to hold it against."""
    stroke = np.zeros(1200)
    stroke[96:] = rng.normal(size=1104) * np.exp(-np.arange(1104) / 200)
    second = later(stroke, 24) + 1e-4 * rng.normal(size=1200)
    own = listen(track(stroke))
    found = measured_pair(struck_at(own, own.samples_at(np.array([0.012]))), listen(track(second, "b")), None, 0.01)
    assert found.delay_s * RATE == pytest.approx(24, abs=0.05)


def test_pieces_on_no_line_are_no_clock(rng):
    """A tape that was cut and spliced at random: every piece is clear, and none agrees with the next."""
    sound = uneven_strokes(rng, 40.0, RATE)
    parts = []
    for index in range(8):
        part = slice(index * 5 * RATE, (index + 1) * 5 * RATE)
        parts.append(later(sound, int(rng.integers(0, 250)))[part])
    found = measure_clock(track(sound), track(np.concatenate(parts), "b"), max_delay_s=2.0, drift=False)
    assert not found.reliable
    assert found.reason is not None


def test_a_long_take_with_a_hole_in_it_has_a_clock(rng):
    """Ninety seconds at 60 ppm, ten of them digital silence in the reference."""
    sound = uneven_strokes(rng, 90.0, RATE)
    at = np.arange(len(sound)) / (1 + 60e-6)
    fine = np.fft.irfft(np.fft.rfft(sound), 4 * len(sound)) * 4
    other = np.concatenate([np.zeros(3 * RATE), np.interp(4 * at, np.arange(len(fine)), fine)])
    holed = sound.copy()
    holed[40 * RATE : 50 * RATE] = 0.0
    found = measure_clock(track(holed), track(other, "b"), max_delay_s=10.0)
    assert found.reliable, found.reason
    assert found.drift_ppm == pytest.approx(60.0, abs=0.5)
    assert found.delay_s == pytest.approx(3.0, abs=1e-5)
    assert found.confidence < 0.95  # the pieces in the hole say nothing


def test_a_second_of_sound_is_too_little_for_a_clock(rng):
    sound = uneven_strokes(rng, 1.2, RATE)
    found = measure_clock(track(sound), track(sound.copy(), "b"), max_delay_s=1.0)
    assert found.reason == "too few stretches of the two are alike"


def test_two_events_that_differ_in_one_track_leave_it_open(rng):
    """Six tracks, five of which agree on the place; in the last the two sounds come 3 ms apart: nothing is told."""
    made = [1e-5 * rng.normal(size=2 * RATE) for _ in range(6)]
    for hit, stray in ((0.5, 8), (1.2, 32)):
        sound = rng.normal(size=800) * np.exp(-np.arange(800) / 80)
        for number, samples in enumerate(made):
            at = round(hit * RATE) + (stray if number == 5 else 4 * number)
            samples[at : at + 800] += sound
    (group, *_) = groups_of(Take(tuple(track(s, f"t{i}") for i, s in enumerate(made))))
    assert len(group.moments_s) == 2
    assert [heard.reliable for heard in group.heard] == [True] * 5 + [False]
    assert group.heard[5].delay_s * RATE == pytest.approx(20, abs=2.1)  # halfway
    assert group.heard[5].uncertainty_s == 0.03


ARRIVALS = {"drum": {"a": 0.001, "b": 0.004}, "bell": {"a": 0.006, "b": 0.002}}


def struck_world(rng) -> tuple[Track, Track]:
    made = [1e-4 * rng.normal(size=6 * RATE) for _ in range(2)]
    for source, times in {"drum": (0.5, 1.5, 2.5, 3.5), "bell": (1.0, 2.0, 3.0, 4.0)}.items():
        for hit in times:
            sound = rng.normal(size=800) * np.exp(-np.arange(800) / 120)
            for samples, late in zip(made, ARRIVALS[source].values(), strict=True):
                at = round((hit + late) * RATE)
                samples[at : at + 800] += sound
    return track(made[0], "a"), track(made[1], "b")


def expected(source: str) -> dict[str, Expected]:
    return {name: Expected(late, 1e-4) for name, late in ARRIVALS[source].items()}


def test_sources_without_mics_are_measured_by_their_places(rng):
    wanted = [Wanted(name, ("a", "b"), None, expected(name)) for name in ARRIVALS]
    for source, true in zip(measure_sources(struck_world(rng), wanted, max_delay_s=0.02), (24, -32), strict=True):
        (pair,) = source.pairs
        assert pair.delay.reliable, pair.delay.reason
        assert pair.delay.delay_s * RATE == pytest.approx(true, abs=0.1)


def test_in_silence_a_source_without_a_mic_is_nowhere(rng):
    tracks = [track(np.zeros(2 * RATE), name) for name in "ab"]
    (drum,) = measure_sources(tracks, [Wanted("drum", ("a", "b"), None, expected("drum"))])
    assert not drum.reliable
    assert drum.remark == "'drum' has no track of its own, so it cannot be told from the others"
    (own,) = measure_sources(tracks, [Wanted("drum", ("a", "b"), "a", expected("drum"))])
    assert own.remark == "'drum' is nowhere heard alone"


def test_a_source_of_no_place_keeps_its_moments_beside_one_of_no_mic(rng):
    """The drum has a mic and no place, the bell a place and no mic."""
    close, above = struck_world(rng)
    own = 1e-4 * rng.normal(size=6 * RATE)
    for hit in (0.5, 1.5, 2.5, 3.5):
        own[round(hit * RATE) :][:800] += rng.normal(size=800) * np.exp(-np.arange(800) / 120)
    wanted = [Wanted("drum", ("own", "a"), "own"), Wanted("bell", ("a", "b"), None, expected("bell"))]
    drum, bell = measure_sources([track(own, "own"), close, above], wanted)
    assert drum.moments == 4
    assert bell.reference == "a"


def test_a_short_breath_gives_no_stretch_to_measure(rng):
    """A held sound of 0.3 s in a take of 0.4: there is no half-second of it."""
    made = []
    for level in (1.0, 0.5):
        samples = 1e-4 * rng.normal(size=int(0.4 * RATE))
        samples[400:2800] += level * rng.normal(size=2400)
        made.append(samples)
    tracks = [track(samples, name) for name, samples in zip("ab", made, strict=True)]
    (voice,) = measure_sources(tracks, [Wanted("voice", ("a", "b"), "a")])
    assert voice.remark == "'voice' is nowhere heard alone"


def test_a_delay_that_wanders_is_told_as_the_less_sure(rng):
    """Eight parts, each later or earlier by a few hundredths of a sample: the standard error of their mean."""
    sound = rng.normal(size=4 * RATE)
    wander = 0.05 * np.array([1, -1, 1, 1, -1, -1, 1, -1])
    hz = np.fft.rfftfreq(len(sound))
    parts = [np.fft.irfft(np.fft.rfft(sound) * np.exp(-2j * np.pi * hz * (20 + w)), len(sound)) for w in wander]
    edges = np.linspace(0, len(sound), 9).astype(int)
    mixed = np.concatenate([part[a:b] for part, a, b in zip(parts, edges[:-1], edges[1:], strict=True)])
    second = mixed + 0.01 * rng.normal(size=len(sound))
    found = measure_pair(track(sound), track(second, "b"))
    assert found.delay_s * RATE == pytest.approx(20.0, abs=0.02)
    mean_s = float(np.std(wander, ddof=1)) / np.sqrt(8) / RATE
    assert found.uncertainty_s == pytest.approx(mean_s, rel=0.25)


def test_bleed_that_both_mics_share_does_not_bend_the_strokes(rng):
    """A snare 50 samples later above; a ride that both hear at once, between the strokes and under them."""
    ride = rng.normal(size=6 * RATE)
    close, above = 0.02 * ride, 0.1 * ride
    for hit in np.arange(0.4, 5.6, 0.4):
        sound = rng.normal(size=800) * np.exp(-np.arange(800) / 150)
        at = round(hit * RATE)
        close[at : at + 800] += sound
        above[at + 50 : at + 850] += 0.2 * sound
    found = decided(look(listen(track(close)), listen(track(above, "b")), reach_s=0.05, close=FIRST))
    assert found is not None
    assert found.delay_s * RATE == pytest.approx(50, abs=0.1)
