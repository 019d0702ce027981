"""A bar of progress: on a terminal's standard error alone, gone when all is done, never beyond what is done."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")

COMMANDS = {
    "measure": ["measure", "a.wav", "b.wav"],
    "levels": ["levels", "a.wav", "b.wav"],
    "align": ["align", "a.wav", "b.wav", "-o", "out"],
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    noise = np.random.default_rng(3).normal(size=96000) * 0.1
    soundfile.write(tmp_path / "a.wav", noise, 48000, "PCM_24")
    soundfile.write(tmp_path / "b.wav", np.roll(noise, 30), 48000, "PCM_24")
    return tmp_path


def shown(folder: Path, *words: str) -> tuple[str, str]:
    """Standard output, a pipe, and standard error, a terminal of 100 columns."""
    mine, theirs = pty.openpty()
    environment = os.environ | {"TERM": "xterm", "COLUMNS": "100"}
    with subprocess.Popen(
        [sys.executable, "-m", "micalign", *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=theirs,
        env=environment,
        text=True,
    ) as run:
        os.close(theirs)
        seen = b""
        try:
            while piece := os.read(mine, 4096):
                seen += piece
        except OSError:
            pass  # how Linux says that the other end is closed
        assert run.stdout is not None
        out = run.stdout.read()
    os.close(mine)
    return out, seen.decode()


@pytest.mark.parametrize("name", COMMANDS)
def test_a_terminal_sees_a_bar(folder: Path, name: str) -> None:
    out, err = shown(folder, *COMMANDS[name])
    shares = [int(share) for share in re.findall(r"(\d+)%", err)]
    assert shares
    assert max(shares) <= 100
    # A step shorter than the bar's tenth of a second may not be seen; the last one always is.
    assert re.search("reading 2 tracks|measuring b.wav|adding b.wav|listening to a.wav|writing 2 tracks", err)
    # The cursor is shown again, and the bar's line is wiped.
    assert err.rfind("\x1b[?25h") > err.rfind("\x1b[?25l")
    assert "\x1b" not in out


@pytest.mark.parametrize("name", COMMANDS)
def test_quiet_and_pipes_see_none(folder: Path, name: str) -> None:
    assert shown(folder, *COMMANDS[name], "-q")[1] == ""
    words = [word if word != "out" else "piped" for word in COMMANDS[name]]
    run = subprocess.run(
        [sys.executable, "-m", "micalign", *words], cwd=folder, capture_output=True, text=True, check=False
    )
    assert "%" not in run.stderr
    assert "\x1b" not in run.stderr
