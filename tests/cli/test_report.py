from __future__ import annotations

import re
from pathlib import Path

import pytest
from commands import micalign

SCENES = Path(__file__).parents[2] / "scenes"
SCENE = """
title = "barn & <hall>"
[[source]]
name = "voice"
at = [2, 2, 1.5]
[[mic]]
name = "room"
at = [3, 2, 1.5]
on = "voice"
"""


def test_the_page_is_written_once_and_only_replaced_when_forced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("barn.toml").write_text(SCENE)
    said = micalign("report", "barn.toml")
    assert (said.status, said.out.strip()) == (0, "barn.html")
    assert "<h1>barn &amp; &lt;hall&gt;</h1>" in Path("barn.html").read_text()
    assert "--force" in micalign("report", "barn.toml").err
    assert micalign("report", "barn.toml", "--force", "--json").document == {
        "scene": "barn.toml",
        "file": "barn.html",
        "take": False,
    }


def test_what_is_drawn_is_explained_and_captions_end_with_one_full_stop(tmp_path: Path) -> None:
    """The legend of the plan names the handle of the mic in hand, and a panel where there is one."""
    panel = '[[panel]]\nname = "rug"\ncentre = [2, 2, 0]\nnormal = [0, 0, 1]\nsize = [2, 2]\n'
    second = '[[mic]]\nname = "near"\nat = [2.2, 2, 1.5]\non = "voice"\n'
    for name, text in (("bare", SCENE), ("rug", SCENE + second + panel)):
        (tmp_path / f"{name}.toml").write_text(text)
        assert micalign("report", tmp_path / f"{name}.toml", "-o", tmp_path / f"{name}.html").status in {0, 1}
        page = (tmp_path / f"{name}.html").read_text()
        assert "drag it to turn the mic in hand</li>" in page
        assert ("</svg> panel</li>" in page) == (name == "rug")
        captions = re.findall(r"(.{10})</figcaption>", page)
        assert captions
        assert not [one for one in captions if not re.search(r"[^.]\.$", one)]


def test_a_take_that_is_asked_for_and_not_there_is_refused(tmp_path: Path) -> None:
    scene = tmp_path / "barn.toml"
    scene.write_text(SCENE + '[take]\nfolder = "none"\n[take.tracks]\nroom = "room.wav"\n')
    said = micalign("report", scene, "-o", tmp_path / "barn.html", "--take")
    assert said.status == 2
    assert "room.wav" in said.err
    assert not (tmp_path / "barn.html").exists()
    assert micalign("report", scene, "-o", tmp_path / "barn.html").status == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", ["two-singers", "upright-bass", "guitar-cab"])
def test_every_bundled_scene_makes_a_page_with_its_take(name: str, tmp_path: Path) -> None:
    scene = tmp_path / f"{name}.toml"
    scene.write_text((SCENES / f"{name}.toml").read_text().replace(f"simulated/{name}", "take"))
    assert micalign("simulate", scene, "--seconds", "12", "-q").status == 0
    said = micalign("report", scene, "-o", tmp_path / "page.html", "--json", "-q")
    assert said.status in {0, 1}, said.err
    assert said.document["take"]
    page = (tmp_path / "page.html").read_text()
    assert "Before and after" in page
    assert "Offsets" in page
    assert "..</figcaption>" not in page


def test_a_page_that_is_in_the_way_is_told_before_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is studied or drawn for a page that cannot be written."""
    monkeypatch.setattr("micalign.report.scene_page.report_page", lambda *_, **__: pytest.fail("worked in vain"))
    (tmp_path / "page.html").write_text("mine")
    said = micalign("report", SCENES / "jazz-kit.toml", "-o", tmp_path / "page.html")
    assert said.status == 2
    assert "--force" in said.err
    assert (tmp_path / "page.html").read_text() == "mine"


@pytest.mark.parametrize("name", ["rep.pdf", "rep.docx"])
def test_a_name_of_another_kind_of_file_is_refused(name: str, tmp_path: Path) -> None:
    """A page under the name of a PDF is no PDF: a browser prints one."""
    (tmp_path / "barn.toml").write_text(SCENE)
    said = micalign("report", tmp_path / "barn.toml", "-o", tmp_path / name)
    assert said.status == 2
    assert "end it in .html" in said.err
    assert not (tmp_path / name).exists()


def test_status_1_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pair that is to be equal and is not: the terminal says so, as the page does."""
    monkeypatch.chdir(tmp_path)
    pair = '[[mic]]\nname = "far"\nat = [1, 1, 1.2]\non = "voice"\n'
    pair += '[[pair]]\nname = "two"\nmics = ["room", "far"]\nequal_to = "voice"\n'
    Path("pair.toml").write_text(SCENE + pair)
    said = micalign("report", "pair.toml")
    assert said.status == 1
    assert "exit status 1: The plan is not sound yet: " in said.err
