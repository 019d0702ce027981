from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from commands import micalign

SCENE = """
title = "barn & </script><hall>"
[[source]]
name = "voice"
at = [2, 2, 1.5]
[[mic]]
name = "room"
at = [3, 2, 1.5]   # by the door
on = "voice"
"""


@pytest.fixture
def barn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("barn.toml").write_text(SCENE)
    return tmp_path


def test_the_page_holds_the_file_as_it_is_written(barn: Path) -> None:
    """The pieces that the page joins are the user's own text; names that would be markup are data."""
    said = micalign("plan", "barn.toml")
    assert (said.status, said.out.strip()) == (0, "barn-plan.html")
    page = (barn / "barn-plan.html").read_text()
    found = re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', page, re.DOTALL)
    assert found is not None
    values = json.loads(found[1])
    text = "".join(one if isinstance(one, str) else one["written"] for one in values["pieces"])
    assert text == SCENE
    assert values["scene"]["mics"][0]["at"] == [3, 2, 1.5]


def test_the_page_asks_no_other_place_for_anything(barn: Path) -> None:
    micalign("plan", "barn.toml", "-q")
    page = (barn / "barn-plan.html").read_text()
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!data:|#)""", page)
    assert "default-src 'none'" in page


@pytest.mark.parametrize("name", ["plan.pdf", "plan.png", "plan.toml"])
def test_a_name_of_another_kind_of_file_is_refused(name: str, barn: Path) -> None:
    """A page is written, and only under a name that says so."""
    said = micalign("plan", "barn.toml", "-o", name)
    assert said.status == 2
    assert "end it in .html" in said.err
    assert not (barn / name).exists()


def test_a_page_that_is_there_is_only_replaced_when_forced(barn: Path) -> None:
    """An older page of ours gives way to --force; what is somebody else's never does."""
    assert micalign("plan", "barn.toml", "-o", "page.html").status == 0
    assert "--force" in micalign("plan", "barn.toml", "-o", "page.html").err
    assert micalign("plan", "barn.toml", "-o", "page.html", "--force", "--json").document["file"] == "page.html"
    (barn / "mine.html").write_text("mine")
    assert micalign("plan", "barn.toml", "-o", "mine.html", "--force").status == 2
    assert (barn / "mine.html").read_text() == "mine"
