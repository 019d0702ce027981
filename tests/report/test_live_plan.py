"""The live plan in a real browser: moved by pointer, finger and key; undone; copied; stopped by limits."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import Page, browser
from commands import micalign

from micalign.acoustics.prediction import predict
from micalign.acoustics.survey import surveyed
from micalign.scene.document import parse_scene

pytestmark = pytest.mark.slow

SCENES = Path(__file__).parents[2] / "scenes"
KIT = (SCENES / "jazz-kit.toml").read_text(encoding="utf-8")
OVERHEAD, SNARE = 2, 1

ODD = """\
# feet on the left, inches on the right
length_unit = "ft"
keepout = [{ name = "post", at = [6, 6, 4], radius = 0.5 }]

[room]
size = [20, 18, 9]

[[source]]
name = "voice \\U0001F3A4"   # a name with a wide letter
at = ["5 ft 6 in", 5.0,   4.5]

[[mic]]
name = "near"
at = [6.0,5.5,
   4.5]   # capsule
aim = [5.5, 5.0, 4.5]
pattern = "figure-8"
reach = "1 ft"

[[mic]]
name = "taped"
at = [8.5, 7, 4.5]   # with a tape

[[tape]]
between = ["voice \\U0001F3A4", "taped"]
distance = "41 in"  # tight
"""


@pytest.fixture(scope="module")
def tab() -> Iterator[Page]:
    with browser() as page:
        yield page


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan")
    assert micalign("plan", SCENES / "jazz-kit.toml", "-o", folder / "plan.html", "-q").status == 0
    return folder / "plan.html"


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("odd")
    (folder / "odd.toml").write_text(ODD, encoding="utf-8")
    said = micalign("plan", folder / "odd.toml", "-o", folder / "odd.html", "-q")
    assert said.status == 0, said.err
    return folder / "odd.html"


def at(tab: Page, kind: str, number: int) -> list[float]:
    return tab.value(f"micalign.live.layout.now.{kind}[{number}].at")


def text(tab: Page) -> str:
    return tab.value("micalign.live.layout.text()")


def mark(tab: Page, view: str, kind: str, number: int) -> tuple[float, float]:
    """Where a mark stands in the window."""
    tab.value(f"document.getElementById('live-{view}').scrollIntoView({{block: 'center'}})")
    x, y, w, h = tab.value(
        f"(() => {{ const r = document.querySelector('#live-{view} [data-kind={kind}][data-number=\"{number}\"] .mark')"
        ".getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })()"
    )
    return x + w / 2, y + h / 2


def scale(tab: Page) -> float:
    """Pixels of the window in a metre."""
    return tab.value("micalign.live.views.plan.scale")


def settled(tab: Page) -> None:
    tab.value("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def focus(tab: Page, kind: str, number: int, view: str = "floor") -> None:
    tab.value(f"document.querySelector('#live-{view} [data-kind={kind}][data-number=\"{number}\"]').focus()")


def changed_lines(before: str, after: str) -> list[tuple[str, str]]:
    assert before.count("\n") == after.count("\n")
    return [(a, b) for a, b in zip(before.split("\n"), after.split("\n"), strict=True) if a != b]


@pytest.mark.parametrize("touch", [False, True], ids=["mouse", "finger"])
def test_a_dragged_mic_is_where_the_hand_is_and_its_numbers_are_pythons(touch: bool, tab: Page, kit: Path) -> None:
    """What the page then says, and the scene that it gives, agree with the program to the last digit."""
    tab.open(kit, width=1280)
    x, y = mark(tab, "floor", "mics", OVERHEAD)
    tab.drag((x, y), (x + 0.1 * scale(tab), y - 0.2 * scale(tab)), touch=touch)
    settled(tab)
    # A pixel is 5 mm or so.
    assert at(tab, "mics", OVERHEAD) == pytest.approx([4.02, 3.40, 1.78], abs=0.02)
    scene = parse_scene(text(tab))
    assert scene.mic("overhead left").position == pytest.approx(at(tab, "mics", OVERHEAD), abs=1e-9)
    wanted = next(row for row in predict(scene).pairs if row.source == "snare")
    moved = next(
        row
        for row in predict(scene).differences
        if row.source == "snare" and row.mics == ("overhead left", "overhead right")
    )
    assert float(tab.value("document.getElementById('live-apart').dataset.seconds")) == pytest.approx(
        moved.difference_s, abs=1e-9
    )
    assert float(tab.value("document.getElementById('live-notch').dataset.hz")) == pytest.approx(
        moved.first_notch_hz, rel=1e-6
    )
    assert f"{wanted.difference_s * 1e3:+.2f} ms" in tab.value("document.getElementById('live-pairs').textContent")
    assert tab.messages == []


def test_copying_keeps_comments_and_layout(tab: Page, kit: Path) -> None:
    """One line is different: the one whose numbers moved, and in it only those."""
    tab.open(kit, width=1280)
    assert text(tab) == KIT
    focus(tab, "sources", SNARE)
    tab.key("ArrowRight")
    assert changed_lines(KIT, text(tab)) == [("at = [4.72, 3.35, 0.66]", "at = [4.73, 3.35, 0.66]")]
    tab.value("window.taken = null; navigator.clipboard.writeText = async (words) => { window.taken = words; }")
    tab.value("document.getElementById('live-copy').click()")
    tab.until("window.taken !== null")
    assert tab.value("window.taken") == text(tab) == tab.value("document.getElementById('live-text').value")


def test_the_saved_file_is_the_copied_text(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    tab.value(
        "window.saved = null; URL.createObjectURL = (blob) => { blob.text().then((t) => { window.saved = t; });"
        " return '#'; }; HTMLAnchorElement.prototype.click = function () { window.named = this.download; };"
    )
    focus(tab, "mics", 4)
    tab.key("PageUp", shift=True)
    tab.value("document.getElementById('live-save').click()")
    tab.until("window.saved !== null")
    assert tab.value("window.named") == "jazz-kit.toml"
    assert changed_lines(KIT, tab.value("window.saved")) == [("at = [4.30, 1.05, 1.55]", "at = [4.30, 1.05, 1.65]")]


@pytest.mark.parametrize(
    ("key", "shift", "moved"),
    [
        ("ArrowRight", False, (0.01, 0, 0)),
        ("ArrowLeft", True, (-0.1, 0, 0)),
        ("ArrowUp", False, (0, 0.01, 0)),
        ("ArrowDown", True, (0, -0.1, 0)),
        ("PageUp", False, (0, 0, 0.01)),
        ("PageDown", True, (0, 0, -0.1)),
    ],
)
def test_keys_move_by_one_and_ten_centimetres(
    key: str, shift: bool, moved: tuple[float, float, float], tab: Page, kit: Path
) -> None:
    tab.open(kit, width=1280)
    start = at(tab, "mics", 4)
    focus(tab, "mics", 4)
    tab.key(key, shift=shift)
    assert np.subtract(at(tab, "mics", 4), start) == pytest.approx(moved, abs=1e-9)
    assert "room: x" in tab.value("document.getElementById('live-said').textContent")


def test_in_the_side_view_up_is_height(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    focus(tab, "mics", 4, view="side")
    tab.key("ArrowUp")
    assert at(tab, "mics", 4) == pytest.approx([4.30, 1.05, 1.56])
    x, y = mark(tab, "side", "mics", 4)
    tab.drag((x, y), (x, y - 0.3 * scale(tab)))
    settled(tab)
    assert at(tab, "mics", 4)[2] == pytest.approx(1.86, abs=0.02)


def test_seen_from_the_left_wall_the_front_wall_is_on_the_right(tab: Page, kit: Path) -> None:
    """What stands nearer to the front wall is farther right; keys, hand and aims go the way that is seen."""
    tab.open(kit, width=1280)
    tab.value("document.getElementById('live-from-left').click()")
    settled(tab)
    depths = {n: at(tab, "mics", n)[1] for n in range(5)}
    places = {n: mark(tab, "side", "mics", n)[0] for n in depths}
    near, far = min(depths, key=depths.__getitem__), max(depths, key=depths.__getitem__)
    assert places[near] - places[far] == pytest.approx((depths[far] - depths[near]) * scale(tab), abs=1)
    start = at(tab, "mics", 4)
    focus(tab, "mics", 4, view="side")
    tab.key("ArrowRight")
    assert at(tab, "mics", 4) == pytest.approx([start[0], start[1] - 0.01, start[2]], abs=1e-9)
    x, y = mark(tab, "side", "mics", 4)
    tab.drag((x, y), (x - 0.3 * scale(tab), y))
    settled(tab)
    assert at(tab, "mics", 4) == pytest.approx([start[0], start[1] + 0.29, start[2]], abs=0.02)
    focus(tab, "mics", 0, view="side")
    settled(tab)
    x, y = mark(tab, "side", "mics", 0)
    handle = tab.value(
        "(() => { const r = document.querySelector('#live-side .handle').getBoundingClientRect();"
        " return [r.x + r.width / 2, r.y + r.height / 2]; })()"
    )
    aims = "micalign.arithmetic.axisOf(micalign.live.layout.now, micalign.live.layout.now.mics[0])[1]"
    assert (handle[0] - x) * tab.value(aims) < 0
    tab.drag(tuple(handle), (x + 60, y))
    settled(tab)
    assert tab.value(aims) < 0, "turned to the right, it looks to the front wall"
    assert tab.messages == []


def test_undo_redo_and_reset(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    start = at(tab, "sources", 0)
    focus(tab, "sources", 0)
    tab.key("ArrowRight", shift=True)
    tab.key("PageUp", shift=True)
    there = at(tab, "sources", 0)
    tab.key("z", control=True)
    assert at(tab, "sources", 0) == pytest.approx([start[0] + 0.1, *start[1:]])
    tab.key("z", control=True)
    assert at(tab, "sources", 0) == start
    assert text(tab) == KIT
    tab.key("y", control=True)
    tab.key("z", control=True, shift=True)
    assert at(tab, "sources", 0) == there
    tab.value("document.getElementById('live-reset').click()")
    assert text(tab) == KIT
    tab.value("document.getElementById('live-undo').click()")
    assert at(tab, "sources", 0) == there


def test_a_held_key_is_one_step_to_undo(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    focus(tab, "sources", 0)
    for _ in range(10):
        tab.key("ArrowUp")
    tab.key("z", control=True)
    assert text(tab) == KIT


def test_limits_are_felt_and_a_key_goes_past_them_and_says_so(tab: Page, kit: Path) -> None:
    """The overhead's box ends at x 4.2; the keep-out round the head is not entered either."""
    tab.open(kit, width=1280)
    x, y = mark(tab, "floor", "mics", OVERHEAD)
    tab.drag((x, y), (x + 1.2 * scale(tab), y))
    settled(tab)
    assert at(tab, "mics", OVERHEAD)[0] == pytest.approx(4.2, abs=1e-9)
    assert "stopped by its move limits" in tab.value("document.getElementById('live-limit').textContent")
    focus(tab, "mics", OVERHEAD)
    tab.key("l")
    tab.key("ArrowRight", shift=True)
    assert at(tab, "mics", OVERHEAD)[0] == pytest.approx(4.3, abs=1e-9)
    assert "limits off: breaks its move limits" in tab.value("document.getElementById('live-limit').textContent")


def test_a_keep_out_stops_a_mic(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    tab.value("micalign.live.layout.begin(); micalign.live.layout.moveTo('mics', 4, [4.55, 2.9, 1.25])")
    said = tab.value("micalign.live.layout.moveTo('mics', 4, [4.55, 3.9, 1.25])")
    assert at(tab, "mics", 4)[1] == pytest.approx(3.55, abs=2e-3)
    assert at(tab, "mics", 4)[1] <= 3.55 + 1e-9
    assert said == "stopped by the keep-out 'drummer's head'"


def test_an_aim_is_turned_by_hand_and_by_key(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    focus(tab, "mics", 0)
    settled(tab)
    before = tab.value("micalign.live.layout.direction(0)")
    tab.key(",")
    after = tab.value("micalign.live.layout.direction(0)")
    assert after["azimuth"] - before["azimuth"] == pytest.approx(5, abs=0.2)
    assert after["elevation"] == pytest.approx(before["elevation"], abs=0.2)
    lines = changed_lines(KIT, text(tab))
    assert [line for line, _ in lines] == ['aim = "snare"']
    assert parse_scene(text(tab)).mic("snare mic").aim == pytest.approx(
        tab.value("micalign.live.layout.now.mics[0].aim.point")
    )
    # By hand: to the right on the floor, at the same height.
    x, y = mark(tab, "floor", "mics", 0)
    handle = tab.value(
        "(() => { const r = document.querySelector('#live-floor .handle').getBoundingClientRect();"
        " return [r.x + r.width / 2, r.y + r.height / 2]; })()"
    )
    tab.drag(tuple(handle), (x + 60, y))
    settled(tab)
    assert tab.value("micalign.live.layout.direction(0).azimuth") == pytest.approx(0, abs=3)


def test_units_a_keepout_a_tape_and_wide_letters(tab: Page, odd: Path) -> None:
    """Numbers are written in the file's own unit, each in the way its place was written; tapes follow what moved."""
    tab.open(odd, width=1280)
    assert text(tab) == ODD
    focus(tab, "mics", 0)
    tab.key("ArrowUp", shift=True)
    lines = changed_lines(ODD, text(tab))
    assert lines == [("at = [6.0,5.5,", "at = [6.0,5.8281,")]
    tab.key("z", control=True)
    focus(tab, "sources", 0)
    tab.key("PageUp", shift=True)
    lines = changed_lines(ODD, text(tab))
    assert [line.split(" = ")[0] for line, _ in lines] == ["at", "distance"]
    assert lines[1][1].endswith(' in"  # tight')
    moved = surveyed(parse_scene(text(tab)))
    assert moved.sources[0].position == pytest.approx(at(tab, "sources", 0), abs=0.003)
    tomllib.loads(text(tab))


def test_a_reach_stops_a_mic(tab: Page, odd: Path) -> None:
    tab.open(odd, width=1280)
    tab.value("micalign.live.layout.begin(); micalign.live.layout.moveTo('mics', 0, [2.9, 1.6764, 1.3716])")
    start = np.array([6.0, 5.5, 4.5]) * 0.3048
    assert np.linalg.norm(np.subtract(at(tab, "mics", 0), start)) == pytest.approx(0.3048, abs=2e-3)


def test_typed_lengths_move_the_thing_in_hand(tab: Page, odd: Path) -> None:
    tab.open(odd, width=1280)
    focus(tab, "sources", 0)
    settled(tab)
    tab.value(
        "(() => { const e = document.getElementById('live-z'); e.value = '5 ft 2 1/2 in';"
        " e.dispatchEvent(new Event('change')); })()"
    )
    assert at(tab, "sources", 0)[2] == pytest.approx(62.5 * 0.0254, abs=1e-6)


def test_everything_is_named_and_reached_without_a_mouse(tab: Page, kit: Path) -> None:
    tab.open(kit, width=1280)
    nameless = tab.value(
        "[...document.querySelectorAll('input, select, button, textarea, svg[id], .thing[tabindex]')].filter(e =>"
        " !(e.labels && e.labels.length) && !e.getAttribute('aria-label') && !e.textContent.trim())"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert nameless == []
    reached = "document.querySelectorAll('.thing[tabindex], .hand select, .hand button')"
    assert tab.value(f"[...{reached}].filter(e => e.tabIndex < 0).length") == 0
    assert "overhead left, mic, x 3.92 m" in tab.value(
        "document.querySelector('[data-kind=mics][data-number=\"2\"]').ariaLabel"
    )


@pytest.mark.parametrize("width", [1440, 800, 390])
def test_no_width_scrolls_sideways(width: int, tab: Page, kit: Path, odd: Path) -> None:
    for page in (kit, odd):
        tab.open(page, width=width)
        assert tab.value("document.documentElement.scrollWidth") <= width
        assert tab.messages == []


def test_a_di_and_a_mic_are_heard_together(tab: Page, tmp_path: Path) -> None:
    """A scene of a DI and mics: the difference is the one that check tells."""
    assert micalign("plan", SCENES / "upright-bass.toml", "-o", tmp_path / "plan.html", "-q").status == 0
    tab.open(tmp_path / "plan.html")
    tab.value(
        "(() => { const e = document.getElementById('live-second'); e.value = 'di 0';"
        " e.dispatchEvent(new Event('change')); })()"
    )
    settled(tab)
    wanted: list[Any] = list(predict(surveyed(parse_scene((SCENES / "upright-bass.toml").read_text()))).di_differences)
    found = float(tab.value("document.getElementById('live-apart').dataset.seconds"))
    assert min(abs(found - row.difference_s) for row in wanted) < 1e-9


def test_two_mics_equally_far_are_said_to_be(tab: Page, tmp_path: Path) -> None:
    """Not that one of them is 0 mm farther."""
    at = {"snare": (3, 2.5, 0.7), "left": (2.5, 2.4, 1.8), "right": (3.5, 2.6, 1.8)}
    things = [
        f'[[{"source" if name == "snare" else "mic"}]]\nname = "{name}"\nat = {list(place)}'
        for name, place in at.items()
    ]
    scene = tmp_path / "two.toml"
    scene.write_text("\n".join(things), encoding="utf-8")
    assert micalign("plan", scene, "-o", tmp_path / "two.html", "-q").status == 0
    tab.open(tmp_path / "two.html")
    assert tab.value("document.getElementById('live-apart').textContent").endswith(": equally far")


def test_an_equality_that_is_known_worse_than_it_is_allowed_is_open(tab: Page, tmp_path: Path) -> None:
    """Nobody knows whether it is kept: ± 1 ms against 0.05 ms."""
    rough = tmp_path / "rough.toml"
    assert micalign("new", "--what", "kit", "--room", "6.2,4.7,2.5", "--inputs", 4, "-o", rough, "-q").status == 0
    assert micalign("plan", rough, "-o", tmp_path / "rough.html", "-q").status == 0
    tab.open(tmp_path / "rough.html", width=1280)
    said = tab.value("document.getElementById('live-pairs').textContent")
    assert "open: ± is wider" in said
    assert "kept" not in said.split("first notch")[-1]
    assert "± 1 ms" in said
    assert "none below" not in said.split("first notch")[-1]


CLOSE = """\
length_unit = "cm"
room = { size = [410, 340, 238] }
keepout = [{ name = "head", at = [195, 240, 125], radius = 35 }]
source = [{ name = "kick", at = [195, 130, 30] }, { name = "snare", at = [215, 185, 66] },
  { name = "rack tom", at = [188, 160, 84] }, { name = "floor tom", at = [145, 190, 58] },
  { name = "hi-hat", at = [252, 178, 92] }]

mic = [
  { name = "OH left", at = [148, 211, 195], aim = "snare", pattern = "cardioid", reach = 30 },
  { name = "OH right", at = [262, 181, 188], aim = "snare", pattern = "cardioid", reach = 30 },
  { name = "kick in", at = [195, 108, 32], aim = "kick", pattern = "cardioid", on = "kick" },
  { name = "snare top", at = [219, 179, 71], aim = "snare", pattern = "cardioid", on = "snare" },
  { name = "tom", at = [184, 155, 89], aim = "rack tom", pattern = "cardioid", on = "rack tom" },
  { name = "floor", at = [142, 184, 63], aim = "floor tom", pattern = "cardioid", on = "floor tom" },
]
"""
GRIPPED = "(() => { const v = micalign.live.views.%s, h = v.handleAt; return Math.min(...[...v.things.values()].map("
GRIPPED += "(t) => Math.hypot(t.x - h[0], t.y - h[1]))); })()"
CHOSEN = "`${micalign.live.chosen.kind} ${micalign.live.chosen.number}`"
OVERPRINTED = """(() => { const view = document.getElementById('live-floor');
  const name = view.querySelector('.keepout text').getBoundingClientRect();
  return [...view.querySelectorAll('.mark, .handle, .thing .name')].map((one) => [one, one.getBoundingClientRect()])
    .filter(([, r]) => Math.min(r.right, name.right) - Math.max(r.left, name.left) > 2
      && Math.min(r.bottom, name.bottom) - Math.max(r.top, name.top) > 3).map(([one]) => one.outerHTML); })()"""


@pytest.fixture(scope="module")
def close(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("close")
    (folder / "close.toml").write_text(CLOSE, encoding="utf-8")
    said = micalign("plan", folder / "close.toml", "-o", folder / "close.html", "-q")
    assert said.status == 0, said.err
    return folder / "close.html"


def test_on_a_phone_close_mics_and_the_sources_beneath_them_are_reached_and_named(tab: Page, close: Path) -> None:
    tab.open(close, width=390)
    for view, held in (("floor", "plan"), ("side", "side")):
        for number in range(6):
            tab.value("document.activeElement.blur()")
            tab.drag(mark(tab, view, "mics", number), mark(tab, view, "mics", number))
            settled(tab)
            assert tab.value(CHOSEN) == f"mics {number}"
            assert tab.value(GRIPPED % held) > 18, f"the handle of mic {number + 1} covers a mark in the {view}"
        assert tab.value(f"document.querySelectorAll('#live-{view} .name[visibility=hidden]').length") == 0
    for number in range(5):
        reached = set()
        for _ in range(4):
            tab.drag(mark(tab, "floor", "sources", number), mark(tab, "floor", "sources", number))
            settled(tab)
            reached.add(tab.value(CHOSEN))
        assert f"sources {number}" in reached
    assert (
        tab.value("document.querySelector('#live-floor [data-kind=sources][data-number=\"1\"] .name').textContent")
        == "B snare"
    )
    assert tab.value(OVERPRINTED) == []


def test_a_source_beneath_a_mic_is_dragged_once_it_is_in_hand(tab: Page, close: Path) -> None:
    tab.open(close, width=390)
    tab.value("document.getElementById('live-thing').value = 'sources 1'")
    tab.value("document.getElementById('live-thing').dispatchEvent(new Event('change'))")
    x, y = mark(tab, "floor", "mics", 3)
    tab.drag((x, y), (x + 30, y))
    settled(tab)
    assert at(tab, "mics", 3) == [2.19, 1.79, 0.71]
    assert at(tab, "sources", 1)[0] > 2.3
