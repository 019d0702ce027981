"""Scenes whose numbers are in another unit than they say: told once, with the unit that fits; real ones are not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from commands import micalign

from micalign.acoustics.prediction import predict
from micalign.findings.odd_unit import unit_by_tapes, unit_words
from micalign.findings.rules import found
from micalign.scene.document import parse_scene
from micalign.scene.model import Room, Tape
from micalign.scene.scene import Scene
from micalign.units import METRES

_PLACES = {
    "source": {"kick": (1.95, 1.30, 0.30), "snare": (2.15, 1.85, 0.66)},
    "mic": {"left": (1.73, 2.14, 1.87), "snare mic": (2.19, 1.79, 0.71)},
}


def _written(meant: str, said: str, *, room: bool = True, tapes: bool = False) -> Scene:
    """A kit whose numbers are meant in one unit, in a file that says another; its tapes name their own."""

    def numbers(values: tuple[float, ...]) -> str:
        return str([round(value / METRES[meant], 4) for value in values])

    text = f'length_unit = "{said}"\n'
    text += f"[room]\nsize = {numbers((4.1, 3.4, 2.38))}\n" if room else ""
    for table, places in _PLACES.items():
        text += "".join(f'[[{table}]]\nname = "{name}"\nat = {numbers(at)}\n' for name, at in places.items())
    if tapes:
        for source, at in _PLACES["source"].items():
            apart = np.linalg.norm(np.array(at) - np.array(_PLACES["mic"]["left"]))
            text += f'[[tape]]\nbetween = ["{source}", "left"]\ndistance = "{apart:.3f} m"\n'
    return parse_scene(text, "kit.toml")


@pytest.mark.parametrize(("meant", "said"), [("cm", "m"), ("mm", "m"), ("cm", "mm"), ("in", "m")])
def test_a_room_that_is_none_is_told_with_the_unit_that_fits(meant: str, said: str) -> None:
    """Rooms of 410 m and of 41 cm: another unit makes a usual room of each, and the likeliest is named."""
    scene = _written(meant, said)
    told = [finding for finding in found(scene, predict(scene)) if finding.rule == "unit"]
    assert len(told) == 1
    assert f'length_unit = "{meant}" in place of "{said}"' in told[0].advice


def test_a_mistaken_unit_is_told_before_all_else() -> None:
    """What rests on it comes after it."""
    scene = _written("cm", "m")
    assert found(scene, predict(scene))[0].rule == "unit"


@pytest.mark.parametrize(("meant", "said"), [("cm", "m"), ("ft", "m"), ("m", "ft"), ("in", "cm"), ("cm", "mm")])
def test_tapes_that_agree_after_one_factor_tell_the_unit(meant: str, said: str) -> None:
    """No room is needed, nor a size that cannot be; no tape is then told to be read again."""
    scene = _written(meant, said, room=False, tapes=True)
    assert unit_by_tapes(scene) == meant
    assert f"if the lengths without a unit are in {meant}." in unit_words(scene)
    assert not [finding for finding in found(scene, predict(scene)) if finding.rule == "tape"]


def test_one_wrong_tape_is_no_unit() -> None:
    """A tape that is off by a factor beside one that agrees is a tape to be read again."""
    scene = _written("m", "m", tapes=True)
    assert unit_words(scene) == ""
    wrong = replace(scene, tapes=(scene.tapes[0], replace(scene.tapes[1], distance_m=scene.tapes[1].distance_m / 3.28)))
    assert unit_by_tapes(wrong) is None
    assert [finding for finding in found(wrong, predict(wrong)) if finding.rule == "tape"]


def test_points_far_apart_without_a_room() -> None:
    """Centimetres said to be metres, outdoors."""
    assert unit_words(_written("cm", "m", room=False)).endswith("in cm.")
    assert unit_words(_written("m", "m", room=False)) == ""


@pytest.mark.parametrize("size", [(120.0, 80.0, 30.0), (70.0, 40.0, 20.0), (2.0, 1.5, 0.9), (1.0, 0.9, 0.9)])
def test_rooms_that_somebody_may_have_get_no_word(size: tuple[float, float, float]) -> None:
    """An arena, a cathedral, a crawl space, a box: no other unit makes a usual room of them."""
    assert unit_words(Scene(room=Room(size))) == ""


def test_a_tape_of_nothing_asks_nothing() -> None:
    """Points that are not given, and tapes between them."""
    scene = _written("m", "m", room=False)
    unknown = replace(
        scene, mics=(replace(scene.mics[0], at=(None, None, None)),), tapes=(Tape(("kick", "left"), 1.0),)
    )
    assert unit_words(unknown) == ""


def test_a_new_scene_in_the_wrong_unit_is_made_and_questioned(tmp_path: Path) -> None:
    """It is written, since nobody can be sure; one sentence on standard error, and none for a room."""
    args = ("new", "--what", "kit", "--inputs", "4")
    said = micalign(*args, "--room", "410,340,240", "-o", tmp_path / "a.toml")
    assert said.status == 0
    assert "410.00 x 340.00 x 240.00 m, which fits if the lengths without a unit are in cm." in said.err
    assert "which fits" not in micalign(*args, "--room", "4.1,3.4,2.4", "-o", tmp_path / "b.toml").err


def test_a_scene_that_its_tapes_cannot_fix_is_questioned_first(tmp_path: Path) -> None:
    """Before it is refused for a mic without a place: the room says that the unit is wrong."""
    path = tmp_path / "kit.toml"
    path.write_text(
        '[room]\nsize = [410, 340, 238]\n[[source]]\nname = "kick"\nat = [195, 130, 30]\n[[mic]]\nname = "room"\n',
        encoding="utf-8",
    )
    said = micalign("check", path)
    assert said.status == 2
    assert said.err.index("fits if the lengths without a unit are in cm.") < said.err.index("no full position")
