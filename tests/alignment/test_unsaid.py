"""What mics are there to take, where a scene does not say: its places tell, and nothing that is not told is moved."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kit_takes import kit_take

from micalign.alignment.close_mics import Struck, laid_close_mics
from micalign.alignment.compromise import agreed
from micalign.alignment.network import Constraints, HeardSource, Link
from micalign.alignment.offsets import Offsets
from micalign.alignment.session import constraints_of, default_reference, di_and_mic, measured_scene, planned
from micalign.alignment.unsaid import understood
from micalign.files.scenes import read_scene
from micalign.scene.model import Di, Mic, Pair, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import simulate
from micalign.take.tracks import Take, Track

DRUMS = (
    Source("kick", (2.0, 1.0, 0.3)),
    Source("snare", (2.2, 1.5, 0.7)),
    Source("tom", (1.9, 1.3, 0.8)),
    Source("crash", (2.6, 1.4, 1.4)),
)
PLACES = {
    "k": (2.0, 0.85, 0.3),
    "s": (2.2, 1.42, 0.8),
    "left": (1.6, 1.4, 1.8),
    "right": (2.6, 1.4, 1.75),  # 35 cm over the crash, and no close mic of it
    "room": (2.0, 4.5, 1.4),
}


def scene_of(**places: tuple[float, float, float]) -> Scene:
    return Scene(sources=DRUMS, mics=tuple(Mic(name, at) for name, at in places.items()))


def test_places_tell_close_mics_what_stands_over_all_and_what_in_the_room():
    found = understood(scene_of(**PLACES))
    assert found.own == {"k": "kick", "s": "snare"}
    assert found.together == ("left", "right", "room")
    assert (found.beside, found.left) == ({"room"}, {})
    every = ("kick", "snare", "tom", "crash")
    assert [mic.on for mic in found.scene.mics] == [("kick",), ("snare",), every, every, every]
    assert default_reference(scene_of(**PLACES), tuple(PLACES)) == "left"


def test_of_two_drums_about_as_near_the_one_without_a_mic_is_a_mics_own():
    """The snare's mic is as near to the tom, which has one; without that mic nothing is decided."""
    between = (2.05, 1.4, 0.83)
    at_tom = (1.88, 1.28, 0.83)
    assert understood(scene_of(s=between, t=at_tom)).own == {"t": "tom", "s": "snare"}
    alone = understood(scene_of(s=between))
    assert alone.own == {}
    assert alone.left == {"s": "may be there for 'tom' or 'snare', and neither 'on' nor its place says which"}


@pytest.mark.parametrize(
    ("at", "plus_minus_m", "own"),
    [((2.0, 0.8, 0.3), 0.01, True), ((2.0, 0.6, 0.3), 0.01, False), ((2.0, 0.8, 0.3), 0.15, False)],
)
def test_what_is_not_near_or_not_surely_near_is_left(at, plus_minus_m, own):
    """20 cm from the kick, 40 cm, and 20 to 15 cm; above all the drums 40 cm would be over them."""
    scene = Scene(sources=DRUMS, mics=(Mic("k", at, plus_minus_m),))
    found = understood(scene)
    assert (found.own == {"k": "kick"}, "k" in found.left) == (own, not own)
    assert found.together == ()


def test_what_the_scene_says_counts_before_places():
    mics = {mic.name: mic for mic in scene_of(**PLACES).mics}
    mics["k"] = replace(mics["k"], on=("snare", "tom"))
    mics["room 2"] = Mic("room 2", (2.4, 4.4, 1.4))
    pair = Pair("ambience", ("room", "room 2"))
    found = understood(Scene(sources=DRUMS, mics=tuple(mics.values()), pairs=(pair,)))
    assert "k" not in found.own
    assert found.scene.mic("k").on == ("snare", "tom")
    # The only pair that it names is what the others are laid onto.
    assert found.together == ("room", "room 2", "left", "right")
    assert found.beside == {"left", "right"}


def test_without_places_a_mic_is_left_unless_it_is_in_a_pair():
    mics = (Mic("a"), Mic("l"), Mic("r"), Mic("s", PLACES["s"]))
    found = understood(Scene(sources=DRUMS, mics=mics, pairs=(Pair("over", ("l", "r")),)))
    assert set(found.left) == {"a"}
    assert found.own == {"s": "snare"}
    nowhere = understood(Scene(sources=(*DRUMS, Source("gong")), mics=(Mic("s", PLACES["s"]),)))
    assert set(nowhere.left) == {"s"}


def test_a_single_source_is_what_every_mic_takes():
    scene = Scene(sources=(Source("bass"),), mics=(Mic("near"), Mic("far")), dis=(Di("di", "bass"),))
    assert di_and_mic(scene, ["near", "far", "di"]) == {"di": "near"}


def test_mics_in_the_room_stay_and_pull_nothing():
    """The snare comes 9 ms later in the room: the snare's mic is laid onto the overheads alone."""
    names = tuple(PLACES)
    limits = constraints_of(scene_of(**PLACES), names, reference="left")
    links = (Link("s", "left", 3e-3, 1e-5), Link("s", "right", 3e-3, 1e-5), Link("s", "room", 9e-3, 1e-5, -1))
    offsets = agreed(names, [HeardSource("snare", links)], limits, sample_rate=48000)
    assert offsets.shift("s").shift_s == pytest.approx(3e-3, abs=1e-9)
    assert [offsets.shift(name).shift_s for name in ("left", "right", "room")] == [0.0, 0.0, 0.0]
    assert not offsets.shift("room").polarity_flip
    assert "their places do: k for kick, s for snare" in offsets.compromise
    apart = constraints_of(scene_of(**PLACES), names, reference="left", split_pairs=True)
    split = agreed(names, [HeardSource("snare", links)], apart, sample_rate=48000)
    assert split.shift("room").shift_s == pytest.approx(-6e-3, abs=1e-3)


def test_a_kit_whose_scene_says_nothing_is_laid_as_one_whose_scene_says_all():
    kit = kit_take(3, seconds=9.0)
    bare = replace(kit.scene, mics=tuple(replace(mic, on=()) for mic in kit.scene.mics), pairs=())
    names = [track.name for track in kit.take.tracks]
    laid = []
    for scene in (kit.scene, bare):
        found = measured_scene(scene, kit.take)
        laid.append(planned(found, constraints_of(scene, names, reference=found.reference)))
    assert laid[1].reference == "overhead left"
    for name in names:
        told, untold = (one.shift(name) for one in laid)
        assert untold.shift_s == pytest.approx(told.shift_s, abs=1e-9)
        assert untold.polarity_flip == told.polarity_flip
    assert laid[1].shift("overhead right").shift_s == 0.0
    assert any(shift.shift_s for shift in laid[1].shifts)


def test_of_hits_at_marks_for_mics_whose_places_are_rough_nothing_is_moved():
    """Its overheads were torn apart and its room mic was moved: the scene that finds mics is for no such thing."""
    scene = read_scene(Path(__file__).parents[2] / "scenes" / "find-the-mics.toml")
    made = simulate(scene, seconds=20.0)
    take = Take(tuple(Track.from_array(name, sound, 48000) for name, sound in made.tracks.items()))
    found = measured_scene(scene, take)
    offsets = planned(found, constraints_of(scene, [track.name for track in take.tracks], reference=found.reference))
    assert {one.track: (one.shift_s, one.polarity_flip) for one in offsets.shifts} == {
        track.name: (0.0, False) for track in take.tracks
    }
    assert offsets.shift("kick mic").as_recorded
    assert "say what they are there to take: kick mic; say it by 'on' in the scene" in offsets.compromise


def test_a_pair_is_not_turned_over_against_its_lows():
    """By its arrivals one is inverted; what little their lows share adds up as recorded, and would cancel."""
    rng = np.random.default_rng(7)
    rate, strokes = 48000, np.arange(0.5, 8.5, 0.5)
    shared, *own = (low_noise(rng, 9 * rate) for _ in range(3))
    left, right = (Track.from_array(n, 0.6 * shared + one, rate) for n, one in zip("lr", own, strict=True))
    limits = Constraints("l", (("l", "r"),), {"l": ("snare", "kick"), "r": ("snare", "kick")})
    struck = Struck((left, right), {"snare": tuple(strokes.tolist())}, {"snare": ()})
    told = agreed(("l", "r"), [HeardSource("snare", (Link("l", "r", 1e-4, 1e-5, -1),))], limits, sample_rate=rate)
    assert told.shift("r").polarity_flip
    laid = laid_close_mics(Offsets("l", rate, told.shifts), struck, limits)
    assert [shift.polarity_flip for shift in laid.shifts] == [False, False]


def low_noise(rng: np.random.Generator, frames: int) -> np.ndarray:
    spectrum = np.fft.rfft(rng.normal(size=frames))
    spectrum[np.fft.rfftfreq(frames, 1 / 48000) > 300.0] = 0.0
    return 10.0 * np.fft.irfft(spectrum, frames)
