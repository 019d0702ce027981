"""Sounds that are held and not struck: two singers who take turns, measured where each leads."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.moments import HOP_S, Envelope, envelope, leading_moments, leading_stretches, onsets
from micalign.tdoa.sources import is_struck, measure_sources
from micalign.tdoa.told import Expected, Wanted

RATE = 16000
SECONDS = 16.0
MICS = ("alto mic", "tenor mic", "room")
# Samples later than the lips, and how loud; the room mic is wired the wrong way round.
LATE = {"alto": (3, 60, 170), "tenor": (70, 2, 131)}
LEVEL = {"alto": (1.0, 0.3, -0.3), "tenor": (0.35, 1.0, -0.25)}
TURNS = {"alto": ((0.0, 5.0), (9.0, 13.0)), "tenor": ((5.5, 8.5), (13.5, 16.0))}


def sung(rng: np.random.Generator, begin_s: float, end_s: float) -> np.ndarray:
    """A breathy sound that swells slowly and never stops."""
    times = np.arange(int(SECONDS * RATE)) / RATE
    swell = (1.0 + 0.2 * np.sin(2 * np.pi * 0.7 * times)) * np.clip(
        20 * np.minimum(times - begin_s, end_s - times), 0, 1
    )
    return 0.1 * swell * rng.standard_normal(len(times))


@pytest.fixture
def tracks(rng) -> tuple[Track, ...]:
    made = [1e-4 * rng.standard_normal(int(SECONDS * RATE)) for _ in MICS]
    for singer, turns in TURNS.items():
        for turn in turns:
            sound = sung(rng, *turn)
            for samples, late, level in zip(made, LATE[singer], LEVEL[singer], strict=True):
                samples[late:] += level * sound[: len(sound) - late]
    return tuple(Track.from_array(name, samples, RATE) for name, samples in zip(MICS, made, strict=True))


def wanted(room_late: int = 0, sigma_s: float = 1e-4, scene: bool = True) -> list[Wanted]:
    """Both singers as a scene expects them, the room mic ``room_late`` samples later than it is."""
    out = []
    for singer, late in LATE.items():
        expected = {
            mic: Expected((count + (room_late if mic == "room" else 0)) / RATE, sigma_s)
            for mic, count in zip(MICS, late, strict=True)
        }
        out.append(Wanted(singer, (*MICS,), f"{singer} mic", expected if scene else {}))
    return out


def assert_all_right(found) -> None:
    for source in found:
        late = dict(zip(MICS, LATE[source.source], strict=True))
        assert len(source.pairs) == 3
        assert source.reference == f"{source.source} mic"
        for pair in source.pairs:
            assert pair.delay.reliable, (pair.reference, pair.track, pair.delay.reason)
            true = late[pair.track] - late[pair.reference]
            # Half a sample is 30 us, 1 cm of air; what the other singer leaves of a tenth of it.
            assert pair.delay.delay_s * RATE == pytest.approx(true, abs=0.1)
            assert pair.delay.polarity == (-1 if "room" in (pair.reference, pair.track) else 1)


def test_a_held_sound_is_not_struck_and_a_drum_is(tracks):
    assert not is_struck(envelope(tracks[0]))
    hits = np.zeros(4 * RATE)
    hits[::RATE] = 1.0
    assert is_struck(envelope(Track.from_array("drum", hits, RATE)))
    assert not is_struck(envelope(Track.from_array("nothing", np.zeros(RATE), RATE)))
    assert not is_struck(envelope(Track.from_array("short", np.ones(60), RATE)))


def level_steps(quiet: float) -> Envelope:
    """400 hops: 40 at 1, the others at ``quiet``."""
    energy = np.full(400, quiet)
    energy[200:240] = 1.0
    return Envelope("a", energy, np.arange(400) * HOP_S, energy)


def test_struck_is_fifteen_decibels_between_loud_and_usual():
    assert is_struck(level_steps(10**-1.51))
    assert not is_struck(level_steps(10**-1.49))


def test_each_singer_is_measured_where_he_leads(tracks):
    heard: list[tuple[str, float]] = []
    found = measure_sources(tracks, wanted(), progress=lambda words, share: heard.append((words, share)))
    assert [words for words, _ in heard[len(tracks) :]] == ["measuring alto on its own", "measuring tenor on its own"]
    assert [share for _, share in heard] == [step / (len(tracks) + 2) for step in range(len(tracks) + 2)]
    assert_all_right(found)
    for source in found:
        # Half-seconds of the turns: each turn may lose one at either end.
        seconds = sum(end - begin for begin, end in TURNS[source.source])
        assert 2 * seconds - 6 <= source.moments <= 2 * seconds
        assert source.remark is None
        begin, end = zip(*TURNS[source.source], strict=True)
        assert any(b - 0.1 <= source.loudest_s <= e for b, e in zip(begin, end, strict=True))


def test_amplitudes_are_those_of_the_stretches(tracks):
    for source in measure_sources(tracks, wanted()):
        own = source.amplitudes[source.reference]
        levels = dict(zip(MICS, LEVEL[source.source], strict=True))
        for mic in MICS:
            assert source.amplitudes[mic] / own == pytest.approx(abs(levels[mic]), rel=0.05)


def test_without_a_scene_the_answer_is_the_same(tracks):
    assert_all_right(measure_sources(tracks, wanted(scene=False)))


def test_a_scene_that_is_wrong_is_told_and_not_followed(tracks):
    (alto, _) = measure_sources(tracks, wanted(room_late=80))  # 5 ms
    room = next(one.delay for one in alto.tracks if one.track == "room")
    assert room.delay_s * RATE == pytest.approx(167, abs=0.1)
    assert room.reason == "the scene says +15.44 ms: was something moved?"
    other = next(one.delay for one in alto.tracks if one.track == "tenor mic")
    assert other.reason is None


def test_a_scene_that_is_unsure_is_not_contradicted(tracks):
    """Six standard deviations of 1 ms hold the 5 ms by which it is off."""
    (alto, _) = measure_sources(tracks, wanted(room_late=80, sigma_s=1e-3))
    assert all(one.delay.reliable and one.delay.reason is None for one in alto.tracks)


def test_of_two_paths_the_scene_decides(rng):
    """A wall's answer as strong as the direct sound: the one that the scene expects is taken, whichever it is."""
    sound = sung(rng, 0.0, 15.5)
    room = np.zeros_like(sound)
    room[80:] += 0.3 * sound[:-80]
    room[200:] += 0.33 * sound[:-200]
    hiss = 1e-4 * rng.standard_normal((2, len(sound)))
    tracks = [Track.from_array("near", sound + hiss[0], RATE), Track.from_array("far", room + hiss[1], RATE)]
    for late in (80, 200):
        expected = {"near": Expected(0.0, 5e-5), "far": Expected(late / RATE, 5e-5)}
        (found,) = measure_sources(tracks, [Wanted("voice", ("near", "far"), "near", expected)])
        assert found.tracks[0].delay.delay_s * RATE == pytest.approx(late, abs=0.2)


def test_a_singer_who_never_leads_is_told_so(rng):
    """Both at once, all the time, each as loud for himself: nothing is anybody's own."""
    both = [sung(rng, 0.0, 15.5) for _ in range(2)]
    tracks = [Track.from_array(name, s, RATE) for name, s in zip(MICS[:2], both, strict=True)]
    for source in measure_sources(tracks, [Wanted(n, MICS[:2], f"{n} mic") for n in LATE]):
        assert source.reliable == ()
        assert source.remark == f"'{source.source}' is nowhere heard alone"
        assert source.moments == 0
        assert [(pair.reference, pair.track) for pair in source.pairs] == [
            (f"{source.source} mic", next(m for m in MICS[:2] if m != f"{source.source} mic"))
        ]


def test_a_source_that_one_track_hears_is_left_out(tracks):
    assert measure_sources(tracks, [Wanted("alto", ("alto mic",), "alto mic")]) == ()


def hops(count: int, loud: dict[int, float], floor: float = 1e-9, width: int = 1) -> np.ndarray:
    energy = np.full(count, floor)
    for at, level in loud.items():
        energy[at : at + width] = level
    return energy


def test_onsets_are_rises_of_six_decibels_fifty_milliseconds_apart():
    assert onsets(hops(400, {100: 1.0, 300: 0.5})).tolist() == [100, 300]
    assert onsets(hops(400, {100: 1.0, 119: 0.9, 140: 0.8})).tolist() == [100, 140]  # 20 hops are 50 ms
    assert onsets(hops(400, {100: 1.0, 120: 0.9})).tolist() == [100, 120]
    assert onsets(hops(400, {100: 0.9, 115: 1.0})).tolist() == [115]  # the louder of two
    assert onsets(np.full(400, 0.5))[1:].tolist() == []
    assert onsets(np.zeros(11)).tolist() == []
    step = np.full(400, 1.0)
    step[200:] = 3.9
    assert 200 not in onsets(step)
    step[200:] = 4.1
    assert 200 in onsets(step)


def envelopes(**energies: np.ndarray) -> dict[str, Envelope]:
    return {name: Envelope(name, e, np.arange(len(e)) * HOP_S, e) for name, e in energies.items()}


CLOSE = {"kick": "k", "snare": "s"}


def test_a_hit_leads_by_nine_decibels_where_there_are_enough_and_by_four_where_not():
    kick = hops(2000, dict.fromkeys(range(100, 1100, 100), 1.0))
    snare = hops(2000, {1500: 1.0, 1600: 1.0, **dict.fromkeys(range(100, 600, 100), 0.1)})  # 10 dB below its own
    snare[600:1100:100] = 10**-0.5  # 5 dB below its own
    found = leading_moments(envelopes(k=kick, s=snare), CLOSE)["kick"]
    assert sorted(found.times_s) == pytest.approx([h * HOP_S for h in range(100, 600, 100)])
    assert found.lead_db == pytest.approx(10.0)
    assert (found.source, found.track) == ("kick", "k")
    few = hops(2000, {100: 1.0, 200: 1.0})
    snare = hops(2000, {1500: 1.0, 1600: 1.0, 100: 10**-0.5, 200: 10**-0.3})
    few_found = leading_moments(envelopes(k=few, s=snare), CLOSE)["kick"]
    assert few_found.times_s == pytest.approx((0.25,))  # 5 dB; the other leads by 3 only
    assert few_found.lead_db == pytest.approx(5.0)


def test_the_strongest_lead_comes_first_and_sixty_four_are_kept():
    kick = hops(4000, {40 * i: 1.0 - i / 1000 for i in range(1, 81)})
    found = leading_moments(envelopes(k=kick, s=hops(4000, {3900: 1.0})), CLOSE)["kick"]
    assert list(found.times_s) == pytest.approx([40 * i * HOP_S for i in range(1, 65)])


def test_hits_far_below_a_tracks_own_are_bleed():
    kick = hops(1000, {100: 1.0, 200: 1.0, 300: 10**-1.79, 400: 10**-1.81})
    found = leading_moments(envelopes(k=kick, s=hops(1000, {900: 1.0})), CLOSE)["kick"]
    assert sorted(found.times_s) == pytest.approx([0.25, 0.5, 0.75])


def test_one_pop_does_not_set_a_tracks_level():
    """The second loudest hit does: the others stand 10 dB below the pop and lead all the same."""
    kick = hops(1000, {100: 1000.0, 200: 1.0, 300: 1.0, 400: 1.0, 500: 1.0})
    found = leading_moments(envelopes(k=kick, s=hops(1000, {900: 1.0})), CLOSE)["kick"]
    assert len(found.times_s) == 5


def test_a_rival_a_little_before_the_hit_counts_and_a_little_later_too():
    for ahead in (-2, 0, 5):
        kick, snare = hops(1000, {500: 1.0}), hops(1000, {500 + ahead: 1.0, 800: 1.0})
        assert "kick" not in leading_moments(envelopes(k=kick, s=snare), CLOSE)
    for ahead in (-3, 6):
        kick, snare = hops(1000, {500: 1.0}), hops(1000, {500 + ahead: 1.0, 800: 1.0})
        assert "kick" in leading_moments(envelopes(k=kick, s=snare), CLOSE)


def test_a_silent_track_leads_nowhere():
    assert "kick" not in leading_moments(envelopes(k=np.zeros(500), s=hops(500, {300: 1.0})), CLOSE)


def test_a_held_sound_leads_where_it_is_six_decibels_louder_for_itself():
    alto = np.concatenate([np.full(400, 1.0), np.full(400, 10**-0.5), np.full(400, 0.003)])
    tenor = np.concatenate([np.full(400, 10**-0.7), np.full(400, 10**-0.7), np.full(400, 1.0)])
    leads = leading_stretches(envelopes(a=alto, t=tenor), {"alto": "a", "tenor": "t"}, "alto")
    assert leads[20:380].all()  # 7 dB
    assert not leads[420:780].any()  # 2 dB
    assert not leads[820:].any()  # 25 dB below its own
    more = leading_stretches(envelopes(a=alto, t=tenor), {"alto": "a", "tenor": "t"}, "alto", lead_db=7.5)
    assert not more.any()
    alone = leading_stretches(envelopes(a=alto), {"alto": "a"}, "alto")
    assert alone[20:780].all()
    assert not alone[820:].any()
    shared = leading_stretches(envelopes(a=alto), {"alto": "a", "alto again": "a"}, "alto")
    assert np.array_equal(shared, alone)
    assert leading_stretches(envelopes(a=np.zeros(0)), {"alto": "a"}, "alto").tolist() == []


def test_an_envelope_is_the_mean_square_of_each_hop_about_its_mean():
    rng = np.random.default_rng(4)
    samples = 0.3 + rng.standard_normal(1603)
    found = envelope(Track.from_array("a", samples, RATE))
    used = samples[:1600] - samples[:1600].mean()
    assert found.energy == pytest.approx((used.reshape(40, 40) ** 2).mean(axis=1))
    assert found.times_s == pytest.approx(np.arange(40) * 0.0025)
    steps = np.concatenate([[0.0], np.diff(samples[:1600])])
    assert found.sharp == pytest.approx((steps.reshape(40, 40) ** 2).mean(axis=1))
    assert found.track == "a"


def test_a_long_take_is_looked_at_in_stretches_spread_evenly_over_it():
    rate = 400
    frames = rate * 1200
    samples = np.arange(frames) / frames
    found = envelope(Track.from_array("long", samples, rate))
    assert len(found.energy) == 20 * 30 * 400  # 600 s in hops of one sample
    starts = found.times_s[:: 30 * 400]
    assert starts == pytest.approx(np.linspace(0.0, 1170.0, 20), abs=1 / rate)
    short = envelope(Track.from_array("short", samples[: rate * 75], rate))
    assert short.times_s == pytest.approx(np.arange(75 * rate) / rate)
