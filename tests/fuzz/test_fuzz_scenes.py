"""Any text in place of a scene ends in a scene or in sentences: no other error, no hang, no flood of memory."""

from __future__ import annotations

import math
import random
import time
from pathlib import Path
from typing import Any

import hostile
import pytest
from commands import micalign
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.errors import SceneError
from micalign.scene.document import parse_scene
from micalign.scene.quantities import parse_length

_SCENES = [path.read_text("utf-8") for path in sorted((Path(__file__).parents[2] / "scenes").glob("*.toml"))]
_WORDS = [hostile.toml(value) for value in [*hostile.NAMES, *hostile.NUMBERS, *hostile.LENGTHS, *hostile.NESTED]]
_KEYS = {
    "source": ["name", "at", "plus_minus", "range_hz", "sound", "zz"],
    "mic": ["name", "at", "plus_minus", "aim", "pattern", "on", "gain_db", "polarity", "move", "reach", "distance"],
    "di": ["name", "of", "latency_ms", "gain_db", "polarity"],
    "pair": ["name", "mics", "equal_to", "tolerance_ms", "centre_on", "angle_degrees", "spread"],
    "tape": ["between", "distance", "plus_minus"],
    "keepout": ["name", "at", "radius", "height", "size"],
    "panel": ["name", "centre", "normal", "size", "absorption", "turn_degrees"],
}
_SINGLES = {"air": ["temperature_c", "humidity_percent", "pressure_kpa"], "room": ["size", "absorption"],
            "place": ["wall_margin", "weights"], "take": ["folder", "tracks"]}  # fmt: skip


def _read(text: str) -> bool:
    """Whether it is a scene; any error but faults in words fails the test."""
    begun = time.process_time()
    try:
        parse_scene(text, "barn.toml")
        found = True
    except SceneError as error:
        assert all(fault.startswith("barn.toml") and len(fault) < 1000 for fault in error.faults)
        assert len(error.faults) <= 21
        found = False
    assert time.process_time() - begun < 5.0
    return found


def _length(value: Any) -> None:
    try:
        metres = parse_length(value, "ft")
    except ValueError as error:
        assert len(str(error)) < 300
    else:
        assert math.isfinite(metres)
        assert abs(metres) <= 10_000


@given(st.one_of(st.text(max_size=80), st.floats(), st.integers(), st.sampled_from(hostile.NESTED)))
@settings(max_examples=200)
def test_any_value_is_a_length_or_is_none_in_words(value: Any) -> None:
    """Text, numbers of any size, lists."""
    _length(value)


@given(st.text(alphabet="0123456789./+-−'\"′″ \tmcftin?eE,", max_size=70))
@settings(max_examples=200)
def test_what_looks_like_a_length_is_one_or_is_none_in_words(text: str) -> None:
    """Digits, fractions, signs and units in any order."""
    _length(text)


@given(st.text(max_size=300))
@settings(max_examples=100)
def test_any_text_is_a_scene_or_is_none_in_words(text: str) -> None:
    """Mostly no TOML."""
    _read(text)


def _value(kind: str, key: str, draws: random.Random) -> Any:
    """Mostly what belongs there, so that the reader gets further; at times anything."""
    if draws.random() < 0.06:
        return hostile.anything(draws)
    spot = [round(draws.uniform(0, 5), 2) for _ in range(3)]
    name = draws.choice(["snare", "kick", "ol", "or"])
    usual: dict[str, Any] = {
        "at": spot, "centre": spot, "name": f"{kind}{draws.randrange(40)}", "plus_minus": 0.01, "distance": 1.5,
        "range_hz": [100, 9000], "aim": draws.choice(["snare", spot]), "pattern": draws.choice(["omni", "cardioid"]),
        "on": name, "gain_db": draws.choice([-6, 0.0]), "polarity": draws.choice([1, -1]), "reach": 0.3, "of": "snare",
        "mics": ["ol", "or"], "equal_to": ["snare"], "between": [name, "kick"], "radius": 0.3, "size": [5.1, 5.1, 5.1],
        "normal": spot, "absorption": 0.2, "weights": {"equal": 2}, "folder": "takes", "tracks": {"ol": "a.wav"},
        "move": {"x": [1, 2]},
    }  # fmt: skip
    if kind == "panel" and key == "size":
        return [1.0, 0.5]
    if kind == "mic" and key == "distance":
        return [0.2, 0.4]
    return usual.get(key, draws.choice([1, 20.0]))


def _made_up(draws: random.Random) -> str:
    """Tables and keys of a scene with values that may or may not belong there."""
    out = (
        [f"length_unit = {hostile.toml(draws.choice(['m', 'm', 'ft', 'cm', 'furlong']))}"]
        if draws.random() < 0.3
        else []
    )
    for single, keys in _SINGLES.items():
        if draws.random() < 0.3:
            out += [f"[{single}]", *(f"{key} = {hostile.toml(_value(single, key, draws))}" for key in keys)]
    for name in ("snare", "kick"):
        out += ["[[source]]", f'name = "{name}"', f"at = {_value('source', 'at', draws)}"]
    for name in ("ol", "or"):
        out += ["[[mic]]", f'name = "{name}"', f"at = {_value('mic', 'at', draws)}"]
    for _ in range(draws.randrange(4)):
        kind = draws.choice(list(_KEYS))
        out += [f"[[{kind}]]"]
        needed = ["name", "at", "of", "mics", "between", "distance", "centre", "normal", "size"]
        chosen = [key for key in _KEYS[kind] if key in needed or draws.random() < 0.3]
        chosen = [key for key in chosen if kind != "keepout" or key not in {"size", "height"}]
        chosen += ["radius"] if kind == "keepout" and "radius" not in chosen else []
        out += [f"{key} = {hostile.toml(_value(kind, key, draws))}" for key in chosen]
    return "\n".join(out)


def _any_scene(draws: random.Random) -> str:
    if draws.random() < 0.5:
        return _made_up(draws)
    return hostile.damaged(draws.choice(_SCENES), draws, _WORDS)


@pytest.mark.parametrize("seed", range(100))
def test_a_damaged_or_made_up_scene_is_one_or_is_none_in_words(seed: int) -> None:
    """A quick share of the long run."""
    _read(_any_scene(random.Random(f"quick {seed}")))


def _checked(folder: Path, text: str, *arguments: str) -> int:
    scene = folder / "barn.toml"
    scene.write_bytes(text.encode("utf-8", "surrogatepass"))
    begun = time.process_time()
    said = micalign(*arguments, scene)
    assert said.status in {0, 1, 2}
    assert "defect" not in said.err, (said.err, text)
    assert "\x1b" not in said.out + said.err
    assert said.status != 2 or (said.err.startswith("micalign: ") and not said.out)
    assert time.process_time() - begun < 5.0
    assert sorted(folder.iterdir()) == [scene], "nothing is written that was not asked for"
    return said.status


@pytest.mark.parametrize("seed", range(25))
def test_check_speaks_of_any_scene(tmp_path: Path, seed: int) -> None:
    """Whatever can be read can be calculated and told."""
    _checked(tmp_path, _made_up(random.Random(f"check {seed}")), "check", "--json" if seed % 2 else "--all")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(7))
def test_seventy_thousand_lengths(seed: int) -> None:
    """Ten thousand from each seed: damaged lengths, and signs, digits and units in any order."""
    draws = random.Random(seed)
    signs = "0123456789./+-−'\"′″ \tmcftin?eE,"
    for _ in range(10_000):
        text = hostile.damaged(draws.choice(hostile.LENGTHS), draws, hostile.LENGTHS)
        _length(
            draws.choice([text, "".join(draws.choices(signs, k=draws.randrange(12))), draws.choice(hostile.NUMBERS)])
        )


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_ten_thousand_scenes(seed: int) -> None:
    """Two thousand from each seed; a good share must be scenes, or the test would only knock at the door."""
    draws = random.Random(seed)
    found = 0
    for number in range(2000):
        text = _any_scene(draws)
        try:
            found += _read(text)
        except BaseException as error:
            error.add_note(f"seed {seed}, case {number}: {text!r}")
            raise
    assert found > 200


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_two_thousand_scenes_in_the_commands_that_only_read(tmp_path: Path, seed: int) -> None:
    """Five hundred from each seed through check and survey; a good share is calculated to the end."""
    draws = random.Random(f"commands {seed}")
    commands = [("check", "--json"), ("check", "--all"), ("check", "--tapes"), ("survey", "--json"), ("survey",)]
    statuses = [_checked(tmp_path, _any_scene(draws), *draws.choice(commands)) for _ in range(500)]
    assert sum(status < 2 for status in statuses) > 50
