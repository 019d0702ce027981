"""Recordings are never lost: not to a simulation, not to a full disk, not to a preview, not to --force."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import Said, micalign

from micalign.cli.main import COMMANDS, main
from micalign.errors import OutputError, TakeError
from micalign.files.audio import audio_info, open_track
from micalign.files.encode import write_audio

SCENES = Path(__file__).parents[2] / "scenes"

SMALL = """
[[source]]
name = "clap"
at = [1.0, 1.0, 1.0]
[[mic]]
name = "near"
at = [1.5, 1.0, 1.0]
[[mic]]
name = "far"
at = [2.9, 1.4, 1.3]
[take]
folder = "take"
[take.tracks]
near = "near.wav"
far = "far.wav"
"""


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SMALL)
    return path


def _hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def _simulated(scene: Path, *more: object) -> Said:
    return micalign("simulate", scene, "--seconds", "1", "-q", *more)


# simulate


def test_a_recording_beside_an_old_truth_is_kept(scene: Path) -> None:
    """Recorded over a simulated track: the refusal does not send to --force, and --force does not replace it."""
    assert _simulated(scene).status == 0
    recording = scene.parent / "take" / "near.wav"
    soundfile.write(recording, np.full(1000, 0.25), 48000, "PCM_24")
    before = _hashes(scene.parent)
    said = _simulated(scene)
    assert said.status == 2
    assert "near.wav may be a recording (its SHA-256 is not in truth.json) and is not replaced" in said.err
    assert "truth.json exists" not in said.err
    assert _simulated(scene, "--force").status == 2
    assert _hashes(scene.parent) == before
    recording.unlink()
    assert _simulated(scene, "--force").status == 0


@pytest.mark.parametrize("truth", ["mine", "{}", '{"files": 3}', '{"files": [{"file": "near.wav"}]}', "[" * 9000])
def test_a_truth_of_somebody_else_marks_nothing(scene: Path, truth: str) -> None:
    """Neither the files beside it nor itself are replaced."""
    (scene.parent / "take").mkdir()
    (scene.parent / "take" / "truth.json").write_text(truth)
    soundfile.write(scene.parent / "take" / "far.wav", np.full(1000, 0.25), 48000)
    before = _hashes(scene.parent)
    assert "truth.json is not what micalign wrote" in _simulated(scene, "--force").err
    assert _hashes(scene.parent) == before


def test_a_failed_simulation_leaves_nothing(scene: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No truth that would mark a folder."""
    real = soundfile.SoundFile
    text = scene.read_text().replace('far = "far.wav"', 'far = "far.flac"')
    scene.write_text(text)

    def fails(*given: object, **more: object) -> object:
        if "w" in given:
            raise OSError(28, "No space left on device")
        return real(*given, **more)

    monkeypatch.setattr(soundfile, "SoundFile", fails)
    assert "far.flac cannot be written: the disk is full" in _simulated(scene).err
    assert not (scene.parent / "take").exists()


def test_a_take_outside_the_scenes_own_folder_is_asked_for(scene: Path) -> None:
    """A scene from elsewhere writes nowhere else unasked; the sentence says where."""
    home = scene.parent / "home"
    home.mkdir()
    moved = home / "small.toml"
    moved.write_text(SMALL.replace('"take"', '"../elsewhere"'))
    said = _simulated(moved)
    assert said.status == 2
    assert "outside its own" in said.err
    assert str(scene.parent / "elsewhere") in said.err
    assert not (scene.parent / "elsewhere").exists()
    assert _simulated(moved, "--force").status == 0
    assert (scene.parent / "elsewhere" / "far.wav").exists()


# --force


FORCED = [
    ("report", "SCENE", "-o", "kept.html", "--no-take"),
    ("plan", "SCENE", "-o", "kept.html"),
    ("place", "SCENE", "--write", "kept.wav"),
    ("place", "SCENE", "--write", "kept.html"),
    ("place", "SCENE", "--figure", "kept.png"),
    ("place", "--arrangement", "close-mic", "--write", "kept.wav"),
    ("survey", "SCENE", "--write", "kept.wav"),
    ("locate", "SCENE", "--write", "kept.wav"),
    ("draw", "SCENE", "-o", "kept.png"),
    ("draw", "SCENE", "-o", "kept.pdf"),
    ("draw", "SCENE", "-o", "kept.svg"),
    ("levels", "kept.wav", "-o", "kept.png"),
    ("new", "--usual", "-o", "kept.wav"),
    ("click", "-o", "kept.wav"),
    ("check", "SCENE", "--mend", "1", "--write", "kept.wav"),
]


@pytest.mark.parametrize("arguments", FORCED, ids=" ".join)
def test_force_replaces_only_what_the_command_writes(
    scene: Path, arguments: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of another kind and nothing of somebody else's, told before the work."""
    monkeypatch.chdir(scene.parent)
    soundfile.write("kept.wav", np.full(1000, 0.25), 48000)
    Path("kept.html").write_text("<!doctype html><p>my page")
    Path("kept.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    Path("kept.png").write_bytes(b"\x89PNG\r\n\x1a\n photograph")
    Path("kept.pdf").write_bytes(b"%PDF-1.4 my book")
    before = _hashes(scene.parent)
    said = micalign(*[str(scene) if word == "SCENE" else word for word in arguments], "--force")
    assert said.status == 2
    assert "it is not replaced, not even with --force" in said.err
    assert _hashes(scene.parent) == before


def test_every_command_that_can_be_forced_is_tried() -> None:
    """A command that learns to write a file is asked at once what it replaces; sets are tried in tests of their own."""
    sets = {"align", "simulate", "explain", "demo"}
    forced = set()
    for name in COMMANDS:
        command = main.get_command(main.make_context("micalign", [name], resilient_parsing=True), name)
        assert command is not None
        if any("--force" in one.opts for one in command.params):
            forced.add(name)
    assert forced == sets | {words[0] for words in FORCED}


def test_a_page_is_never_written_over_a_recording(scene: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording's name is none of a page's: refused by its ending before anything is looked at."""
    monkeypatch.chdir(scene.parent)
    soundfile.write("kept.wav", np.full(1000, 0.25), 48000)
    before = _hashes(scene.parent)
    said = micalign("report", str(scene), "-o", "kept.wav", "--no-take", "--force")
    assert (said.status, "end it in .html" in said.err) == (2, True)
    assert _hashes(scene.parent) == before


def test_force_replaces_what_the_command_wrote(scene: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page, a figure, a scene: once refused, then replaced."""
    monkeypatch.chdir(scene.parent)
    for words in (
        ("place", scene, "--write", "new.toml", "--figure", "plan.png"),
        ("draw", scene, "-o", "plan.pdf"),
        ("draw", scene, "-o", "plan.svg"),
    ):
        assert micalign(*words).status in {0, 1}
        assert "exists: choose another" in micalign(*words).err
        assert micalign(*words, "--force").status in {0, 1}


def test_what_an_older_set_leaves_is_named_and_stays_replaceable(scene: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Previews of a first run stand beside a second without; a third may replace them, but not once they are edited."""
    monkeypatch.chdir(scene.parent)
    hits = np.random.default_rng(2).standard_normal(48000) * np.exp(-np.arange(48000) / 2000) * 0.2
    soundfile.write("a.wav", hits, 48000, "PCM_24")
    soundfile.write("b.wav", np.roll(hits, 30), 48000, "PCM_24")
    align = ("align", "a.wav", "b.wav", "-o", "out", "--force")
    assert micalign(*align, "--preview", "0.3").status == 0
    said = micalign(*align)
    assert "Of an older set there is still preview-mix-after.wav, preview-mix-before.wav" in said.err
    assert micalign(*align, "--suffix=-moved").status == 0
    assert micalign(*align, "--preview", "0.3").status == 0
    assert micalign(*align).status == 0
    soundfile.write("out/preview-mix-after.wav", hits, 48000, "PCM_24")
    assert "preview-mix-after.wav may be a recording" in micalign(*align, "--preview", "0.3").err


def test_an_edited_scene_of_the_demonstration_is_kept(tmp_path: Path) -> None:
    """The demonstration never takes a user's edits away."""
    folder = tmp_path / "demo"
    folder.mkdir()
    shutil.copy(SCENES / "jazz-kit.toml", folder / "jazz-kit.toml")
    before = _hashes(folder)
    said = micalign("demo", "-o", folder, "--force", "-q")
    assert "is not the demonstration's own scene, unchanged" in said.err
    assert _hashes(folder) == before


# Full disks


@contextlib.contextmanager
def _small_disk(folder: Path, size: int) -> Iterator[Path]:
    """A disk of so many bytes."""
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], check=False, capture_output=True
    )
    if made.returncode:
        pytest.skip("needs leave to mount a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


CONTAINERS = [
    ("WAV", "PCM_24", ".wav"),
    ("FLAC", "PCM_24", ".flac"),
    ("OGG", "VORBIS", ".ogg"),
    ("AIFF", "PCM_24", ".aiff"),
    ("CAF", "PCM_24", ".caf"),
    ("W64", "PCM_16", ".w64"),
    ("AU", "PCM_16", ".au"),
]


@pytest.mark.skipif(sys.platform != "linux", reason="needs a disk in memory")
@pytest.mark.parametrize(("container", "subtype", "suffix"), CONTAINERS, ids=[one[0] for one in CONTAINERS])
def test_a_nearly_full_disk_keeps_the_older_file(tmp_path: Path, container: str, subtype: str, suffix: str) -> None:
    """At every page round the size of the file: all of it, or a refusal and the older file; never a part of it."""
    noise = np.random.default_rng(5).uniform(-0.5, 0.5, 20_000)
    whole = tmp_path / f"whole{suffix}"
    write_audio(whole, [noise], sample_rate=48000, subtype=subtype, format=container)
    size = whole.stat().st_size
    done, refused = 0, 0
    with _small_disk(tmp_path / "disk", 2 * size + 128 * 1024) as disk:
        target, filler = disk / f"take{suffix}", disk / "filler"
        target.write_bytes(b"older")
        free = os.statvfs(disk)
        for room in range(max(size - 24 * 1024, 4096), size + 16 * 1024, 4096):
            filler.write_bytes(bytes(free.f_bavail * free.f_bsize - room))
            try:
                write_audio(target, [noise], sample_rate=48000, subtype=subtype, format=container, force=True)
                done += 1
                # An Ogg is numbered at random, and its length varies by what escapes its numbers need.
                assert np.array_equal(soundfile.read(target)[0], soundfile.read(whole)[0])
            except OutputError as error:
                refused += 1
                assert "the disk is full" in str(error)
                assert target.read_bytes() == b"older"
            assert sorted(path.name for path in disk.iterdir()) == ["filler", target.name]
            target.write_bytes(b"older")
            filler.write_bytes(b"")
    assert done
    assert refused


# Files that were cut short


CUT = [
    ("W64", "PCM_16"), ("W64", "FLOAT"), ("AU", "PCM_16"), ("AU", "FLOAT"), ("CAF", "PCM_24"), ("CAF", "ALAC_16"),
    ("OGG", "VORBIS"), ("OGG", "OPUS"), ("AIFF", "ULAW"), ("SVX", "PCM_16"), ("VOC", "PCM_16"), ("FLAC", "PCM_16"),
    ("RF64", "PCM_24"), ("WAV", "ULAW"),
]  # fmt: skip


@pytest.mark.parametrize(("container", "subtype"), CUT, ids="-".join)
@pytest.mark.parametrize("share", [0.3, 0.66, 0.9, 0.99])
def test_a_file_that_was_cut_short_is_told(tmp_path: Path, container: str, subtype: str, share: float) -> None:
    """Whole it is read; cut anywhere in its audio it is refused before anything is measured, or where it ends."""
    path = tmp_path / "take.x"
    noise = np.random.default_rng(5).uniform(-0.5, 0.5, 60_000)
    soundfile.write(path, noise, 48000, subtype, format=container)
    assert len(open_track(path).read(0, audio_info(path).frames)) >= 60_000
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(
        TakeError, match=r"cut short|damaged|malformed|holds no samples|no audio that micalign can read"
    ):
        open_track(path).read(0, 60_000)


@pytest.mark.parametrize(
    "head", [b".snd" + bytes(20), b"riff\x2e\x91\xcf\x11" + bytes(40), b"caff" + bytes(30), b"OggS"]
)
def test_a_damaged_head_ends_in_words(tmp_path: Path, head: bytes) -> None:
    """Whatever the sizes say."""
    for fill in (b"", b"\0" * 9000, b"\xff" * 9000, b"data" * 3000):
        path = tmp_path / "take.x"
        path.write_bytes(head + fill)
        with pytest.raises(TakeError):
            open_track(path)


def test_what_can_only_be_played_from_its_beginning_is_told_as_such(tmp_path: Path) -> None:
    """It is not damaged: another format is needed."""
    path = tmp_path / "phone.wav"
    soundfile.write(path, np.zeros(8000), 8000, "GSM610")
    with pytest.raises(TakeError, match=r"GSM610 samples, in which no place can be looked up: convert it to WAV"):
        open_track(path)


def test_a_flac_file_that_breaks_off_at_once_is_told_from_what_cannot_be_looked_into(tmp_path: Path) -> None:
    """Converting it would not help."""
    path = tmp_path / "cut.flac"
    soundfile.write(path, np.random.default_rng(1).uniform(-0.1, 0.1, 48000), 48000)
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(TakeError, match="breaks off in its first samples: it is damaged or cut short; copy it anew"):
        open_track(path)


def test_the_truth_names_its_files(scene: Path) -> None:
    """With their SHA-256, as anybody computes it."""
    assert _simulated(scene).status == 0
    truth = json.loads((scene.parent / "take" / "truth.json").read_text())
    found = _hashes(scene.parent / "take")
    assert {one["file"]: one["sha256"] for one in truth["files"]} == {
        name: digest for name, digest in found.items() if name != "truth.json"
    }
