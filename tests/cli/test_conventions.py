"""What commands agree on: how output is named, quiet, JSON, help, standard input, names that are nearly right."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import click
import pytest
from commands import micalign

from micalign.cli.main import COMMANDS, main

KIT = Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"
WRITERS = ("new", "check", "survey", "place", "draw", "plan", "simulate", "levels", "align", "locate", "explain",
           "report", "demo", "click")  # fmt: skip


def _options(name: str) -> set[str]:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    return {word for one in command.params if isinstance(one, click.Option) for word in one.opts}


@pytest.mark.parametrize("name", WRITERS)
def test_every_command_that_writes_takes_out(name: str) -> None:
    """One spelling for where things go, and one for leave to replace."""
    assert {"-o", "--out", "--force"} <= _options(name)


def test_quiet_and_json_are_everywhere_but_where_the_readme_says() -> None:
    """Help has nothing to be quiet about and no figures; schema is JSON by itself."""
    assert {name for name in COMMANDS if "-q" not in _options(name)} == {"help"}
    assert {name for name in COMMANDS if "--json" not in _options(name)} == {"help", "schema"}


@pytest.mark.parametrize(
    "words", [("check", KIT, "--mend", "1", "--write"), ("survey", KIT, "--write"), ("click", "-o")]
)
def test_what_was_written_is_told_in_one_word(words: tuple[object, ...], tmp_path: Path) -> None:
    """On whichever stream: a reader, or a script, looks for the same."""
    target = tmp_path / ("new.wav" if words[0] == "click" else "new.toml")
    said = micalign(*words, target)
    assert f"written: {target}" in (said.out + said.err).replace("\n", "")


def test_milliseconds_are_spelled_alike() -> None:
    """An option that takes milliseconds ends in -ms."""
    assert {"--max-delay-ms", "--max-shift-ms"} <= _options("align")
    assert {"--ms", "--delay-ms"} <= _options("comb") & _options("explain")


def test_help_is_told_by_a_command_too() -> None:
    """One command's, or all of them in one text; a slip is answered with what was meant."""
    assert micalign("help", "check").out == micalign("check", "--help").out
    text = micalign("help", "--all").out
    assert all(f"Usage: micalign {name}" in text for name in COMMANDS)
    said = micalign("help", "chekc")
    assert said.status == 2
    assert "did you mean 'check'?" in said.err


def test_a_scene_comes_on_standard_input(tmp_path: Path) -> None:
    """``-`` is a scene like any other; what is made from it is called after it."""
    text = KIT.read_text(encoding="utf-8")
    said = subprocess.run(
        [sys.executable, "-m", "micalign", "check", "-", "--json"],
        input=text,
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.stdout == micalign("check", KIT, "--json").out
    made = subprocess.run(
        [sys.executable, "-m", "micalign", "survey", "-", "-o", "new.toml", "-q"],
        input=text, capture_output=True, text=True, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    assert (tmp_path / "new.toml").read_text(encoding="utf-8") == text


def test_names_that_are_nearly_right_are_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sources, options, files: the one that was meant; a take that is not there: how to make one."""
    assert "did you mean 'snare'?" in micalign("draw", KIT, "--paths", "snar", "-o", tmp_path / "x.png").err
    assert "--reference" in micalign("measure", "--referense", "x").err
    (tmp_path / "overhead.wav").write_bytes(b"RIFF")
    (tmp_path / "kick.wav").write_bytes(b"RIFF")
    said = micalign("measure", tmp_path / "overhed.wav", tmp_path / "kick.wav")
    assert "overhed.wav cannot be read: there is no such file; did you mean 'overhead.wav'?" in " ".join(
        said.err.split()
    )
    monkeypatch.chdir(tmp_path)
    (tmp_path / "kit.toml").write_text(KIT.read_text(encoding="utf-8"), encoding="utf-8")
    said = micalign("measure", "--scene", "kit.toml")
    assert said.status == 2
    assert "micalign simulate kit.toml" in said.err
    assert len(said.err.splitlines()) == 1


@pytest.mark.slow
def test_a_second_scene_leaves_no_figures_of_the_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --force the first one's figures go, other files stay; the folder is called after the scene."""
    monkeypatch.chdir(tmp_path)
    text = KIT.read_text(encoding="utf-8")
    (tmp_path / "kit.toml").write_text(text, encoding="utf-8")
    assert micalign("draw", "kit.toml", "--only", "arrivals", "-q").status == 0
    folder = tmp_path / "kit-figures"
    first = {path.name for path in folder.iterdir()}
    assert "arrivals-snare.png" in first
    (folder / "arrivals-mine.png").write_bytes(b"not of micalign's making")
    (tmp_path / "other.toml").write_text(text.replace("snare", "tabor"), encoding="utf-8")
    assert micalign("draw", "other.toml", "--only", "arrivals", "-o", folder, "--force", "-q").status == 0
    left = {path.name for path in folder.iterdir()}
    assert "arrivals-snare.png" not in left
    assert {"arrivals-tabor.png", "arrivals-mine.png"} <= left


def test_a_terminal_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """``-`` without a pipe is refused with how to hand a scene over."""

    class _Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", _Terminal())
    said = micalign("check", "-")
    assert said.status == 2
    assert "by a pipe" in said.err
