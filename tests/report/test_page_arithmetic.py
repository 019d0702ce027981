"""The arithmetic of the pages is Python's: the same scenes through both, in a real browser."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import Page, browser

import micalign.report
from micalign.acoustics.comb import first_notch_range_hz, response_db
from micalign.acoustics.placement_terms import clearance_m
from micalign.acoustics.prediction import Prediction, predict
from micalign.report.page import scene_values
from micalign.scene.model import PATTERNS, SURFACES, Absorption, Air, Di, Keepout, Mic, Pair, Panel, Room, Source
from micalign.scene.scene import Scene
from micalign.units import AUDIBLE_HZ, show_hz_range, show_ms_within

pytestmark = pytest.mark.slow

SCRIPTS = Path(micalign.report.__file__).parent / "templates"
SCENES = 200
DISTANCE_M, TIME_S, LEVEL_DB, NOTCH = 1e-9, 1e-9, 1e-6, 1e-6

TOLD = """(() => {
  const A = micalign.arithmetic, scene = %s, found = A.arrivals(scene), M = scene.mics.map((_, m) => m);
  const cells = scene.sources.flatMap((_, s) => M.map((m) => [s, m]));
  return {
    paths: cells.map(([s, m]) => ({ ...found.paths[s][m], heard_db: A.heardLevel(scene, found, s, m) })),
    differences: scene.sources.flatMap((_, s) => M.flatMap((a) => M.filter((b) => b > a)
      .map((b) => A.difference(scene, found, s, a, b)))),
    spacing: A.spacing(scene, found),
    reflections: cells.flatMap(([s, m]) => A.reflections(scene, found, s, m)
      .map((row) => ({ ...row, source: s, mic: m }))),
    pairs: A.pairs(scene, found),
    dis: scene.dis.flatMap((_, d) => A.diMics(scene, d).map((m) => A.diDifference(scene, found, d, m))),
  };
})()"""


@pytest.fixture(scope="module")
def tab() -> Iterator[Page]:
    with browser() as page:
        page.value((SCRIPTS / "arithmetic.js").read_text(encoding="utf-8") + "\ntrue")
        yield page


def told(tab: Page, scene: Scene) -> dict[str, Any]:
    return tab.value(TOLD % json.dumps(scene_values(scene)))


def random_scene(rng: np.random.Generator) -> Scene:
    """A room, or none; every pattern; aims at sources and at points; DIs, pairs and panels, rugs among them."""
    size = tuple(rng.uniform((3, 3, 2.2), (12, 9, 5)).tolist())

    def point() -> tuple[float, float, float]:
        return tuple((rng.uniform(0.05, 0.95, 3) * size).tolist())

    sources = tuple(
        Source(f"source {n}", point(), float(rng.uniform(0.001, 0.05)), size_m=float(rng.uniform(0.1, 1.0)))
        for n in range(rng.integers(1, 5))
    )
    names = [source.name for source in sources]
    mics = tuple(_random_mic(rng, n, names, point) for n in range(rng.integers(2, 6)))
    pair = Pair("pair", (mics[0].name, mics[1].name), (names[0],), float(rng.uniform(1e-5, 1e-3)))
    panels = (
        Panel("rug", (size[0] / 2, size[1] / 2, 0.01), (0, 0, 1), (size[0] * 0.6, size[1] * 0.6), 0.4),
        Panel("table", point(), tuple(rng.normal(size=3).tolist()), (2.0, 1.4), 0.1, float(rng.uniform(-90, 90))),
    )
    return Scene(
        air=Air(float(rng.uniform(-5, 35)), float(rng.uniform(10, 90))),
        room=None if rng.random() < 0.2 else Room(size, Absorption(*rng.uniform(0, 0.9, 6).tolist())),
        sources=sources,
        mics=mics,
        dis=tuple(Di(f"di {n}", str(rng.choice(names)), float(rng.uniform(0, 0.005)), 0.0, 1 - 2 * n) for n in (0, 1)),
        pairs=(pair,),
        panels=panels[: rng.integers(0, 3)],
    )


def _random_mic(rng: np.random.Generator, number: int, names: list[str], point: Any) -> Mic:
    pattern = str(rng.choice(list(PATTERNS)))
    aim = str(rng.choice(names)) if rng.random() < 0.6 else point()
    on = tuple(name for name in names if rng.random() < 0.5)
    return Mic(
        f"mic {number}",
        point(),
        float(rng.uniform(0.001, 0.05)),
        None if pattern == "omni" and rng.random() < 0.5 else aim,
        pattern,
        on,
        float(rng.uniform(-20, 6)),
        int(rng.choice([1, -1])),
        rejection_db=float(rng.uniform(12, 30)),
    )


def close(found: Any, wanted: Any, *, atol: float = 0.0, rtol: float = 0.0) -> bool:
    return bool(np.allclose(np.array(found, float), np.array(wanted, float), atol=atol, rtol=rtol))


def same_notches(rows: list[Any], wanted: list[Any]) -> bool:
    none = [
        (one["first_notch_hz"] is None) == (two.first_notch_hz is None) for one, two in zip(rows, wanted, strict=True)
    ]
    pairs = [
        (a["first_notch_hz"], b.first_notch_hz)
        for a, b in zip(rows, wanted, strict=True)
        if b.first_notch_hz is not None
    ]
    # Python rounds its lists to the thousandth of a hertz.
    return all(none) and all(abs(a - b) <= NOTCH * b + 5.1e-4 for a, b in pairs)


def assert_same(page: dict[str, Any], wanted: Prediction) -> None:
    """Every figure of a scene, row by row."""

    def column(rows: str, key: str) -> list[Any]:
        return [row[key] for row in page[rows]]

    def theirs(rows: Any, key: str) -> list[Any]:
        return [getattr(row, key) for row in rows]

    for key, atol in (
        ("distance_m", DISTANCE_M),
        ("arrival_s", TIME_S),
        ("uncertainty_s", TIME_S),
        ("level_db", LEVEL_DB),
        ("heard_db", LEVEL_DB),
    ):
        assert close(column("paths", key), theirs(wanted.paths, key), atol=atol), key
    for key, atol in (("difference_s", TIME_S), ("uncertainty_s", TIME_S), ("level_difference_db", LEVEL_DB)):
        assert close(column("differences", key), theirs(wanted.differences, key), atol=atol), key
    assert column("differences", "polarity") == theirs(wanted.differences, "polarity")
    # Near full cancellation a depth of -100 dB moves by 1e-6 dB where the level does by 1e-11.
    for key in ("notch_depth_db", "peak_height_db"):
        told = zip(column("differences", key), theirs(wanted.differences, key), strict=True)
        assert all(one == two if two is None else close(one, two, atol=LEVEL_DB) for one, two in told), key
    assert same_notches(page["differences"], list(wanted.differences))
    for one, two in zip(page["differences"], wanted.differences, strict=True):
        assert close(one["notches_hz"], two.notches_hz, rtol=NOTCH, atol=5.1e-4)
        assert close(one["peaks_hz"], two.peaks_hz, rtol=NOTCH, atol=5.1e-4)
    for key in ("mic_distance_ratio", "path_ratio", "bleed_db", "bleed_heard_db"):
        assert close(column("spacing", key), theirs(wanted.spacing, key), rtol=1e-9, atol=LEVEL_DB), key
    for key in ("passes", "bleed_passes"):
        assert column("spacing", key) == theirs(wanted.spacing, key)
    assert column("pairs", "within_tolerance") == theirs(wanted.pairs, "within_tolerance")
    assert close(column("pairs", "difference_s"), theirs(wanted.pairs, "difference_s"), atol=TIME_S)
    assert close(column("dis", "difference_s"), theirs(wanted.di_differences, "difference_s"), atol=TIME_S)
    assert column("dis", "polarity") == theirs(wanted.di_differences, "polarity")
    assert same_notches(page["dis"], list(wanted.di_differences))
    assert_same_reflections(page, wanted)


def assert_same_reflections(page: dict[str, Any], wanted: Prediction) -> None:
    rows = wanted.reflections
    assert [row["surface"] for row in page["reflections"]] == [row.surface for row in rows]
    for one, two in zip(page["reflections"], rows, strict=True):
        assert one["delay_s"] == pytest.approx(two.delay_s, abs=TIME_S)
        assert one["level_db"] == pytest.approx(two.level_db, abs=LEVEL_DB)
        assert one["polarity"] == two.polarity
        for key in ("first_notch_hz", "from_hz"):
            expected = getattr(two, key)
            assert one[key] == (None if expected is None else pytest.approx(expected, rel=NOTCH)), key
        assert close(one["at_m"], two.at_m, atol=DISTANCE_M)


def test_two_hundred_random_scenes_have_pythons_numbers(tab: Page) -> None:
    """Distances to 1e-9 m, times to 1e-9 s, levels to 1e-6 dB, notches to 1e-6 of themselves."""
    rng = np.random.default_rng(23)
    bounced = struck = inverted = 0
    for _ in range(SCENES):
        scene = random_scene(rng)
        wanted = predict(scene)
        assert_same(told(tab, scene), wanted)
        bounced += len(wanted.reflections)
        struck += sum(row.surface in {"rug", "table"} for row in wanted.reflections)
        inverted += sum(row.polarity < 0 for row in wanted.differences)
    # The scenes do hold what they are to hold.
    assert min(bounced / 1000, struck / 50, inverted / 200) > 1


def test_what_is_doubtful_is_shown_in_pythons_digits(tab: Page) -> None:
    """A time with its standard deviation, and where the first notch lies within it."""
    rng = np.random.default_rng(4)
    pairs = np.column_stack([rng.uniform(-0.01, 0.01, 400), 10 ** rng.uniform(-6, -2.5, 400)])
    tab.value((SCRIPTS / "words.js").read_text(encoding="utf-8") + "\ntrue")
    page = tab.value(
        f"{json.dumps(pairs.tolist())}.map(([late, by]) => [micalign.words.msWithin(late, by, true), "
        "micalign.words.firstNotch(late, by, 20000)])"
    )
    for (late, by), (apart, notch) in zip(pairs.tolist(), page, strict=True):
        low_hz, high_hz = first_notch_range_hz(late, by)
        assert apart == show_ms_within(late, by, sign=True)
        assert notch == (show_hz_range(low_hz, high_hz) if low_hz <= AUDIBLE_HZ else "none below 20 kHz")


def test_surfaces_stand_in_pythons_order(tab: Page) -> None:
    assert tab.value("micalign.arithmetic.SURFACES") == list(SURFACES)


@pytest.mark.parametrize("polarity", [1, -1])
def test_the_curve_is_pythons_and_its_envelope_holds_it(polarity: int, tab: Page) -> None:
    """Between two frequencies the envelope is what the curve reaches there, teeth included."""
    delay, level = 0.0031, 4.0
    edges = 20 * 1000 ** np.linspace(0, 1, 400)
    page = tab.value(
        f"{json.dumps(edges.tolist())}.map((f) => micalign.arithmetic.response(f, {delay}, {level}, {polarity}))"
    )
    assert close(page, response_db(edges, delay, level_difference_db=level, polarity=polarity), atol=1e-6)
    between = tab.value(
        f"{json.dumps(edges.tolist())}.slice(1).map((f, n) => micalign.arithmetic.between("
        f"{json.dumps(edges.tolist())}[n], f, {delay}, {level}, {polarity}))"
    )
    for (low, high), start, end in zip(between, edges, edges[1:], strict=False):
        inside = response_db(np.linspace(start, end, 2001), delay, level_difference_db=level, polarity=polarity)
        assert low <= inside.min() + 1e-9
        assert high >= inside.max() - 1e-9
        assert low == pytest.approx(inside.min(), abs=0.02)
        assert high == pytest.approx(inside.max(), abs=0.02)


def test_keep_outs_are_as_far_as_in_python(tab: Page) -> None:
    rng = np.random.default_rng(5)
    shapes = (
        Keepout("ball", (1, 1, 1), 0.4),
        Keepout("post", (1, 1, 1), 0.4, 1.2),
        Keepout("box", (1, 1, 1), size_m=(1, 0.5, 2)),
    )
    points = rng.uniform(0, 2, (100, 3))
    for keepout in shapes:
        scene = replace(random_scene(rng), keepouts=(keepout,))
        value = json.dumps(scene_values(scene)["keepouts"][0])
        page = tab.value(f"{json.dumps(points.tolist())}.map((p) => micalign.arithmetic.clearance({value}, p))")
        assert close(page, clearance_m(keepout, points), atol=DISTANCE_M)
