"""Which tracks a scene lets come together: by what mics take, by what they must hear, and by which side of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from kit_takes import kit_take

from micalign.alignment.compromise import agreed
from micalign.alignment.network import Constraints, HeardSource, Link, inverted_lobes, levels_db, well_heard
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.scene.model import Di, Mic, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import simulate
from micalign.take.tracks import Take, Track

RATE = 48000

# Two singers 1.7 m apart, each 15 cm from an own mic; a cab in the far corner, whose figure-8 has its back to them.
BARN = Scene(
    room=Room((7.0, 5.5, 3.0)),
    sources=(
        Source("alto", (1.5, 1.6, 1.5), sound="voice"),
        Source("tenor", (3.2, 1.6, 1.55), sound="voice"),
        Source("guitar cab", (5.2, 4.6, 0.5)),
    ),
    mics=(
        Mic("alto mic", (1.5, 1.75, 1.47), aim="alto", pattern="cardioid", on=("alto",)),
        Mic("tenor mic", (3.2, 1.75, 1.52), aim="tenor", pattern="cardioid", on=("tenor",)),
        Mic("ribbon", (5.1, 4.3, 0.55), aim="guitar cab", pattern="figure-8", on=("guitar cab",)),
    ),
)


def simulated(scene: Scene, seed: int) -> Take:
    made = simulate(scene, seconds=14.0, seed=seed)
    return Take(tuple(Track.from_array(name, samples, RATE) for name, samples in made.tracks.items()))


def own_rendering(scene: Scene, rng: np.random.Generator) -> Take:
    """Direct sound and floor echo by whole samples, patterns written out again; notes in turn, then together."""
    frames = 12 * RATE
    tracks = {mic.name: rng.standard_normal(frames) * 1e-5 for mic in scene.mics}
    for number, source in enumerate(scene.sources):
        dry = np.zeros(frames)
        for start_s in (0.3 + 2 * number, 0.9 + 2 * number, 1.5 + 2 * number, *rng.uniform(6.5, 11.0, 6)):
            t = np.arange(int(0.4 * RATE)) / RATE
            body = np.sin(2 * np.pi * rng.uniform(150, 500) * t) + 0.6 * rng.standard_normal(len(t))
            dry[int(start_s * RATE) :][: len(t)] += body * np.minimum(t / 0.002, 1) * np.exp(-t / 0.12)
        for mic in scene.mics:
            for mirrored, loss in ((1.0, 1.0), (-1.0, 0.5)):
                way = np.array(source.position) * (1, 1, mirrored) - np.array(mic.position)
                axis = np.array(scene.source(str(mic.aim)).position) - np.array(mic.position)
                cosine = way @ axis / np.linalg.norm(way) / np.linalg.norm(axis)
                gain = cosine if mic.pattern == "figure-8" else 0.5 + 0.5 * cosine
                late = round(np.linalg.norm(way) / 343.2 * RATE)
                tracks[mic.name][late:] += loss * gain / np.linalg.norm(way) * dry[: frames - late]
    return Take(tuple(Track.from_array(name, 0.05 * samples, RATE) for name, samples in tracks.items()))


@pytest.mark.parametrize("render", ["own", "simulate"])
def test_singers_and_a_cab_across_the_room_stay_as_recorded(render, rng):
    take = own_rendering(BARN, rng) if render == "own" else simulated(BARN, 3)
    found = measured_scene(BARN, take)
    assert [one.delay.reliable for one in found.tracks] == [False, False]
    assert all("shares no source with 'alto mic'" in (one.delay.reason or "") for one in found.tracks)
    alto = next(one for one in found.sources or () if one.source == "alto")
    back = next(one.delay for one in alto.tracks if one.track == "ribbon")
    assert (back.polarity, back.reliable) == (-1, True)
    assert back.reason == "inverted as the scene says: a mic hears it with its back"
    offsets = planned(found, constraints_of(BARN, [track.name for track in take.tracks], reference=found.reference))
    for name in ("tenor mic", "ribbon"):
        shift = offsets.shift(name)
        assert (shift.shift_s, shift.polarity_flip, shift.applied, shift.as_recorded) == (0.0, False, False, True)
        assert shift.reason == "shares no source with 'alto mic': left as recorded"
    assert "tenor mic, ribbon" in offsets.compromise


def test_overheads_that_list_one_drum_each_still_join_the_kit():
    kit = kit_take(1, seconds=9.0)
    on = {"overhead left": ("snare",), "overhead right": ("hat",)}
    scene = replace(kit.scene, mics=tuple(replace(mic, on=on.get(mic.name, mic.on)) for mic in kit.scene.mics))
    names = [track.name for track in kit.take.tracks]
    found = measured_scene(scene, kit.take)
    offsets = planned(found, constraints_of(scene, names, reference=found.reference))
    assert all(offsets.shift(name).applied for name in names)
    signs = {name: kit.polarity[name] * (-1 if offsets.shift(name).polarity_flip else 1) for name in names}
    assert len(set(signs.values())) == 1
    arrival = {name: kit.arrival_s["kick", name] for name in ("kick mic", "overhead left", "overhead right")}
    between = [
        offsets.shift("kick mic").shift_s - (arrival[f"overhead {side}"] - arrival["kick mic"])
        for side in ("left", "right")
    ]
    assert min(between) - 0.2e-3 <= 0.0 <= max(between) + 0.2e-3  # the pair moves as one, the kick lies between its two


DRUMS = {
    "kick": (3.0, 3.0, 0.32), "snare": (3.22, 3.45, 0.66), "hat": (3.58, 3.36, 0.9), "tom": (2.82, 3.12, 0.78),
    "floor tom": (2.55, 3.55, 0.6), "ride": (2.45, 3.2, 1.0),
}  # fmt: skip
SIDES = {"left": ("tom", "floor tom", "ride", "snare", "kick"), "right": ("hat", "snare", "kick", "tom")}


def random_kit(rng: np.random.Generator) -> Scene:
    """Two overheads of any pattern, each told to take one drum only, and four close mics."""
    drums = {name: tuple(float(v) for v in np.array(at) + rng.normal(0, 0.03, 3)) for name, at in DRUMS.items()}
    pattern = str(rng.choice(["omni", "subcardioid", "cardioid", "supercardioid", "hypercardioid"]))
    mics = []
    for side, sign in (("left", -1), ("right", 1)):
        at = (3.0 + sign * rng.uniform(0.3, 0.9), rng.uniform(2.9, 3.7), rng.uniform(1.5, 2.2))
        on, aim = (str(rng.choice(SIDES[side])) for _ in range(2))
        mics.append(Mic(side, at, aim=aim, pattern=pattern, on=(on,)))
    for name in ("kick", "snare", "tom", "floor tom"):
        x, y, z = drums[name]
        mics.append(Mic(f"{name} mic", (x + 0.03, y - 0.06, z + 0.05), aim=name, pattern="cardioid", on=(name,)))
    return Scene(sources=tuple(Source(name, at) for name, at in drums.items()), mics=tuple(mics))


def random_singers(rng: np.random.Generator) -> Scene:
    """Three voices at least 1.5 m apart, each within 35 cm of a mic of its own, the mics of any pattern."""
    places: list[np.ndarray] = []
    while len(places) < 3:
        place = rng.uniform((0.5, 0.5, 0.5), (7.0, 6.0, 1.7))
        if all(np.linalg.norm(place - other) > 1.5 for other in places):
            places.append(place)
    sources, mics = [], []
    for number, place in enumerate(places):
        way = rng.normal(size=3) * (1.0, 1.0, 0.2)
        at = place + way / np.linalg.norm(way) * rng.uniform(0.08, 0.35)
        pattern = str(rng.choice(["omni", "cardioid", "supercardioid", "figure-8"]))
        sources.append(Source(f"voice {number}", tuple(place)))
        mics.append(Mic(f"mic {number}", tuple(at), aim=f"voice {number}", pattern=pattern, on=(f"voice {number}",)))
    return Scene(sources=tuple(sources), mics=tuple(mics))


def test_every_kit_is_one_and_singers_with_mics_of_their_own_never_are(rng):
    for _ in range(40):
        kit, singers = random_kit(rng), random_singers(rng)
        together = constraints_of(kit, kit.track_names, reference="left").within_reach(kit.track_names, "left")
        assert together == kit.track_names
        names = singers.track_names
        assert constraints_of(singers, names, reference=names[0]).within_reach(names, names[0]) == (names[0],)


def test_close_mics_that_keep_three_to_one_hear_the_other_as_faint():
    # Singers side by side, mics straight ahead: sqrt(d^2 + own^2) / own is 3 where d = 2.828 times the own distance.
    for apart_m, faint in ((0.84, False), (0.86, True)):
        singers = Source("a", (1.0, 1.0, 1.5)), Source("b", (1.0 + apart_m, 1.0, 1.5))
        mics = (Mic("a mic", (1.0, 1.3, 1.5), on=("a",)), Mic("b mic", (1.0 + apart_m, 1.3, 1.5), on=("b",)))
        heard = well_heard(Scene(sources=singers, mics=mics), ["a mic", "b mic"])
        assert heard["a"] == ({"a mic"} if faint else {"a mic", "b mic"})


def test_a_mic_of_everything_and_an_unknown_place_hear_all_and_a_di_its_own_source():
    scene = Scene(
        sources=(Source("bass cab", (1.0, 1.0, 0.4)), Source("voice", (5.0, 4.0, 1.5)), Source("fiddle")),
        mics=(Mic("room", (3.0, 3.0, 2.0)), Mic("vocal", (5.0, 4.1, 1.5), on=("voice",)), Mic("spot", on=("fiddle",))),
        dis=(Di("bass di", "bass cab"),),
    )
    heard = well_heard(scene, scene.track_names)
    assert heard["bass cab"] == {"room", "spot", "bass di"}
    assert heard["voice"] == {"room", "vocal", "spot"}
    assert heard["fiddle"] == {"room", "vocal", "spot"}


def test_levels_fall_with_distance_and_pattern():
    # 0.3 m on the axis against 3 m at 60 degrees of a cardioid (0.75): 20 log10(0.1 * 0.75) = -22.5 dB.
    far = (3.0 * np.sin(np.pi / 3), 3.0 * np.cos(np.pi / 3), 0.0)
    mic = Mic("m", (1.0, 1.0, 1.0), aim="near", pattern="cardioid", on=("near",))
    scene = Scene(sources=(Source("near", (1.0, 1.3, 1.0)), Source("far", (1 + far[0], 1 + far[1], 1.0))), mics=(mic,))
    assert levels_db(scene, mic) == pytest.approx({"near": 0.0, "far": -22.499}, abs=1e-3)


def test_the_back_of_a_figure_8_is_told_from_its_front():
    assert inverted_lobes(BARN) == {("alto", "ribbon"), ("tenor", "ribbon")}
    # Turned round, its back looks at the cab that it is there to take: that side counts as the front.
    back = replace(BARN.mics[2], aim=(5.0, 4.0, 0.6))
    assert inverted_lobes(replace(BARN, mics=(*BARN.mics[:2], back))) == {("alto", "ribbon"), ("tenor", "ribbon")}


def test_polarity_is_not_flipped_where_the_scene_itself_turns_it_over():
    heard = [HeardSource("drum", (Link("left", "side", 1e-3, 1e-6, -1),))]
    plain = agreed(["left", "side"], heard, Constraints("left"), sample_rate=RATE)
    assert plain.shift("side").polarity_flip
    told = agreed(
        ["left", "side"], heard, Constraints("left", inverted=frozenset({("drum", "side")})), sample_rate=RATE
    )
    assert not told.shift("side").polarity_flip
    assert told.shift("side").shift_s == pytest.approx(-1e-3)


def test_an_island_is_laid_onto_its_own_latest_track():
    heard = [
        HeardSource("snare", (Link("left", "snare mic", -3e-3, 1e-6, -1),)),
        HeardSource("bass", (Link("bass di", "bass mic", 2e-3, 1e-6, -1), Link("left", "bass mic", 9e-3, 1e-6))),
    ]
    hearing = {"snare": frozenset({"left", "snare mic"}), "bass": frozenset({"bass di", "bass mic"})}
    names = ["left", "snare mic", "bass di", "bass mic"]
    offsets = agreed(names, heard, Constraints("left", hearing=hearing), sample_rate=RATE)
    assert offsets.shift("snare mic").shift_s == pytest.approx(3e-3)
    assert offsets.shift("bass mic").as_recorded
    di = offsets.shift("bass di")
    assert (di.shift_s, di.polarity_flip, di.applied) == (pytest.approx(2e-3), True, True)
    assert di.reason == "laid onto 'bass mic', with which it shares its source"
    assert di.delay_s + di.shift_s == pytest.approx(0.0, abs=1e-15)


def test_a_pair_that_shares_nothing_with_the_reference_stays_as_one():
    heard = [
        HeardSource("choir", (Link("choir left", "choir right", 2e-4, 1e-6), Link("choir left", "spot", -5e-3, 1e-6)))
    ]
    hearing = {"organ": frozenset({"organ mic"}), "choir": frozenset({"choir left", "choir right", "spot"})}
    limits = Constraints("organ mic", together=(("choir left", "choir right"),), hearing=hearing)
    offsets = agreed(["organ mic", "spot", "choir left", "choir right"], heard, limits, sample_rate=RATE)
    assert [offsets.shift(f"choir {side}").as_recorded for side in ("left", "right")] == [True, True]
    assert offsets.shift("spot").shift_s == pytest.approx(5.1e-3)  # between its arrivals at the two


def test_a_track_that_shares_a_source_but_has_no_reliable_pair_is_no_stranger():
    hearing = {"snare": frozenset({"left", "snare mic"})}
    offsets = agreed(
        ["left", "snare mic"], [HeardSource("snare", ())], Constraints("left", hearing=hearing), sample_rate=RATE
    )
    shift = offsets.shift("snare mic")
    assert (shift.applied, shift.as_recorded) == (False, False)
    assert "no reliable pair joins it to 'left'" in (shift.reason or "")
