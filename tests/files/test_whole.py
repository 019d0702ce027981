"""A file appears under its final name whole or not at all."""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from micalign.errors import OutputError
from micalign.files import whole
from micalign.files.whole import make_folder, whole_file, write_bytes, write_text

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="locks and links as on a Unix system")


def _left(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def _write_half(target: Path, failure: BaseException, *, force: bool = False) -> None:
    with whole_file(target, force=force) as partial:
        partial.write_bytes(b"half")
        raise failure


def _overtaken(target: Path) -> None:
    with whole_file(target) as partial:
        partial.write_bytes(b"mine")
        target.write_bytes(b"theirs")


def test_nothing_stands_under_the_name_until_it_is_whole(tmp_path: Path) -> None:
    """While the block runs only a hidden, marked temporary exists; afterwards only the file."""
    target = tmp_path / "sum.wav"
    with whole_file(target) as partial:
        assert not target.exists()
        assert re.fullmatch(rf"\.sum\.wav\.micalign-partial-{os.getpid()}-[0-9a-f]{{8}}", partial.name)
        assert partial.parent == tmp_path
        partial.write_bytes(b"whole")
    assert _left(tmp_path) == ["sum.wav"]
    assert target.read_bytes() == b"whole"


@pytest.mark.parametrize("failure", [ValueError("no"), KeyboardInterrupt(), SystemExit(1), MemoryError()])
def test_a_block_that_fails_leaves_nothing(tmp_path: Path, failure: BaseException) -> None:
    """Errors, Ctrl-C and exits alike: no file, no temporary, and the error goes on its way."""
    target = tmp_path / "sum.wav"
    with pytest.raises(type(failure)):
        _write_half(target, failure)
    assert _left(tmp_path) == []


def test_a_failed_replacement_leaves_the_old_file(tmp_path: Path) -> None:
    """With force, too, the old file stands until the new one is whole."""
    target = tmp_path / "sum.wav"
    target.write_bytes(b"old")
    with pytest.raises(RuntimeError, match="stop"):
        _write_half(target, RuntimeError("stop"), force=True)
    assert target.read_bytes() == b"old"
    assert _left(tmp_path) == ["sum.wav"]


def test_what_exists_is_replaced_only_with_leave(tmp_path: Path) -> None:
    """The refusal names the path and the switch."""
    target = tmp_path / "sum.wav"
    target.write_bytes(b"old")
    with pytest.raises(OutputError, match=rf"{re.escape(str(target))} exists: .*--force"):
        write_bytes(target, b"new")
    assert target.read_bytes() == b"old"
    write_bytes(target, b"new", force=True)
    assert target.read_bytes() == b"new"
    assert _left(tmp_path) == ["sum.wav"]


def test_a_file_that_appears_meanwhile_is_not_lost(tmp_path: Path) -> None:
    """Two writers of one name: the second to finish is refused, the first's file stands."""
    target = tmp_path / "sum.wav"
    with pytest.raises(OutputError, match="exists"):
        _overtaken(target)
    assert target.read_bytes() == b"theirs"
    assert _left(tmp_path) == ["sum.wav"]


def test_where_there_are_no_links_it_works_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory cards know no hard links: then the name is checked once more before the rename."""

    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    write_bytes(tmp_path / "a.txt", b"a")
    assert _left(tmp_path) == ["a.txt"]
    with pytest.raises(OutputError, match="exists"):
        _overtaken(tmp_path / "b.txt")
    assert (tmp_path / "b.txt").read_bytes() == b"theirs"


def test_a_link_is_replaced_and_its_target_stays(tmp_path: Path) -> None:
    """A link in the output folder that points to an original never leads the pen there."""
    original = tmp_path / "original.wav"
    original.write_bytes(b"the only copy")
    link = tmp_path / "out.wav"
    link.symlink_to(original)
    with pytest.raises(OutputError, match="exists"):
        write_bytes(link, b"new")
    write_bytes(link, b"new", force=True)
    assert original.read_bytes() == b"the only copy"
    assert not link.is_symlink()


def test_a_dangling_link_counts_as_taken(tmp_path: Path) -> None:
    """What a link says, even to nowhere, somebody has put there."""
    link = tmp_path / "out.wav"
    link.symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="exists"):
        write_bytes(link, b"new")
    assert link.is_symlink()


@pytest.mark.parametrize("force", [False, True])
def test_a_folder_in_place_of_the_file_is_refused(tmp_path: Path, force: bool) -> None:
    """And nothing in it is touched."""
    (tmp_path / "sum.wav").mkdir()
    (tmp_path / "sum.wav" / "inside").write_text("kept")
    with pytest.raises(OutputError, match="is a folder"):
        write_bytes(tmp_path / "sum.wav", b"new", force=force)
    assert (tmp_path / "sum.wav" / "inside").read_text() == "kept"
    assert _left(tmp_path) == ["sum.wav"]


def test_a_file_in_place_of_a_folder_is_refused(tmp_path: Path) -> None:
    """Both as the folder itself and on the way to it."""
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match=r"out is a file, a folder is needed"):
        make_folder(tmp_path / "out")
    with pytest.raises(OutputError, match="a part of its folder's path is a file"):
        make_folder(tmp_path / "out" / "deeper")
    with pytest.raises(OutputError, match="a part of its folder's path is a file"):
        write_bytes(tmp_path / "out" / "sum.wav", b"new")


def test_a_missing_folder_is_said_and_can_be_made(tmp_path: Path) -> None:
    """`make_folder` makes parents and is content with what exists."""
    target = tmp_path / "a" / "b" / "sum.wav"
    with pytest.raises(OutputError, match="its folder does not exist"):
        write_bytes(target, b"new")
    assert make_folder(target.parent) == target.parent
    make_folder(target.parent)
    write_bytes(target, b"new")
    assert target.read_bytes() == b"new"


@pytest.mark.parametrize(
    "name",
    [
        "snare top.wav",
        'it\'s "loud".wav',
        "two\nlines.wav",
        "drum 🥁.wav",
        "\u202eevil\u200f.wav",
        "a:b?.wav",
        "-o.wav",
        "x" * 251 + ".wav",
        "é" * 125 + ".wav",
        "🥁" * 63 + "abc",
    ],
)
def test_odd_names_just_work(tmp_path: Path, name: str) -> None:
    """Up to the 255 bytes that a file system allows."""
    assert len(os.fsencode(name)) <= 255
    with whole_file(tmp_path / name) as partial:
        assert len(os.fsencode(partial.name)) <= 255
        partial.write_bytes(b"whole")
    assert _left(tmp_path) == [name]


def test_a_name_that_is_no_text_works(tmp_path: Path) -> None:
    """A recorder of another land wrote the name in another code."""
    name = os.fsdecode(b"fl\xf6te.wav")
    write_bytes(tmp_path / name, b"whole")
    assert [os.fsencode(path.name) for path in tmp_path.iterdir()] == [b"fl\xf6te.wav"]


@pytest.mark.parametrize(
    ("name", "said"), [("x" * 256, "the name is too long"), ("a\0b", "zero byte"), ("", "names no file")]
)
def test_impossible_names_are_said(tmp_path: Path, name: str, said: str) -> None:
    """One sentence, and nothing left."""
    with pytest.raises(OutputError, match=said):
        write_bytes(tmp_path / name if name else Path(), b"new")
    assert _left(tmp_path) == []


def test_what_a_dead_run_left_is_cleared(tmp_path: Path) -> None:
    """A run that was killed left a temporary; the next write into the folder removes it."""
    dead = tmp_path / ".kick.wav.micalign-partial-99999-0123abcd"
    dead.write_bytes(b"half")
    write_bytes(tmp_path / "snare.wav", b"whole")
    assert _left(tmp_path) == ["snare.wav"]


@pytest.mark.parametrize(
    "name", [".kick.wav.micalign-partial-1-0123", "kick.micalign-partial-1-0123abcd", ".micalign-partial", ".DS_Store"]
)
def test_nothing_else_is_cleared(tmp_path: Path, name: str) -> None:
    """Only names of exactly our kind are ours."""
    (tmp_path / name).write_bytes(b"theirs")
    write_bytes(tmp_path / "snare.wav", b"whole")
    assert (tmp_path / name).read_bytes() == b"theirs"


def test_a_link_or_folder_of_that_name_is_not_followed(tmp_path: Path) -> None:
    """Nobody can make the sweep remove something else."""
    precious = tmp_path / "precious"
    precious.write_bytes(b"kept")
    (tmp_path / ".a.micalign-partial-1-0123abcd").symlink_to(precious)
    (tmp_path / ".b.micalign-partial-1-0123abcd").mkdir()
    write_bytes(tmp_path / "snare.wav", b"whole")
    assert precious.read_bytes() == b"kept"
    assert (tmp_path / ".b.micalign-partial-1-0123abcd").is_dir()


def test_what_a_living_run_writes_is_left_alone(tmp_path: Path) -> None:
    """Two writers in one folder, in threads and in another process, do not disturb each other."""
    with whole_file(tmp_path / "a.wav") as mine:
        mine.write_bytes(b"mine")
        write_bytes(tmp_path / "b.wav", b"also mine")
        code = f"from micalign.files.whole import write_bytes; write_bytes({str(tmp_path / 'c.wav')!r}, b'theirs')"
        subprocess.run([sys.executable, "-c", code], check=True)
        assert mine.read_bytes() == b"mine"
    assert _left(tmp_path) == ["a.wav", "b.wav", "c.wav"]


def test_many_threads_write_one_folder(tmp_path: Path) -> None:
    """Every file whole, none lost, nothing left."""

    def write(number: int) -> None:
        for round_ in range(5):
            write_bytes(tmp_path / f"{number}.bin", bytes([number]) * 10_000, force=round_ > 0)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert _left(tmp_path) == [f"{number}.bin" for number in range(8)]
    assert all((tmp_path / f"{number}.bin").read_bytes() == bytes([number]) * 10_000 for number in range(8))


def test_one_name_taken_by_many_at_once_goes_to_one(tmp_path: Path) -> None:
    """Without force exactly one writer wins, and its file is whole."""
    outcomes: list[str] = []

    def write(number: int) -> None:
        try:
            write_bytes(tmp_path / "one.bin", bytes([number]) * 50_000)
            outcomes.append("written")
        except OutputError as error:
            assert "exists" in str(error)
            outcomes.append("refused")

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["refused"] * 7 + ["written"]
    found = (tmp_path / "one.bin").read_bytes()
    assert found == found[:1] * 50_000
    assert _left(tmp_path) == ["one.bin"]


def test_the_file_is_flushed_before_it_takes_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Data first, then the name, then the folder: a power cut finds the old state or the new one."""
    order: list[str] = []
    real_fsync, real_link = os.fsync, os.link

    def fsync(handle: int) -> None:
        order.append("folder" if Path(f"/proc/self/fd/{handle}").is_dir() else "file")
        real_fsync(handle)

    def link(source: str, target: str) -> None:
        order.append("name")
        real_link(source, target)

    monkeypatch.setattr(whole.os, "fsync", fsync)
    monkeypatch.setattr(whole.os, "link", link)
    write_bytes(tmp_path / "sum.wav", b"whole")
    assert order == ["file", "name", "folder"]


def test_a_full_disk_is_said(tmp_path: Path) -> None:
    """A size limit stands in for it: one sentence, no file, no temporary."""
    code = (
        "import resource, sys\n"
        "from micalign.errors import OutputError\n"
        "from micalign.files.whole import write_bytes\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try:\n"
        f"    write_bytes({str(tmp_path / 'big.bin')!r}, bytes(100_000))\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert "big.bin cannot be written: the file would be larger than the system allows" in said.stdout
    assert _left(tmp_path) == []


@pytest.mark.parametrize(
    ("number", "said"),
    [(errno.ENOSPC, "the disk is full"), (errno.EROFS, "read-only"), (errno.EACCES, "you may not write there")],
)
def test_what_the_system_refuses_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, said: str
) -> None:
    """In words that say what to do, with the system's own reason kept as the cause."""

    def refuse(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(whole.os, "open", refuse)
    with pytest.raises(OutputError, match=said) as refusal:
        write_bytes(tmp_path / "sum.wav", b"new")
    assert isinstance(refusal.value.__cause__, OSError)


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder_is_said(tmp_path: Path) -> None:
    """And left as it was."""
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    with pytest.raises(OutputError, match="you may not write there"):
        write_bytes(locked / "sum.wav", b"new")


def test_a_new_file_has_the_permissions_of_any_other(tmp_path: Path) -> None:
    """A shared studio folder: colleagues can read what was written."""
    write_bytes(tmp_path / "ours.wav", b"whole")
    (tmp_path / "plain.wav").write_bytes(b"whole")
    assert (tmp_path / "ours.wav").stat().st_mode == (tmp_path / "plain.wav").stat().st_mode


def test_text_is_utf_8_with_its_own_line_ends(tmp_path: Path) -> None:
    """Also where a name in it is no valid text: that part becomes an escape."""
    write_text(tmp_path / "a.csv", "Flöte\r\n\udcff")
    assert (tmp_path / "a.csv").read_bytes() == "Flöte\r\n".encode() + b"\\udcff"
