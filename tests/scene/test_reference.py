"""The scene file's reference is whole: its example is a scene, and every key that is taken stands in it."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from commands import micalign

from micalign import scene as scene_package
from micalign.files.scenes import read_scene, scene_reference
from micalign.scene.document import scene_schema

REFERENCE = Path(scene_package.__file__).with_name("README.md")


def test_its_example_is_a_scene(tmp_path: Path) -> None:
    """Whoever copies it has a file that every command takes, and tapes that agree with its places."""
    found = re.search(r"^```toml\n(.*?)^```$", scene_reference(), re.MULTILINE | re.DOTALL)
    assert found is not None
    path = tmp_path / "barn.toml"
    path.write_text(found[1], encoding="utf-8")
    scene = read_scene(path)
    assert scene.is_placed
    assert len(scene.sources) == 3
    at = {one.name: one.position for one in (*scene.sources, *scene.mics)}
    for tape in scene.tapes:
        assert math.dist(at[tape.between[0]], at[tape.between[1]]) == pytest.approx(tape.distance_m, abs=0.0127)


def test_every_key_of_the_schema_is_explained() -> None:
    """A key that is taken and told nowhere is found by nobody."""
    text = re.sub(r"^```toml\n.*?^```$", "", scene_reference(), flags=re.MULTILINE | re.DOTALL)
    words = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`]+)`", text))))
    schema = scene_schema()
    tables = {"": schema, **schema["$defs"]}
    missing = [
        f"{table}.{key}" for table, one in tables.items() for key in one.get("properties", {}) if key not in words
    ]
    assert missing == []


def test_every_word_that_a_key_may_hold_is_named() -> None:
    """Patterns, kinds and units: who adds one names it there."""
    words = [str(word) for word in re.findall(r"'enum': (\[.*?\])", repr(scene_schema()))]
    named = {word for found in words for word in re.findall(r"'([^']+)'", found)}
    assert "cardioid" in named
    missing = sorted(word for word in named if f"`{word}`" not in scene_reference())
    assert not missing, f"name {missing} in micalign/scene/README.md"


def test_the_command_prints_it() -> None:
    """``schema --explain`` is the file that travels with the program."""
    said = micalign("schema", "--explain")
    assert (said.status, said.err) == (0, "")
    assert said.out == REFERENCE.read_text(encoding="utf-8")
