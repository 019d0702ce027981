"""Positions from tapes: how near, how sure, which tape is wrong, what to measure next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import numpy as np
import pytest
from taped_layouts import taped_layout

from micalign.acoustics.survey import Survey, survey, surveyed
from micalign.errors import SceneError
from micalign.scene.model import Mic, Room, Source, Tape
from micalign.scene.scene import Scene

SIZE = (6.0, 5.0, 2.6)
SIGMA_M = 0.005
ANCHORS = {"kick": (1.5, 1.2, 0.4), "snare": (4.4, 3.9, 0.7), "crash": (4.2, 1.0, 1.9), "lamp": (1.2, 3.8, 2.2)}


def _length(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    return float(np.linalg.norm(np.subtract(a, b)))


def _scene(mics: dict[str, tuple[float, float, float]], off: dict[tuple[str, str], float] | None = None) -> Scene:
    """Known sources, unknown mics, a tape from each source to each mic; ``off`` is added to some."""
    tapes = [
        Tape((source, mic), _length(at, place) + (off or {}).get((source, mic), 0.0), SIGMA_M)
        for mic, place in mics.items()
        for source, at in ANCHORS.items()
    ]
    return Scene(
        room=Room(SIZE),
        sources=tuple(Source(name, at) for name, at in ANCHORS.items()),
        mics=tuple(Mic(name) for name in mics),
        tapes=tuple(tapes),
    )


@dataclass(frozen=True)
class Tried:
    scene: Scene
    truth: dict[str, tuple[float, ...]]
    wrong: int | None


def _layout(rng: np.random.Generator, *, blunder_m: float = 0.0, heights: bool = False) -> Tried:
    """Four known points, one in each quarter of the floor, by turns low and high; two mics anywhere; every tape.

    The ninth tape runs from mic to mic: with four tapes to a point of three unknowns a wrong one can be seen but not
    named. ``heights`` gives the mics' heights, as a rule on the floor does.
    """
    quarters = np.array([[0, 0], [1, 1], [1, 0], [0, 1]])
    xy = (quarters * 0.5 + 0.05 + 0.4 * rng.random((4, 2))) * SIZE[:2]
    known = np.c_[xy, np.array([0.1, 0.1, 1.6, 1.6]) + 0.9 * rng.random(4)]
    mics = 0.3 + rng.random((2, 3)) * (np.array(SIZE) - 0.6)
    names, places = ["a", "b", "c", "d", "left", "right"], np.vstack([known, mics])
    pairs = [(i, j) for j in (4, 5) for i in range(4)] + [(4, 5)]
    lengths = [_length(places[i], places[j]) + SIGMA_M * rng.standard_normal() for i, j in pairs]
    wrong = int(rng.integers(len(pairs))) if blunder_m else None
    if wrong is not None:
        lengths[wrong] = max(lengths[wrong] + blunder_m * rng.choice([-1, 1]), 0.05)
    scene = Scene(
        room=Room(SIZE),
        sources=tuple(Source(name, tuple(place)) for name, place in zip(names, known, strict=False)),
        mics=tuple(
            Mic(name, (None, None, float(place[2])) if heights else (None, None, None))
            for name, place in zip(names[4:], mics, strict=True)
        ),
        tapes=tuple(
            Tape((names[i], names[j]), float(length), SIGMA_M) for (i, j), length in zip(pairs, lengths, strict=True)
        ),
    )
    return Tried(scene, dict(zip(names, map(tuple, places), strict=True)), wrong)


def _suspects(found: Survey) -> list[int]:
    return [index for index, tape in enumerate(found.tapes) if tape.suspect]


def _errors(tried: Tried, found: Survey) -> list[tuple[float, float]]:
    """Distance from the truth and stated uncertainty of every fixed point."""
    return [
        (_length(point.at_m, tried.truth[point.name]), point.uncertainty_m)  # type: ignore[arg-type]
        for point in found.points
        if point.uncertainty_m is not None
    ]


def test_exact_tapes_give_exact_places() -> None:
    """Without noise every point is found to a tenth of a millimetre, and no tape is accused."""
    mics = {"left": (2.2, 2.0, 1.9), "right": (3.6, 2.4, 1.7)}
    found = survey(_scene(mics))
    for point in found.points:
        assert point.at_m == pytest.approx(mics[point.name], abs=1e-4)
        assert point.fixed
        assert point.other_m is None
    assert not found.suspects
    assert found.spare == 2
    assert max(abs(tape.residual_m) for tape in found.tapes) < 1e-5


def test_a_scene_without_gaps_is_returned_as_it_is() -> None:
    """Nothing missing: the very same scene, whatever its tapes say."""
    scene = _scene({"left": (2.2, 2.0, 1.9)})
    whole = replace(scene, mics=(Mic("left", (2.2, 2.0, 1.9)),))
    assert surveyed(whole) is whole


def test_a_surveyed_scene_carries_its_uncertainty() -> None:
    """The point's own plus_minus comes from the tapes, not from the default centimetre."""
    scene = surveyed(_scene({"left": (2.2, 2.0, 1.9)}))
    assert scene.mic("left").position == pytest.approx((2.2, 2.0, 1.9), abs=1e-4)
    assert 0.002 < scene.mic("left").plus_minus_m < 0.01


def test_three_tapes_at_right_angles_give_each_axis_their_own_sigma() -> None:
    """Each tape fixes one axis; the radius of a ball that holds 68.27 per cent in space is 1.878 sigmas.

    A fourth tape, ten times coarser, tells the mirror place off and adds one per cent at most.
    """
    truth, ends = (
        (2.0, 2.0, 1.0),
        {"a": (1.0, 2.0, 1.0), "b": (2.0, 1.0, 1.0), "c": (2.0, 2.0, 0.2), "d": (3.0, 3.0, 1.5)},
    )
    sigmas = (SIGMA_M, SIGMA_M, SIGMA_M, 10 * SIGMA_M)
    scene = Scene(
        room=Room(SIZE),
        sources=tuple(Source(name, at) for name, at in ends.items()),
        mics=(Mic("left"),),
        tapes=tuple(
            Tape((name, "left"), _length(at, truth), sigma)
            for (name, at), sigma in zip(ends.items(), sigmas, strict=True)
        ),
    )
    point = survey(scene).points[0]
    assert point.at_m == pytest.approx(truth, abs=1e-4)
    assert point.axis_sigma_m == pytest.approx((SIGMA_M,) * 3, rel=0.01)
    assert point.uncertainty_m == pytest.approx(1.878 * SIGMA_M, rel=0.01)


def test_partial_coordinates() -> None:
    """With the height known two tapes are enough, and the height stays as it was given."""
    truth = (2.0, 3.2, 1.9)
    scene = _scene({"left": truth})
    given = replace(scene, mics=(Mic("left", (None, None, 1.9)),), tapes=scene.tapes[:2])
    # Two tapes and a height leave two places, mirrored at the line between the two sources; the room holds both.
    found = survey(given)
    point = found.points[0]
    assert point.at_m[2] == 1.9
    assert point.axis_sigma_m[2] == 0.0
    assert point.other_m is not None
    assert found.next_tape is not None
    assert "left" in found.next_tape.between
    third = survey(replace(given, tapes=scene.tapes[:3])).points[0]
    assert third.at_m == pytest.approx(truth, abs=1e-4)
    assert third.other_m is None


def test_the_floor_tells_mirror_places_apart() -> None:
    """Three known points on one level 40 cm up: the mirror of a mic at 1.9 m would be below the floor."""
    low = {"a": (1.0, 1.0, 0.4), "b": (4.0, 1.2, 0.4), "c": (2.0, 4.0, 0.4)}
    truth = (2.5, 2.0, 1.9)
    scene = Scene(
        sources=tuple(Source(name, at) for name, at in low.items()),
        mics=(Mic("left"),),
        tapes=tuple(Tape((name, "left"), _length(at, truth), SIGMA_M) for name, at in low.items()),
    )
    point = survey(scene).points[0]
    assert point.at_m == pytest.approx(truth, abs=1e-4)
    assert point.other_m is None


def test_the_ceiling_does_too_and_without_it_both_places_are_told() -> None:
    """Known points at 1.5 m: a mic at 0.9 m may stand at 2.1 m too, unless the ceiling is at 1.9 m."""
    level = {"a": (1.0, 1.0, 1.5), "b": (4.0, 1.2, 1.5), "c": (2.0, 4.0, 1.5)}
    truth = (2.5, 2.0, 0.9)
    scene = Scene(
        sources=tuple(Source(name, at) for name, at in level.items()),
        mics=(Mic("left"),),
        tapes=tuple(Tape((name, "left"), _length(at, truth), SIGMA_M) for name, at in level.items()),
    )
    point = survey(scene).points[0]
    places = sorted(place[2] for place in (point.at_m, point.other_m))  # type: ignore[index, type-var]
    assert places == pytest.approx([0.9, 2.1], abs=1e-4)
    with pytest.raises(
        SceneError,
        match=r"two places where it may stand, \(2.50 m, .* 0.90 m\) and \(.* 2.10 m\): give the right one of the two",
    ):
        surveyed(scene)
    under_a_ceiling = survey(replace(scene, room=Room((6.0, 5.0, 1.9)))).points[0]
    assert under_a_ceiling.at_m == pytest.approx(truth, abs=1e-4)
    assert under_a_ceiling.other_m is None


def test_what_the_tapes_do_not_fix_is_said_with_the_tape_that_would_help() -> None:
    """One tape leaves a sphere: no coordinates, and a further tape is named."""
    scene = _scene({"left": (2.2, 2.0, 1.9)})
    found = survey(replace(scene, tapes=scene.tapes[:1]))
    assert [point.name for point in found.unfixed] == ["left"]
    assert found.points[0].uncertainty_m is None
    assert None in found.points[0].at_m
    assert found.next_tape is not None
    assert "left" in found.next_tape.between
    assert "kick" not in found.next_tape.between
    with pytest.raises(
        SceneError, match="mic 'left' has no full position, and the one tape to it does not fix it: measure"
    ):
        surveyed(replace(scene, tapes=scene.tapes[:1]))


def test_the_further_tape_that_helps_most_does() -> None:
    """Taking the advice lowers the uncertainty as foretold; no other untaped pair lowers it more."""
    mics = {"left": (2.2, 2.0, 1.9), "right": (3.6, 2.4, 1.7)}
    scene = _scene(mics)
    scarce = replace(scene, tapes=(*scene.tapes[:3], *scene.tapes[4:7]))
    found = survey(scarce)
    assert found.next_tape is not None
    places = {**ANCHORS, **mics}

    def worst(pair: tuple[str, str]) -> float:
        more = Tape(pair, _length(places[pair[0]], places[pair[1]]), SIGMA_M)
        points = survey(replace(scarce, tapes=(*scarce.tapes, more))).points
        return sum(sum(sigma**2 for sigma in point.axis_sigma_m) for point in points)

    others = [("lamp", "left"), ("lamp", "right"), ("left", "right")]
    best = min(others, key=worst)
    assert set(found.next_tape.between) == set(best)
    assert found.next_tape.after_m < found.next_tape.before_m


def test_a_blunder_is_named_left_out_and_measured() -> None:
    """A 25 cm slip in one of nine tapes: that tape alone, its size, and places as if it were not there."""
    mics = {"left": (2.2, 2.0, 1.9), "right": (3.6, 2.4, 1.7)}
    scene = _scene(mics, {("snare", "left"): 0.25})
    between = Tape(("left", "right"), _length(mics["left"], mics["right"]), SIGMA_M)
    found = survey(replace(scene, tapes=(*scene.tapes, between)))
    assert [tape.between for tape in found.suspects] == [("snare", "left")]
    assert found.suspects[0].residual_m == pytest.approx(0.25, abs=0.01)
    for point in found.points:
        assert point.at_m == pytest.approx(mics[point.name], abs=1e-3)


def test_where_nothing_tells_which_tape_is_wrong_all_that_may_be_are_named() -> None:
    """Four tapes to a point: a slip is seen, but any of the four may be it; the uncertainty says how far that leads."""
    truth = (2.2, 2.0, 1.9)
    found = survey(_scene({"left": truth}, {("snare", "left"): 0.25}))
    assert len(found.suspects) + len(found.rivals) > 1
    assert ("snare", "left") in [tape.between for tape in (*found.suspects, *found.rivals)]
    point = found.points[0]
    assert point.axis_sigma_m[0] > 0.03


def test_two_explanations_are_both_told_with_the_tape_that_decides() -> None:
    """A slip that nothing pins to one tape: each explanation has its place, and the tape named tells them apart."""
    truth = (2.2, 2.0, 1.9)
    found = survey(_scene({"left": truth}, {("snare", "left"): 0.25}))
    assert len(found.wrong) > 1
    assert sum(one.probability for one in found.wrong) == pytest.approx(1.0)
    right = next(one for one in found.wrong if one.between == ("snare", "left"))
    assert right.off_m == pytest.approx(0.25, abs=0.02)
    assert right.places["left"] == pytest.approx(truth, abs=0.02)
    assert found.doubtful
    assert found.next_tape is not None
    assert found.next_tape.decides
    reads = [one.next_m for one in found.wrong]
    assert max(reads) - min(reads) > 0.05  # type: ignore[type-var, operator]


@pytest.mark.parametrize("off_m", [0.1, 0.25, -0.2])
@pytest.mark.parametrize("between", [("snare", "left"), ("kick", "left")])
def test_the_place_that_is_shown_is_that_of_the_explanation_told_first(off_m: float, between: tuple[str, str]) -> None:
    """Also where another tape has more of the probability in several explanations together."""
    found = survey(_scene({"left": (2.2, 2.0, 1.9)}, {between: off_m}))
    assert found.wrong
    first = found.wrong[0]
    assert found.points[0].at_m == pytest.approx(first.places["left"], abs=2e-3)
    assert [tape.between for tape in found.tapes if tape.suspect and not tape.rival] == [first.between]


@pytest.mark.slow
def test_a_tape_is_named_alone_only_where_that_is_sure() -> None:
    """Over 60 random layouts with one misread tape of four to eight: at least 95 of 100 named alone are the wrong one,
    and the wrong one is among those told in 95 of 100.
    """
    rng = np.random.default_rng(7)
    named = among = seen = right = 0
    for _ in range(60):
        layout = taped_layout(rng)
        suspects = _suspects(survey(layout.scene))
        seen += bool(suspects)
        among += layout.wrong in suspects
        named += len(suspects) == 1
        right += suspects == [layout.wrong]
    assert named >= 20
    assert right >= 0.95 * named
    assert among >= 0.95 * seen


def test_tapes_alone_give_a_frame() -> None:
    """No coordinate at all: all distances come out, the first three points make the frame, the mirror is no doubt."""
    places = {
        "a": (1.0, 2.0, 0.5),
        "b": (4.0, 2.5, 0.7),
        "c": (2.0, 4.0, 1.2),
        "d": (2.5, 2.2, 2.0),
        "e": (1.5, 3.0, 1.8),
    }
    names = list(places)
    tapes = tuple(Tape((a, b), _length(places[a], places[b]), SIGMA_M) for a, b in combinations(names, 2))
    scene = Scene(sources=tuple(map(Source, names[:3])), mics=tuple(map(Mic, names[3:])), tapes=tapes)
    found = survey(scene)
    at = {point.name: point.at_m for point in found.points} | {"a": (0.0, 0.0, 0.0)}
    assert found.frame == ("a", "b", "c")
    assert at["b"][1:] == (0.0, 0.0)
    assert at["b"][0] > 0
    assert at["c"][1] > 0
    assert at["c"][2] == 0.0
    assert at["d"][2] > 0
    assert not found.doubtful
    for first, second in combinations(names, 2):
        assert _length(at[first], at[second]) == pytest.approx(_length(places[first], places[second]), abs=1e-3)


def test_frames_of_random_tapes_hold_their_distances() -> None:
    """Twelve layouts of five to eight points and no coordinate, tapes to 5 mm, some left out: every distance between
    points that are told as fixed comes out within 5 cm, half of them within 5 mm, and none is called the mirror's.
    """
    off = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        count = int(rng.integers(5, 9))
        at = rng.uniform((0, 0, 0.1), (5, 4, 2.2), (count, 3))
        names = [f"p{index}" for index in range(count)]
        pairs = list(combinations(range(count), 2))
        dropped = int(rng.integers(0, max(1, len(pairs) - (3 * count - 6) - 1)))
        kept = [pairs[index] for index in sorted(rng.permutation(len(pairs))[dropped:])]
        tapes = tuple(
            Tape((names[a], names[b]), float(np.linalg.norm(at[a] - at[b]) + 0.005 * rng.normal()), 0.005)
            for a, b in kept
        )
        half = count // 2
        found = survey(Scene(sources=tuple(map(Source, names[:half])), mics=tuple(map(Mic, names[half:])), tapes=tapes))
        told = {point.name: point.at_m for point in found.points if point.fixed} | {found.frame[0]: (0.0, 0.0, 0.0)}
        assert len(told) >= count - 1
        assert found.frame == tuple(names[:3])
        off += [
            abs(_length(told[names[a]], told[names[b]]) - float(np.linalg.norm(at[a] - at[b])))
            for a, b in pairs
            if names[a] in told and names[b] in told
        ]
    assert max(off) < 0.05
    assert np.median(off) < 0.005


def test_a_tape_between_known_places_is_checked_too() -> None:
    """Kick to snare off by 30 cm: one of the places is wrong, and it has nothing to do with the mics."""
    scene = _scene({"left": (2.2, 2.0, 1.9)})
    wrong = Tape(("kick", "snare"), _length(ANCHORS["kick"], ANCHORS["snare"]) + 0.3)
    found = survey(replace(scene, tapes=(*scene.tapes, wrong)))
    assert [tape.between for tape in found.suspects] == [("kick", "snare")]


def test_the_same_scene_gives_the_same_answer() -> None:
    """The starts are drawn from a fixed seed."""
    tried = _layout(np.random.default_rng(3))
    assert survey(tried.scene) == survey(tried.scene)


def test_ten_unknown_points_in_a_chain_of_tapes() -> None:
    """A whole set-up, each mic taped to some sources and to its neighbours, comes out within millimetres."""
    rng = np.random.default_rng(4)
    places = {f"m{index}": tuple(0.3 + rng.random(3) * (np.array(SIZE) - 0.6)) for index in range(10)}
    scene = _scene(places)
    names = list(places)
    more = [Tape((a, b), _length(places[a], places[b]), SIGMA_M) for a, b in pairwise(names)]
    kept = [tape for index, tape in enumerate(scene.tapes) if index % 4 != 3]
    found = survey(replace(scene, tapes=(*kept, *more)))
    for point in found.points:
        assert point.at_m == pytest.approx(places[point.name], abs=2e-3)


LAYOUTS = 200


@pytest.mark.slow
@pytest.mark.parametrize("heights", [False, True], ids=["all unknown", "heights known"])
def test_accuracy_coverage_and_no_false_accusation(heights: bool) -> None:
    """Over 200 layouts with tapes of 0.5 cm: median error at most 0.8 cm, stated radius holds 60 to 76 per cent,
    no tape accused in 98 per cent.
    """
    rng = np.random.default_rng(11)
    tried = [_layout(rng, heights=heights) for _ in range(LAYOUTS)]
    found = [survey(one.scene) for one in tried]
    errors = np.array([pair for one, other in zip(tried, found, strict=True) for pair in _errors(one, other)])
    print(f"median {np.median(errors[:, 0]) * 100:.2f} cm, coverage {np.mean(errors[:, 0] <= errors[:, 1]):.3f}")
    assert len(errors) >= 0.98 * 2 * LAYOUTS
    assert np.median(errors[:, 0]) <= 0.008
    assert 0.60 <= np.mean(errors[:, 0] <= errors[:, 1]) <= 0.76
    assert sum(bool(one.suspects) for one in found) <= 0.02 * LAYOUTS


@pytest.mark.slow
def test_a_blunder_is_named_in_nineteen_of_twenty() -> None:
    """A slip of 25 cm in one of nine tapes, the mics' heights known: that tape and only it in 95 per cent."""
    rng = np.random.default_rng(12)
    tried = [_layout(rng, blunder_m=0.25, heights=True) for _ in range(LAYOUTS)]
    named = [_suspects(survey(one.scene)) == [one.wrong] for one in tried]
    print(f"named {np.mean(named):.3f}")
    assert np.mean(named) >= 0.95


@pytest.mark.slow
def test_a_blunder_with_all_coordinates_unknown() -> None:
    """With three tapes to spare the likeliest tape is itself the wrong one in about one case of fourteen: the slip is
    seen in all but one of a hundred, a tape is named alone in 85 per cent and more, of these 95 in 100 rightly, and
    the wrong tape is among those told in 98 per cent.
    """
    rng = np.random.default_rng(13)
    tried = [_layout(rng, blunder_m=0.25) for _ in range(LAYOUTS)]
    found = [survey(one.scene) for one in tried]
    alone = [
        _suspects(one) == [other.wrong] for one, other in zip(found, tried, strict=True) if len(_suspects(one)) == 1
    ]
    named = len(alone) / len(tried)
    among = np.mean(
        [
            one.tapes[other.wrong].suspect or one.tapes[other.wrong].rival  # type: ignore[index]
            for one, other in zip(found, tried, strict=True)
        ]
    )
    print(f"named alone {named:.3f}, of these rightly {np.mean(alone):.3f}, among those told {among:.3f}")
    assert np.mean([bool(one.suspects) for one in found]) >= 0.99
    assert named >= 0.85
    assert np.mean(alone) >= 0.95
    assert among >= 0.98


@pytest.mark.parametrize("count", [8, pytest.param(24, marks=pytest.mark.slow)])
def test_the_distances_told_fix_the_point(count: int) -> None:
    """Measured where the point truly stands: of 24 mics with too few tapes most are told what to measure, and it does.

    Oracle: the distances of the true place.
    """
    told = 0
    for seed in range(count):
        rng = np.random.default_rng(100 + seed)
        sources = tuple(Source(f"s{row}", tuple(rng.uniform([1, 1, 0.3], [4, 3, 1.2]).tolist())) for row in range(5))
        true = rng.uniform([0.5, 0.5, 1.2], [4.5, 3.5, 2.3])
        tapes = {one.name: Tape((one.name, "mic"), float(np.linalg.norm(np.array(one.at) - true))) for one in sources}
        first = list(tapes.values())[: seed % 3]
        scene = Scene(sources=sources, mics=(Mic("mic"),), room=Room((5.0, 4.0, 2.5)), tapes=tuple(first))
        by = survey(scene).points[0].fixed_by
        if not by:
            continue
        told += 1
        assert len(by) <= 4 - len(first) + (len(first) > 0)
        point = survey(replace(scene, tapes=(*first, *(tapes[name] for name in by)))).points[0]
        assert point.fixed
        assert point.other_m is None
    assert told >= 0.9 * count
