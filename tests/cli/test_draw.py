from __future__ import annotations

from pathlib import Path

import pytest
from commands import micalign

KIT = Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"
PAIR = """
[[source]]
name = "snare"
at = [2, 2, 0.7]

[[mic]]
name = "left"
at = [1.4, 2.1, 1.9]
on = "snare"

[[mic]]
name = "right"
at = [2.9, 2.2, 1.8]
on = "snare"
"""


@pytest.fixture
def pair(tmp_path: Path) -> Path:
    path = tmp_path / "pair.toml"
    path.write_text(PAIR)
    return path


@pytest.mark.parametrize(("ending", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_one_file_is_the_plan_in_the_kind_its_ending_says(ending: str, start: bytes, pair: Path) -> None:
    out = pair.parent / f"plan.{ending}"
    said = micalign("draw", pair, "-o", out, "--paths", "snare")
    assert (said.status, said.out.strip()) == (0, str(out))
    assert out.read_bytes().startswith(start)


def test_a_folder_gets_every_figure_and_json_lists_them(pair: Path) -> None:
    out = pair.parent / "figures"
    document = micalign("draw", pair, "-o", out, "--format", "svg", "--json").document
    assert [Path(file).name for file in document["files"]] == ["plan.svg", "arrivals-snare.svg", "combs.svg"]
    assert sorted(map(str, out.iterdir())) == sorted(document["files"])


def test_files_that_exist_are_refused_all_together_until_forced(pair: Path) -> None:
    out = pair.parent / "figures"
    assert micalign("draw", pair, "-o", out, "-q").status == 0
    said = micalign("draw", pair, "-o", out)
    assert said.status == 2
    assert "(and 2 more) exists" in said.err
    assert len(said.err.strip().splitlines()) == 1
    assert "--force" in said.err
    assert micalign("draw", pair, "-o", out, "--force", "-q").status == 0


@pytest.mark.parametrize("name", ["plan.jpg", "plan.TIFF"])
def test_a_picture_of_another_kind_is_refused_and_no_folder_made(name: str, pair: Path) -> None:
    said = micalign("draw", pair, "-o", pair.parent / name)
    assert said.status == 2
    assert "end the file's name in .png, .svg or .pdf" in said.err
    assert not (pair.parent / name).exists()


def test_old_places_are_drawn(pair: Path) -> None:
    old = pair.parent / "old.toml"
    old.write_text(PAIR.replace("[2.9, 2.2, 1.8]", "[3.2, 2.4, 2.0]"))
    plain, moved = pair.parent / "a.svg", pair.parent / "b.svg"
    assert micalign("draw", pair, "-o", plain).status == 0
    assert micalign("draw", pair, "-o", moved, "--before", old).status == 0
    assert moved.stat().st_size > plain.stat().st_size


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--paths", "cowbell"], "no source is called 'cowbell'"),
        (["--only", "map", "-o", "x.png"], "gives no figure of this kind"),
        (["--only", "everything"], "'everything' is not one of"),
        (["--only", "take"], "take"),
    ],
)
def test_what_cannot_be_drawn_is_refused_in_a_sentence(
    arguments: list[str], words: str, pair: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(pair.parent)
    said = micalign("draw", pair, *arguments)
    assert said.status == 2
    assert words in said.err
    assert "Traceback" not in said.err


@pytest.mark.slow
def test_a_take_is_drawn(tmp_path: Path) -> None:
    scene = tmp_path / "kit.toml"
    scene.write_text(KIT.read_text().replace("simulated/jazz-kit", "take"))
    assert micalign("simulate", scene, "--seconds", "12", "-q").status == 0
    files = micalign("draw", scene, "-o", tmp_path / "f", "--only", "take", "--json", "-q").document["files"]
    names = {Path(file).stem for file in files}
    assert names == {"take-levels", "take-hit", "take-gain", "take-spectrum", "take-correlation"}


def test_a_name_that_ends_as_no_picture_does_is_refused(pair: Path) -> None:
    """A folder may have any name, a dot in it too, once it is there."""
    out = pair.parent / "x.exe"
    said = micalign("draw", pair, "-o", out)
    assert said.status == 2
    assert "is no picture: end its name in .png, .svg or .pdf, or name a folder" in " ".join(said.err.split())
    assert not out.exists()
    out.mkdir()
    assert micalign("draw", pair, "-o", out, "--only", "plan").status == 0
