"""Laws that every prediction keeps, whatever the scene."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.acoustics.comb import AUDIBLE_HZ, response_db
from micalign.acoustics.prediction import Prediction, predict
from micalign.acoustics.tuned import MOST_TEETH
from micalign.errors import SceneError
from micalign.scene.model import PATTERNS, SURFACES, Absorption, Mic, Panel, Room, Source
from micalign.scene.scene import Scene

SIZE = (8.0, 6.0, 3.0)


@st.composite
def scenes(draw: st.DrawFn) -> Scene:
    """One to three sources and two to four mics of any pattern in a room; nothing nearer than 1 cm."""

    coordinates = [st.integers(20, int(side * 100) - 20).map(lambda cm: cm / 100) for side in SIZE]
    places = draw(st.lists(st.tuples(*coordinates), min_size=3, max_size=7, unique=True))
    count = max(1, len(places) - 4)
    sources = tuple(Source(f"s{index}", place) for index, place in enumerate(places[:count]))
    mics = tuple(
        Mic(
            f"m{index}",
            place,
            aim="s0",
            pattern=draw(st.sampled_from(sorted(PATTERNS))),
            on=("s0",),
            gain_db=draw(st.sampled_from([0.0, -6.0, 12.5])),
            polarity=draw(st.sampled_from([1, -1])),
        )
        for index, place in enumerate(places[count:])
    )
    absorption = Absorption(*draw(st.lists(st.sampled_from([0.0, 0.1, 0.5, 1.0]), min_size=6, max_size=6)))
    return Scene(room=Room(SIZE, absorption), sources=sources, mics=mics)


def _numbers(predicted: Prediction) -> list[float]:
    groups = (predicted.paths, predicted.differences, predicted.spacing, predicted.reflections)
    rows = [getattr(row, key) for group in groups for row in group for key in row.__dataclass_fields__]
    return [value for value in rows if isinstance(value, float)]


@settings(max_examples=25)
@given(scenes())
def test_every_number_is_finite(scene: Scene) -> None:
    """Nulls and total cancellation are told as the floor, never as infinity."""
    assert np.all(np.isfinite(_numbers(predict(scene))))


@settings(max_examples=25)
@given(scenes())
def test_swapping_the_mics_negates_the_difference(scene: Scene) -> None:
    """Difference and level change sign; notches, depth, height and sigma stay."""
    swapped = replace(scene, mics=scene.mics[::-1])
    there = {(row.source, row.mics): row for row in predict(swapped).differences}
    for row in predict(scene).differences:
        other = there[row.source, row.mics[::-1]]
        assert other.difference_s == pytest.approx(-row.difference_s, abs=1e-15)
        assert other.level_difference_db == pytest.approx(-row.level_difference_db, abs=1e-9)
        assert other.notches_hz == row.notches_hz
        assert other.notch_depth_db == pytest.approx(row.notch_depth_db, abs=1e-6)
        assert other.uncertainty_s == pytest.approx(row.uncertainty_s)
        assert other.polarity == row.polarity


@settings(max_examples=25)
@given(scenes(), st.sampled_from([(0.3, 0.0, 0.0), (0.0, -0.15, 0.0), (0.1, 0.1, -0.1)]))
def test_moving_everything_changes_no_path(scene: Scene, shift: tuple[float, float, float]) -> None:
    """Without a room, only where things stand to each other counts."""
    bare = replace(scene, room=None)
    moved = bare.placed_at(
        {thing.name: tuple(np.add(thing.position, shift)) for thing in bare.placed()}  # type: ignore[misc]
    )
    for one, other in zip(predict(bare).paths, predict(moved).paths, strict=True):
        assert other.distance_m == pytest.approx(one.distance_m, abs=1e-12)
        assert other.level_db == pytest.approx(one.level_db, abs=1e-6)


@settings(max_examples=25)
@given(scenes())
def test_a_notch_is_where_the_response_is_least(scene: Scene) -> None:
    """At a notch the sum of the two stands at the stated depth, at a peak at the stated height."""
    for row in predict(scene).differences:
        for teeth, level in ((row.notches_hz[:3], row.notch_depth_db), (row.peaks_hz[:3], row.peak_height_db)):
            found = response_db(
                np.array(teeth),
                row.difference_s,
                level_difference_db=row.level_difference_db,
                polarity=row.polarity,
            )
            # Teeth are told to the thousandth of a hertz: in a deep notch the level there is as exact as that.
            assert found == pytest.approx(level, abs=1e-3) or level < -40
        assert all(tooth <= AUDIBLE_HZ + 1e-3 for tooth in row.notches_hz + row.peaks_hz)


@settings(max_examples=25)
@given(scenes())
def test_polarity_moves_teeth_and_nothing_else(scene: Scene) -> None:
    """Flip one mic: its notches become peaks; times and levels stay."""
    first = scene.mics[0]
    flipped = replace(scene, mics=(replace(first, polarity=-first.polarity), *scene.mics[1:]))
    for one, other in zip(predict(scene).differences, predict(flipped).differences, strict=True):
        assert other.difference_s == one.difference_s
        assert other.level_difference_db == one.level_difference_db
        if first.name in one.mics:
            same, inverted = (one, other) if one.polarity > 0 else (other, one)
            assert inverted.polarity == -1
            assert inverted.peaks_hz == same.notches_hz
            assert inverted.notches_hz[1:] == same.peaks_hz[: MOST_TEETH - 1]


@settings(max_examples=25)
@given(scenes())
def test_reflections_come_later(scene: Scene) -> None:
    """No image is nearer than its source; six surfaces, one row each."""
    rows = predict(scene).reflections
    assert len(rows) == 6 * len(scene.sources) * len(scene.mics)
    assert {row.surface for row in rows} == set(SURFACES)
    assert all(row.delay_s >= 0 for row in rows)


@settings(max_examples=25)
@given(scenes())
def test_what_absorbs_all_reflects_nothing(scene: Scene) -> None:
    """A surface of absorption 1 is down at the floor of levels."""
    assert scene.room is not None
    for row in predict(scene).reflections:
        if scene.room.absorption.of(row.surface) == 1.0:  # type: ignore[arg-type]
            assert row.level_db < -70


def test_orders_of_reflection_are_bounded() -> None:
    """Order 4 of a large scene would be a wall of rows: refused, with what to ask for."""
    scene = Scene(sources=(Source("s", (1.0, 1.0, 1.0)),), mics=(Mic("m", (2.0, 1.0, 1.0)),))
    with pytest.raises(SceneError, match="ask for 1, 2 or 3"):
        predict(scene, order=4)


def test_a_position_that_is_missing_is_named() -> None:
    """A scene that was not surveyed says which position it lacks."""
    scene = Scene(sources=(Source("s", (1.0, 1.0, 1.0)),), mics=(Mic("room mic"),))
    with pytest.raises(SceneError, match="'room mic' has no full position yet"):
        predict(scene)


def test_the_sign_of_a_difference() -> None:
    """The arrival at the second mic minus that at the first: positive where the second is farther."""
    scene = Scene(sources=(Source("s", (0.0, 0.0, 1.0)),), mics=(Mic("near", (1.0, 0, 1)), Mic("far", (3.0, 0, 1))))
    row = predict(scene).differences[0]
    assert row.mics == ("near", "far")
    assert row.difference_s == pytest.approx(2.0 / predict(scene).speed_of_sound_m_s)
    assert row.level_difference_db == pytest.approx(-9.542, abs=0.001)


def test_gain_counts_in_the_blend_and_not_in_the_path() -> None:
    """A far mic turned up by 9.54 dB is as loud in the blend: the comb becomes total."""
    mics = (Mic("near", (1.0, 0, 1)), Mic("far", (3.0, 0, 1), gain_db=9.542425094393248))
    predicted = predict(Scene(sources=(Source("s", (0.0, 0.0, 1.0)),), mics=mics))
    assert predicted.paths[1].level_db == pytest.approx(-9.542, abs=0.001)
    assert predicted.differences[0].level_difference_db == pytest.approx(0.0, abs=1e-9)
    assert predicted.differences[0].peak_height_db == pytest.approx(6.0206, abs=1e-4)


def test_mics_at_one_distance_have_no_notch() -> None:
    """No delay, no comb; the same where the first notch would lie above 20 kHz."""
    for far in (1.0, 1.004):
        mics = (Mic("a", (1.0, 0, 1)), Mic("b", (-far, 0, 1)))
        row = predict(Scene(sources=(Source("s", (0.0, 0.0, 1.0)),), mics=mics)).differences[0]
        assert row.first_notch_hz is None
        assert row.notches_hz == ()


def test_a_rear_lobe_inverts() -> None:
    """A figure-8 from behind: the comb's first notch is the bass itself."""
    mics = (
        Mic("front", (1.0, 0, 1), aim="s", pattern="cardioid"),
        Mic("back", (2.0, 0, 1), aim=(3.0, 0.0, 1.0), pattern="figure-8"),
    )
    row = predict(Scene(sources=(Source("s", (0.0, 0.0, 1.0)),), mics=mics)).differences[0]
    assert row.polarity == -1
    assert row.first_notch_hz == 0.0
    assert row.notches_hz[1] == pytest.approx(1 / row.difference_s, abs=1e-3)


TABLE = Panel("table", (2.0, 2.0, 0.7), (0, 0, 1), (1.0, 0.8), absorption=0.19)


@pytest.mark.parametrize(
    ("mic", "struck"),
    [((2.3, 2.0, 1.1), True), ((3.6, 2.0, 1.1), False), ((1.75, 2.0, 0.6), False)],
    ids=["above the table", "bounce beyond its edge", "below it"],
)
def test_a_panel_reflects_only_where_it_is_struck(mic: tuple[float, float, float], struck: bool) -> None:
    """The image of the source at 40 cm above the table lies as far below it."""
    scene = Scene(sources=(Source("s", (1.7, 2.0, 1.1)),), mics=(Mic("m", mic),), panels=(TABLE,))
    rows = predict(scene).reflections
    assert len(rows) == struck
    if struck:
        way, direct = float(np.hypot(0.6, 0.8)), 0.6
        assert rows[0].surface == "table"
        assert rows[0].delay_s * predict(scene).speed_of_sound_m_s == pytest.approx(way - direct)
        assert rows[0].level_db == pytest.approx(20 * np.log10(0.9 * direct / way))
        assert rows[0].at_m == pytest.approx((2.0, 2.0, 0.7))
        # Rindel's limit, by hand: c a / (2 A cos), a = the half way's length, twice over.
        assert rows[0].from_hz == pytest.approx(predict(scene).speed_of_sound_m_s * 0.5 / (2 * 0.8 * 0.8))


def test_a_rug_takes_the_floors_bounce_over() -> None:
    """A panel on the floor replaces the floor where it is struck, and nowhere else."""
    scene = Scene(
        room=Room(SIZE, Absorption(*[0.1] * 6)),
        sources=(Source("s", (2.0, 2.0, 1.0)),),
        mics=(Mic("over the rug", (3.0, 2.0, 1.0)), Mic("beyond", (6.0, 4.0, 1.0))),
        panels=(Panel("rug", (2.5, 2.0, 0.0), (0, 0, 1), (1.0, 1.0), absorption=0.6),),
    )
    found = {(row.mic, row.surface): row for row in predict(scene).reflections}
    assert ("over the rug", "floor") not in found
    bare = {(row.mic, row.surface): row for row in predict(replace(scene, panels=())).reflections}
    damped = found["over the rug", "rug"].level_db - bare["over the rug", "floor"].level_db
    assert damped == pytest.approx(10 * np.log10(0.4 / 0.9))
    assert ("beyond", "rug") not in found
    assert ("beyond", "floor") in found


def test_a_turned_panel_is_struck_where_it_lies() -> None:
    """Turned by 90 degrees, a long narrow panel no longer reaches the bounce."""
    long = Panel("board", (2.0, 2.0, 0.7), (0, 0, 1), (2.0, 0.2))
    scene = Scene(sources=(Source("s", (1.2, 2.0, 1.1)),), mics=(Mic("m", (1.4, 2.0, 1.1)),), panels=(long,))
    assert len(predict(scene).reflections) == 1
    assert not predict(replace(scene, panels=(replace(long, turn_degrees=90.0),))).reflections


def test_second_order_names_both_surfaces() -> None:
    """Six first bounces, eighteen second ones; between parallel walls both orders of the two."""
    scene = Scene(
        room=Room((5.0, 4.0, 3.0)), sources=(Source("s", (1.5, 2.0, 1.2)),), mics=(Mic("m", (3.5, 2.5, 1.4)),)
    )
    rows = predict(scene, order=2).reflections
    names = [row.surface for row in rows if row.order == 2]
    assert len(rows) == 24
    assert {"left + right", "right + left", "floor + ceiling", "left + floor"} <= set(names)


def test_the_bounce_lies_on_its_surface() -> None:
    """For the six walls of a room: angle in equals angle out."""
    scene = Scene(room=Room(SIZE), sources=(Source("s", (1.5, 2.0, 1.2)),), mics=(Mic("m", (3.5, 2.5, 1.4)),))
    for row in predict(scene).reflections:
        axis, far = divmod(SURFACES.index(row.surface), 2)  # type: ignore[arg-type]
        assert row.at_m is not None
        assert row.at_m[axis] == pytest.approx(far * SIZE[axis])
        ends = [np.subtract(place, row.at_m) for place in ((1.5, 2.0, 1.2), (3.5, 2.5, 1.4))]
        cosines = [abs(way[axis]) / np.linalg.norm(way) for way in ends]
        assert cosines[0] == pytest.approx(cosines[1])


def test_a_reflection_from_behind_comes_inverted_by_a_rear_lobe() -> None:
    """A hypercardioid looking down hears the ceiling with its rear lobe: inverted, so the bass goes first."""
    room = Room((5.0, 4.0, 2.6), Absorption(*[0.1] * 6))
    source = Source("s", (2.0, 2.0, 0.7))
    for pattern, polarity in (("hypercardioid", -1), ("omni", 1)):
        mic = Mic("m", (2.1, 2.0, 1.9), aim="s", pattern=pattern)
        rows = predict(Scene(room=room, sources=(source,), mics=(mic,))).reflections
        ceiling = next(row for row in rows if row.surface == "ceiling")
        assert ceiling.polarity == polarity
        assert ceiling.first_notch_hz == (0.0 if polarity < 0 else pytest.approx(0.5 / ceiling.delay_s))
