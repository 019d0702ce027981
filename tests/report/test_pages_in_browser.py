"""The pages in a real browser: what a reader sees, hears, prints; and that its numbers are Python's."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import Page, browser
from commands import micalign

pytestmark = pytest.mark.slow

SCENES = Path(__file__).parents[2] / "scenes"
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
HOSTILE = "<b>&\\\"<script>document.title='taken'</script>"

CROWD = "\n".join(
    [
        f'title = "{HOSTILE}"',
        "[room]\nsize = [9, 7, 3]",
        *(f'[[source]]\nname = "player {n} {HOSTILE}"\nat = [{1 + n % 4 * 1.5}, {1 + n // 4}, 1.0]' for n in range(16)),
        *(
            f'[[mic]]\nname = "mic {n} with a rather long name {HOSTILE}"\n'
            f"at = [{1.2 + n % 4 * 1.5}, {1.3 + n // 4 * 0.7}, 1.3]\n"
            f'on = "player {n % 16} {HOSTILE}"'
            for n in range(24)
        ),
    ]
)


@pytest.fixture(scope="module")
def tab() -> Iterator[Page]:
    with browser() as page:
        yield page


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lesson")
    said = micalign("explain", "-o", folder / "l", "--distances", "30 cm", "95 cm", "--questions", "10", "-q")
    assert said.status == 0, said.err
    return folder / "l"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A kit with a take of its own."""
    folder = tmp_path_factory.mktemp("report")
    scene = folder / "kit.toml"
    scene.write_text((SCENES / "jazz-kit.toml").read_text().replace("simulated/jazz-kit", "take"))
    assert micalign("simulate", scene, "--seconds", "20", "-q").status == 0
    said = micalign("report", scene, "-o", folder / "kit.html", "-q")
    assert said.status in {0, 1}, said.err
    return folder / "kit.html"


@pytest.fixture(scope="module")
def crowd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A full stage whose names would be markup."""
    folder = tmp_path_factory.mktemp("crowd")
    (folder / "crowd.toml").write_text(CROWD)
    said = micalign("report", folder / "crowd.toml", "-o", folder / "crowd.html", "-q")
    assert said.status in {0, 1}, said.err
    return folder / "crowd.html"


@pytest.mark.parametrize("name", ["lesson", "questions", "answers", "report", "crowd"])
def test_a_page_loads_from_disk_says_nothing_and_asks_no_network(
    name: str, tab: Page, request: pytest.FixtureRequest
) -> None:
    pages = {
        "lesson": ("lesson", "index.html"),
        "questions": ("lesson", "questions.html"),
        "answers": ("lesson", "answers.html"),
    }
    fixture, file = pages.get(name, (name, ""))
    path = request.getfixturevalue(fixture) / file if file else request.getfixturevalue(fixture)
    for width in (360, 768, 1280):
        tab.open(path, width=width)
        assert tab.messages == []
        assert [address[:60] for address in tab.requests if not address.startswith(("file:", "data:", "blob:"))] == []
        assert tab.value("document.documentElement.scrollWidth") <= width, f"{name} scrolls sideways at {width} px"


@pytest.mark.parametrize("name", ["report", "crowd"])
@pytest.mark.parametrize("paper", PAPERS)
def test_the_setup_sheet_is_the_first_page_and_one_page(
    name: str, paper: str, tab: Page, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext is installed: 'apt-get install poppler-utils' brings it")
    tab.open(request.getfixturevalue(name))
    width_in, height_in = PAPERS[paper]
    printed = tab.pdf(tmp_path / "page.pdf", width_in=width_in, height_in=height_in)
    text = subprocess.run(["pdftotext", "-layout", printed, "-"], capture_output=True, text=True, check=True).stdout
    first, second = text.split("\f")[:2]
    for words in ("Setup sheet", "Channels", "Strings to cut", "Measure to the middle", "Notes"):
        assert words in " ".join(first.split()), f"{words} is not on the first page"
    assert "What to mind" not in first
    assert second.strip().startswith("What to mind")


def test_names_that_would_be_markup_are_text(tab: Page, crowd: Path) -> None:
    tab.open(crowd)
    assert tab.value("document.title").startswith('<b>&"<script>')
    assert tab.value("document.querySelectorAll('main b, main script').length") == 0
    assert tab.value("document.querySelector('h1').textContent").startswith('<b>&"<script>')


def test_every_control_has_a_name_and_is_reached_by_the_keyboard(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html")
    nameless = tab.value(
        "[...document.querySelectorAll('input, button, audio, canvas, svg[id], svg.comb')].filter(e =>"
        " !(e.labels && e.labels.length) && !e.ariaLabel && !e.getAttribute('aria-labelledby')"
        " && !e.textContent.trim() && !e.closest('label')).map(e => e.outerHTML.slice(0, 80))"
    )
    assert nameless == []
    assert tab.value("[...document.querySelectorAll('input, button')].filter(e => e.tabIndex < 0).length") == 0
    assert tab.value("document.querySelectorAll('figure:not([aria-label])').length") == 0
    assert tab.value("document.documentElement.lang") == "en"
    tab.key("Tab")
    assert tab.value("document.activeElement.className") == "skip"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_page_and_its_figures_follow_the_readers_light(dark: bool, tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html", dark=dark)
    paper = tab.value("getComputedStyle(document.body).backgroundColor")
    figure = tab.value("getComputedStyle(document.querySelector('figure svg g path')).fill")
    assert paper == figure == ("rgb(21, 27, 32)" if dark else "rgb(253, 253, 251)")


WIDER = "[...document.querySelectorAll('figure, .wide')].filter((one) => one.scrollWidth > one.clientWidth + 1)"


@pytest.mark.parametrize("name", ["lesson", "report"])
def test_what_a_phone_cuts_off_says_on_which_side_it_goes_on(
    name: str, tab: Page, request: pytest.FixtureRequest
) -> None:
    page = request.getfixturevalue(name)
    tab.open(page / "index.html" if name == "lesson" else page, width=390)
    tab.value("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    frames = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 50))))"
    tab.value(frames)
    assert tab.value(f"{WIDER}.length") >= 5
    assert tab.value(f"{WIDER}.filter((one) => one.dataset.more !== 'right').map((one) => one.textContent)") == []
    assert tab.value(f"{WIDER}.every((one) => getComputedStyle(one, '::before').content.includes('scroll sideways'))")
    assert tab.value(f"{WIDER}.every((one) => getComputedStyle(one).maskImage !== 'none')")
    tab.value(f"{WIDER}.forEach((one) => {{ one.scrollLeft = 9999; }})")
    tab.value(frames)
    assert tab.value(f"{WIDER}.filter((one) => one.dataset.more !== 'left').length") == 0
    tab.size(1200)
    tab.value(frames)
    assert tab.value("document.querySelectorAll('figure[data-more]').length") == 0


def test_on_a_phone_the_lessons_formula_keeps_its_lines_and_its_comb_its_legend(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html", width=1200)
    formula = "[...document.querySelectorAll('.sum')].find((one) => one.textContent.includes('3, 5, 7'))"
    lines = f"Math.round(({formula}).clientHeight / parseFloat(getComputedStyle({formula}).lineHeight))"
    wide = tab.value(lines)
    tab.size(390)
    tab.until("document.documentElement.clientWidth === 390")
    assert tab.value(lines) == wide
    cut = "[...document.querySelectorAll('svg.comb .legend text')].map((one) => one.getBBox().x).filter((x) => x < 0)"
    tab.until(f"{cut}.length === 0")
