"""Placement where it is tight: tables that throw a source back, tolerances finer than a written step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from placement_costs import placement_cost

from micalign.findings.placing import place
from micalign.scene.model import Box, Keepout, Mic, Pair, Panel, PlacePlan, PlaceWeights, Source
from micalign.scene.scene import Scene

SPEED = 343.984  # m/s at 20 C, 50 %: Cramer 1993
VOICE = Source("voice", (2.0, 2.0, 1.2), range_hz=(100.0, 8000.0))
TABLE = Panel("table", (2.5, 2.0, 0.7), (0, 0, 1), (1.2, 0.8), absorption=0.0)


def over_a_table(mic_at, panel=TABLE, **mic: object) -> Scene:
    mics = (Mic("far", mic_at, on=("voice",), reach_m=0.4, **mic),)  # type: ignore[arg-type]
    return Scene(sources=(VOICE,), mics=mics, panels=(panel,))


def by_hand(mic_at) -> float:
    """Strength 1 + level / 9.54 dB, depth in octaves at 1 at most; a table of all its energy, 0.5 m below the voice."""
    x, _, z = mic_at
    direct = np.hypot(x - 2.0, z - 1.2)
    image = np.hypot(x - 2.0, z - 0.2)
    strength = max(1 + 20 * np.log10(direct / image) / (20 * np.log10(3)), 0.0)
    notch = SPEED / (2 * (image - direct))
    depth = np.clip(np.log2(min(notch / 100.0, 8000.0 / notch)), 0.0, 1.0)
    return float((strength * depth) ** 2)


def test_a_table_between_source_and_mic_costs_by_the_formula():
    at = (3.0, 2.0, 1.2)
    assert placement_cost(over_a_table(at)) == pytest.approx(by_hand(at), rel=1e-3)
    assert by_hand(at) > 0.3


@pytest.mark.parametrize(
    "panel",
    [
        replace(TABLE, centre=(2.5, 2.41, 0.7)),  # the way to the image passes beside it, by a centimetre
        replace(TABLE, centre=(1.89, 2.0, 0.7)),
        replace(TABLE, normal=(0, 0, -1), centre=(2.5, 2.0, 1.7)),  # above both, looking down
    ],
)
def test_a_table_beside_the_way_costs_nothing_and_one_above_does(panel):
    at = (3.0, 2.0, 1.2)
    cost = placement_cost(over_a_table(at, panel))
    assert (cost > 0) is (panel.normal == (0, 0, -1))


def test_a_table_between_two_heights_throws_nothing():
    assert placement_cost(over_a_table((3.0, 2.0, 0.5))) == 0.0


def test_a_mic_goes_where_the_table_does_no_harm():
    """Up and away or near: what is left of the cost, worked by hand, is a small part of what it was."""
    keen = PlacePlan(weights=PlaceWeights(reflections=20.0))
    scene = replace(over_a_table((3.0, 2.0, 1.2)), place=keen)
    found = place(scene)
    assert found.moved
    after = found.scene.mic("far").position
    assert by_hand(after) < 0.6 * by_hand((3.0, 2.0, 1.2))
    assert np.linalg.norm(np.subtract(after, (3.0, 2.0, 1.2))) <= 0.4 + 1e-6
    assert found.terms_after["reflections"] < found.terms_before["reflections"]
    off = replace(scene, place=PlacePlan(weights=PlaceWeights(reflections=0.0)))
    assert not place(off).moved


def test_mics_of_one_group_are_asked_for_their_own_tables():
    """Two mics far apart, each over a table of its own: each goes as it goes alone."""
    other = Source("other", (8.0, 2.0, 1.2), range_hz=(100.0, 8000.0))
    second = replace(TABLE, name="second", centre=(8.5, 2.0, 0.7))
    mics = (
        Mic("far", (3.0, 2.0, 1.2), on=("voice",), reach_m=0.4),
        Mic("there", (9.0, 2.0, 1.2), on=("other",), reach_m=0.4),
    )
    keen = PlacePlan(weights=PlaceWeights(reflections=20.0))
    both = place(Scene(sources=(VOICE, other), mics=mics, panels=(TABLE, second), place=keen))
    alone = place(replace(over_a_table((3.0, 2.0, 1.2)), place=keen))
    to = {move.mic: move.to_m for move in both.moves}
    # The second stands 6 m to the right and is otherwise the same; millimetres are what a place is written in.
    assert to["far"] == pytest.approx(alone.moves[0].to_m, abs=3e-3)
    assert np.subtract(to["there"], (6.0, 0.0, 0.0)) == pytest.approx(to["far"], abs=3e-3)


WIDE = Box((0.5, 3.5), (0.5, 3.5), (0.9, 2.2))
SNARE = Source("snare", (2.0, 2.0, 0.7))


def equal_pair(tolerance_s: float, unit: str) -> Scene:
    pair = Pair("pair", ("left", "right"), equal_to=("snare",), tolerance_s=tolerance_s)
    mics = (Mic("left", (1.013, 2.007, 1.701), move=WIDE), Mic("right", (3.291, 2.113, 1.797), move=WIDE))
    return Scene(length_unit=unit, sources=(SNARE,), mics=mics, pairs=(pair,))


def apart_s(scene: Scene, source: Source = SNARE) -> float:
    far = [np.linalg.norm(np.subtract(scene.mic(name).position, source.position)) for name in ("left", "right")]
    return float(abs(far[0] - far[1])) / SPEED


@pytest.mark.parametrize("unit", ["mm", "in", "m"])
def test_tolerances_finer_than_a_written_step_are_kept_in_written_numbers(unit):
    """A tenth of a millimetre of sound travel: the last decimals are sought until the numbers themselves fit."""
    found = place(equal_pair(0.3e-6, unit))
    assert found.feasible
    assert apart_s(found.scene) <= 0.3e-6 + 1e-12
    step = {"mm": 1e-4, "in": 0.0254e-3, "m": 1e-4}[unit]
    for move in found.moved:
        for coordinate in move.to_m:
            assert coordinate / step == pytest.approx(round(coordinate / step), abs=1e-4)


ALONG_X = Box((0.5, 1.5), (2.0, 2.0), (1.7, 1.7))


def one_line(tolerance_m: float, unit: str = "m") -> Scene:
    """The left mic moves along x alone; equality asks for x = 1.10074 m, between all steps of a tenth of a mm."""
    source = Source("snare", (2.00037, 2.0, 0.7))
    mics = (Mic("left", (1.2, 2.0, 1.7), move=ALONG_X), Mic("right", (2.9, 2.0, 1.7)))
    pair = Pair("pair", ("left", "right"), equal_to=("snare",), tolerance_s=tolerance_m / SPEED)
    return Scene(length_unit=unit, sources=(source,), mics=mics, pairs=(pair,))


# One millimetre along x is 0.67 mm of difference here (1.3 m away, 0.9 of it along x).
@pytest.mark.parametrize(
    ("unit", "tolerance_m", "written"),
    [
        ("m", 0.3e-3, 1.101),  # 0.26 mm off: within
        ("m", 0.1e-3, 1.1007),  # a millimetre's step is too coarse, the tenth that a file keeps is not
        ("cm", 0.1e-3, 1.1007),
        ("mm", 0.1e-3, 1.1007),
    ],
)
def test_decimals_are_added_where_the_usual_ones_do_not_do(unit, tolerance_m, written):
    found = place(one_line(tolerance_m, unit))
    assert found.feasible
    assert found.moves[0].to_m[0] == pytest.approx(written, abs=2e-6)
    assert found.moves[0].to_m[1:] == (2.0, 1.7)


def test_what_no_written_number_can_tell_is_not_called_feasible():
    """A thousandth of a millimetre: the nearest step that can be written is given, and the tolerance is named."""
    found = place(one_line(1e-6))
    assert not found.feasible
    assert found.moves[0].to_m[0] == pytest.approx(1.1007, abs=1e-3)
    assert {one.limit.kind for one in found.obstacles} >= {"tolerance"}


def test_a_mic_walled_in_by_keepouts_stays_and_they_are_named():
    cage = Keepout("cage", (1.0, 2.0, 1.7), size_m=(1.2, 1.2, 1.2))
    inside = Box((0.9, 1.1), (1.9, 2.1), (1.6, 1.8))
    mic = Mic("left", (1.0, 2.0, 1.7), move=inside)
    found = place(Scene(sources=(SNARE,), mics=(mic,), keepouts=(cage,)))
    assert not found.feasible
    assert "cage" in {one.limit.name for one in found.obstacles}
