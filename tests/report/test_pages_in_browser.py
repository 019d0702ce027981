"""The pages in a real browser: what a reader sees, hears, prints; and that its numbers are Python's."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from browser import Page, browser
from commands import micalign

from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz

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


def notches(tab: Page, which: str = "notches") -> np.ndarray:
    words = tab.value(f"document.getElementById('{which}').dataset.hz")
    return np.array([float(word) for word in words.split()])


def set_number(tab: Page, name: str, value: float) -> None:
    tab.value(
        f"(() => {{ const e = document.getElementById('{name}-number'); e.value = {value};"
        " e.dispatchEvent(new Event('input')); e.dispatchEvent(new Event('change')); })()"
    )


def flip(tab: Page) -> None:
    tab.value("document.getElementById('flipped').click()")


def test_the_page_begins_with_the_students_own_case(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html")
    document = micalign("explain", "-o", lesson.parent / "again", "--distances", "30 cm", "95 cm", "--json").document
    assert np.allclose(notches(tab), document["case"]["notches_hz"], rtol=1e-6)
    assert np.allclose(notches(tab, "peaks"), document["case"]["peaks_hz"], rtol=1e-6)


@pytest.mark.parametrize("delay_ms", [0.05, 0.5, 1.0, 1.895, 5.0, 9.99])
@pytest.mark.parametrize("polarity", [1, -1])
@pytest.mark.parametrize("level_db", [0.0, 6.0, 20.0])
def test_the_sliders_numbers_are_pythons(
    delay_ms: float, polarity: int, level_db: float, tab: Page, lesson: Path
) -> None:
    tab.open(lesson / "index.html")
    set_number(tab, "delay", delay_ms)
    set_number(tab, "level", level_db)
    if polarity < 0:
        flip(tab)
    for which, expected in (
        ("notches", notches_hz(delay_ms / 1e3, polarity=polarity)),
        ("peaks", peaks_hz(delay_ms / 1e3, polarity=polarity)),
    ):
        # A hundred times finer than the promised 0.1 %.
        assert np.allclose(notches(tab, which), expected[:20], rtol=1e-5)
    depth, height = map(float, tab.value("document.getElementById('depth').dataset.db").split())
    assert depth == pytest.approx(notch_depth_db(level_db), abs=1e-3)
    assert height == pytest.approx(peak_height_db(level_db), abs=1e-3)


def test_two_distances_set_delay_and_level_in_the_students_unit(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html")
    set_number(tab, "near", 50)
    set_number(tab, "far", 150)
    # 1 m at Cramer's 343.99 m/s; 20 log10(3).
    assert notches(tab)[0] == pytest.approx(343.99 / 2, rel=1e-4)
    assert float(tab.value("document.getElementById('level').value")) == pytest.approx(9.5, abs=0.05)
    assert "2.907 ms and 9.5 dB apart" in tab.value("document.getElementById('from-distances').textContent")


def test_a_moved_slider_redraws_the_comb_and_its_notches_where_they_are(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html", width=1000)
    set_number(tab, "level", 0)
    set_number(tab, "delay", 1.0)
    before = tab.value("document.querySelector('#plot path').getAttribute('d')")
    tab.value("document.getElementById('delay').focus()")
    for _ in range(50):
        tab.key("ArrowRight")
    assert notches(tab)[0] == pytest.approx(0.5 / 0.0015, rel=1e-6)
    assert tab.value("document.querySelector('#plot path').getAttribute('d')") != before
    # The marks stand where the labelled axis has 333 Hz: between its ticks for 20 Hz and 20 kHz, by octaves.
    mark, low, high = tab.value(
        "[document.querySelector('#plot .notch').cx.baseVal.value,"
        " ...[...document.querySelectorAll('#plot line')].slice(0, 10).map(e => e.x1.baseVal.value)"
        ".filter((_, i) => i === 0 || i === 9)]"
    )
    assert (mark - low) / (high - low) == pytest.approx(np.log(333.333 / 20) / np.log(1000), abs=1e-3)


def test_the_drawn_curve_is_the_closed_form(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html", width=1000)
    set_number(tab, "delay", 0.7)
    set_number(tab, "level", 6)
    path = tab.value("document.querySelector('#plot path').getAttribute('d')")
    points = np.array([list(map(float, part.split())) for part in path.replace("M", "").split("L")])
    x0, x1, top, bottom = tab.value(
        "(() => { const l = [...document.querySelectorAll('#plot line')]; const v = l.slice(0, 10), h = l.slice(10);"
        " return [v[0].x1.baseVal.value, v[9].x1.baseVal.value,"
        " h[3].y1.baseVal.value, h[0].y1.baseVal.value]; })()"
    )
    hertz = 20 * 1000 ** ((points[:, 0] - x0) / (x1 - x0))
    level = 0.0 - (points[:, 1] - top) / (bottom - top) * 30
    expected = 20 * np.log10(np.abs(1 + 10 ** (-6 / 20) * np.exp(-2j * np.pi * hertz * 0.0007)))
    # Coordinates are written to a hundredth of a pixel, which at the notches' steepest is 0.05 dB.
    assert np.max(np.abs(level - expected)) < 0.1


@pytest.mark.parametrize("kind", ["noise", "click", "string"])
def test_the_sounds_are_heard_with_the_notches_on_them_and_are_level(kind: str, tab: Page, lesson: Path) -> None:
    """What goes to the loudspeakers is caught on its way: the loop that plays."""
    tab.open(lesson / "index.html")
    tab.value(
        "(() => { window.caught = []; const make = BaseAudioContext.prototype.createBufferSource;"
        " BaseAudioContext.prototype.createBufferSource = function () {"
        " const node = make.call(this), start = node.start;"
        " node.start = function (...a) {"
        " window.caught.push([node.buffer.sampleRate, Array.from(node.buffer.getChannelData(0))]);"
        " return start.apply(node, a); }; return node; }; })()"
    )
    set_number(tab, "delay", 1.0)
    set_number(tab, "level", 0)
    tab.value(f"document.querySelector('input[value={kind}]').click()")
    tab.value("document.getElementById('alone').click()")
    tab.value("document.getElementById('play').focus()")
    tab.key("Enter")
    tab.until("window.caught.length === 1")
    tab.value("document.getElementById('alone').click()")
    tab.until("window.caught.length === 2")
    (rate, dry), (_, both) = tab.value("window.caught")
    assert tab.value("document.getElementById('play').getAttribute('aria-pressed')") == "true"
    ratio = np.abs(np.fft.rfft(both)) / np.maximum(np.abs(np.fft.rfft(dry)), 1e-9)
    hertz = np.fft.rfftfreq(len(dry), 1 / rate)
    if kind != "string":
        for notch, peak in ((500, 1000), (1500, 2000), (4500, 5000)):
            at_notch, at_peak = (ratio[np.argmin(np.abs(hertz - at))] for at in (notch, peak))
            assert at_notch < 0.02 * at_peak
    assert np.std(both) == pytest.approx(np.std(dry), rel=1e-3)
    assert np.max(np.abs([dry, both])) < 0.75
    tab.key("Enter")
    assert tab.value("document.getElementById('play').getAttribute('aria-pressed')") == "false"


def test_a_dropped_file_is_heard_and_one_that_is_no_sound_is_told(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html")
    drop = (
        "(async () => {{ const data = new DataTransfer(); data.items.add(new File([{bytes}], '{name}'));"
        " document.dispatchEvent(new DragEvent('drop', {{dataTransfer: data, bubbles: true, cancelable: true}})); }})()"
    )
    tab.value(drop.format(bytes="'no sound at all'", name="notes.txt"))
    tab.until("document.getElementById('file-words').textContent.includes('holds no sound')")
    wav = (lesson / "sounds" / "string-dry.wav").read_bytes()[:96044]
    tab.value(drop.format(bytes=f"Uint8Array.from({list(wav)})", name="own.wav"))
    tab.until("document.getElementById('file-words').textContent.startsWith('own.wav: ')")
    assert tab.value("document.getElementById('own-sound').checked")
    assert tab.messages == []


def test_every_control_has_a_name_and_is_reached_by_the_keyboard(tab: Page, lesson: Path) -> None:
    tab.open(lesson / "index.html")
    nameless = tab.value(
        "[...document.querySelectorAll('input, button, audio, svg#plot')].filter(e =>"
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
