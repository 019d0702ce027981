"""The frame of the command line: exit statuses, one sentence for a fault, no traceback, quiet when a pipe closes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import micalign

from micalign.cli import cmd_new
from micalign.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
SCENE = ROOT / "scenes" / "jazz-kit.toml"


def _started(*arguments: str, **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "micalign", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def test_help_names_every_command() -> None:
    """In the order of a day's work, with status 0."""
    said = micalign("--help")
    assert said.status == 0
    assert [name for name in COMMANDS if f"\n  {name} " not in said.out] == []


def test_no_command_at_all_is_answered_with_the_help() -> None:
    """Line by line on standard error, with status 2: nothing was done."""
    said = micalign()
    assert said.status == 2
    assert said.out == ""
    assert said.err.startswith("Usage: micalign")
    assert [name for name in COMMANDS if f"\n  {name} " not in said.err] == []


def test_a_home_that_cannot_be_written_is_not_spoken_of(tmp_path: Path) -> None:
    """The figures' library keeps its cache elsewhere then, and a user has nothing to mend."""
    home = tmp_path / "home"
    home.write_text("a file, not a folder")
    surroundings = {key: value for key, value in os.environ.items() if not key.startswith(("MPL", "XDG"))}
    run = _started(
        "draw",
        str(SCENE),
        "--only",
        "plan",
        "-o",
        str(tmp_path / "plan.png"),
        "-q",
        env={**surroundings, "HOME": str(home)},
    )
    said = run.communicate(timeout=60)
    assert run.returncode == 0
    assert said == (f"{tmp_path / 'plan.png'}\n", "")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["chekc"], "there is no command 'chekc': did you mean 'check'?"),
        (["solder"], "there is no command 'solder': 'micalign --help' lists those there are"),
        (["check"], "Missing argument 'SCENE'"),
        (["check", "no-such.toml"], "no-such.toml: there is no such scene file: is the name spelled right"),
        (["schema", "--frce"], "there is no option '--frce'\n"),
        (["check", "x", "--shwo"], "there is no option '--shwo'; did you mean '--show'?"),
        (["help", "solder"], "there is no command 'solder'"),
        (["measure", "a", "b", "--max-delay-ms", "abc"], "micalign: '--max-delay-ms': 'abc' is no number."),
        (["measure", "a", "b", "--max-delay-ms", "1,5"], "'1,5' is no number: write a point, not a comma."),
        (["measure", "a", "b", "--max-delay-ms", "nan"], "nan is no finite number."),
        (["measure", "a", "b", "--max-delay-ms", "60001"], "60001 is out of reach: give a number from 0.1 to 60000."),
        (["align", "a", "b", "--max-shift-ms", "-5"], "-5 is out of reach: give a number from 0 on."),
    ],
)
def test_a_command_that_cannot_be_used_ends_with_status_2_and_a_sentence(arguments: list[str], sentence: str) -> None:
    """On standard error; nothing on standard output."""
    said = micalign(*arguments)
    assert said.status == 2
    assert sentence in said.err
    assert said.out == ""


def test_a_file_whose_name_begins_with_a_dash_is_told_how_to_be_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As `*.wav` gives it; an option that is merely misspelled is told as ever."""
    monkeypatch.chdir(tmp_path)
    soundfile.write("-take.wav", np.zeros(800), 8000)
    said = micalign("levels", "-take.wav")
    assert (said.status, "'-take.wav' is read as an option: write './-take.wav' for the file" in said.err) == (2, True)
    assert micalign("levels", "./-take.wav").status == 1
    assert "there is no option '-k'" in micalign("levels", "-kick.wav").err


def test_control_characters_of_a_name_do_not_reach_the_terminal() -> None:
    """An escape sequence in a path is shown, not obeyed."""
    said = micalign("check", "no\x1b[31m-such.toml")
    assert "\x1b" not in said.err
    assert "no\\x1b[31m-such.toml" in said.err


def test_a_package_that_is_missing_is_no_defect(monkeypatch: pytest.MonkeyPatch) -> None:
    """Started outside its environment: what is missing is named, and what to do."""

    def bare(_document: object) -> None:
        raise ModuleNotFoundError("No module named 'rich'", name="rich")

    monkeypatch.setattr(cmd_new, "print_json", bare)
    said = micalign("schema")
    assert said.status == 2
    assert "'rich' is not installed" in said.err
    assert "defect" not in said.err


def test_a_defect_is_told_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also an exception nobody thought of ends in words, unless a contributor asks for the traceback."""

    def broken(_document: object) -> None:
        raise ZeroDivisionError("no such case")

    monkeypatch.setattr(cmd_new, "print_json", broken)
    said = micalign("schema")
    assert said.status == 2
    assert "defect of micalign" in said.err
    assert "Traceback" not in said.err
    monkeypatch.setenv("MICALIGN_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError, match="no such case"):
        micalign("schema")


def test_a_reader_that_goes_away_is_no_error() -> None:
    """As in ``micalign schema | head -1``."""
    said = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {sys.executable} -m micalign schema | head -1"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.stdout == "{\n"
    assert said.stderr == ""
    assert said.returncode == 0


@pytest.mark.parametrize(
    "environment", [{"LANG": "C", "LC_ALL": "C"}, {"PYTHONIOENCODING": "ascii"}, {"HOME": "/nonexistent"}]
)
def test_a_bare_environment_is_enough(environment: dict[str, str]) -> None:
    """No locale, no wide encoding, no home folder: the table still comes."""
    bare = {"PATH": os.environ["PATH"], **environment}
    said = subprocess.run(
        [sys.executable, "-m", "micalign", "check", str(SCENE)], capture_output=True, env=bare, check=False
    )
    assert said.returncode in {0, 1}, said.stderr
    assert b"Traceback" not in said.stderr


@pytest.mark.parametrize(("columns", "widest"), [(None, 100), ("72", 72), ("wide", 100), ("160", 160)])
def test_a_pipe_is_as_wide_as_asked(columns: str | None, widest: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """100 columns, or what COLUMNS says: tables and sentences are folded, nothing is cut."""
    if columns is not None:
        monkeypatch.setenv("COLUMNS", columns)
    said = micalign("check", SCENE)
    lengths = [len(line.rstrip()) for line in said.out.splitlines()]
    assert widest - 12 <= max(lengths) <= widest
    words = " ".join(said.out.split())
    assert "NIOSH allows 15 minutes a day at that" in words


@pytest.mark.parametrize("words", [("check", SCENE), ("check", "--rules"), ("place", SCENE)])
def test_a_pipe_gets_no_blanks_at_the_ends_of_lines(words: tuple[object, ...]) -> None:
    lines = micalign(*words).out.splitlines()
    assert len(lines) > 5
    assert [line for line in lines if line != line.rstrip()] == []


@pytest.mark.slow
def test_ctrl_c_ends_with_one_line_and_status_130(tmp_path: Path) -> None:
    """Whenever it comes, nothing half-written is left under a final name."""
    for delay_s in (0.3, 0.8, 1.5, 2.5):
        out = tmp_path / f"demo-{delay_s}"
        running = _started("demo", "-o", str(out))
        time.sleep(delay_s)
        running.send_signal(signal.SIGINT)
        _, err = running.communicate(timeout=60)
        if running.returncode == 0:
            continue  # it was done before the signal came
        assert running.returncode in {130, -signal.SIGINT}, err
        assert "Traceback" not in err or running.returncode == -signal.SIGINT
        assert not out.exists()


def test_a_demonstration_that_is_stopped_half_way_leaves_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither its own nor those above it; one that was there stays, and is named as the reason without --force."""

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cmd_new, "_draw_comb", stopped)
    said = micalign("demo", "-o", tmp_path / "new" / "demo")
    assert said.status == 130
    assert "nothing half-written is left" in said.err
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "mine").mkdir()
    assert micalign("demo", "-o", tmp_path / "mine", "--force", "-q").status == 130
    assert (tmp_path / "mine" / "check.txt").is_file()
    assert "mine exists: choose another folder" in micalign("demo", "-o", tmp_path / "mine", "-q").err
