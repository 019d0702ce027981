"""What no file may ask for, said before anything is written; and words of our own for what is wrong."""

from __future__ import annotations

import json
import os
import shutil
import time
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from commands import micalign

from micalign.errors import OutputError, TakeError
from micalign.files import sets
from micalign.files.aligned_audio import refuse_inputs
from micalign.files.metadata import carried_blocks
from micalign.files.sets import fault_of, file_hash, free_name, one_name


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    hits = np.random.default_rng(3).standard_normal(8000) * np.exp(-np.arange(8000) / 800) * 0.2
    soundfile.write(tmp_path / "ref.wav", hits, 8000, "PCM_16")
    soundfile.write(tmp_path / "late.wav", np.roll(hits, 9), 8000, "PCM_16")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _edit(folder: Path, **values: Any) -> str:
    """What align says of its own offsets file with another value for the first track."""
    if not (folder / "out").exists():
        assert micalign("align", "ref.wav", "late.wav", "-o", "out").status == 0
    sheet = json.loads((folder / "out" / "offsets.json").read_text())
    sheet["tracks"][0] |= values
    (folder / "out" / "edited.json").write_text(json.dumps(sheet))
    said = micalign("align", "--offsets", "out/edited.json", "-o", "again")
    assert said.status == 2
    assert not (folder / "again").exists()
    assert "pydantic" not in said.err.lower()
    assert "input should" not in said.err.lower()
    return said.err


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"shift_samples": 1e18}, "is more than 120 s at 8000 Hz"),
        ({"shift_samples": True}, "'shift_samples': a number is needed"),
        ({"shift_s": "0.1"}, "'shift_s': a number is needed"),
        ({"all_pass": [{"hz": 1e-300, "q": 1}]}, "'all_pass.0.hz': must be at least 5"),
        ({"all_pass": [{"hz": 100, "q": 99}]}, "'all_pass.0.q': must be at most 20"),
        ({"all_pass": [{"hz": 4000, "q": 1}]}, "track 'late.wav': 'all_pass.0.hz': must be less than 4000, half the"),
        ({"all_pass": 3}, "'all_pass': a list in [ ] is needed"),
        ({"start_s": 1e12}, "'start_s': must be at most 86400"),
        ({"channel": 1.5}, "'channel': a whole number is needed"),
        ({"polarity_flip": "perhaps"}, "'polarity_flip': true or false is needed"),
        ({"sha256": "0"}, "'sha256': text of a sensible length, in quotes, is needed"),
        ({"file": "kick.wav"}, "'file' says how it was called, 'late-aligned.wav'; it names nothing anew"),
    ],
)
def test_an_offsets_file_asks_for_nothing_without_bound(folder: Path, values: dict[str, Any], words: str) -> None:
    """Nor is a value passed over or bent in silence."""
    assert words in _edit(folder, **values)


def test_a_set_larger_than_the_disk_is_refused_first(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both sizes are told, and no folder is made."""
    monkeypatch.setattr(sets.shutil, "disk_usage", lambda _: type("Usage", (), {"free": 1_010_000}))
    said = micalign("align", "ref.wav", "late.wav", "-o", "out")
    assert said.status == 2
    assert "are needed, 1.0 MB are free" in said.err
    assert not (folder / "out").exists()


def test_a_demonstration_larger_than_the_disk_leaves_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even its scene: the folder would be in the way of the next."""
    monkeypatch.setattr(sets.shutil, "disk_usage", lambda _: type("Usage", (), {"free": 2_000_000}))
    said = micalign("demo", "-o", "demo")
    assert said.status == 2
    assert "are needed, 2.0 MB are free" in said.err
    assert not (folder / "demo").exists()


def test_no_output_is_an_input(folder: Path) -> None:
    """By its path, by a link, and by another name of the same file."""
    folder.joinpath("link.wav").symlink_to("ref.wav")
    os.link("ref.wav", "hard.wav")
    for name in ("ref.wav", "./x/../ref.wav", "REF.WAV", "link.wav", "hard.wav"):
        with pytest.raises(OutputError, match="is an original, which is never replaced"):
            refuse_inputs([Path(name)], [Path("ref.wav")])
    refuse_inputs([Path("new.wav")], [Path("ref.wav")])


def test_a_preview_overwrites_no_track_and_no_original(folder: Path) -> None:
    """Tracks called like previews get another name; an original of that name in the output folder stays."""
    shutil.copy("late.wav", "preview-mix.wav")
    both = np.stack([soundfile.read(name)[0] for name in ("ref.wav", "late.wav")], axis=1)
    soundfile.write("preview-mix-before.wav", both, 8000, "PCM_16")
    before = Path("preview-mix-before.wav").read_bytes()
    said = micalign("align", "ref.wav", "preview-mix-before.wav:2", "-o", ".", "--preview", "0.2", "--force")
    assert said.status == 2
    assert "preview-mix-before.wav is an original, which is never replaced" in said.err
    assert Path("preview-mix-before.wav").read_bytes() == before
    said = micalign("align", "ref.wav", "preview-mix.wav", "-o", "out", "--preview", "0.2", "--suffix=-before")
    assert said.status in {0, 1}, said.err
    names = [path.name for path in Path("out").iterdir()]
    assert len(names) == len({one_name(name) for name in names}) == 6
    assert soundfile.info("out/preview-mix-2-before.wav").frames > 7900


@pytest.mark.parametrize("change", ["replace", "append", "same bytes anew"])
def test_an_original_that_changes_meanwhile_is_told(folder: Path, change: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Replaced, or written to, while it is measured or written: nothing of it is used."""
    from micalign.files import aligned_set

    real = aligned_set.csv_text

    def meanwhile(*given: Any, **more: Any) -> str:
        data = Path("late.wav").read_bytes()
        if change == "append":
            with Path("late.wav").open("ab") as file:
                file.write(b"x")
        else:
            Path("new.wav").write_bytes(data if change == "same bytes anew" else data[:-2] + b"ab")
            Path("new.wav").replace("late.wav")
        return real(*given, **more)

    monkeypatch.setattr(aligned_set, "csv_text", meanwhile)
    said = micalign("align", "ref.wav", "late.wav", "-o", "out")
    assert said.status == 2
    assert "late.wav was changed or replaced while it was read" in said.err
    assert not Path("out").exists()


def test_force_replaces_a_set_and_nothing_else(folder: Path) -> None:
    """Another take's folder, and an aligned file that somebody has worked on, are left alone."""
    words = ("align", "ref.wav", "late.wav", "-o", "out")
    assert micalign(*words).status == 0
    assert "exists: choose another place with --out, or replace it with --force" in micalign(*words).err
    assert micalign(*words, "--force").status == 0
    worked_on = Path("out/late-aligned.wav")
    worked_on.write_bytes(worked_on.read_bytes() + b"edited")
    said = micalign(*words, "--force")
    assert "late-aligned.wav may be a recording (its SHA-256 is not in offsets.json) and is not replaced" in said.err
    Path("take").mkdir()
    shutil.copy("late.wav", "take/late-aligned.wav")
    said = micalign("align", "ref.wav", "late.wav", "-o", "take", "--force")
    assert "late-aligned.wav may be a recording (no offsets.json beside it)" in said.err


def test_offsets_written_through_a_link_can_be_applied(folder: Path) -> None:
    """The way to the originals leads from the folder itself, not from the link to it."""
    Path("deep/er").mkdir(parents=True)
    Path("link").symlink_to("deep/er")
    assert micalign("align", "ref.wav", "late.wav", "-o", "link/out").status == 0
    said = micalign("align", "--offsets", "deep/er/out/offsets.json", "-o", "again")
    assert said.status == 0, said.err


def test_more_tracks_than_a_set_holds_are_refused_before_they_are_measured(folder: Path) -> None:
    """1 025 of them: one sentence, nothing written."""
    soundfile.write("many.wav", np.zeros((4, 1024)), 8000, "PCM_16")
    said = micalign("align", "ref.wav", "many.wav", "-o", "out")
    assert said.status == 2
    assert "1025 tracks are more than one set can hold: give at most 1024" in said.err


@pytest.mark.parametrize("rate", [1, 2, 50, 999])
def test_a_rate_at_which_there_is_no_sound_is_refused(folder: Path, rate: int) -> None:
    """By every command that reads audio."""
    soundfile.write("slow.wav", np.random.default_rng(1).standard_normal(500) * 0.1, rate)
    for words in (("levels", "slow.wav"), ("measure", "slow.wav", "slow.wav"), ("align", "ref.wav", "slow.wav")):
        said = micalign(*words)
        assert said.status == 2
        assert f"claims a rate of {rate} Hz" in said.err


def test_samples_without_a_header_are_told_as_such(folder: Path) -> None:
    """No defect of ours."""
    Path("x.raw").write_bytes(bytes(4000))
    assert "x.raw has no header that says its rate" in micalign("levels", "x.raw").err


NEAR = """
[[source]]
name = "cab"
at = [1, 1, 0]
[[mic]]
name = "m"
at = [1, 1, {z}]
[[di]]
name = "d"
of = "cab"
latency_ms = {latency}
"""


def test_scenes_that_cannot_be_are_told(folder: Path) -> None:
    """A mic 1e-300 m from its source; a DI that sounds before it is played; a mark of byte order is no fault."""
    scene = folder / "scene.toml"
    scene.write_text(NEAR.format(z=1e-300, latency=0))
    assert "it stands exactly where source 'cab' is" in micalign("check", scene).err
    scene.write_text(NEAR.format(z=1, latency=-500))
    assert "a negative latency_ms cannot be simulated" in micalign("simulate", scene, "-o", "take").err
    scene.write_bytes(b"\xef\xbb\xbf" + NEAR.format(z=1, latency=0).encode())
    assert micalign("survey", scene, "--write", "new.toml").status in {0, 1}
    assert Path("new.toml").read_bytes()[:3] != b"\xef\xbb\xbf"


def test_the_width_asked_for_may_be_any_text(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """5 000 digits ask for a wide table."""
    (folder / "scene.toml").write_text(NEAR.format(z=1, latency=0))
    for width in ("9" * 5000, "-1", "0", "²"):
        monkeypatch.setenv("COLUMNS", width)
        assert micalign("check", "scene.toml").status in {0, 1}


def test_an_empty_name_is_none(folder: Path) -> None:
    """It is not taken for the folder one stands in."""
    said = micalign("align", "ref.wav", "late.wav", "-o", "")
    assert said.status == 2
    assert "an empty name names no file" in said.err


def test_a_long_value_is_not_echoed_whole(folder: Path) -> None:
    """Its beginning and its end are told."""
    said = micalign("check", "x" * 400_000)
    assert said.status == 2
    assert len(said.err) < 3000 + 100_000 * (sum(map(len, said.err.splitlines())) < 5000)


def test_a_track_that_is_not_there_is_told_with_those_that_are(folder: Path) -> None:
    """The known names stand in the sentence."""
    (folder / "scene.toml").write_text(NEAR.format(z=1, latency=0) + '[take.tracks]\nm = "ref.wav"\nd = "late.wav"\n')
    said = micalign("measure", "--scene", "scene.toml", "--reference", "drum")
    assert said.status == 2
    assert "'m'" in said.err
    assert "'d'" in said.err


def test_names_are_told_apart_on_every_system() -> None:
    """Case, accents in one character or two, Windows' devices, and what it drops at the end."""
    taken: set[str] = set()
    names = [
        free_name(stem, ".wav", taken) for stem in ("Flöte", "flo\u0308te", "FLÖTE", "straße", "STRASSE", "nul", "Com1")
    ]
    assert names == [
        "Flöte.wav",
        "flo\u0308te-2.wav",
        "FLÖTE-3.wav",
        "straße.wav",
        "STRASSE-2.wav",
        "nul-2.wav",
        "Com1-2.wav",
    ]
    assert [fault_of(name) is None for name in ("con", "CON.tar.gz", "con ", "a.", "a:b", "a\nb", "lpt¹.x")] == [
        False
    ] * 7
    assert [fault_of(name) for name in ("concert.wav", "com10.wav", ".wav", "drum 🥁.wav")] == [None] * 4


def test_figures_do_not_depend_on_the_users_settings(folder: Path) -> None:
    """TeX, a style and a notebook's backend are set aside; the bytes are the same."""
    import subprocess
    import sys

    (folder / "scene.toml").write_text(NEAR.format(z=1, latency=0))
    (folder / "home").mkdir()
    (folder / "home" / "matplotlibrc").write_text(
        "text.usetex: True\naxes.facecolor: red\nlines.linewidth: 9\nno such: line\n"
    )
    plain = {key: value for key, value in os.environ.items() if key not in {"MPLBACKEND", "MATPLOTLIBRC"}}
    odd = plain | {"MPLBACKEND": "module://no_such_notebook", "MATPLOTLIBRC": str(folder / "home" / "matplotlibrc")}
    drawn = []
    (folder / "home" / "damaged").write_bytes(b"lines.linewidth: \0\xff\n")
    damaged = plain | {"MATPLOTLIBRC": str(folder / "home" / "damaged")}
    for name, environment in (("a.svg", plain), ("b.svg", odd), ("c.svg", damaged)):
        words = [sys.executable, "-m", "micalign", "draw", "scene.toml", "-o", name, "-q"]
        said = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, check=False)
        assert (said.returncode, said.stderr) == (0, "")
        drawn.append((folder / name).read_bytes())
    assert drawn[0] == drawn[1] == drawn[2]
    (folder / "matplotlibrc").write_bytes(b"lines.linewidth: \0\xff\n")
    words = [sys.executable, "-m", "micalign", "draw", "scene.toml", "-o", "d.svg", "-q"]
    said = subprocess.run(words, cwd=folder, env=plain, capture_output=True, text=True, check=False)
    assert (said.returncode, "defect" in said.stderr) == (2, False)
    assert "matplotlibrc in this folder is no text" in said.stderr


def test_hashes_of_what_is_no_file_are_refused(folder: Path) -> None:
    """A pipe or a device could keep a program waiting for ever."""
    os.mkfifo("pipe.wav")
    for name in ("pipe.wav", "/dev/zero"):
        for words in (("levels", name), ("measure", "ref.wav", name), ("align", "ref.wav", name, "-o", "out")):
            assert micalign(*words).status == 2, name
    for words in (
        ("check", "pipe.wav"),
        ("align", "--offsets", "pipe.wav"),
        ("report", "/dev/zero"),
        ("place", "/dev/zero"),
    ):
        assert micalign(*words).status == 2
    with pytest.raises(TakeError, match="is a device or a pipe"):
        file_hash(Path("pipe.wav"))


def test_a_scene_of_very_many_mics_is_told_within_bounds(folder: Path) -> None:
    """Differences of mics that are both on the source; how many others there are is said, and --all gives them."""
    text = "".join(f'[[source]]\nname = "s{i}"\nat = [{1 + i}, 1, 1]\n' for i in range(3))
    text += "".join(
        f'[[mic]]\nname = "m{i}"\nat = [{1 + i % 10 * 0.5}, {2 + i // 10 * 0.5}, 1]\non = "s{i % 3}"\n'
        for i in range(120)
    )
    (folder / "many.toml").write_text(text)
    said = micalign("check", "many.toml", "--json")
    assert len(said.document["differences"]) == 3 * 40 * 39 // 2
    assert said.document["differences_left_out"] == 3 * (120 * 119 - 40 * 39) // 2
    assert "differences of mics that are not both on the source are left out" in said.err
    whole = micalign("check", "many.toml", "--json", "--all").document
    assert (len(whole["differences"]), whole["differences_left_out"]) == (3 * 120 * 119 // 2, 0)


def test_hundreds_of_misspelt_names_are_told_at_once(folder: Path) -> None:
    """The first ones with the name that was meant, the others by their number, in seconds."""
    text = "".join(f'[[source]]\nname = "source {i}"\nat = [{i}, 1, 1]\n' for i in range(300))
    text += "".join(f'[[mic]]\nname = "mic {i}"\nat = [{i}, 2, 1]\non = "sourc {i}"\n' for i in range(300))
    (folder / "slips.toml").write_text(text)
    begun = time.process_time()
    said = micalign("check", "slips.toml")
    assert all(f"did you mean 'source {number}'?" in said.err for number in range(20))
    assert "and 280 more faults like these" in said.err
    assert time.process_time() - begun < 5


def test_gigabytes_of_metadata_are_passed_over(folder: Path) -> None:
    """A FLAC with blocks of zeros before its audio, which take no room on the disk: they are not read."""
    soundfile.write("a.flac", np.zeros(8000), 8000, "PCM_16")
    data = Path("a.flac").read_bytes()
    with Path("b.flac").open("wb") as file:
        file.write(data[:4] + bytes([data[4] & 0x7F]) + data[5:42])
        for _ in range(100):
            file.write(bytes([2]) + (0xFFFFFF).to_bytes(3, "big"))
            file.seek(0xFFFFFF, os.SEEK_CUR)
        file.write(bytes([0x81, 0, 0, 0]))
    tracemalloc.start()
    assert carried_blocks(Path("b.flac")) == ((), ("APPLICATION",))
    assert tracemalloc.get_traced_memory()[1] < 1e6
    tracemalloc.stop()


def test_a_working_folder_that_was_deleted_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is needed is another folder, not another file."""
    gone = folder / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    said = micalign("align", folder / "ref.wav", folder / "late.wav", "-o", "out")
    assert (said.status, said.err) == (
        2,
        "micalign: the folder you stand in was deleted: change into one that exists\n",
    )
