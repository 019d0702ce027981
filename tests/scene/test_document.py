"""A scene file becomes a scene, or every fault of it is told with its line and its mend."""

from __future__ import annotations

import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from micalign.errors import SceneError
from micalign.files.scenes import positions_text, read_scene
from micalign.scene.document import parse_scene, scene_schema

SCENES = sorted((Path(__file__).parents[2] / "scenes").glob("*.toml"))

FULL = """
title = "barn"
length_unit = "cm"
[air]
temperature_c = 14
humidity_percent = 70.0
[room]
size = [620, 470, "2.5 m"]
absorption = { floor = 0.3, ceiling = 0.1 }
[[source]]
name = "snare"
at = [210, 200, 70]
range_hz = [100, 9000]
[[source]]
name = "kick"
at = [200, 160, 30]
[[mic]]
name = "left"
at = [160, 190, 190]
aim = "snare"
pattern = "cardioid"
on = ["snare", "kick"]
polarity = -1
move = { x = [120, 200] }
[[mic]]
name = "right"
at = ["?", "?", 190]
aim = [210, 200, 70]
pattern = "figure-8"
on = "snare"
reach = "1 ft"
distance = [60, 120]
[[di]]
name = "line"
of = "kick"
latency_ms = 1.5
[[pair]]
name = "overheads"
mics = ["left", "right"]
equal_to = ["snare"]
tolerance_ms = 0.1
[[tape]]
between = ["snare", "right"]
distance = "41 in"
plus_minus = "0.5 in"
[[keepout]]
name = "head"
at = [220, 130, 125]
radius = 35
[[panel]]
name = "table"
centre = [300, 300, 72]
normal = [0, 0, 1]
size = [160, 80]
[place]
wall_margin = 25
weights = { move = 2.0 }
[take]
folder = "takes"
[take.tracks]
left = "l.wav"
line = { file = "band.wav", channel = 2 }
"""


def test_every_key_reaches_the_scene_in_si_units() -> None:
    """Lengths in metres, times in seconds, unknown coordinates as unknown."""
    scene = parse_scene(FULL)
    assert scene.room is not None
    assert scene.room.size == pytest.approx((6.2, 4.7, 2.5))
    assert scene.room.absorption.floor == 0.3
    assert scene.source("snare").position == pytest.approx((2.1, 2.0, 0.7))
    left, right = scene.mics
    assert left.move is not None
    assert left.move.low == pytest.approx((1.2, 1.9, 1.9))
    assert left.polarity == -1
    assert right.at == (None, None, pytest.approx(1.9))
    assert right.reach_m == pytest.approx(0.3048)
    assert right.on == ("snare",)
    assert scene.dis[0].latency_s == pytest.approx(0.0015)
    assert scene.pairs[0].tolerance_s == pytest.approx(1e-4)
    assert scene.tapes[0].distance_m == pytest.approx(41 * 0.0254)
    assert scene.tapes[0].plus_minus_m == pytest.approx(0.0127)
    assert scene.place.wall_margin_m == pytest.approx(0.25)
    assert scene.place.weights.move == 2.0
    assert scene.take is not None
    assert [(plan.name, plan.file, plan.channel) for plan in scene.take.tracks] == [
        ("left", "l.wav", None),
        ("line", "band.wav", 2),
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('aim = "snare"', 'aimm = "snare"', r"line 20: mic 'left': 'aimm' is no key here; did you mean 'aim'\?"),
        ("[[pair]]", "[[pear]]", r"'pear' is no key of a scene; did you mean 'pair'\?"),
        ("size = [620", "size = [nan", r"line 8: room: 'size': nan is no length"),
        ("at = [210, 200, 70]", "at = [210, 200]", r"line 12: source 'snare': 'at': write three lengths"),
        ('name = "kick"', 'name = "snare"', r"source 'snare': the name is used twice"),
        ('name = "line"', 'name = "left"', r"di 'left': the name is used twice"),
        (
            "at = [200, 160, 30]",
            "at = [200, 160, 300]",
            r"\(200, 160, 300\) cm lies outside the room of \d+ x \d+ x 250 cm: ",
        ),
        ("at = [200, 160, 30]", "at = [200, -160, 30]", r"outside the room"),
        ('of = "kick"', 'of = "kik"', r"di 'line': 'of' names 'kik', .*did you mean 'kick'\?"),
        ('"cardioid"', '"cardiod"', r"did you mean 'cardioid'\?"),
        ("aim = [210, 200, 70]\n", "", r"a figure-8 needs 'aim'"),
        ("polarity = -1", "polarity = 0", r"0 is no polarity: write 1 or -1"),
        ("radius = 35", "", r"keepout 'head': give 'radius'"),
        ("temperature_c = 14", "temperature_c = 70", r"Fahrenheit"),
        ("floor = 0.3", "floor = 30", r"30 % is 0.30"),
        ('mics = ["left", "right"]', 'mics = ["left", "left"]', r"names one mic twice"),
        ('left = "l.wav"', 'lefty = "l.wav"', r"'tracks' names 'lefty'"),
        ("channel = 2", "channel = 0", r"0 is no channel"),
        ('length_unit = "cm"', 'length_unit = "cms"', r"must be one of m, cm, mm, ft, in"),
        ("at = [160, 190, 190]", "at = [210, 200, 70]", r"stands exactly where source 'snare' is"),
        ('reach = "1 ft"', "reach = 30\nmove = { x = [1, 2] }", r"both 'move' and 'reach'"),
        ("[air]", "[[air]]", r"'air' is no table"),
        ("[[di]]", "[di]", r"write \[\[di\]\] with two brackets"),
    ],
)
def test_a_fault_names_its_place_and_its_mend(old: str, new: str, said: str) -> None:
    """One change to a good file, one sentence about it."""
    assert old in FULL
    with pytest.raises(SceneError, match=said):
        parse_scene(FULL.replace(old, new, 1), "barn.toml")


def test_all_faults_are_told_together_in_the_order_of_the_lines() -> None:
    """A fault in one table hides none of another, nor a name that is not found."""
    text = FULL.replace("temperature_c = 14", "temperature_c = 70").replace('of = "kick"', 'of = "kik"')
    with pytest.raises(SceneError) as caught:
        parse_scene(text.replace("radius = 35", "radius = -35"), "barn.toml")
    lines = [int(fault.split("line ")[1].split(":")[0]) for fault in caught.value.faults]
    assert len(lines) == 3
    assert lines == sorted(lines)


def test_a_faulty_table_hides_no_name_that_is_not_found() -> None:
    """What one mic says wrongly, and what it names wrongly, at once; an aim that is no aim is told once."""
    text = (
        '[[source]]\nname = "snare"\nat = [1, 1, 0.7]\n'
        '[[mic]]\nname = "top"\nat = [1, 2, 1]\npattern = "cardoid"\nheigth = 3\naim = "snaer"\n'
        '[[mic]]\nname = "room"\nat = [2, 2, 1]\npattern = "cardioid"\naim = [1, 2]\n'
    )
    with pytest.raises(SceneError) as caught:
        parse_scene(text, "barn.toml")
    assert [fault.split(": ")[0] for fault in caught.value.faults] == [f"barn.toml, line {n}" for n in (7, 8, 9, 14)]
    assert "'aim' names 'snaer'" in caught.value.faults[2]


def test_a_name_in_a_faulty_table_is_still_known_to_the_others() -> None:
    """Only the fault itself is told, not every reference to the table that has it."""
    with pytest.raises(SceneError) as caught:
        parse_scene(FULL.replace("at = [210, 200, 70]", "at = [210]", 1))
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize(
    "text", ["", "  \n", "= 3", "a = [" * 3000, "a" * 5000 + "=" + "9" * 5000, "[[source]]", "\x00"]
)
def test_what_is_no_scene_is_refused_in_words(text: str) -> None:
    """Empty, broken, nested too deep, numbers too long: a SceneError that names the file."""
    with pytest.raises(SceneError, match=r"^barn\.toml"):
        parse_scene(text, "barn.toml")


def test_a_missing_file_a_folder_and_a_binary_are_told_apart(tmp_path: Path) -> None:
    """Each with its own sentence."""
    (tmp_path / "take.wav").write_bytes(b"RIFF\xff\xff\x00\x01")
    with pytest.raises(SceneError, match="no such scene file"):
        read_scene(tmp_path / "no.toml")
    with pytest.raises(SceneError, match="is a folder"):
        read_scene(tmp_path)
    with pytest.raises(SceneError, match="audio file"):
        read_scene(tmp_path / "take.wav")


def test_the_schema_accepts_what_the_reader_accepts() -> None:
    """Editors and the program agree on a file that uses every table."""
    schema = scene_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(FULL), schema)
    with pytest.raises(jsonschema.ValidationError, match="aimm"):
        jsonschema.validate(tomllib.loads(FULL.replace('aim = "snare"', 'aimm = "snare"')), schema)


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_the_bundled_scenes_are_read_and_fit_the_schema(path: Path) -> None:
    """What users start from must be right."""
    assert read_scene(path).sources
    jsonschema.validate(tomllib.loads(path.read_text(encoding="utf-8")), scene_schema())


def test_new_positions_keep_comments_layout_and_the_unit() -> None:
    """Only the numbers change; the result is read back to the new place."""
    text = FULL.replace("at = [160, 190, 190]", "at = [160, 190, 190]  # on the tall stand")
    changed = positions_text(text, {"left": (1.5, 1.9, 2.0)})
    assert "at = [150.0, 190.0, 200.0]  # on the tall stand" in changed
    assert parse_scene(changed).mic("left").position == pytest.approx((1.5, 1.9, 2.0))
    unchanged = [line for line in text.splitlines() if "tall stand" not in line]
    assert [line for line in changed.splitlines() if "tall stand" not in line] == unchanged


_scraps = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)
_lines = [line for line in FULL.splitlines() if line]


@given(st.lists(st.sampled_from(_lines), max_size=40), st.text(max_size=20), st.integers(0, 40))
def test_shuffled_scraps_of_a_scene_never_break_the_reader(lines: list[str], junk: str, at: int) -> None:
    """Whatever stands in the file, it is a scene or a SceneError."""
    text = "\n".join([*lines[:at], junk, *lines[at:]])
    try:
        parse_scene(text, "barn.toml")
    except SceneError as error:
        assert all(fault.startswith("barn.toml") for fault in error.faults)


@given(_scraps, st.sampled_from(["source", "mic", "di", "pair", "tape", "keepout", "panel", "take", "room", "air"]))
def test_any_value_under_any_key_is_answered_in_words(value: object, key: str) -> None:
    """Values of every shape where a table belongs."""
    import tomlkit

    try:
        text = FULL.replace(f"[[{key}]]", f"[[x{key}]]").replace(f"[{key}]", f"[x{key}]")
        junk = tomlkit.dumps({key: value})
    except (ValueError, TypeError):
        return  # TOML has no null; such a file cannot be written
    try:
        parse_scene(junk + text)
    except SceneError as error:
        assert error.faults


@pytest.mark.parametrize("line", ["name = kick", "name = kick  # the big one", "name = floor tom"])
def test_a_name_without_quotes_is_told_how_to_be_written(line: str) -> None:
    """TOML's own words do not say it; ours do, with the line mended."""
    word = line.split("=")[1].split("#", maxsplit=1)[0].strip()
    with pytest.raises(SceneError, match=f'text stands in quotes: name = "{word}"'):
        parse_scene(f"[[source]]\n{line}\nat = [1, 1, 1]\n", "x.toml")
