"""simulate, compare, locate and demo as a user gives them: files, JSON, exit status, refusals in one sentence."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import micalign

from micalign.cli import cmd_new
from micalign.cli.main import status_of
from micalign.files.takes import SCENE_NAME

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
near = { file = "both.wav", channel = 1 }
far = { file = "both.wav", channel = 2 }
"""


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path


def simulated(scene: Path, *more: str) -> int:
    return status_of(["simulate", str(scene), "--seconds", "4", "-q", *more])


def test_a_take_is_written_where_the_scene_names_it(scene: Path, capsys: pytest.CaptureFixture[str]):
    """24-bit, the channels of the scene, and the truth beside it; nothing is replaced without leave."""
    assert simulated(scene) == 0
    info = soundfile.info(scene.parent / "take" / "both.wav")
    assert (info.channels, info.samplerate, info.subtype, info.frames) == (2, 48000, "PCM_24", 4 * 48000)
    truth = json.loads((scene.parent / "take" / "truth.json").read_text(encoding="utf-8"))
    assert truth["sources"][0]["reference"] == "near"
    capsys.readouterr()
    assert simulated(scene) == 2
    told = capsys.readouterr().err
    assert "both.wav exists" in told
    assert "truth.json exists" in told
    assert "Traceback" not in told
    assert simulated(scene, "--force") == 0


def test_a_recording_is_never_replaced_by_a_simulation(scene: Path, capsys: pytest.CaptureFixture[str]):
    """Audio with no truth beside it was recorded: not even ``--force`` writes over it."""
    recording = scene.parent / "take" / "both.wav"
    recording.parent.mkdir()
    soundfile.write(recording, np.full((100, 2), 0.25), 48000, "PCM_24")
    before = recording.read_bytes()
    for leave in ([], ["--force"]):
        assert simulated(scene, *leave) == 2
        told = capsys.readouterr().err
        assert "both.wav may be a recording (no truth.json beside it) and is not replaced" in told
    assert recording.read_bytes() == before
    assert [path.name for path in recording.parent.iterdir()] == ["both.wav"]


def test_json_is_one_document_with_the_truth(scene: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Files and truth, nothing else on standard output; --out wins over the scene's folder."""
    assert simulated(scene, "--json", "-o", str(tmp_path / "elsewhere")) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["truth"]["sources"][0]["source"] == "clap"
    assert all(Path(file).exists() for file in document["files"])
    assert not (tmp_path / "take").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('"both.wav", channel = 2', '"../both.wav", channel = 2'), "leads out of the take's folder"),
        (('"both.wav", channel = 2', '"far.mp3"'), "written as .wav, .flac or .aiff"),
        (('[take]\nfolder = "take"', "[ignored]"), "ignored"),
    ],
)
def test_a_take_that_cannot_be_written_is_refused(
    scene: Path, change: tuple[str, str], words: str, capsys: pytest.CaptureFixture[str]
):
    """A name that leads out of the folder, a kind of file that is not written, a key that is none."""
    scene.write_text(SMALL.replace(*change), encoding="utf-8")
    assert simulated(scene) == 2
    assert words in capsys.readouterr().err


def test_a_scene_without_a_take_needs_out(scene: Path, capsys: pytest.CaptureFixture[str]):
    """The sentence says what to give."""
    scene.write_text(SMALL[: SMALL.index("[take]")], encoding="utf-8")
    assert simulated(scene) == 2
    assert "--out" in capsys.readouterr().err
    assert simulated(scene, "-o", str(scene.parent / "there")) == 0
    assert sorted(path.name for path in (scene.parent / "there").iterdir()) == ["far.wav", "near.wav", "truth.json"]


def test_compare_tells_the_contracts_keys(scene: Path, capsys: pytest.CaptureFixture[str]):
    """As planned: exit 0; one channel inverted: exit 1 and a finding."""
    assert simulated(scene) == 0
    capsys.readouterr()
    assert status_of(["compare", str(scene), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    row = document["tracks"][0]
    assert (row["track"], row["source"]) == ("far", "clap")
    assert row["difference_s"] == row["measured_s"] - row["predicted_s"]
    assert abs(row["difference_s"]) < 10e-6
    assert row["explains"] is None
    assert document["findings"][0]["severity"] == "note"

    audio = scene.parent / "take" / "both.wav"
    samples, rate = soundfile.read(audio)
    soundfile.write(audio, samples * np.array([1.0, -1.0]), rate, subtype="PCM_24")
    assert status_of(["compare", str(scene)]) == 1
    told = capsys.readouterr().out
    assert "INVERTED" in told
    assert "What to do now" in told
    assert "Flip the polarity" in told


def test_locate_writes_a_scene_with_the_comments_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """The bundled scene of hits: every mic within 3 cm of where its take was made, comments as they were."""
    text = (SCENES / "find-the-mics.toml").read_text(encoding="utf-8")
    scene = tmp_path / "hits.toml"
    scene.write_text(text.replace("simulated/find-the-mics", "take"), encoding="utf-8")
    assert status_of(["simulate", str(scene), "--seconds", "14", "-q"]) == 0
    capsys.readouterr()
    new = tmp_path / "located.toml"
    assert status_of(["locate", str(scene), "--write", str(new), "--json", "-q"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["reliable"] is True
    assert all(mic["move_m"] < 0.03 for mic in document["mics"])
    assert "Where do the mics really stand?" in new.read_text(encoding="utf-8")
    assert status_of(["locate", str(scene), "--write", str(new), "-q"]) == 2


def test_locate_refuses_what_cannot_be_solved(scene: Path, capsys: pytest.CaptureFixture[str]):
    """One hit and two mics: exit 2 and how many points are missing."""
    assert simulated(scene) == 0
    capsys.readouterr()
    assert status_of(["locate", str(scene)]) == 2
    assert "add hits at 5 further places" in capsys.readouterr().err


def test_the_demonstration_does_the_whole_job(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    """As the README calls it, in a folder of the working one: scene, take, tables, aligned tracks, figures, page."""
    monkeypatch.chdir(tmp_path)
    folder = Path("demo")
    run, printed = cmd_new._printed, {}

    def kept(words: list[str], *, quiet: bool) -> str:
        printed[words[0]] = run(words, quiet=quiet)
        return printed[words[0]]

    monkeypatch.setattr(cmd_new, "_printed", kept)
    assert status_of(["demo", "-o", str(folder), "-q"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("Open this page first")
    assert f"{folder}/report.html" in told
    assert "volume low" in told
    names = {path.name for path in folder.iterdir()}
    wanted = {SCENE_NAME, "take", "aligned", "check.txt", "measure.txt", "compare.txt", "floor-plan.png", "comb.png"}
    assert wanted | {"report.html"} <= names
    compared = (folder / "compare.txt").read_text(encoding="utf-8")
    assert "'kick mic' is inverted" in compared
    assert "'overhead right' stands" in compared
    assert "lower than planned" in compared
    assert status_of(["demo", "-o", str(folder), "-q"]) == 2
    assert "exists" in capsys.readouterr().err
    # What --force replaces is each command's own matter: what they told is not made again.
    given: list[list[str]] = []
    monkeypatch.setattr(cmd_new, "_printed", lambda words, *, quiet: given.append(words) or printed[words[0]])
    assert status_of(["demo", "-o", str(folder), "-q", "--force", "--json"]) == 0
    assert ["--force" in words for words in given] == [words[0] in {"draw", "align", "report"} for words in given]
    document = json.loads(capsys.readouterr().out)
    assert document["files"] == sorted(str(path) for path in folder.rglob("*") if path.is_file())
    assert 0 <= document["after_s"] < document["before_s"]


def test_the_demonstrations_scene_is_the_bundled_kit():
    """Only the take's folder differs, so that nobody reads two scenes."""
    from importlib.resources import files

    own = files("micalign.files").joinpath("demo.toml").read_text(encoding="utf-8").splitlines()
    bundled = (SCENES / "jazz-kit.toml").read_text(encoding="utf-8").splitlines()
    differing = [pair for pair in zip(own, bundled, strict=True) if pair[0] != pair[1]]
    assert [line.split("=")[0].strip() for pair in differing for line in pair] == ["folder", "folder"]


@pytest.mark.parametrize("name", sorted(path.name for path in SCENES.glob("*.toml")))
def test_every_bundled_scene_makes_a_take_that_compares_as_planned(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """A user can start from each: simulate, then compare, and nothing is found wrong."""
    shutil.copy(SCENES / name, tmp_path / name)
    assert status_of(["simulate", str(tmp_path / name), "--seconds", "12", "-q"]) == 0
    assert status_of(["compare", str(tmp_path / name), "--json"]) == 0
    capsys.readouterr()


def test_a_line_feed_in_a_name_makes_no_line_of_its_own(tmp_path: Path):
    """A name stays in its row, in every table, heading and sentence; no part of it looks like a message."""
    path = tmp_path / "feed.toml"
    near = '"near\\nmicalign: all is well"'
    text = SMALL.replace('"clap"', '"clap\\nhat"').replace("near =", f"{near} =")
    path.write_text(text.replace('"near"\n', f'{near}\non = "clap\\nhat"\nreach = 0.2\n'), "utf-8")
    assert simulated(path) == 0
    for arguments in (
        ["check", path, "--all"],
        ["measure", "--scene", path],
        ["compare", path],
        ["linecheck", path],
        ["levels", "--scene", path],
        ["place", path],
        ["align", "--scene", path, "-o", tmp_path / "aligned"],
    ):
        said = micalign(*arguments)
        lines = [line.strip() for line in (said.out + said.err).splitlines()]
        assert not [line for line in lines if line.startswith(("hat", "micalign: all"))], arguments
        assert "\\n" in said.out, arguments


def test_compare_hears_the_drums_without_a_mic_of_their_own_as_measure_does(tmp_path: Path):
    """Toms that the overheads alone are there for: rows that 'measure --scene' fills are filled here."""
    path = tmp_path / "band.toml"
    new = ("new", "--what", "kit", "--room", "6.2,4.7,2.5", "--inputs", 4, "-o", path)
    assert micalign(*new, "-q").status == 0
    assert micalign("simulate", path, "--seconds", 20, "-q").status == 0
    told = json.loads(micalign("compare", path, "--json").out)
    measured = json.loads(micalign("measure", "--scene", path, "--json", "-q").out)
    heard = {one["source"] for one in measured["sources"] if any(pair["reliable"] for pair in one["pairs"])}
    assert {"floor tom", "rack tom"} <= heard
    assert {row["source"] for row in told["tracks"] if row["difference_s"] is None} & heard == set()
    assert told["unheard"] == []
