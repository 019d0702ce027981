"""How a scene and a command line write where a source sounds alone."""

from __future__ import annotations

import pytest

from micalign.errors import SceneError
from micalign.scene.document import parse_scene
from micalign.scene.quantities import AloneStretch, alone_plans

SCENE = """
[[source]]
name = "snare"
at = [2, 2, 1]
[[mic]]
name = "near"
at = [2, 2, 1.2]
[take]
[take.alone]
"""


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("5-14", (5.0, 14.0)),
        ("0:05-0:14", (5.0, 14.0)),
        ("0:05.25 - 1:02.5", (5.25, 62.5)),
        ("1:00:01-1:00:03 s", (3601.0, 3603.0)),
        ("96000-480000 samples", (2.0, 10.0)),
        ("3.1\u201311.8", (3.1, 11.8)),
    ],
)
def test_times_are_read_as_people_write_them(text: str, span: tuple[float, float]) -> None:
    """Seconds, minutes, hours, samples at 48 kHz, hyphen or dash."""
    assert AloneStretch.parse(text).seconds(48000) == pytest.approx(span)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("14-5", "ends before it begins"),
        ("0:05", "no stretch"),
        ("5-5", "lasts no time: write a later time at its end"),
        ("0-0", "lasts no time"),
        ("nan-inf", "no stretch"),
        ("1,5-2,5", r"\(a decimal point, not a comma\)"),
        ("0:75-1:80", "no stretch"),
        ("1:05-2:00 samples", "fractions or minutes"),
        ("-5-3", "no stretch"),
        ("nan-3", "no stretch"),
    ],
)
def test_what_is_no_time_is_told_in_one_sentence(text: str, word: str) -> None:
    """And how to write it."""
    with pytest.raises(ValueError, match=word) as caught:
        AloneStretch.parse(text)
    assert "\n" not in str(caught.value)


def test_a_scene_holds_stretches_and_folders() -> None:
    """A list, one text, or the folder of a recording of its own."""
    scene = parse_scene(SCENE + 'snare = ["0:05-0:14", "20-25"]\n')
    assert scene.take is not None
    assert [stretch.seconds(48000) for stretch in scene.take.alone[0].stretches] == [(5.0, 14.0), (20.0, 25.0)]
    scene = parse_scene(SCENE + 'snare = "linecheck/snare/"\n')
    assert scene.take is not None
    assert scene.take.alone[0].folder == "linecheck/snare/"


def test_an_unknown_source_is_told_with_the_nearest() -> None:
    """In the scene with its line."""
    with pytest.raises(SceneError, match=r"line 10: take: 'alone' names 'snar'.*did you mean 'snare'"):
        parse_scene(SCENE + 'snar = ["0:05-0:14"]\n')


def test_a_decimal_comma_is_told_from_two_stretches() -> None:
    """It would be parted into '1', '5-2' and '5'."""
    with pytest.raises(SceneError, match=r"a decimal point, not a comma"):
        alone_plans(["snare=1,5-2,5"])
    assert len(alone_plans(["snare=1-2, 5-6"])[0].stretches) == 2


@pytest.mark.parametrize("text", ["snare", "=1-2", "snare=", "snare=9-2", "snare=1-2,"])
def test_an_option_that_cannot_be_read_is_refused(text: str) -> None:
    """One sentence."""
    with pytest.raises(SceneError) as caught:
        alone_plans([text])
    assert len(caught.value.faults) == 1
