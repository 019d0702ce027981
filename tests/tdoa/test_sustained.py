"""Sounds that are held and not struck: two singers who take turns, measured where each leads."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.take.tracks import Track
from micalign.tdoa import sources
from micalign.tdoa.delays import Expected, Wanted
from micalign.tdoa.sources import is_struck, measure_sources
from micalign.tdoa.strokes import listen

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
    assert not is_struck(listen(tracks[0]))
    hits = np.zeros(4 * RATE)
    hits[::RATE] = 1.0
    assert is_struck(listen(Track.from_array("drum", hits, RATE)))


def test_outside_the_half_seconds_a_track_is_silenced_softly():
    track = Track.from_array("a", np.ones(1000), 100, start_s=5.0)
    found = sources._only(track, np.array([7.0, 14.8])).read()
    rise = np.sin(np.pi * np.array([1, 3, 5]) / 12) ** 2
    assert found[200:250] == pytest.approx([*rise, *np.ones(44), *rise[::-1]])
    assert found[980:1000] == pytest.approx([*rise, *np.ones(17)])
    assert not found[:200].any()
    assert not found[250:980].any()


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
    assert room.reason == "the scene has it 15.44 ms later in 'room': was something moved?"
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
