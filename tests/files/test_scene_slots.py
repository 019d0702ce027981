from __future__ import annotations

from pathlib import Path

import pytest

from micalign.files.scenes import Slot, scene_pieces
from micalign.scene.document import parse_scene

SCENES = sorted((Path(__file__).parents[2] / "scenes").glob("*.toml"))

SOURCE = '[[source]]\nname = "x"\nat = [2, 2, 1]\n'
WAYS = {
    "inline tables": 'mic = [{ name = "a", at = [1, 2, "3 ft"], aim = "x" }]\n' + SOURCE,
    "line breaks": '[[mic]]\r\nname = "a"\r\nat = [1,\r\n  2, # two\r\n  3]\r\n' + SOURCE,
    "quoted keys": "[['mic']]\n\"name\" = 'a'\n\"at\" = [+1.0, 2e0, 0x3]\n" + SOURCE,
    "wide letters": '[[mic]]\nname = "\U0001f3a4"\nat = [1, 2, 3] # \U0001f3a4\n' + SOURCE,
}


def filled(text: str, numbers: dict[tuple[str, int, int | None], str]) -> str:
    made = scene_pieces(text)
    assert made is not None
    return "".join(
        one if isinstance(one, str) else numbers.get((one.kind, one.index, one.axis), one.written) for one in made
    )


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_joined_as_it_is_the_file_is_itself(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert filled(text, {}) == text


@pytest.mark.parametrize("text", WAYS.values(), ids=list(WAYS))
def test_every_way_to_write_a_table_is_followed(text: str) -> None:
    """A number put into a slot is the one that the scene then has; all else stays."""
    moved = filled(text, {("mic", 0, 1): "2.5", ("source", 0, 2): "1.25"})
    scene = parse_scene(moved)
    assert scene.mics[0].position[1] == 2.5
    assert scene.sources[0].position == (2.0, 2.0, 1.25)
    assert len(moved) == len(text) + len("2.5") - len(_written(text, "mic", 1)) + len("1.25") - 1


def _written(text: str, kind: str, axis: int) -> str:
    made = scene_pieces(text) or []
    return next(one.written for one in made if isinstance(one, Slot) and (one.kind, one.axis) == (kind, axis))


def test_a_key_that_is_not_there_yet_has_a_place_behind_the_name() -> None:
    text = '[[mic]]\nname = "room"\nat = [1, 2, 3]\n[[source]]\nname = "x"\nat = [2, 2, 1]\n'
    scene = parse_scene(filled(text, {("mic", 0, None): '\naim = "x"'}))
    assert scene.mics[0].aim == "x"
