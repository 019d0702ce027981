"""How a report is read: by eye on three widths, by a screen reader, on paper."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from browser import Page, browser
from commands import micalign

pytestmark = pytest.mark.slow

SCENES = Path(__file__).parents[2] / "scenes"
AXE = "axe-core@4.10.3"
WIDTHS = (1440, 800, 390)
LINES = "[...document.querySelector('.opening').querySelectorAll('dd')].map((one) => one.textContent)"
PAGES = ("kit-take", "kit-plan", "bass-take", "singers", "plan", "lesson")


@pytest.fixture(scope="module")
def tab() -> Iterator[Page]:
    with browser() as page:
        yield page


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core, from npm's registry; skipped by name where it cannot be had."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip(f"{AXE} cannot be had: there is no npm here")
    folder = tmp_path_factory.mktemp("axe")
    said = subprocess.run([npm, "pack", AXE, "--silent"], cwd=folder, capture_output=True, timeout=120, check=False)
    packed = next(folder.glob("axe-core-*.tgz"), None)
    if said.returncode or packed is None:
        pytest.skip(f"{AXE} cannot be had: npm reaches no registry")
    with tarfile.open(packed) as archive:
        found = archive.extractfile("package/axe.min.js")
        assert found is not None
        return found.read().decode("utf-8")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("reading")

    def report(name: str, scene: str, *, take: bool) -> Path:
        here = folder / name
        here.mkdir()
        text = (SCENES / f"{scene}.toml").read_text(encoding="utf-8")
        (here / "scene.toml").write_text(text.replace(f"../takes/{scene}", "take"), encoding="utf-8")
        if take:
            assert micalign("simulate", here / "scene.toml", "--seconds", "12", "-q").status == 0
        said = micalign("report", here / "scene.toml", "-o", here / "page.html", "-q")
        assert said.status in {0, 1}, said.err
        return here / "page.html"

    assert micalign("plan", SCENES / "jazz-kit.toml", "-o", folder / "plan.html", "-q").status == 0
    assert micalign("explain", "-o", folder / "lesson", "-q").status == 0
    return {
        "kit-take": report("kit-take", "jazz-kit", take=True),
        "kit-plan": report("kit-plan", "jazz-kit", take=False),
        "bass-take": report("bass-take", "upright-bass", take=True),
        "singers": report("singers", "two-singers", take=False),
        "plan": folder / "plan.html",
        "lesson": folder / "lesson" / "index.html",
    }


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", ["kit-take", "bass-take", "plan", "lesson"])
def test_axe_finds_nothing_serious(name: str, width: int, tab: Page, pages: dict[str, Path], axe: str) -> None:
    tab.open(pages[name], width=width, dark=width == 800)
    tab.value("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    tab.value(axe + "\ntrue")
    found = tab.value("axe.run(document, { resultTypes: ['violations'] }).then((r) => r.violations)")
    serious = [
        f"{one['id']} ({one['impact']}): {one['nodes'][0]['html'][:120]} {one['nodes'][0]['failureSummary'][:200]}"
        for one in found
        if one["impact"] in {"serious", "critical"}
    ]
    assert serious == []


@pytest.mark.parametrize("name", PAGES)
def test_headings_go_down_one_step_at_a_time(name: str, tab: Page, pages: dict[str, Path]) -> None:
    tab.open(pages[name])
    levels = tab.value("[...document.querySelectorAll('h1, h2, h3, h4')].map((one) => Number(one.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("name", PAGES[:5])
def test_every_table_head_says_what_it_heads_and_every_link_leads_somewhere(
    name: str, tab: Page, pages: dict[str, Path]
) -> None:
    tab.open(pages[name])
    assert tab.value("document.querySelectorAll('th:not([scope])').length") == 0
    lost = tab.value(
        "[...document.querySelectorAll('a[href^=\"#\"]')].map((a) => a.getAttribute('href').slice(1))"
        ".filter((id) => !document.getElementById(id))"
    )
    assert lost == []


def test_a_report_opens_with_three_lines(tab: Page, pages: dict[str, Path]) -> None:
    """Sound or not, what comes first, what was gained; right below the title."""
    for name in PAGES[:4]:
        tab.open(pages[name])
        assert tab.value("document.querySelector('h1').nextElementSibling.className") == "opening"
        lines = tab.value(
            "[...document.querySelector('.opening').querySelectorAll('dd')].map((one) => one.textContent)"
        )
        assert len(lines) == 3
        assert all(len(line) > 10 for line in lines)
    tab.open(pages["kit-take"])
    lines = tab.value(LINES)
    assert re.search(r"[+-]\d+\.\d dB", lines[2])


def test_figures_tell_what_is_seen_and_their_words_are_text(tab: Page, pages: dict[str, Path]) -> None:
    tab.open(pages["kit-take"])
    told = tab.value("[...document.querySelectorAll('figure')].map((one) => one.getAttribute('aria-label'))")
    assert len(told) >= 8
    assert all(len(words) > 60 for words in told), min(told, key=len)
    assert len(set(told)) == len(told)
    figures = tab.value(
        "[...document.querySelectorAll('figure svg')].map((one) => one.querySelectorAll('text').length)"
    )
    assert min(figures) > 3
    assert tab.value("document.querySelectorAll('figure svg')[0].textContent").find("overhead left") >= 0


@pytest.mark.parametrize("name", PAGES[:4])
def test_a_report_prints_on_few_full_pages(name: str, tab: Page, pages: dict[str, Path], tmp_path: Path) -> None:
    """The sheet and at most four more, none of them nearly empty, no table head left alone at a page's foot."""
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext is installed: 'apt-get install poppler-utils' brings it")
    tab.open(pages[name])
    printed = tab.pdf(tmp_path / "page.pdf", width_in=8.27, height_in=11.69)
    said = subprocess.run(["pdftotext", "-bbox", printed, "-"], capture_output=True, text=True, check=True).stdout
    sheets = said.split("<page ")[1:]
    assert 2 <= len(sheets) <= 5
    for sheet in sheets[1:]:
        heights = [float(one) for one in re.findall(r'yMax="([\d.]+)"', sheet)]
        assert max(heights) > 0.3 * 842, "a page is nearly empty"


def plan_data(path: Path) -> dict[str, Any]:
    text = path.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    return json.loads(found[1])


def test_the_report_holds_the_live_plan_and_the_users_file(tab: Page, pages: dict[str, Path]) -> None:
    data = plan_data(pages["kit-plan"])
    text = "".join(one if isinstance(one, str) else one["written"] for one in data["pieces"])
    assert text == (pages["kit-plan"].parent / "scene.toml").read_text(encoding="utf-8")
    tab.open(pages["kit-plan"])
    assert tab.value("document.querySelectorAll('#live-floor .thing[tabindex]').length") == 10
    assert tab.messages == []
