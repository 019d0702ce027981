"""Slips in a scene file: each is answered with the line as it should stand."""

from __future__ import annotations

import re
import tomllib

import pytest

from micalign.errors import SceneError
from micalign.scene.document import parse_scene

GOOD = '[[source]]\nname = "a"\nat = [1, 2, 1]\n'


@pytest.mark.parametrize(
    ("line", "mended"),
    [
        ("name = snare drum", 'name = "snare drum"'),
        ('name "snare"', 'name = "snare"'),
        ('name: "snare"', 'name = "snare"'),
        ("at = 1,2,3", "at = [1, 2, 3]"),
        ("at = 1.5, 2, 0.7   # here", "at = [1.5, 2, 0.7]"),
        ("at = (1, 2, 3)", "at = [1, 2, 3]"),
        ("at = [1, 2, 3", "at = [1, 2, 3]"),
        ("at [1, 2, 3]", "at = [1, 2, 3]"),
        ('name = "snare', 'name = "snare"'),
        ("gain_db = 1,5", "gain_db = 1.5"),
        ("plus_minus = 2 cm", 'plus_minus = "2 cm"'),
    ],
)
@pytest.mark.parametrize("after", ["", '[[mic]]\nname = "m"\n'])
def test_the_mended_line_is_told_and_is_toml(line: str, mended: str, after: str) -> None:
    """One sentence that ends in a line to copy, which a TOML reader takes."""
    with pytest.raises(SceneError, match="no TOML") as refused:
        parse_scene(f"[[source]]\n{line}\n{after}", "x.toml")
    [fault] = refused.value.faults
    assert fault.endswith(mended), fault
    assert tomllib.loads(re.split(r": (?=\w+ = )", fault)[-1])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GOOD.replace("[[source]]", "[source]") * 2, "in two brackets: [[source]]"),
        (GOOD.replace("[[source]]", "[[source]"), "in two brackets: [[source]]"),
        (GOOD + 'name = "b"\n', "name is given twice in one table"),
        (GOOD.replace("[[source]]", "[source]"), "[[source]]"),
    ],
)
def test_tables_have_two_brackets(text: str, words: str) -> None:
    """A table named twice, one bracket short, or two things in one table."""
    with pytest.raises(SceneError) as refused:
        parse_scene(text, "x.toml")
    assert words in refused.value.faults[0]
