"""``micalign place`` as a user calls it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from commands import Said, micalign

from micalign.acoustics.arrangements import ARRANGEMENTS, FACINGS
from micalign.cli import cmd_positions
from micalign.files.scenes import read_scene
from micalign.scene.document import parse_scene

SCENES = Path(__file__).parents[2] / "scenes"
KIT = SCENES / "jazz-kit.toml"

# Two mics and one tape to each, a comment on every line that a placement has to change.
TAPED = """
length_unit = "cm"
[[source]]
name = "oud"
at = [200, 200, 70]
[[mic]]
name = "left"    # the old one
at = [100, 200, 170]    # by the door
move = { x = [50, 150] }
[[mic]]
name = "right"
at = [280, 200, 170]
[[pair]]
name = "pair"
mics = ["left", "right"]
equal_to = "oud"
[[tape]]
between = ["left", "oud"]
distance = 141.4    # before lunch
[[tape]]
between = ["oud", "right"]
distance = 128.1    # stays
"""

IMPOSSIBLE = TAPED.replace("x = [50, 150]", "x = [80, 105]")


@pytest.fixture
def taped(tmp_path: Path) -> Path:
    """A scene with tapes, as a file."""
    path = tmp_path / "taped.toml"
    path.write_text(TAPED, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def placed() -> Said:
    """The kit, placed once."""
    return micalign("place", KIT, "--json")


def test_the_document_has_the_promised_keys(placed: Said) -> None:
    """Keys, shapes and the order of costs; positions and moves agree."""
    found = placed.document
    assert placed.status == 0
    assert {"feasible", "mics", "tapes", "pairs", "before", "after", "findings"} <= found.keys()
    assert found["feasible"] is True
    assert found["after"] <= found["before"]
    for mic in found["mics"]:
        assert mic["move_m"] == pytest.approx(np.linalg.norm(np.subtract(mic["to_m"], mic["from_m"])))
    assert [tape["between"] for tape in found["tapes"]] == [
        ["snare", "overhead left"],
        ["snare", "overhead right"],
        ["kick", "overhead left"],
        ["kick", "overhead right"],
    ]
    wanted = [row for row in found["pairs"] if row["source"] in {"snare", "kick"}]
    assert len(wanted) == 2
    assert all(row["within_tolerance"] and abs(row["difference_s"]) <= 50e-6 for row in wanted)
    for finding in found["findings"]:
        assert {"rule", "severity", "where", "message", "advice"} <= finding.keys()


def test_the_pairs_are_those_that_check_tells_of_the_written_file(tmp_path: Path) -> None:
    """What place promises is what check finds in the new file."""
    new = tmp_path / "placed.toml"
    promised = micalign("place", KIT, "--write", new, "--json", "-q").document
    assert micalign("check", new, "--json").document["pairs"] == promised["pairs"]


def test_two_runs_say_the_same(placed: Said) -> None:
    """Byte for byte."""
    assert micalign("place", KIT, "--json").out == placed.out


def test_the_words_name_moves_strings_and_what_a_centimetre_costs() -> None:
    """From, to, the move in words, strings, the price of an error, findings then and now."""
    said = micalign("place", KIT, "-q")
    assert (said.status, said.err) == (0, "")
    for words in ("Move these", "overhead left", "cm toward the", "Strings to cut", "126.", "1 cm too long or short"):
        assert words in said.out
    assert "58 % of the tolerance" in " ".join(said.out.split())  # 1 cm is 29.2 us at 17 C: 58 % of 50 us
    assert "mended" in said.out
    assert "Caution. Overhead stands: put a leg under the load" in said.out
    assert max(map(len, said.out.splitlines())) <= 100


def test_lengths_are_in_the_users_unit(tmp_path: Path) -> None:
    """A scene in inches is answered in inches."""
    path = tmp_path / "inches.toml"
    scaled = TAPED.replace('"cm"', '"in"').replace("280", "110").replace("x = [50, 150]", "x = [20, 78]")
    for metric, inch in (("200", "79"), ("170", "67"), ("100", "39"), ("70", "28"), ("141.4", "55"), ("128.1", "50")):
        scaled = scaled.replace(f" {metric}", f" {inch}").replace(f"[{metric}", f"[{inch}")
    path.write_text(scaled, encoding="utf-8")
    said = micalign("place", path)
    assert said.status == 0, said.err
    assert " in toward the oud" in said.out
    assert " cm" not in said.out.replace("1 cm too", "")


def test_a_written_scene_keeps_comments_and_corrects_tapes(taped: Path, tmp_path: Path) -> None:
    """Comments stay on their lines; the tape to the moved mic tells the new distance, the other stays."""
    new = tmp_path / "new.toml"
    said = micalign("place", taped, "--write", new)
    text = new.read_text(encoding="utf-8")
    assert said.status == 0
    assert "written: " in said.err
    assert taped.read_text(encoding="utf-8") == TAPED
    for comment in ("# the old one", "# by the door", "# before lunch", "distance = 128.1    # stays"):
        assert comment in text
    scene = tomllib.loads(text)
    x, y, z = scene["mic"][0]["at"]
    assert (y, z) == (200, 170)
    # Equal to the right mic's: 80 cm across; the tolerance is 1.7 cm of sound travel, aimed at its middle.
    assert x == pytest.approx(120, abs=0.5)
    assert scene["tape"][0]["distance"] == pytest.approx(np.hypot(200 - x, 100), abs=0.02)


def test_nothing_is_replaced_without_leave(taped: Path) -> None:
    """The user's own file stands until --force."""
    said = micalign("place", taped, "--write", taped)
    assert said.status == 2
    assert "--force" in said.err
    assert taped.read_text(encoding="utf-8") == TAPED
    assert micalign("place", taped, "--write", taped, "--force").status == 0
    assert taped.read_text(encoding="utf-8") != TAPED


def test_a_scene_with_nothing_to_improve_says_so(taped: Path) -> None:
    """Placed once, the second run moves nothing and writes the same scene."""
    assert micalign("place", taped, "--write", taped, "--force").status == 0
    once = taped.read_text(encoding="utf-8")
    said = micalign("place", taped, "--write", taped, "--force")
    assert said.status == 0
    assert "Nothing to improve" in said.out
    assert taped.read_text(encoding="utf-8") == once


def test_an_impossible_scene_says_what_stands_in_the_way(taped: Path) -> None:
    """Exit status 1, the best compromise, the box by name and how far it would have to reach."""
    taped.write_text(IMPOSSIBLE, encoding="utf-8")
    said = micalign("place", taped)
    words = " ".join(said.out.split())
    assert said.status == 1
    assert "The limits leave no solution" in words
    # The box grows by t on every side: hypot(95 - t, 100 - t) = 128.06 + 1.72 cm for t = 5.8 cm.
    assert "'left' ('move'), which would have to reach 6 cm further to the right and 6 cm further down" in words
    document = micalign("place", taped, "--json").document
    assert document["feasible"] is False
    assert document["limits"][0]["limit"] == "move"
    assert document["limits"][0]["give_m"] == pytest.approx(0.058, abs=0.001)
    assert document["mics"][0]["to_m"][0] == pytest.approx(1.05)


def test_a_figure_shows_old_and_new_places(taped: Path, tmp_path: Path) -> None:
    """A drawing of the moved scene is written, whole; a kind of file that cannot be is refused in words."""
    figure = tmp_path / "moved.svg"
    assert micalign("place", taped, "--figure", figure, "-q").status == 0
    assert "<svg" in figure.read_text(encoding="utf-8")
    assert micalign("place", taped, "--figure", tmp_path / "moved.xyz").status == 2
    assert not (tmp_path / "moved.xyz").exists()


@pytest.mark.parametrize("name", ARRANGEMENTS)
@pytest.mark.parametrize("unit", ["m", pytest.param("in", marks=pytest.mark.slow)])
def test_every_arrangement_is_a_scene_that_reads_and_needs_no_move(name: str, unit: str, tmp_path: Path) -> None:
    """What is printed parses; nothing in it is out of place."""
    said = micalign("place", "--arrangement", name, "--unit", unit)
    assert said.status == 0, said.err
    scene = parse_scene(said.out)
    assert scene.length_unit == unit
    assert all(mic.may_move for mic in scene.mics)
    path = tmp_path / "first.toml"
    path.write_text(said.out, encoding="utf-8")
    placed = micalign("place", path, "--json").document
    assert placed["feasible"]
    assert placed["moved"] is False


def test_help_lists_every_arrangement() -> None:
    """The list in the help is the table of arrangements."""
    said = micalign("place", "--help")
    listed = [
        line.split()[0] for line in said.out.splitlines() if line.startswith("    ") and line.split()[0] in ARRANGEMENTS
    ]
    assert listed == list(ARRANGEMENTS)
    assert tuple(ARRANGEMENTS) == cmd_positions.ARRANGEMENTS
    assert tuple(FACINGS) == cmd_positions.FACINGS


def test_an_arrangement_stands_round_given_sources(tmp_path: Path) -> None:
    """Snare and kick at their places: both overheads are equally far from each."""
    new = tmp_path / "first.toml"
    said = micalign(
        *("place", "--arrangement", "equal-overheads", "--room", "6,4.5,2.4", "--write", new),
        *("--at", "snare=2.1,2.0,0.7", "--at", "kick=2.0,1.4,0.3"),
    )
    assert said.status == 0, said.err
    assert said.out == ""
    scene = parse_scene(new.read_text(encoding="utf-8"))
    left, right = (np.array(mic.position) for mic in scene.mics)
    for source in scene.sources:
        far = [np.linalg.norm(mic - source.position) for mic in (left, right)]
        assert far[0] == pytest.approx(far[1], abs=2e-3)  # metres: positions are written to the millimetre
    assert left[2] < 2.4 - 0.2
    assert "leg under the load" in new.read_text(encoding="utf-8")


def test_an_arrangement_is_added_to_a_scene_as_it_stands(tmp_path: Path) -> None:
    """The user's text comes first, unchanged; names that are taken get a number."""
    said = micalign("place", KIT, "--arrangement", "spaced-pair")
    text = KIT.read_text(encoding="utf-8")
    assert said.status == 0, said.err
    assert said.out.startswith(text.rstrip("\n"))
    names = [mic.name for mic in parse_scene(said.out).mics]
    assert names[-2:] == ["pair left", "pair right"]
    around = micalign("place", KIT, "--arrangement", "close-mic", "--around", "floor tom", "--json").document
    assert parse_scene(around["scene"]).mics[-1].on == ("floor tom",)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((), "give SCENE, or --arrangement"),
        ((KIT, "--at", "snare=1,1,1"), "go with --arrangement"),
        (("--arrangement", "two-singers", "--at", "voice=1,1,1.5"), "needs 2 sources"),
        (("--arrangement", "close-mic", "--at", "1,1,1"), "write a name and a place"),
        (("--arrangement", "close-mic", "--at", "a=1,1"), "three lengths"),
        (("--arrangement", "close-mic", "--at", "a=1,1,loud"), "no length"),
        (("--arrangement", "close-mic", "--around", "a"), "give SCENE too"),
        (("--arrangement", "close-mic", KIT, "--room", "4,4,3"), "SCENE has its own"),
        (("--arrangement", "close-mic", KIT, "--around", "gong"), "no source is called 'gong'"),
        (("--arrangement", "spaced-pair", "--at", "voice=1,0.6,1.5"), "in a wall or outside the room"),
        (("--arrangement", "close-mic", "--figure", "x.png"), "--figure shows a move"),
        (("--arrangement", "close-mic", "--at", "a=1,1,1", "--at", "a=2,2,1"), "used twice"),
        (("missing.toml",), "no such scene file"),
    ],
)
def test_what_cannot_be_done_is_refused_in_one_sentence(arguments: tuple[object, ...], sentence: str) -> None:
    """Exit status 2, a sentence, nothing on standard output."""
    said = micalign("place", *arguments)
    assert said.status == 2
    assert sentence in said.err
    assert said.out == ""


def test_hostile_names_cannot_steer_the_terminal(taped: Path) -> None:
    """Control characters in names are shown, in tables and in sentences; JSON carries them escaped."""
    taped.write_text(IMPOSSIBLE.replace('"left"', '"le\\u001b[31mft"'), encoding="utf-8")
    said = micalign("place", taped)
    assert "\x1b" not in said.out + said.err
    assert "\\x1b[31m" in said.out
    json.loads(micalign("place", taped, "--json").out)


def test_an_arrangement_uses_the_overheads_that_are_there(tmp_path: Path) -> None:
    """A scene with overheads, their pair and a head: these are moved, none is invented, comments live."""
    scene = tmp_path / "kit.toml"
    scene.write_text(
        '[[source]]\nname = "snare"\nat = [3, 3, 0.7]\n[[source]]\nname = "kick"\nat = [3, 2.4, 0.35]\n'
        '[[mic]]\nname = "OH R"  # borrowed\nat = [2, 3, 1.9]\naim = "snare"\npattern = "supercardioid"\n'
        '[[mic]]\nname = "OH L"\nat = [4, 3, 1.9]\n[[pair]]\nname = "Overheads"\nmics = ["OH L", "OH R"]\n'
        '[[keepout]]\nname = "drummer\'s head"\nat = [3, 3.5, 1.3]\nradius = 0.3\n',
        encoding="utf-8",
    )
    out = tmp_path / "new.toml"
    assert micalign("place", scene, "--arrangement", "equal-overheads", "--write", out, "-q").status == 0
    made = read_scene(out)
    assert [mic.name for mic in made.mics] == ["OH R", "OH L"]
    assert len(made.pairs) == len(made.keepouts) == 1
    assert made.mic("OH R").pattern == "supercardioid"
    assert made.mic("OH L").position != (4.0, 3.0, 1.9)
    assert "# borrowed" in out.read_text(encoding="utf-8")
