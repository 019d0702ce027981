"""A set of files appears as one: all of it, or what stood there before."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from micalign.errors import OutputError
from micalign.files import sets
from micalign.files.sets import whole_set
from micalign.files.whole import refuse_full

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="locks as on a Unix system")

NAMES = ["head.json", "a.wav", "sub/b.wav"]


def _write(folder: Path, words: str, stop: Callable[[], None] = lambda: None) -> None:
    with whole_set(folder, refuse=lambda: None, head="head.json") as files:
        for name in NAMES:
            files.write_text(folder / name, f"{words} {name}")
        stop()


def _found(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): path.read_text() for path in folder.rglob("*") if path.is_file()}


def _set(words: str) -> dict[str, str]:
    return {name: f"{words} {name}" for name in NAMES}


def _raise(error: BaseException) -> None:
    raise error


def test_a_set_appears_at_the_end(tmp_path: Path) -> None:
    """Until then nothing but a hidden folder; afterwards nothing but the set, the older one replaced."""
    folder = tmp_path / "deep" / "out"

    def nothing_yet() -> None:
        assert not any((folder / name).exists() for name in NAMES)

    _write(folder, "old", nothing_yet)
    assert _found(folder) == _set("old")
    _write(folder, "new")
    assert _found(folder) == _set("new")
    assert sorted(path.name for path in folder.iterdir()) == ["a.wav", "head.json", "sub"]


@pytest.mark.parametrize("error", [OutputError("no"), KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_a_set_that_fails_leaves_what_was(tmp_path: Path, error: BaseException) -> None:
    """The older set; or, where there was none, not even the folder."""
    with pytest.raises((OutputError, KeyboardInterrupt)):
        _write(tmp_path / "new" / "out", "new", lambda: _raise(error))
    assert list(tmp_path.iterdir()) == []
    _write(tmp_path / "out", "old")
    with pytest.raises((OutputError, KeyboardInterrupt)):
        _write(tmp_path / "out", "new", lambda: _raise(error))
    assert _found(tmp_path / "out") == _set("old")


@pytest.mark.parametrize("failing", range(6))
def test_a_move_that_fails_is_taken_back(tmp_path: Path, failing: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever of the six moves it is: three out of the way, three in."""
    _write(tmp_path, "old")
    real, count = os.link, 0

    def link(source: Path, target: Path, **more: bool) -> None:
        nonlocal count
        if ".micalign-set-" in f"{source}{target}" and "partial" not in f"{source}{target}":
            count += 1
            if count == failing + 1:
                raise OSError(5, "Input/output error")
        real(source, target, **more)

    monkeypatch.setattr(os, "link", link)
    with pytest.raises(OutputError, match="the disk reports a fault"):
        _write(tmp_path, "new")
    assert count == failing + 1
    assert _found(tmp_path) == _set("old")


def test_a_disk_without_links_takes_a_set_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory cards know no hard links."""
    monkeypatch.setattr(os, "link", lambda *_, **__: _raise(OSError(1, "Operation not permitted")))
    _write(tmp_path, "old")
    _write(tmp_path, "new")
    assert _found(tmp_path) == _set("new")


def test_what_appears_meanwhile_stops_the_set(tmp_path: Path) -> None:
    """It stands, and nothing of the set does."""
    with pytest.raises(OutputError, match=r"a\.wav exists"):
        _write(tmp_path, "new", lambda: (tmp_path / "a.wav").write_text("theirs") and None)
    assert _found(tmp_path) == {"a.wav": "theirs"}


def test_two_runs_never_mix(tmp_path: Path) -> None:
    """The second waits, and is refused in words where the first does not end."""

    def second() -> None:
        code = f"""
from micalign.errors import OutputError
from micalign.files import sets
sets.tuned.PATIENCE_S = 0.2
try:
    with sets.whole_set({str(tmp_path)!r}, refuse=lambda: None): print("in")
except OutputError as error:
    print(error)
"""
        said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert "is still being written by another run of micalign: wait until it is done" in said.stdout

    _write(tmp_path, "new", second)
    assert _found(tmp_path) == _set("new")


KILLED = """
import os, signal, sys
from pathlib import Path
from micalign.files import sets
folder, at = Path(sys.argv[1]), int(sys.argv[2])
count = 0
def counted(real):
    def call(*given, **more):
        global count
        if "partial" not in "".join(map(str, given)):
            count += 1
            if count == at:
                os.kill(os.getpid(), signal.SIGKILL)
        return real(*given, **more)
    return call
os.link, Path.unlink = counted(os.link), counted(Path.unlink)
with sets.whole_set(folder, refuse=lambda: None, head="head.json") as files:
    for name in ["head.json", "a.wav", "sub/b.wav"]:
        files.write_text(folder / name, f"new {name}")
"""


@pytest.mark.parametrize("at", range(1, 13))
def test_a_kill_between_two_moves_is_finished_by_the_next_run(tmp_path: Path, at: int) -> None:
    """A set that a kill mixed has no head; the next run into the folder brings the rest in before it looks."""
    _write(tmp_path, "old")
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path), str(at)], check=False)
    visible = {name: words for name, words in _found(tmp_path).items() if not name.startswith(".")}
    mixed = visible not in (_set("old"), _set("new"))
    assert not mixed or "head.json" not in visible
    seen = []
    with pytest.raises(OutputError, match="enough"):  # noqa: SIM117
        with whole_set(tmp_path, refuse=lambda: seen.append(_found(tmp_path)) or _raise(OutputError("enough"))):
            pass
    assert _found(tmp_path) in (_set("old"), _set("new"))
    assert seen == [_found(tmp_path)]
    assert _found(tmp_path) == _set("new") or not mixed


def test_what_was_put_there_after_a_kill_stays(tmp_path: Path) -> None:
    """The next run finishes with what is still its own; a recording that came meanwhile is not touched."""
    _write(tmp_path, "old")
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path), "7"], check=False)
    assert not (tmp_path / "a.wav").exists()
    (tmp_path / "a.wav").write_text("recorded since")
    with pytest.raises(OutputError, match="enough"):  # noqa: SIM117
        with whole_set(tmp_path, refuse=lambda: _raise(OutputError("enough"))):
            pass
    assert _found(tmp_path)["a.wav"] == "recorded since"


@pytest.mark.parametrize("inside", ["mine.wav", "new/../mine.wav"])
def test_a_folder_of_that_name_with_something_else_in_it_stays(tmp_path: Path, inside: str) -> None:
    """Only what looks like ours in every part is cleared."""
    other = tmp_path / ".micalign-set-1-0123abcd"
    (other / "new").mkdir(parents=True)
    (other / inside).write_text("precious")
    _write(tmp_path, "new")
    assert (other / "mine.wav").read_text() == "precious"


def test_a_command_finishes_a_killed_exchange_before_it_judges_what_stands_there(tmp_path: Path) -> None:
    """Half a set without its head would be taken for recordings, and refused by every later run."""
    (tmp_path / "s.toml").write_text(
        '[[source]]\nname = "clap"\nat = [1, 1, 1]\n[[mic]]\nname = "a"\nat = [2, 1, 1]\n[[mic]]\nname = "b"\n'
        'at = [3, 1, 1]\n[take]\nfolder = "take"\n[take.tracks]\na = "a.wav"\nb = "b.wav"\n'
    )
    killed = (
        "import os, sys\nfrom micalign.cli import main\nfrom micalign.files import sets\nmove = sets._Moves._move\n"
        "def moves(self, source, target):\n    move(self, source, target)\n    os._exit(9)\n"
        "sets._Moves._move = moves\nmain.status_of(sys.argv[1:])"
    )
    words = ["simulate", str(tmp_path / "s.toml"), "--seconds", "1", "-q"]
    assert subprocess.run([sys.executable, "-c", killed, *words], check=False).returncode == 9
    assert sorted(path.name for path in (tmp_path / "take").glob("[a-z]*")) == ["a.wav"]
    done = subprocess.run([sys.executable, "-m", "micalign", *words], check=False, capture_output=True, text=True)
    assert "exists" in done.stderr
    assert sorted(path.name for path in (tmp_path / "take").iterdir()) == ["a.wav", "b.wav", "truth.json"]


def test_a_journal_of_nonsense_harms_nothing(tmp_path: Path) -> None:
    """Names that lead out of the folder are not followed."""
    stage = tmp_path / "out" / ".micalign-set-1-0123abcd"
    (stage / "new").mkdir(parents=True)
    (tmp_path / "precious").write_text("kept")
    found = os.lstat(tmp_path / "precious")
    for name in ("../precious", str(tmp_path / "precious")):
        old = {name: [found.st_ino, found.st_size, found.st_mtime_ns]}
        (stage / "journal.json").write_text(json.dumps({"order": [name], "old": old}))
    _write(tmp_path / "out", "new")
    assert (tmp_path / "precious").read_text() == "kept"
    assert _found(tmp_path / "out") == _set("new")


def test_a_set_that_cannot_fit_is_refused_before_the_first_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In words with both sizes."""
    monkeypatch.setattr(sets.shutil, "disk_usage", lambda _: type("Usage", (), {"free": 5_000_000}))
    with pytest.raises(OutputError, match=r"20\.0 MB are needed, 5\.0 MB are free"):
        refuse_full(tmp_path / "not" / "there", 20_000_000)
    refuse_full(tmp_path, 3_000_000)
