"""Results and notes, whoever reads them: nothing is lost for lack of a reader; signals leave nothing half-written."""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="streams and signals as on a Unix system")

SCENE = Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"
SET = ["late-aligned.wav", "offsets.csv", "offsets.json", "ref-aligned.wav"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return _hits(tmp_path)


def _hits(folder: Path) -> Path:
    hits = np.random.default_rng(3).standard_normal(24_000) * np.exp(-np.arange(24_000) / 2400) * 0.2
    soundfile.write(folder / "ref.wav", hits, 48000, "PCM_24")
    soundfile.write(folder / "late.wav", np.roll(hits, 40), 48000, "PCM_24")
    return folder


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The set of that folder's take, written with readers."""
    folder = _hits(tmp_path_factory.mktemp("wanted"))
    assert _shell("micalign align ref.wav late.wav -o out", folder).returncode == 0
    return _digests(folder / "out")


@pytest.fixture(scope="module")
def minute(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of a minute, and its set: long enough for signals to meet the writing of another."""
    folder = tmp_path_factory.mktemp("minute")
    noise = np.random.default_rng(4).standard_normal(48000 * 60) * 0.1
    for name in ("ref.wav", "late.wav"):
        soundfile.write(folder / name, np.roll(noise, len(name)), 48000, "PCM_24")
    assert _shell("micalign align ref.wav late.wav -o out", folder).returncode == 0
    return folder


def _shell(command: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[bytes]:
    # The command alone: a clone may lie in a folder of that name.
    told = re.sub(r"(?<![\w/.-])micalign(?= )", f"{sys.executable} -m micalign", command)
    return subprocess.run(
        ["bash", "-c", told],
        cwd=folder,
        env={**os.environ, **environment},
        capture_output=True,
        check=False,
        timeout=120,
    )


def _digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


@pytest.mark.parametrize("encoding", ["latin-1", "ascii", "cp1252", "utf-16"])
def test_json_is_json_in_every_encoding(folder: Path, encoding: str) -> None:
    """Names of any script come out as escapes, so that no output's encoding can break the document."""
    scene = folder / "scene.toml"
    text = '[[source]]\nname = "Bühne 鼓"\nat = [1, 1, 1]\n[[mic]]\nname = "\\u202Eroom"\nat = [2, 1, 1]\n'
    scene.write_text(text, encoding="utf-8")
    said = _shell("micalign check scene.toml --json", folder, PYTHONIOENCODING=encoding)
    assert json.loads(said.stdout.decode(encoding))["paths"][0]["source"] == "Bühne 鼓"
    assert said.stdout.decode(encoding).isascii()


def test_a_reader_that_goes_away_hides_nothing(folder: Path) -> None:
    """The status is 0 whatever was found, the file asked for is written, and nothing is said."""
    said = _shell(f"set -o pipefail; micalign check {SCENE} | head -1", folder)
    assert (said.returncode, said.stderr) == (0, b"")
    tape = folder / "tape.toml"
    tape.write_text(
        '[[source]]\nname = "a"\nat = [0, 0, 1]\n[[source]]\nname = "b"\nat = [3, 0, 1]\n[[source]]\nname = "c"\n'
        'at = [0, 3, 1]\n[[mic]]\nname = "m"\nat = ["?", "?", 1]\n'
        + "".join(f'[[tape]]\nbetween = ["{name}", "m"]\ndistance = 2.5\n' for name in "abc")
    )
    said = _shell("set -o pipefail; micalign survey tape.toml --write new.toml 2>&1 | true", folder)
    assert said.returncode == 0
    assert (folder / "new.toml").exists()


def test_a_full_disk_behind_standard_output_is_told(folder: Path) -> None:
    """One sentence, status 2."""
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full")
    said = _shell(f"micalign check {SCENE} > /dev/full", folder)
    assert said.returncode == 2
    assert said.stderr == b"micalign: standard output cannot be written: No space left on device\n"


@pytest.mark.parametrize(
    "closed", ["2>&-", ">&-", ">&- 2>&-", "<&- >&- 2>&-", "2>/dev/full", "2> >(true)", "> >(true)"]
)
def test_results_do_not_need_a_reader(folder: Path, wanted: dict[str, str], closed: str) -> None:
    """The set is written bit for bit as with readers: a closed number is given to no file of ours."""
    assert _shell(f"micalign align ref.wav late.wav -o out {closed}", folder).returncode == 0
    assert sorted(wanted) == SET
    assert _digests(folder / "out") == wanted


@pytest.mark.parametrize(
    ("number", "status"),
    [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)],
    ids=["INT", "TERM", "HUP"],
)
def test_a_signal_leaves_nothing_half_written(minute: Path, number: int, status: int) -> None:
    """Sent, and sent again, while audio is written: one sentence, its own status, and the older set as it was."""
    folder = minute
    before = _digests(folder / "out")
    command = [sys.executable, "-m", "micalign", "align", "ref.wav", "late.wav", "-o", "out", "--force"]
    with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        until = time.monotonic() + 60
        while not list(folder.glob("out/.micalign-set-*")) and running.poll() is None and time.monotonic() < until:
            time.sleep(0.002)
        for _ in range(3):
            running.send_signal(number)
            time.sleep(0.001)
        out, told = running.communicate(timeout=60)
    assert (out, running.returncode) == (b"", status)
    assert told.decode().strip().endswith("micalign: stopped; nothing half-written is left")
    assert b"Traceback" not in told
    assert _digests(folder / "out") == before


def test_what_is_told_to_ignore_hangups_ignores_them(folder: Path) -> None:
    """As under nohup: the work goes on to its end."""
    said = _shell("trap '' HUP; micalign align ref.wav late.wav -o out & sleep 0.3; kill -HUP $!; wait $!", folder)
    assert said.returncode == 0
    assert sorted(_digests(folder / "out")) == SET


def test_a_signal_that_a_library_made_its_own_error_of_is_no_defect(monkeypatch: pytest.MonkeyPatch) -> None:
    """The exception of a signal is found behind it; one lost in a callback comes again."""
    from micalign.cli import main

    def fails(*_: object, **__: object) -> None:
        try:
            main._end(15, None)
        except KeyboardInterrupt as error:
            error.__traceback__ = None
        raise RuntimeError("a library's own, which knows of no other")

    monkeypatch.setattr(main.main, "main", fails)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    assert main.status_of(["schema"]) == 143
    code = """
import signal, sys, time, weakref
from micalign.cli import main
main.obey_signals()
class Thing: pass
thing = Thing()
seen = weakref.ref(thing, lambda _: signal.raise_signal(signal.SIGTERM) or time.sleep(0.01))
try:
    del thing
    for _ in range(500):  # a sleep is not cut short where another thread meets the signal
        time.sleep(0.01)
    print("never came")
except KeyboardInterrupt as error:
    print("came", error.number)
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (said.stdout, said.stderr) == ("came 15\n", "")


def test_a_signal_after_the_end_changes_nothing() -> None:
    """One that was lost in a callback comes again: where another has ended the run meanwhile, it is too late."""
    code = """
import gc, signal, threading, time
from micalign.cli import main
def ended(_):
    threading.Timer(0.05, signal.raise_signal, (signal.SIGINT,)).start()
    return 143
main.status_of = ended
main.gc.collect = lambda: time.sleep(0.3)
main.run([])
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (said.returncode, said.stdout, said.stderr) == (143, "", "")


@pytest.mark.parametrize("most", [5, 6])
def test_too_few_open_files_are_told_in_a_sentence(folder: Path, most: int) -> None:
    """Where not even the streams can be put in order, the command still says what it lacks."""
    start = f"import resource; resource.setrlimit(resource.RLIMIT_NOFILE, ({most}, {most}))\n"
    start += "from micalign.cli.main import run; run(['measure', 'ref.wav', 'late.wav', '-q'])"
    command = [sys.executable, "-c", "import micalign.cli.cmd_align, micalign.files.sessions\n" + start]
    said = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=120)
    assert said.returncode in {0, 2}
    assert "Traceback" not in said.stderr
    assert said.returncode == 0 or "too many files are open at once" in said.stderr
