from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from figure_words import cut_off, overlaps, shown_words

from micalign.acoustics.prediction import predict
from micalign.acoustics.survey import surveyed
from micalign.errors import SceneError
from micalign.figures.gallery import equal_distance_figure, scene_figures
from micalign.figures.late_copies import pair_combs_figure, timeline_figure
from micalign.figures.stage_plan import floor_figure, plan_figure
from micalign.figures.style import render
from micalign.figures.views import VIEWS, keepout_outline, lobe_outline, move_outline, panel_outline
from micalign.files.scenes import read_scene
from micalign.scene.model import Box, Di, Keepout, Mic, Pair, Panel, Room, Source
from micalign.scene.scene import Scene

SCENES = sorted((Path(__file__).parents[2] / "scenes").glob("*.toml"))

HOSTILE = '<b>&"$x$\u202e日'


def kit(unit: str = "m") -> Scene:
    return Scene(
        title="kit",
        length_unit=unit,
        room=Room((5.0, 4.0, 2.5)),
        sources=(Source("snare", (2.0, 2.0, 0.7)), Source("kick", (2.3, 1.5, 0.3))),
        mics=(
            Mic("left", (1.4, 2.1, 1.9), aim="snare", pattern="cardioid", on=("snare", "kick")),
            Mic("right", (2.9, 2.2, 1.8), aim="snare", pattern="cardioid", on=("snare", "kick"),
                move=Box((2.5, 3.2), (1.8, 2.5), (1.6, 2.1))),
        ),
        pairs=(Pair("overheads", ("left", "right"), ("snare", "kick")),),
        keepouts=(Keepout("head", (2.0, 2.9, 1.2), radius_m=0.3),),
    )  # fmt: skip


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("cm", 0.01), ("ft", 0.3048), ("in", 0.0254), ("mm", 1.0)])
def test_everything_stands_where_the_scene_says_in_the_users_unit(unit: str, metres: float) -> None:
    figure = plan_figure(kit(unit))
    shown = "m" if unit == "mm" else unit
    for axes, (across, up) in zip(figure.axes[:3], ((0, 1), (0, 2), (1, 2)), strict=True):
        dots = {
            marker: [line.get_xydata()[0] * metres for line in axes.lines if line.get_marker() == marker]
            for marker in ("o", "s")
        }
        sources = [(source.position[across], source.position[up]) for source in kit().sources]
        mics = [(mic.position[across], mic.position[up]) for mic in kit().mics]
        assert np.allclose(dots["o"], sources)
        assert np.allclose(dots["s"], mics)
        assert f"({shown})" in axes.get_xlabel()


def test_a_rug_hides_no_place_to_keep_out_of() -> None:
    rug = Panel("rug", (2.0, 2.5, 0.01), (0.0, 0.0, 1.0), (3.0, 3.0))
    patches = plan_figure(replace(kit(), panels=(rug,))).axes[0].patches
    [head] = [one for one in patches if one.get_hatch()]
    [floor] = [one for one in patches if one.get_fill() and one.get_linewidth() == 1.6]
    assert head.get_zorder() > floor.get_zorder()


def test_all_views_are_to_one_scale() -> None:
    figure = plan_figure(kit())
    for axes in figure.axes[:3]:
        a, b = axes.transData.transform([(0.0, 0.0), (1.0, 1.0)])
        assert abs(b[0] - a[0]) == pytest.approx(b[1] - a[1])
    widths = [np.ptp(axes.transData.transform([(0, 0), (1, 0)])[:, 0]) for axes in figure.axes[:3]]
    assert np.ptp(widths) < 1e-6


def test_side_views_are_as_a_person_sees_them() -> None:
    """With the back to the front wall larger x is to the right; with the back to the left wall the front wall is."""
    _, front, left = plan_figure(kit()).axes[:3]
    assert front.get_title(loc="left") == "seen from the front wall"
    assert left.get_title(loc="left") == "seen from the left wall"
    assert front.get_xlim()[0] < front.get_xlim()[1]
    assert left.get_xlim()[0] > left.get_xlim()[1]


def test_a_reach_is_drawn_as_a_box_is() -> None:
    """The ball of a reach: 20 cm round the mic in every view."""
    mic = Mic("m", (1.0, 2.0, 1.5), reach_m=0.2)
    for view in VIEWS:
        assert np.hypot(*(move_outline(mic, view) - view.flat(mic.position)).T) == pytest.approx(0.2)


def test_paths_carry_the_length_a_tape_would_read() -> None:
    texts = {text.get_text() for text in plan_figure(kit(), paths_of="snare").axes[0].texts}
    assert {f"{np.hypot(np.hypot(0.6, 0.1), 1.2):.2f} m", f"{np.hypot(np.hypot(0.9, 0.2), 1.1):.2f} m"} <= texts


def test_a_moved_mic_leaves_a_hollow_mark_at_its_old_place() -> None:
    old = kit().placed_at({"right": (3.3, 2.4, 2.0)})
    hollow = [
        line.get_xydata()[0]
        for line in plan_figure(kit(), before=old).axes[0].lines
        if line.get_marker() == "s" and line.get_markeredgecolor() != line.get_markerfacecolor()
    ]
    assert np.allclose(hollow, [(3.3, 2.4)])


def test_the_lobe_is_the_pattern_in_the_plane_of_the_view() -> None:
    # A cardioid that looks straight along x hears (1 + cos) / 2, so its plan is that curve about it.
    scene = Scene(
        sources=(Source("s", (3.0, 1.0, 1.0)),), mics=(Mic("m", (1.0, 1.0, 1.0), aim="s", pattern="cardioid"),)
    )
    outline = lobe_outline(scene, scene.mics[0], VIEWS[0], radius=2.0) - [1.0, 1.0]
    angle = np.arctan2(outline[:, 1], outline[:, 0])
    reach = np.hypot(*outline.T)
    assert np.allclose(reach, 1 + np.cos(np.linspace(0, 2 * np.pi, len(reach))), atol=1e-9)
    assert reach[np.argmin(np.abs(angle))] == pytest.approx(2.0)
    # Seen from the left wall it looks at the viewer: the same in every direction, half as far.
    assert np.allclose(np.hypot(*(lobe_outline(scene, scene.mics[0], VIEWS[2], radius=2.0) - [1.0, 1.0]).T), 1.0)


def test_keep_outs_and_panels_are_drawn_to_size() -> None:
    box = keepout_outline(Keepout("stand", (1.0, 2.0, 0.5), size_m=(0.4, 0.2, 1.0)), VIEWS[1])
    assert np.ptp(box, axis=0) == pytest.approx([0.4, 1.0])
    drum = Keepout("cymbal", (1.0, 2.0, 0.5), radius_m=0.25, height_m=0.1)
    assert np.ptp(keepout_outline(drum, VIEWS[0]), axis=0) == pytest.approx([0.5, 0.5], abs=1e-3)
    assert np.ptp(keepout_outline(drum, VIEWS[2]), axis=0) == pytest.approx([0.5, 0.1])
    wall = panel_outline(Panel("window", (1.0, 0.0, 1.5), (0.0, 2.0, 0.0), (1.2, 0.8)))
    assert np.ptp(wall, axis=0) == pytest.approx([1.2, 0.0, 0.8])


def test_a_source_that_is_not_there_is_refused() -> None:
    with pytest.raises(SceneError, match="no source is called 'cowbell'"):
        plan_figure(kit(), paths_of="cowbell")
    with pytest.raises(SceneError, match="no source is called 'cowbell'"):
        timeline_figure(kit(), "cowbell")


def test_the_timeline_has_the_direct_sound_and_the_floors_copy_where_geometry_puts_them() -> None:
    scene = kit()
    figure = timeline_figure(scene, "snare")
    speed = predict(scene).speed_of_sound_m_s
    # The nearest mic comes first: 'left' at (1.4, 2.1, 1.9) is 1.345 m away, 'right' 1.435 m.
    amber, blue = figure.axes[0].collections[:2]
    direct = np.linalg.norm(np.subtract((2.0, 2.0, 0.7), (1.4, 2.1, 1.9))) / speed * 1e3
    floor = np.linalg.norm(np.subtract((2.0, 2.0, -0.7), (1.4, 2.1, 1.9))) / speed * 1e3
    assert blue.get_segments()[0][0][0] == pytest.approx(direct)
    assert min(abs(segment[0][0] - floor) for segment in amber.get_segments()) < 1e-9
    assert len(amber.get_segments()) == 6


def test_the_heavy_line_of_the_map_is_equally_far_from_the_source() -> None:
    figure = equal_distance_figure(kit(), "right", against="left", sources=["snare"])
    wanted = np.linalg.norm(np.subtract((1.4, 2.1, 1.9), (2.0, 2.0, 0.7)))
    heavy = next(c for c in figure.axes[0].collections if np.allclose(c.get_linewidths(), 2.2))
    points = np.concatenate([path.vertices for path in heavy.get_paths()])
    assert len(points) > 50
    away = np.linalg.norm(np.column_stack([points, np.full(len(points), 1.8)]) - (2.0, 2.0, 0.7), axis=1)
    # Contours are straight between grid points a centimetre apart.
    assert np.max(np.abs(away - wanted)) < 1e-3


@pytest.mark.parametrize(("mic", "against", "sources"), [("left", "left", ["snare"]), ("left", "right", [])])
def test_a_map_without_two_mics_and_a_source_is_refused(mic: str, against: str, sources: list[str]) -> None:
    with pytest.raises(SceneError, match="two mics and at least one source"):
        equal_distance_figure(kit(), mic, against=against, sources=sources)


def test_combs_of_pairs_tell_the_difference_and_its_uncertainty() -> None:
    scene = kit()
    figure = pair_combs_figure(scene, predict(scene))
    assert figure is not None
    row = next(row for row in predict(scene).differences if row.source == "snare")
    labels = [axes.lines[0].get_label() for axes in figure.axes]
    # A sigma of 10 to 100 µs leaves hundredths of a millisecond, of both.
    assert 10e-6 < row.uncertainty_s < 100e-6
    assert any(f"{abs(row.difference_s) * 1e3:.2f} ms ± {row.uncertainty_s * 1e3:.2f} ms" in label for label in labels)


def test_names_stand_at_the_points_of_a_full_stage_and_tags_only_where_there_is_no_room() -> None:
    """Twelve mics and eight sources in a room: nothing collides, and half of the names at least are written."""
    rng = np.random.default_rng(3)
    sources = tuple(Source(f"player {n}", (*(1 + rng.random(2) * (5, 3)), 0.8)) for n in range(8))
    mics = tuple(Mic(f"spot mic {n}", (*(1 + rng.random(2) * (5, 3)), 1.4)) for n in range(12))
    scene = Scene(room=Room((7, 5, 3)), sources=sources, mics=mics)
    for figure in (plan_figure(scene), floor_figure(scene, height_in=4.5)):
        written = [text.get_text() for text in figure.axes[0].texts]
        assert len(written) == 20
        assert sum(" " in text for text in written) >= 10
        assert overlaps(figure) == []
        assert cut_off(figure) == []


def test_a_scene_of_one_mic_fills_the_sheet() -> None:
    scene = Scene(sources=(Source("voice", (3.2, 2.2, 1.5)),), mics=(Mic("mic", (3.0, 2.0, 1.2), on=("voice",)),))
    figure = plan_figure(scene)
    left = min(axes.get_position().x0 for axes in figure.axes[:3]) * figure.get_figwidth()
    right = max(axes.get_position().x1 for axes in figure.axes[:3]) * figure.get_figwidth()
    assert right - left > 0.8 * figure.get_figwidth()
    assert cut_off(figure) == []


def test_every_mark_of_the_map_is_named() -> None:
    low = kit()
    tall = replace(low, keepouts=(Keepout("shelf", (2.0, 2.9, 1.7), radius_m=0.3),))
    figure, without = (
        equal_distance_figure(scene, "right", against="left", sources=["snare", "kick"]) for scene in (tall, low)
    )
    named = {text.get_text() for text in figure.legends[0].get_texts()}
    assert {text.get_text() for text in without.legends[0].get_texts()} == named - {"keep out, at this height"}
    assert {"equally far from snare", "equally far from kick", "steps of 0.1 ms for snare", "source"} <= named
    assert {"left, stays", "right, as it stands", "right may move in", "keep out, at this height"} <= named
    assert {f"the worst of them within {ms} ms" for ms in ("0.1", "0.2", "0.4", "0.8")} <= named
    assert overlaps(figure) == []


def test_a_dis_comb_against_its_mic_is_drawn_first_with_its_polarity() -> None:
    """34.4 cm at 344 m/s are 1 ms; the wire is 0.2 ms late, so 0.8 ms are left, and an inverted copy adds at 625 Hz."""
    scene = Scene(
        sources=(Source("bass", (1.0, 1.0, 0.5)),),
        mics=(Mic("cab", (1.344, 1.0, 0.5), on=("bass",)), Mic("far", (2.0, 1.0, 0.5), on=("bass",))),
        dis=(Di("wire", "bass", latency_s=0.0002, polarity=-1),),
    )
    figure = pair_combs_figure(scene, predict(scene), most=2)
    assert figure is not None
    assert figure.axes[0].get_title(loc="left") == "bass: wire with cab"
    hertz, level = (np.asarray(part) for part in figure.axes[0].lines[0].get_data())
    near = (hertz > 300) & (hertz < 1000)
    assert hertz[near][np.argmax(level[near])] == pytest.approx(625, rel=0.01)
    assert "as if equally loud, inverted" in figure.axes[0].lines[0].get_label()
    assert figure.texts[0].get_text() == "2 of 3 combs in the blend"


def test_every_shade_of_a_comb_is_named() -> None:
    figure = pair_combs_figure(kit(), predict(kit()))
    assert figure is not None
    named = {text.get_text() for text in figure.legends[0].get_texts()}
    assert {one.get_label() for axes in figure.axes for one in axes.collections} == named


def test_one_mic_makes_no_comb() -> None:
    scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("only", (1.0, 2.0, 1.0), on=("snare",)),))
    assert pair_combs_figure(scene, predict(scene)) is None
    assert [name for name, _ in scene_figures(scene, predict(scene))] == ["plan", "arrivals-snare"]


def test_hostile_names_are_drawn_as_text() -> None:
    scene = Scene(
        title=HOSTILE,
        sources=(Source(HOSTILE, (2.0, 2.0, 0.7)), Source("a" * 200, (1.0, 1.0, 0.7))),
        mics=(Mic("$\\frac{", (1.4, 2.1, 1.9), on=(HOSTILE,)), Mic("b", (2.4, 2.1, 1.9), on=(HOSTILE,))),
        pairs=(Pair("p<i>", ("$\\frac{", "b"), (HOSTILE,)),),
    )
    drawn = dict(scene_figures(scene, predict(scene)))
    assert len(drawn) == 5
    assert render(drawn["plan"], ".svg")
    for figure in (*drawn.values(), floor_figure(scene)):
        assert not cut_off(figure)


@pytest.mark.slow
def test_a_full_stage_fits_the_sheet() -> None:
    sources = tuple(Source(f"player {n}", (0.6 + n % 8, 0.6 + n // 8, 1.0)) for n in range(16))
    mics = tuple(Mic(f"mic {n}", (0.8 + n % 8, 0.9 + n // 8, 1.2), on=(f"player {n % 16}",)) for n in range(32))
    scene = Scene(room=Room((9.0, 6.0, 3.0)), sources=sources, mics=mics)
    assert not cut_off(plan_figure(scene))
    # Seen from the side so many things stand behind each other; from above each tag has its place.
    floor = floor_figure(scene, height_in=5.0)
    assert (cut_off(floor), overlaps(floor)) == ([], [])


def test_no_word_of_the_plans_is_cut_off_or_covers_another() -> None:
    scene = surveyed(read_scene(next(path for path in SCENES if path.stem == "jazz-kit")))
    for figure in (plan_figure(scene, paths_of="snare"), floor_figure(scene)):
        assert (cut_off(figure), overlaps(figure)) == ([], [])


@pytest.mark.parametrize("count", [3, 6, 9])
def test_a_row_of_players_leaves_the_symbols_their_room(count: int) -> None:
    """Wide and not deep: beside the plan stand the symbols, the bar and what is said of the room."""
    ways = [0.5 + 0.8 * k for k in range(count)]
    row = Scene(
        title="a choir",
        room=Room((0.8 * count + 1.2, 5.0, 2.6)),
        sources=tuple(Source(f"player {k}", (x, 2.75, 1.2)) for k, x in enumerate(ways, 1)),
        mics=tuple(Mic(f"player {k} mic", (x, 2.45, 1.2), aim=f"player {k}") for k, x in enumerate(ways, 1)),
    )
    figure = plan_figure(row)
    assert cut_off(figure) == []
    assert overlaps(figure) == []


@pytest.mark.slow
@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_no_word_is_cut_off_or_covers_another_in_any_scene(path: Path) -> None:
    scene = surveyed(read_scene(path))
    drawn = [*scene_figures(scene, predict(scene)), ("floor", floor_figure(scene))]
    drawn.append(("paths", plan_figure(scene, paths_of=scene.sources[0].name)))
    for name, figure in drawn:
        assert (name, cut_off(figure), overlaps(figure)) == (name, [], [])


def test_no_name_of_an_arrival_covers_a_stem() -> None:
    """A rug's reflection follows the direct sound so closely that its name finds no room to its left."""
    over = Mic("overhead", (3.0, 2.14, 2.05), on=("kick",))
    rug = Panel("rug under the kit", (2.188, 2.013, 0.01), (0.0, 0.0, 1.0), (2.4, 2.4), absorption=0.6)
    kick = Source("kick", (2.3, 1.6, 0.32))
    figure = timeline_figure(Scene(room=Room((5.0, 4.0, 2.6)), sources=(kick,), mics=(over,), panels=(rug,)), "kick")
    words = [box for text, box in shown_words(figure) if text == "rug under the kit"]
    assert len(words) == 1
    axes = figure.axes[0]
    for stems in axes.collections:
        for (x, low), (_, high) in stems.get_segments():  # type: ignore[attr-defined]
            for level in np.linspace(low, high, 20):
                assert not words[0].contains(*axes.transData.transform((x, level)))
