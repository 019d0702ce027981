"""The move that a finding tells, made: what it found is gone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rule_cases import CASES, SINGERS, TWO_ON_A_CAB, found_by

from micalign.acoustics.prediction import predict
from micalign.files.scenes import changes_text
from micalign.findings.finding import at_place, equal_places
from micalign.findings.rooms import strong_reflection
from micalign.scene.model import Absorption, Di, Keepout, Mic, Pair, Room, Source
from micalign.scene.scene import Scene, changed


def test_equal_distances_are_reached_by_the_shortest_move() -> None:
    """From each start a place as far from every source as asked; for one source straight along the line to it."""
    one = equal_places(np.array([[1.0, 0.0, 2.0]]), np.array([[0.0, 0.0, 0.7]]), np.array([np.hypot(1.5, 1.5)]))
    wanted = np.hypot(1.5, 1.5) - np.hypot(1.0, 1.3)
    assert np.linalg.norm(one[0] - (1.0, 0.0, 2.0)) == pytest.approx(wanted, abs=1e-4)
    two = np.array([[0.0, 0.0, 0.7], [0.5, 0.6, 0.4]])
    reached = equal_places(np.array([[1.0, 0.0, 2.0]]), two, np.array([1.6, 1.9]))
    assert np.linalg.norm(reached[0] - two, axis=1) == pytest.approx([1.6, 1.9], abs=1e-4)


def test_no_place_is_told_where_there_is_none() -> None:
    """Two sources so far apart that no place is equal to both of the partner's distances."""
    sources = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0]])
    assert len(equal_places(np.array([[5.0, 1.0, 0.0]]), sources, np.array([2.0, 2.0]))) == 0


def test_moving_nearer_as_told_meets_the_three_to_one_rule() -> None:
    """The alto's mic moved by the distance told: one of the readings passes."""
    finding = found_by(SINGERS, "three-to-one")[0]
    assert finding.where[:2] == ("alto mic", "alto")
    centimetres = float(finding.advice.split(" cm nearer")[0].split()[-1])
    moved = SINGERS.placed_at({"alto mic": (1.0, 1.5 - centimetres / 100, 1.2)})
    assert not [
        one for one in found_by(moved, "three-to-one") if one.where[0] == "alto mic" and one.severity == "warning"
    ]


def test_a_mic_that_was_never_measured_is_told_how_far_to_be_and_not_how_far_to_go() -> None:
    """A place known to 10 cm: the tape says when it is there; a move by its axes is rounded."""
    guessed = replace(SINGERS, mics=tuple(replace(mic, plus_minus_m=0.1) for mic in SINGERS.mics))
    advice = found_by(guessed, "three-to-one")[0].advice
    assert advice.startswith("Move 'alto mic' nearer to 'alto', to ")
    stray = replace(guessed.mics[0], on=())
    for far, said in (((0.995, 0.0, 0.012), "1 m to the right"), ((0.152, 0.0, 0.0), "15 cm to the right")):
        told = at_place(guessed, stray, np.array(stray.position) + far)
        assert told.words == f"Move '{stray.name}' about {said}."


def test_moving_as_told_meets_the_comb_rule() -> None:
    """One mic moved as the change says: both are equally far, and no comb is left in the band."""
    finding = found_by(TWO_ON_A_CAB, "comb")[0]
    moved = changed(TWO_ON_A_CAB, finding.changes)
    path = predict(moved).differences[0].difference_s * predict(moved).speed_of_sound_m_s
    assert abs(path) <= 0.005


def test_a_far_mic_is_not_sent_up_to_the_close_one() -> None:
    """A mic a metre off a cab is there for its distance: its track is aligned, the stand stays."""
    far = Mic("edge", (2.3, 1.8, 0.7), aim="cab", pattern="figure-8", on=("cab",), gain_db=15.0)
    finding = found_by(replace(TWO_ON_A_CAB, mics=(TWO_ON_A_CAB.mics[0], far)), "comb")[0]
    assert finding.advice.startswith("Align the tracks: shift 'centre' 2.")


def test_a_room_mic_keeps_its_distance_as_align_leaves_it() -> None:
    """Beside a pair a mic over several sources is no track to shift: no one shift suits all that it hears."""
    sources = (Source("left drum", (2.0, 2.0, 0.6)), Source("right drum", (2.6, 2.0, 0.6)))
    on = tuple(source.name for source in sources)
    over = tuple(Mic(name, (x, 1.8, 1.9), on=on) for name, x in (("left", 1.8), ("right", 2.8)))
    room = Mic("room", (2.3, 3.2, 1.6), on=on, gain_db=6.0)
    scene = Scene(sources=sources, mics=(*over, room), pairs=(Pair("over", ("left", "right")),))
    said = [one.advice for one in found_by(scene, "comb") if "room" in one.where]
    assert said
    assert all("shift" not in one or one.startswith("Leave 'room' its distance") for one in said)


def test_the_way_out_of_a_keepout_leads_out() -> None:
    """For each shape the mic stands outside after the move; the shortest way is told."""
    for keepout in (
        Keepout("ball", (2.0, 2.0, 1.0), radius_m=0.3),
        Keepout("post", (2.0, 2.0, 1.0), radius_m=0.3, height_m=1.0),
        Keepout("box", (2.0, 2.0, 1.0), size_m=(0.6, 0.6, 0.6)),
    ):
        scene = Scene(
            sources=(Source("s", (3.0, 2.0, 1.0)),), mics=(Mic("m", (2.2, 2.0, 1.0), on=("s",)),), keepouts=(keepout,)
        )
        finding = found_by(scene, "keepout")[0]
        assert finding.advice == "Move 'm' 12 cm nearer to 's', to 68 cm."
        outside = scene.placed_at({"m": (2.2 + 0.12, 2.0, 1.0)})
        assert found_by(outside, "keepout") == []


def _hall(mic: Mic, source: Source, *more: Mic, deaf: str = "ceiling front back left right") -> Scene:
    """A large room of which all surfaces but one absorb."""
    hard = {name: 0.9 if name in deaf else 0.0 for name in ("floor", "ceiling", "front", "back", "left", "right")}
    return Scene(room=Room((12.0, 8.0, 6.0), Absorption(**hard)), sources=(source,), mics=(mic, *more))


CELLO = Source("cello", (2.0, 4.0, 0.5), range_hz=(60, 5000))


def test_a_rug_is_advised_where_the_notch_is_high_enough_for_it() -> None:
    """A mic far off over a hard floor, its first notch at 1.4 kHz or at 2.2: absorber or rug, where the sound bounces.

    Both 4 m apart: extra path sqrt(16 + 4 h^2) - 4, first notch at half a wavelength of it.
    """
    for height, notch_hz, up, cover in (
        (0.5, 1397.0, 62.7, "an absorber 5 cm thick, 25 cm across,"),
        (0.39, 2283.0, 70.0, "a thick rug, 16 cm across,"),
    ):
        source = replace(CELLO, at=(2.0, 4.0, height))
        # A figure-8 that looks up, its null near the bounce: 6 and 7 dB down, where a rug's 48 % (1.4 kHz) are too
        # little for 10 dB and its 61 % (2.3 kHz) enough.
        aim = (6.0 - np.cos(np.radians(up)), 4.0, height + np.sin(np.radians(up)))
        scene = _hall(
            Mic("far mic", (6.0, 4.0, height), on=("cello",), reach_m=0.01, pattern="figure-8", aim=aim), source
        )
        finding = found_by(scene, "reflection")[0]
        assert f"first notch at {notch_hz / 1e3:.2f} kHz" in finding.message
        assert finding.advice == f"Lay {cover} where it bounces: 4.00 m from the left, 4.00 m from the front."


def test_no_cover_is_laid_where_the_floor_takes_as_much_already() -> None:
    """A floor that is carpeted (60 %) and still too loud: a rug adds nothing."""
    scene = _hall(Mic("far mic", (6.0, 4.0, 0.39), on=("cello",), reach_m=0.01), replace(CELLO, at=(2.0, 4.0, 0.39)))
    carpeted = replace(scene, room=replace(scene.room, absorption=replace(scene.room.absorption, floor=0.6)))
    finding = found_by(carpeted, "reflection")[0]
    assert "rug" not in finding.advice


def test_no_cover_is_laid_where_something_stands() -> None:
    """A bass drum where the sound bounces: nobody lays an absorber there."""
    scene = _hall(Mic("far mic", (6.0, 4.0, 0.5), on=("cello",), reach_m=0.01), CELLO)
    drum = replace(scene, sources=(*scene.sources, Source("bass drum", (4.1, 4.0, 0.35))))
    assert found_by(scene, "reflection")[0].advice.startswith("Lay an absorber")
    assert "Lay an absorber" not in found_by(drum, "reflection")[0].advice


def test_a_cover_lies_wholly_on_the_wall_it_is_put_on() -> None:
    """Seeded small rooms, far mics over low sources: no remedy is wider than its wall or hangs out over an edge."""
    rng, covers, shifted = np.random.default_rng(5), 0, 0
    for _ in range(300):
        size = rng.uniform((2.4, 2.4, 2.0), (5.0, 4.0, 2.6))
        spots = rng.uniform(0.3, size - 0.3, (2, 3))
        source = Source("floor tom", tuple(spots[0]), range_hz=(60, 5000))
        scene = Scene(
            room=Room(tuple(size), Absorption(*rng.uniform(0.0, 0.3, 6))),
            sources=(source,),
            mics=(Mic("far mic", tuple(spots[1]), on=("floor tom",)),),
        )
        for finding in strong_reflection(scene, predict(scene)):
            for remedy in finding.propose() if finding.propose else ():
                values = {
                    change.key: np.array(change.value, dtype=float)
                    for change in remedy.changes
                    if change.table == "panel"
                }
                if not values:
                    continue
                covers += 1
                shifted += ", its middle: " in remedy.words
                flat = np.flatnonzero(values["normal"] == 0)
                edge = np.abs(values["centre"][flat] - size[flat] / 2) + values["size"] / 2
                assert np.all(edge <= size[flat] / 2 + 1e-3), remedy.words
    assert covers > 100
    assert shifted > 5


def test_a_mic_that_is_there_for_the_distance_is_not_called_nearer() -> None:
    """With a close mic on the source too, the far one keeps its place: a pattern mends the wall behind it."""
    close = Mic("close mic", (2.4, 4.0, 0.6), aim="cello", pattern="cardioid", on=("cello",))
    far = Mic("far mic", (9.7, 4.0, 1.5), on=("cello",))
    deaf = "floor ceiling front back left"
    alone = _hall(far, replace(CELLO, at=(7.2, 4.0, 0.5)), deaf=deaf)
    assert found_by(alone, "reflection")[0].advice.startswith("Move 'far mic' ")
    both = found_by(_hall(far, CELLO, close, deaf=deaf), "reflection")
    advice = next(one.advice for one in both if "far mic" in one.where)
    assert advice.startswith("Take a cardioid for 'far mic', faced to 'cello': the bounce falls to -")
    turned = _hall(replace(far, pattern="cardioid", aim="cello"), CELLO, close, deaf=deaf)
    assert [one for one in found_by(turned, "reflection") if "far mic" in one.where] == []


def test_a_floor_that_no_cover_mends_takes_the_mic_itself() -> None:
    """A low notch from the floor: on the floor both ways are one, and the reflection is no later than the sound."""
    high = Source("cello", (4.0, 4.0, 1.2))
    scene = _hall(Mic("far mic", (6.0, 4.0, 1.6), on=("cello",)), high, Mic("close", (4.2, 4.0, 1.2), on=("cello",)))
    assert "on the floor" in next(one.advice for one in found_by(scene, "reflection") if "far mic" in one.where)
    laid = scene.placed_at({"far mic": (6.0, 4.0, 0.01)})
    assert (
        max(row.delay_s for row in predict(laid).reflections if row.mic == "far mic" and row.surface == "floor") < 5e-5
    )


@pytest.mark.parametrize("rule", ["pair-heights", "near-surface", "bass-lift", "room-mic", "null"])
def test_what_an_engineer_would_say_comes_with_a_change_that_mends_it(rule: str) -> None:
    """Applied, the finding is gone."""
    scene, _ = CASES[rule]
    finding = found_by(scene, rule)[0]
    assert finding.changes, finding.advice
    assert found_by(changed(scene, finding.changes), rule) == []


def test_the_null_tip_lays_the_null_on_the_hi_hat() -> None:
    """After the turn the hi-hat lies within 3 degrees of the supercardioid's null at 126 degrees."""
    scene, _ = CASES["null"]
    after = changed(scene, found_by(scene, "null")[0].changes)
    mic = after.mic("snare mic")
    axis = np.subtract(mic.aim, mic.position)  # type: ignore[arg-type]
    way = np.subtract(after.source("hi-hat").position, mic.position)
    angle = np.degrees(np.arccos(axis @ way / np.linalg.norm(axis) / np.linalg.norm(way)))
    assert angle == pytest.approx(np.degrees(np.arccos(-0.37 / 0.63)), abs=3.0)


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_direct_line_that_is_delayed_as_told_is_met(polarity: int) -> None:
    """30 cm of air is 0.87 ms; the change is the channel's delay, and a flip where the line is inverted."""
    scene = replace(CASES["direct-line"][0], dis=(Di("bass di", "bass", polarity=polarity),))
    [finding] = list(found_by(scene, "direct-line"))
    assert {change.key: change.value for change in finding.changes}["latency_ms"] == pytest.approx(0.87, abs=0.005)
    assert ("polarity" in {change.key for change in finding.changes}) == (polarity < 0)
    assert not found_by(changed(scene, finding.changes), "direct-line")
    text = 'title = "x"\n[[di]]\nname = "bass di"\nof = "bass"  # active\n'
    assert "latency_ms = 0.87\n" in changes_text(text, finding.changes)


def test_a_direct_line_is_laid_to_one_mic() -> None:
    """A second mic on the source, farther off: one finding, of the nearer one, and no advice against it."""
    scene = CASES["direct-line"][0]
    far = Mic("far mic", (2.0, 3.1, 0.5), on=("bass",))
    found_two = found_by(replace(scene, mics=(*scene.mics, far)), "direct-line")
    assert [one.where for one in found_two] == [("bass di", "bass mic")]


def test_a_direct_line_inverted_without_delay_is_told() -> None:
    """Met to the hundredth of a millisecond and inverted: the two cancel, and a flip mends it."""
    scene = replace(CASES["direct-line"][0], dis=(Di("bass di", "bass", latency_s=0.872e-3, polarity=-1),))
    [finding] = found_by(scene, "direct-line")
    assert "inverted" in finding.message
    assert [(change.key, change.value) for change in finding.changes] == [("polarity", 1)]
