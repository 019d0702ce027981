"""``micalign survey`` as a user runs it: points, tapes, what it writes, exit statuses."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from commands import micalign

from micalign.files.scenes import read_scene

KNOWN = {"kick": (7.0, 6.5, 1.2), "snare": (8.0, 7.7, 2.3), "hat": (9.0, 7.9, 3.1), "crash": (5.5, 8.5, 4.6)}
TRUTH = {"left": (5.2, 6.2, 6.2), "right": (9.4, 6.0, 6.1)}


def _text(off_in: float = 0.0, *, tapes: int = 9) -> str:
    """A taped kit in feet; one tape is off by so many inches."""
    lines = ["# the barn, first evening", 'length_unit = "ft"', "[room]", "size = [20, 16, 8.3]"]
    for name, at in KNOWN.items():
        lines += ["[[source]]", f'name = "{name}"', f"at = {list(at)}"]
    lines += ["[[mic]]  # on the tall stand", 'name = "left"', "[[mic]]", 'name = "right"', 'at = ["?", "?", 6.1]']
    pairs = [(mic, other) for mic in TRUTH for other in KNOWN] + [("left", "right")]
    places = {**KNOWN, **TRUTH}
    for index, (a, b) in enumerate(pairs[:tapes]):
        inches = 12 * math.dist(places[a], places[b]) + (off_in if index == 2 else 0.0)
        lines += ["[[tape]]", f'between = ["{a}", "{b}"]', f'distance = "{inches:.3f} in"', 'plus_minus = "0.2 in"']
    return "\n".join(lines) + "\n"


@pytest.fixture
def taped(tmp_path: Path) -> Path:
    path = tmp_path / "taped.toml"
    path.write_text(_text(), encoding="utf-8")
    return path


def test_points_and_tapes(taped: Path) -> None:
    """Each unknown point with its uncertainty, each tape with its residual; all is well: 0."""
    said = micalign("survey", taped, "--json")
    assert said.status == 0
    points = {point["name"]: point for point in said.document["points"]}
    assert points.keys() == TRUTH.keys()
    for name, point in points.items():
        assert [value / 0.3048 for value in point["at_m"]] == pytest.approx(TRUTH[name], abs=1e-3)
        assert 0 < point["uncertainty_m"] < 0.03
    assert len(said.document["tapes"]) == 9
    assert all({"between", "distance_m", "residual_m", "suspect"} <= tape.keys() for tape in said.document["tapes"])
    assert not any(tape["suspect"] for tape in said.document["tapes"])


def test_a_tape_that_fits_is_told_with_few_digits(taped: Path) -> None:
    """Three tapes fix three coordinates: what is left over is 0, not the last bits of the arithmetic."""
    taped.write_text(_text(tapes=3), encoding="utf-8")
    said = micalign("survey", taped)
    assert "0.0000" not in said.out
    assert " +0 in" in said.out


def test_a_copy_that_exists_is_refused_in_words_that_fit_the_option(taped: Path) -> None:
    said = micalign("survey", taped, "--write", taped)
    assert said.status == 2
    assert "choose another name, or replace it with --force" in said.err


def test_what_is_written_has_the_places_and_the_comments(taped: Path, tmp_path: Path) -> None:
    """The copy keeps the user's words; read again, nothing is left to find and check takes it."""
    new = tmp_path / "new.toml"
    said = micalign("survey", taped, "--write", new)
    assert said.status == 0
    text = new.read_text(encoding="utf-8")
    assert "# the barn, first evening" in text
    assert "# on the tall stand" in text
    scene = read_scene(new)
    assert scene.is_placed
    assert [value / 0.3048 for value in scene.mic("left").position] == pytest.approx(TRUTH["left"], abs=2e-3)
    assert taped.read_text(encoding="utf-8") == _text()
    assert micalign("survey", new, "--json").document["points"] == []
    assert micalign("check", new, "--json").status in {0, 1}


def test_a_point_with_two_places_is_not_written_without_a_word(tmp_path: Path) -> None:
    """Three taped points on one steep plane leave a place on either side of it: the copy holds one of the two."""
    path = tmp_path / "three.toml"
    lines = []
    for name, at, tape in (("snare", [210, 200, 70], 131), ("kick", [200, 150, 35], 172), ("tom", [160, 230, 62], 165)):
        lines += ["[[source]]", f'name = "{name}"', f"at = {at}"]
        lines += ["[[tape]]", f'between = ["{name}", "overhead"]', f"distance = {tape}"]
    lines = ['length_unit = "cm"', *lines, "[[mic]]", 'name = "overhead"', 'on = ["snare"]']
    path.write_text("\n".join(lines), encoding="utf-8")
    said = micalign("survey", path, "--write", tmp_path / "new.toml")
    assert said.status == 1
    assert "'overhead' may also stand at" in said.out
    assert "'overhead' is written at the first of its two places" in said.err


def test_nothing_is_replaced_without_leave(taped: Path, tmp_path: Path) -> None:
    """An existing file stays as it is unless --force is given."""
    there = tmp_path / "there.toml"
    mine = taped.read_text(encoding="utf-8") + "# mine\n"
    there.write_text(mine, encoding="utf-8")
    said = micalign("survey", taped, "--write", there)
    assert said.status == 2
    assert there.read_text(encoding="utf-8") == mine
    assert micalign("survey", taped, "--write", there, "--force").status == 0


def test_a_wrong_tape_is_named(tmp_path: Path) -> None:
    """Ten inches off: that tape alone is suspect, status 1, and the words say what to do."""
    path = tmp_path / "wrong.toml"
    path.write_text(_text(10.0), encoding="utf-8")
    said = micalign("survey", path, "--json")
    assert said.status == 1
    assert [tape["between"] for tape in said.document["tapes"] if tape["suspect"]] == [["left", "hat"]]
    words = micalign("survey", path).out
    assert "The tape 'left' to 'hat' is off by about" in words
    assert "measure it again" in words


def test_what_cannot_be_fixed_is_said(tmp_path: Path) -> None:
    """Two tapes for three unknowns: null, status 1, and the tape to measure next."""
    path = tmp_path / "few.toml"
    path.write_text(_text(tapes=2), encoding="utf-8")
    said = micalign("survey", path, "--json")
    assert said.status == 1
    left = said.document["points"][0]
    assert left["uncertainty_m"] is None
    assert None in left["at_m"]
    assert said.document["next_tape"]["between"]
    words = micalign("survey", path).out
    assert "'left' is not fixed by the tapes given: 2 distances would fix it, to" in " ".join(words.split())


def test_tables_fit_the_terminal(taped: Path) -> None:
    """A hundred columns at most."""
    assert max(map(len, micalign("survey", taped).out.splitlines())) <= 100


def test_a_scene_without_gaps(tmp_path: Path) -> None:
    """Nothing to find: said in words, status 0."""
    path = tmp_path / "whole.toml"
    path.write_text('[[source]]\nname = "a"\nat = [1, 1, 1]\n[[mic]]\nname = "b"\nat = [2, 1, 1]\n', encoding="utf-8")
    said = micalign("survey", path)
    assert said.status == 0
    assert "Every position is given" in said.out


def test_a_place_in_doubt_is_written_with_its_doubt_and_check_minds_it(taped: Path, tmp_path: Path) -> None:
    """Four tapes to a mic, one wrong by 8 in: the place of the first explanation, and how far off it is."""
    taped.write_text(_text(8.0, tapes=4).replace('name = "right"', 'name = "right"\nat = [9.4, 6.0, 6.1]\n#'), "utf-8")
    taped.write_text(taped.read_text("utf-8").replace('#\nat = ["?", "?", 6.1]', ""), "utf-8")
    out = tmp_path / "written.toml"
    said = micalign("survey", taped, "--write", out)
    first = micalign("survey", taped, "--json").document["wrong_tapes"][0]
    left = read_scene(out).mic("left")
    assert left.position == pytest.approx(first["points"][0]["at_m"], abs=2e-3)
    assert left.plus_minus_m > 0.05
    assert f"'left' is written at the first of the places above, {first['probability']:.0%} probable" in said.err
    scene = out.read_text("utf-8").replace("plus_minus = ", "plus_minus = 2.5 # ")
    out.write_text(scene, "utf-8")
    assert "Known only roughly: 'left' to +- 2 ft 6 in" in micalign("check", out).err


def test_what_a_new_scene_lacks_is_said_in_its_own_words(tmp_path: Path) -> None:
    """No file is there to be surveyed, a given height is not asked for, and a tape that cannot be is told as such."""
    new = ("new", "--what", "kit", "--room", "20ft,15ft,8ft", "--unit", "ft", "--inputs", 4)
    high = ("--at", "overhead left=?,?,6.7", "-o", tmp_path / "new.toml")
    two = micalign(*new, *high, "--tape", "overhead left,snare=4.9", "--tape", "overhead left,kick=6.4")
    assert "two places where it may stand, (" in two.err
    assert "micalign survey" not in two.err
    short = micalign(*new, *high, "--tape", "overhead left,snare=1", "--tape", "overhead left,kick=6")
    assert "the tape 'overhead left' to 'snare' (1 ft) is too short" in short.err
    one = micalign(*new, *high, "--tape", "overhead left,kick=6.4")
    far = micalign(*new, *high, "--tape", "overhead left,snare=14", "--tape", "overhead left,kick=6.4")
    assert "such as its height" not in one.err + far.err
