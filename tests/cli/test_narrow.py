"""On a narrow terminal nothing is lost: all words and numbers are there, whole."""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from commands import micalign
from rich.console import Console

from micalign.cli.main import COMMANDS

SCENES = Path(__file__).parents[2] / "scenes"
WIDTHS = (40, 60, 80, 100, 140)
KIT = SCENES / "jazz-kit.toml"

TAPED = """
title = "taped"
[[source]]
name = "kick"
at = [2, 2, 0.4]
[[source]]
name = "snare"
at = [2.3, 2.6, 0.7]
[[source]]
name = "floor tom"
at = [1.5, 2.7, 0.6]
[[mic]]
name = "overhead left"
at = ["?", "?", 1.9]
[[tape]]
between = ["kick", "overhead left"]
distance = 1.6
[[tape]]
between = ["snare", "overhead left"]
distance = 1.5
[[tape]]
between = ["floor tom", "overhead left"]
distance = 1.4
"""


def _tokens(text: str) -> set[str]:
    """Words and numbers; what a heading becomes beside its value (a colon, a comma) does not count."""
    return {word.strip(",:;") for word in re.sub("─+", " ", text).split()} - {"", "continued"}


def _holds_at_every_width(texts: dict[int, str]) -> None:
    wide = _tokens(texts[140])
    for width, text in texts.items():
        assert max(map(len, text.splitlines()), default=0) <= width, f"a line is wider than {width}"
        assert "…" not in text
        assert wide - _tokens(text) == set(), f"at {width} columns something is lost or broken"


def _at_every_width(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> dict[int, str]:
    texts = {}
    for width in WIDTHS:
        monkeypatch.setenv("COLUMNS", str(width))
        texts[width] = micalign(*arguments).out
    return texts


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", KIT, "--all", "-q"],
        ["check", KIT, "--show", "sums,pairs,room"],
        ["check", KIT, "--tapes", "--all"],
        ["check", "--rules"],
        ["comb", "30cm", "95cm"],
        ["place", SCENES / "two-singers.toml"],
    ],
    ids=lambda arguments: " ".join(str(word) for word in arguments if not isinstance(word, Path)),
)
def test_every_word_of_a_scene_is_there(arguments: list[object], monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables fold between words, then stack; sentences wrap."""
    _holds_at_every_width(_at_every_width(monkeypatch, *arguments))


def test_every_word_of_a_test_signal_is_there(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """What was written, and what a recorded sweep says beside its plan."""
    monkeypatch.chdir(tmp_path)
    _holds_at_every_width(_at_every_width(monkeypatch, "click", "--sweep", 1, "-o", "s.wav", "--force", "-q"))
    plan = ["--scene", KIT, "--source", "snare", "--mic", "overhead left"]
    _holds_at_every_width(_at_every_width(monkeypatch, "click", "--sweep", 1, "--recorded", "s.wav", *plan))


def test_every_word_of_a_survey_is_there(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Points, tapes, residuals and remarks."""
    path = tmp_path / "taped.toml"
    path.write_text(TAPED, encoding="utf-8")
    _holds_at_every_width(_at_every_width(monkeypatch, "survey", path))


@pytest.mark.parametrize("width", WIDTHS)
def test_the_first_screen_fits(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Findings first, arrivals after; at most 40 lines where the terminal is as wide as most are."""
    monkeypatch.setenv("COLUMNS", str(width))
    lines = micalign("check", KIT).out.splitlines()
    assert max(map(len, lines)) <= width
    assert "to mend" in lines[0] + lines[1]
    first = next(place for place, line in enumerate(lines) if "->" in line)
    assert first < next(place for place, line in enumerate(lines) if line.startswith("Arrivals"))
    assert len(lines) <= 40 or width < 80


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_whole(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Options and sentences wrap between words; only an example keeps its line."""
    examples = r"(?m)^ +micalign .*$|^ {4}[\w-]+  +.*$"
    for text in _at_every_width(monkeypatch, command, "--help").values():
        assert "…" not in text
    texts = _at_every_width(monkeypatch, command, "--help")
    for width in WIDTHS[1:]:
        assert max(map(len, re.sub(examples, "", texts[width]).splitlines())) <= width


def _printed(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> list[tuple[tuple[Any, ...], dict[str, Any]]]:
    """What a command hands to the terminal, so that one long measurement is shown at every width."""
    kept: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
    with monkeypatch.context() as patched:
        patched.setattr(Console, "print", lambda _self, *objects, **options: kept.append((objects, options)))
        assert micalign(*arguments).status in {0, 1}
    return kept


def _shown(kept: list[tuple[tuple[Any, ...], dict[str, Any]]], width: int) -> str:
    out = Console(file=io.StringIO(), width=width, highlight=False, emoji=False, markup=False)
    for objects, options in kept:
        out.print(*objects, **options)
    return re.sub(r"(?m) +$", "", out.file.getvalue())  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The jazz kit and its take, in a folder of a short name."""
    folder = tmp_path_factory.mktemp("kit")
    text = KIT.read_text(encoding="utf-8").replace("simulated/jazz-kit", "take")
    (folder / "kit.toml").write_text(text, encoding="utf-8")
    assert micalign("simulate", folder / "kit.toml", "--seconds", 15, "-q").status == 0
    shutil.copytree(folder / "take", folder / "songs" / "slow waltz")
    (folder / "find.toml").write_bytes((SCENES / "find-the-mics.toml").read_bytes())
    assert micalign("simulate", folder / "find.toml", "-q").status == 0
    return folder


@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments",
    [
        ["levels", "--scene", "kit.toml"],
        ["linecheck", "kit.toml", "--alone", "kick=0.4-2.1"],
        ["linecheck", "take/snare.wav", "take/kick.wav", "take/room.wav", "--pop", "negative"],
        ["measure", "--scene", "kit.toml"],
        ["measure", "take/overhead-left.wav", "take/snare.wav", "--drift"],
        ["align", "--scene", "kit.toml", "-o", "aligned", "--force"],
        ["align", "take/overhead-left.wav", "take/overhead-right.wav", "-o", "two", "--thirds"],
        ["compare", "kit.toml"],
        ["place", "kit.toml"],
        ["compare", "kit.toml", "--songs", "songs"],
        ["locate", "find.toml"],
    ],
    ids=" ".join,
)
def test_every_word_of_a_take_is_there(arguments: list[str], take: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Delays, shifts, levels, verdicts and what to do."""
    monkeypatch.chdir(take)
    kept = _printed(monkeypatch, *arguments)
    assert kept
    _holds_at_every_width({width: _shown(kept, width) for width in WIDTHS})
