from __future__ import annotations

import html
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from micalign.acoustics.prediction import predict
from micalign.findings.finding import Finding
from micalign.findings.rules import findings
from micalign.report.scene_page import channels, report_page, sheet_size, strings, uneven_words
from micalign.scene.model import Di, Mic, Pair, Room, Source, TakePlan, TrackPlan
from micalign.scene.scene import Scene
from micalign.units import show_length, show_ms_within

HOSTILE = "<b>&\"'<script>alert(1)</script>{{ 7*7 }}"


def kit(name: str = "snare") -> Scene:
    return Scene(
        title=f"kit of {name}",
        length_unit="in",
        room=Room((5.0, 4.0, 2.5)),
        sources=(Source(name, (2.0, 2.0, 0.7)), Source("bass", (3.5, 1.5, 0.5))),
        mics=(
            Mic("left", (1.4, 2.1, 1.9), aim=name, pattern="cardioid", on=(name,), polarity=-1),
            Mic("right", (2.9, 2.2, 1.8), aim=name, pattern="cardioid", on=(name,), gain_db=-3.0),
        ),
        dis=(Di("wire", "bass", 0.0008),),
        pairs=(Pair("overheads", ("left", "right"), (name,)),),
        take=TakePlan("take", (TrackPlan("left", f"{name}.wav"),)),
    )


def written(scene: Scene, **more: object) -> str:
    prediction = predict(scene)
    found = more.pop("found", findings(scene, prediction))
    return report_page(scene, prediction, found, {"floor": "<svg></svg>"}, name="scene")  # type: ignore[arg-type]


class Words(HTMLParser):
    """What a reader sees: the text outside of scripts and styles; and every element's name."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text, self.elements, self._hidden = "", [], 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.elements.append(tag)
        self._hidden += tag in {"script", "style"}

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in {"script", "style"}

    def handle_data(self, data: str) -> None:
        self.text += "" if self._hidden else data


def test_an_inverted_copy_is_told_as_on_the_terminal() -> None:
    """No 'first notch 0 Hz' but a loss of bass; delays with the digits that the positions leave them."""
    scene = kit()
    words = Words(written(scene)).text
    assert "bass (inverted)" in words
    assert not re.search(r"(?<![\d.])0 Hz", words)
    late = predict(scene).differences[0]
    assert show_ms_within(abs(late.difference_s), late.uncertainty_s) in words


def test_names_appear_as_text_wherever_they_stand() -> None:
    found = (Finding("rule", "warning", (HOSTILE,), f"it is {HOSTILE}", f"move {HOSTILE}"),)
    page = written(kit(HOSTILE), found=found)
    seen = Words(page)
    # The page's own scripts alone, and no element that a name would make.
    assert seen.elements.count("script") == Words(written(kit())).elements.count("script")
    assert "b" not in seen.elements
    assert seen.text.count(HOSTILE) >= 6
    assert html.escape(HOSTILE, quote=False)[:6] in page


def test_channels_are_numbered_mics_first_with_polarity_gain_and_file() -> None:
    rows = channels(kit(), predict(kit()))
    assert [(row.number, row.name, row.pattern) for row in rows] == [
        (1, "left", "cardioid"),
        (2, "right", "cardioid"),
        (3, "wire", "DI"),
    ]
    assert [row.polarity for row in rows] == ["flip", "", ""]
    assert [row.blend for row in rows] == ["0 dB", "-3.0 dB", "0 dB"]
    assert rows[0].file == "snare.wav"
    assert rows[2].distance == "0.800 ms late"
    assert [row.takes for row in rows] == ["A snare", "A snare", "B bass"]


def test_a_stand_can_be_set_by_its_line() -> None:
    """Place on the floor, height, and where it looks: in the user's unit, with the angle of the tilt."""
    row = channels(kit(), predict(kit()))[0]
    at, aim = np.array(kit().mic("left").position), np.array(kit().source("snare").position)
    tilt = np.degrees(np.arctan2(aim[2] - at[2], np.hypot(*(aim - at)[:2])))
    assert row.place == ", ".join(show_length(value, "in").removesuffix(" in") for value in at)
    assert row.aim == f"A, {abs(tilt):.0f}° {'down' if tilt < 0 else 'up'}"
    assert row.distance.endswith(" to A")


def test_unequal_strings_are_told_as_unequal() -> None:
    """A pair 9 cm askew: its strings are no equal ones, and the first page says what to do."""
    askew = kit()
    rows = strings(askew, predict(askew))
    assert [row.kept for row in rows if row.equal] == [False] * sum(row.equal for row in rows)
    [line] = uneven_words(askew, predict(askew))
    assert "should be equal; run 'micalign place'" in line
    assert line.split("snare': ")[1] in written(askew).replace("&#39;", "'")


def test_strings_are_the_distances_in_the_users_unit() -> None:
    rows = strings(kit(), predict(kit()))
    # sqrt(0.6^2 + 0.1^2 + 1.2^2) = 1.3454 m = 52.97 in; eighths.
    assert (rows[0].source, rows[0].mic, rows[0].length, rows[0].equal) == ("snare", "left", "53 in", True)
    assert len(rows) == 2


@pytest.mark.parametrize(("channel_count", "string_count"), [(1, 0), (5, 7), (16, 30), (32, 64), (48, 120), (200, 400)])
def test_the_sheet_is_never_taller_than_a_page(channel_count: int, string_count: int) -> None:
    size = sheet_size(channel_count, string_count)
    lines = size.channels + -(-size.strings // 3)
    # Type of p points at 1.2 of its size is 0.423 p mm high; padding and rule add 0.76 mm.
    assert 58 + lines * (size.points * 0.4233 + 0.76) + size.plan_mm <= 245.0
    assert size.points >= 6
    assert size.plan_mm >= 55
    if channel_count <= 32:
        assert size.channels == channel_count
    if channel_count <= 16:
        assert size.strings == string_count


def test_the_page_asks_no_other_place_for_anything() -> None:
    page = written(kit())
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!data:|#)""", page)
    assert "@import" not in page
    assert "default-src 'none'" in page


def test_a_scene_without_room_or_title_is_told_plainly() -> None:
    scene = Scene(sources=(Source("a", (1.0, 1.0, 1.0)),), mics=(Mic("m", (2.0, 1.0, 1.0), on=("a",)),))
    seen = Words(written(scene)).text
    assert "The scene has no room and no panels." in seen
    assert "No pair of mics combs within 12 dB." in seen
    assert "<h1>scene</h1>" in written(scene)


def test_the_page_cautions_with_the_published_exposure() -> None:
    seen = Words(written(kit())).text
    assert "NIOSH 98-126" in seen
    for level, time in (("85 dBA", "8 h"), ("100 dBA", "15 min"), ("103 dBA", "7 min 30 s"), ("109 dBA", "1 min 53 s")):
        assert level in seen
        assert time in seen
