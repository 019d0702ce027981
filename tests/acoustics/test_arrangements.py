"""Arrangements stand where their descriptions say: places worked out by hand, each facing turned into the others."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from micalign.acoustics.arrangements import ARRANGEMENTS, FACINGS, USUAL_ROOM, Ground, arranged, renamed
from micalign.errors import SceneError
from micalign.scene.model import Box, Di, Pair, Room, Source

ROOT_HALF = math.sqrt(0.5)
HALL = Room((8.0, 7.0, 4.0))
VOICE = Source("voice", (3.0, 2.5, 1.5))
CAB = Source("cab", (3.0, 2.5, 0.45))


def angle_degrees(mic) -> float:
    """Where a mic looks, counted from +x."""
    return math.degrees(math.atan2(mic.aim[1] - mic.position[1], mic.aim[0] - mic.position[0]))


def test_all_mics_are_cardioids_on_their_sources_and_may_move_from_where_they_stand():
    for name in ARRANGEMENTS:
        sources, made = arranged(name)
        assert made.remarks or name in {"spaced-pair", "near-coincident-pair"}
        assert all(remark.endswith(".") for remark in made.remarks)
        for mic in made.mics:
            assert mic.pattern == "cardioid"
            assert set(mic.on) <= {one.name for one in sources}
            assert mic.may_move
            if mic.move is not None:
                for low, at, high in zip(mic.move.low, mic.position, mic.move.high, strict=True):
                    assert low <= at <= high


def test_what_is_common_to_all_sources_hears_all_sources():
    for name in ("equal-overheads", "spaced-pair", "coincident-pair", "near-coincident-pair"):
        sources, made = arranged(name, (VOICE, replace(VOICE, name="other", at=(3.5, 2.5, 1.5))))
        assert all(mic.on == tuple(one.name for one in sources) == ("voice", "other") for mic in made.mics)


def test_overheads_mirror_each_other_at_the_plane_through_kick_and_snare():
    kick, snare, hat = (
        Source("Kick in", (3.0, 2.0, 0.3)),
        Source("Snare top", (3.0, 2.6, 0.7)),
        Source("hat", (2.7, 3, 1)),
    )
    _, made = arranged("equal-overheads", (hat, kick, snare), room=HALL)
    left, right = made.mics
    # The player looks from snare to kick, along -y; who looks at the kit looks along +y and has +x on the right, as on
    # the plan and in every other pair. 10 cm behind the snare, half a metre aside.
    assert left.name == "overhead left"
    assert left.position == pytest.approx((2.5, 2.7, 2.05))
    assert right.name == "overhead right"
    assert right.position == pytest.approx((3.5, 2.7, 2.05))
    for drum in (kick, snare):
        assert math.dist(left.position, drum.position) == pytest.approx(math.dist(right.position, drum.position))
    assert [mic.aim for mic in made.mics] == ["Snare top", "Snare top"]
    (pair,) = made.pairs
    assert pair == Pair(
        "overheads", ("overhead left", "overhead right"), equal_to=("Snare top", "Kick in"), centre_on="Snare top"
    )
    (head,) = made.keepouts
    assert (head.name, head.radius_m) == ("player's head", 0.35)
    assert head.at == pytest.approx((3.0, 3.05, 1.25))


def test_overheads_without_a_kick_stand_by_where_the_player_looks():
    snare = Source("snare", (3.0, 2.6, 0.7))
    _, made = arranged("equal-overheads", (snare,), room=HALL, facing="right")
    # The player looks along +x; to who looks along -x, left is -y.
    assert made.mics[0].position == pytest.approx((2.9, 2.1, 2.05))
    assert made.mics[1].position == pytest.approx((2.9, 3.1, 2.05))
    assert made.pairs[0].equal_to == ("snare",)
    # A bass drum straight below tells no direction: the player's is kept.
    _, above = arranged("equal-overheads", (snare, Source("bass drum", (3.0, 2.64, 0.3))), room=HALL, facing="right")
    assert [mic.position for mic in above.mics] == [pytest.approx(mic.position) for mic in made.mics]
    # One that stands 6 cm off does.
    _, beside = arranged("equal-overheads", (snare, Source("bass drum", (3.0, 2.66, 0.3))), room=HALL, facing="right")
    assert beside.mics[1].position == pytest.approx((2.5, 2.5, 2.05))


def test_overheads_hold_their_lengths_on_a_slant():
    """The plane through kick and snare is a direction of length one, whichever way it runs."""
    snare, kick = Source("snare", (3.0, 2.6, 0.7)), Source("kick", (3.3, 2.2, 0.3))  # 30 and 40 cm: half a metre
    _, made = arranged("equal-overheads", (snare, kick), room=HALL)
    left, right = made.mics
    assert math.dist(left.position, right.position) == pytest.approx(1.0)
    # Ahead is (0.6, -0.8); left of it, to the right for who looks back, is (0.8, 0.6).
    assert right.position == pytest.approx((3.0 - 0.06 + 0.4, 2.6 + 0.08 + 0.3, 2.05))


def test_overheads_without_a_snare_are_about_the_first_source():
    _, made = arranged("equal-overheads", (Source("tom", (3.0, 2.6, 0.7)), Source("kick", (3.0, 2.0, 0.3))), room=HALL)
    assert made.pairs[0].equal_to == ("tom", "kick")


def test_a_low_ceiling_lowers_the_overheads_and_the_open_air_does_not():
    low = arranged("equal-overheads", room=Room((6.0, 5.0, 2.1)))[1]
    assert [mic.position[2] for mic in low.mics] == pytest.approx([1.85, 1.85])  # a quarter of a metre below it
    assert [mic.position[2] for mic in arranged("equal-overheads", room=None)[1].mics] == pytest.approx([2.05, 2.05])


@pytest.mark.parametrize(
    ("name", "half_m", "up_m", "half_degrees", "spread_m", "opening"),
    [
        ("spaced-pair", 0.3, 0.0, 0.0, (0.4, 1.0), None),
        ("coincident-pair", 0.0, 0.03, 45.0, (0.0, 0.05), (85.0, 95.0)),
        ("near-coincident-pair", 0.085, 0.0, 55.0, (0.16, 0.18), (100.0, 120.0)),
    ],
)
def test_a_pair_looks_at_the_source_from_before_it(name, half_m, up_m, half_degrees, spread_m, opening):
    _, made = arranged(name, (VOICE,), room=HALL)
    left, right = made.mics
    (pair,) = made.pairs
    # The voice looks at the front wall (-y); the pair stands 1.2 m before it and looks along +y: its left is -x.
    assert left.position == pytest.approx((3.0 - half_m, 1.3, 1.6))
    assert right.position == pytest.approx((3.0 + half_m, 1.3, 1.6 + up_m))
    assert angle_degrees(left) == pytest.approx(90.0 + half_degrees)
    assert angle_degrees(right) == pytest.approx(90.0 - half_degrees)
    for mic in made.mics:
        assert math.dist(mic.aim, mic.position) == pytest.approx(0.3)
        assert mic.aim[2] == mic.position[2]
    assert (left.name, right.name) == pair.mics == ("pair left", "pair right")
    assert (pair.spread_m, pair.angle_degrees) == (spread_m, opening)
    wishes = {
        "spaced-pair": ("spaced pair", ("voice",), "voice"),
        "coincident-pair": ("coincident pair", ("voice",), None),
        "near-coincident-pair": ("pair", (), "voice"),
    }
    assert (pair.name, pair.equal_to, pair.centre_on) == wishes[name]


def test_the_coincident_pair_says_why():
    _, made = arranged("coincident-pair")
    assert made.remarks[0].startswith("One capsule straight above the other")
    assert (made.dis, made.keepouts) == ((), ())


def test_a_close_mic_stands_five_centimetres_off_at_45_degrees():
    _, made = arranged("close-mic", (Source("snare", (3.0, 2.8, 0.66)), Source("tom", (3.4, 2.6, 0.7))), facing="left")
    snare, tom = made.mics
    off = 0.05 * ROOT_HALF
    assert snare.position == pytest.approx((3.0 - off, 2.8, 0.66 + off))
    assert tom.position == pytest.approx((3.4 - off, 2.6, 0.7 + off))
    assert (snare.name, snare.aim, snare.on) == ("snare mic", "snare", ("snare",))
    assert (tom.name, tom.aim, tom.on) == ("tom mic", "tom", ("tom",))
    assert {(mic.reach_m, mic.distance_m, mic.move) for mic in made.mics} == {(0.05, (0.04, 0.07), None)}
    assert "sticks' way" in made.remarks[0]


def test_two_mics_on_a_cab_are_as_far_from_its_cone_on_and_off_the_axis():
    _, made = arranged("two-mics-on-cab", (CAB,), facing="back")
    on, off = made.mics
    assert on.position == pytest.approx((3.0, 2.58, 0.45))
    assert off.position == pytest.approx((3.0 + 0.08 * ROOT_HALF, 2.5 + 0.08 * ROOT_HALF, 0.45))
    assert (on.name, off.name) == ("cab mic on axis", "cab mic off axis")
    assert [mic.aim for mic in made.mics] == ["cab", "cab"]
    assert [mic.on for mic in made.mics] == [("cab",), ("cab",)]
    assert on.move == Box(pytest.approx((2.94, 3.06)), pytest.approx((2.52, 2.64)), pytest.approx((0.39, 0.51)))
    assert made.pairs == (Pair("cab mics", (on.name, off.name), ("cab",), tolerance_s=20e-6),)
    assert "middle of the cone" in made.remarks[0]


def test_a_di_goes_with_its_cab():
    _, made = arranged("di-and-cab", (CAB,), facing="left")
    (mic,) = made.mics
    assert mic.position == pytest.approx((2.92, 2.5, 0.45))
    assert (mic.name, mic.aim, mic.on) == ("cab mic", "cab", ("cab",))
    assert mic.move.low == pytest.approx((2.86, 2.44, 0.39))
    assert made.dis == (Di("cab di", "cab"),)
    assert (made.pairs, made.keepouts) == ((), ())
    assert "The wire is first" in made.remarks[0]


@pytest.mark.parametrize(("apart_m", "near_m"), [(0.7, 0.2), (2.0, 0.25), (0.14, 0.04)])
def test_singers_mics_keep_three_to_one_with_something_to_spare(apart_m, near_m):
    """Each stands as far off as it may; the remark says so without a number, which the scene gives in its own unit."""
    pair = (VOICE, Source("alto", (3.0 + apart_m, 2.5, 1.5)), Source("third", (5.0, 2.5, 1.5)))
    _, made = arranged("two-singers", pair)
    one, other = made.mics
    assert one.position == pytest.approx((3.0, 2.5 - near_m, 1.5))
    assert other.position == pytest.approx((3.0 + apart_m, 2.5 - near_m, 1.5))
    assert [(mic.name, mic.aim, mic.on) for mic in made.mics] == [
        ("voice mic", "voice", ("voice",)),
        ("alto mic", "alto", ("alto",)),
    ]
    for mic in made.mics:
        assert mic.reach_m == 0.15
        assert mic.distance_m == pytest.approx((min(0.08, near_m), near_m))
    assert math.dist(one.position, other.position) >= 3.0 * near_m
    for mic, singer in zip(made.mics, pair, strict=False):
        assert math.dist(mic.position, singer.position) == pytest.approx(mic.distance_m[1])
    assert "no farther from its singer than it stands here" in made.remarks[0]


def test_where_a_mic_may_go_ends_at_the_walls_margin_but_never_short_of_the_mic():
    # Half of 30 cm each way in the middle; 20 cm off each wall; a mic nearer to a wall than that stays where it is.
    made = arranged("spaced-pair", (Source("voice", (0.55, 1.35, 1.5)),), room=Room((0.95, 4.0, 1.95)))[1]
    left, right = made.mics
    assert left.position == pytest.approx((0.25, 0.15, 1.6))
    assert left.move == Box(pytest.approx((0.2, 0.55)), pytest.approx((0.15, 0.45)), pytest.approx((1.3, 1.75)))
    assert right.position[0] == pytest.approx(0.85)
    assert right.move.x == pytest.approx((0.55, 0.85))
    outside = arranged("spaced-pair", (VOICE,), room=None)[1].mics[0]
    assert outside.move.high == pytest.approx((3.0, 1.6, 1.9))


def test_a_mic_three_centimetres_off_a_wall_stands_and_nearer_does_not():
    cab = Source("cab", (3.0, 2.5, 0.03))
    assert arranged("two-mics-on-cab", (cab,))[1].mics[0].position[2] == 0.03
    with pytest.raises(SceneError, match=r"'two-mics-on-cab' would put 'cab mic on axis' at \(3\.00, 2\.42, 0\.02\) m"):
        arranged("two-mics-on-cab", (replace(cab, at=(3.0, 2.5, 0.02)),))
    high = USUAL_ROOM.size[2]
    arranged("two-mics-on-cab", (replace(cab, at=(3.0, 2.5, high - 0.03)),))
    with pytest.raises(SceneError, match="in a wall or outside the room: move the source, turn it with --facing, or"):
        arranged("two-mics-on-cab", (replace(cab, at=(3.0, 2.5, high - 0.02)),), facing="front")
    # Who cannot turn it is not told to.
    with pytest.raises(SceneError, match="outside the room: move the source or give a larger --room"):
        arranged("two-mics-on-cab", (replace(cab, at=(3.0, 2.5, high - 0.02)),))
    # The first mic is well, the second is not.
    with pytest.raises(SceneError, match="'pair right'"):
        arranged("spaced-pair", (replace(VOICE, at=(5.69, 2.5, 1.5)),))


def test_too_few_sources_are_told_by_number():
    with pytest.raises(SceneError, match="'two-singers' needs 2 sources, 1 given: name them with --at"):
        arranged("two-singers", (VOICE,))


def test_names_in_use_get_a_number_behind_them_everywhere():
    """What a scene does not lend is added under a new name, in pairs as well; what it lends keeps its own."""
    taken = frozenset({"overhead left", "overhead left 2", "overheads", "player's head"})
    made = renamed(arranged("equal-overheads")[1], taken)
    assert [mic.name for mic in made.mics] == ["overhead left 3", "overhead right"]
    assert made.pairs[0].name == "overheads 2"
    assert made.pairs[0].mics == ("overhead left 3", "overhead right")
    assert made.keepouts[0].name == "player's head 2"
    assert made.keepouts[0].radius_m == 0.35
    wired = renamed(arranged("di-and-cab")[1], frozenset({"cab di"}))
    assert wired.dis == (Di("cab di 2", "cab"),)
    assert wired.remarks
    spaced = arranged("spaced-pair")[1]
    both = renamed(spaced, frozenset({"pair right"}))
    assert both.pairs[0].mics == ("pair left", "pair right 2")
    lent = renamed(replace(spaced, mics=spaced.mics[:1]), frozenset({"pair left", "pair right"}))
    assert [mic.name for mic in lent.mics] == ["pair left 2"]
    assert lent.pairs[0].mics == ("pair left 2", "pair right")


def test_facing_turns_the_whole_arrangement():
    """Each quarter turn about the source turns every mic by the same."""
    room = None
    front = arranged("near-coincident-pair", (VOICE,), room=room, facing="front")[1].mics
    x, y, _ = VOICE.position
    turns = {"right": lambda dx, dy: (-dy, dx), "back": lambda dx, dy: (-dx, -dy), "left": lambda dx, dy: (dy, -dx)}
    for facing, turn in turns.items():
        for mic, turned in zip(
            front, arranged("near-coincident-pair", (VOICE,), room=room, facing=facing)[1].mics, strict=True
        ):
            dx, dy = turn(mic.position[0] - x, mic.position[1] - y)
            assert turned.position == pytest.approx((x + dx, y + dy, mic.position[2]))


def test_ground_finds_the_first_word_first_and_tells_right_from_left():
    ground = Ground((Source("Snare", (1, 1, 1)), Source("KICK", (2, 2, 2))), None, FACINGS["back"])
    assert ground.find("kick", "snare").name == "KICK"
    assert ground.find("gong") is None
    assert ground.beside((1.0, 2.0, 3.0), 0.5, 0.25, 0.125) == (1.25, 2.5, 3.125)  # looking along +y, right is +x
    assert ground.below_ceiling(9.0) == 9.0
