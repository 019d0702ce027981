"""Several songs in one call: one line each, one table, the exit status of the worst; stopped, it goes on."""

from __future__ import annotations

import os
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import Said, micalign

RATE = 48000
SCENE = Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"
OWN_FOLDER = 'folder = "simulated/jazz-kit"'


def _noise(seed: int) -> np.ndarray:
    """Two seconds of noise that pauses, so that its floor is known."""
    sound = 0.4 * np.random.default_rng(seed).uniform(-1, 1, 2 * RATE)
    sound[: RATE // 2] *= 1e-4
    return sound


@pytest.fixture
def takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two songs of two tracks, the second later by 96 samples; and a folder without any audio."""
    monkeypatch.chdir(tmp_path)
    for seed, song in enumerate(("waltz", "polka")):
        folder = tmp_path / "takes" / song
        folder.mkdir(parents=True)
        sound = _noise(seed)
        soundfile.write(folder / "a near.wav", sound, RATE, subtype="PCM_24")
        later = np.concatenate([np.zeros(96), sound[:-96]])
        soundfile.write(folder / "b far.wav", later, RATE, subtype="PCM_24")
    (tmp_path / "takes" / "notes").mkdir()
    return Path("takes")


def _told(said: Said) -> dict[str, str]:
    return {one["song"]: one["told"] for one in said.document["songs"]}


def test_each_folder_is_a_song(takes: Path) -> None:
    """A line each on standard error, one table on standard output, one document of them all."""
    said = micalign("measure", "--songs", takes)
    assert said.status == 0
    assert [line.partition(":")[0] for line in said.err.splitlines()] == ["polka", "waltz"]
    assert said.out.count("+2.000 ms") == 2
    assert "2 songs: 2 good." in said.out
    document = micalign("measure", "--songs", takes, "--json", "-q").document
    alone = micalign("measure", takes / "waltz", "--json", "-q").document
    assert document["exit_status"] == 0
    assert document["songs"][1]["song"] == "waltz"
    assert document["songs"][1]["result"] == alone


def test_a_reference_is_named_for_all_songs(takes: Path) -> None:
    """Without a scene it is a file of each folder."""
    said = micalign("measure", "--songs", takes, "--reference", "b far.wav", "--json", "-q")
    assert {one["result"]["reference"] for one in said.document["songs"]} == {"b far.wav"}
    assert {round(one["result"]["tracks"][0]["delay_s"] * RATE) for one in said.document["songs"]} == {-96}


def test_the_exit_status_is_the_worst_one_s_and_the_others_are_done(takes: Path) -> None:
    """A song that cannot be read is told, in its line, and its faults stand in the document."""
    (takes / "polka" / "b far.wav").write_bytes(b"RIFF")
    said = micalign("measure", "--songs", takes, "--json", "-q")
    assert said.status == said.document["exit_status"] == 2
    polka, waltz = said.document["songs"]
    assert (polka["exit_status"], waltz["exit_status"]) == (2, 0)
    assert polka["result"] is None
    assert any("b far.wav" in fault for fault in polka["faults"])
    sound = _noise(5)
    sound[RATE : RATE + 400] = 1.0
    soundfile.write(takes / "waltz" / "b far.wav", sound, RATE, subtype="PCM_24")
    (takes / "polka" / "b far.wav").unlink()
    said = micalign("levels", "--songs", takes)
    assert said.status == 1
    assert "look at it" in said.out
    assert f"micalign levels --songs {takes / 'waltz'}" in said.out


def test_the_command_for_one_song_can_be_pasted_and_its_line_says_that_lengths_differ(takes: Path) -> None:
    """A folder whose name has spaces is one word to a shell."""
    folder = (takes / "waltz").rename(takes / "slow waltz (2)")
    short = _noise(5)[: RATE + 600]
    short[RATE : RATE + 400] = 1.0
    soundfile.write(folder / "b far.wav", short, RATE, subtype="PCM_24")
    said = micalign("levels", "--songs", takes, "--json")
    assert "the lengths differ" in _told(said)["slow waltz (2)"]
    assert "the lengths differ" not in _told(said)["polka"]
    shown = " ".join(micalign("levels", "--songs", takes).out.split())
    command = shown[shown.index("micalign levels") :]
    assert shlex.split(command) == ["micalign", "levels", "--songs", str(folder)]


def test_one_song_is_told_in_full(takes: Path) -> None:
    """The folder of one song is the take itself."""
    assert micalign("levels", "--songs", takes / "waltz", "-q").out == micalign("levels", takes / "waltz", "-q").out


def test_a_stopped_run_goes_on(takes: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is done is not done again; what changed is, and so is everything where something else is asked for."""
    from micalign.files import audio

    read: list[str] = []
    call = audio.inventory_of_tracks

    def stopping(specs):  # type: ignore[no-untyped-def]
        read.append(Path(specs[0]).parent.name)
        if len(read) == 2:
            raise KeyboardInterrupt
        return call(specs)

    monkeypatch.setattr(audio, "inventory_of_tracks", stopping)
    again = ["levels", "--songs", takes, "--resume", "kept.json"]
    said = micalign(*again)
    assert said.status == 130
    assert "1 of 2 songs are done and kept in kept.json" in said.err
    assert micalign(*again).status == 0
    assert read == ["polka", "waltz", "waltz"]
    said = micalign(*again, "--json")
    assert "2 of 2 songs are done" in said.err
    assert len(read) == 3
    assert said.document == micalign("levels", "--songs", takes, "--json", "-q").document
    del read[3:]
    os.utime(takes / "waltz" / "b far.wav", (1, 1))
    micalign(*again)
    assert read[3:] == ["waltz"]
    micalign(*again, "--window", 20, 60)
    assert read[4:] == ["polka", "waltz"]


def test_what_is_kept_replaces_no_other_file(takes: Path) -> None:
    """A file of another kind, or a broken one, is refused."""
    Path("kept.json").write_text("{}", encoding="utf-8")
    said = micalign("levels", "--songs", takes, "--resume", "kept.json", "--force")
    assert said.status == 2
    assert "not what micalign keeps" in said.err
    assert Path("kept.json").read_text(encoding="utf-8") == "{}"
    Path("kept.json").write_text('{\n "kept_by": "micalign, of several songs", "son', encoding="utf-8")
    assert "--force" in micalign("levels", "--songs", takes, "--resume", "kept.json").err


def test_aligned_sets_lie_in_a_folder_each_and_only_what_is_missing_is_made(takes: Path) -> None:
    """What is done is kept beside the sets; a set that was removed is made again, and none is taken for a song."""
    said = micalign("align", "--songs", takes)
    assert said.status == 0, said.err
    made = {str(path.relative_to(takes)) for path in (takes / "aligned").rglob("*.wav")}
    assert made == {f"aligned/{song}/{name}-aligned.wav" for song in ("waltz", "polka") for name in ("a near", "b far")}
    before = (takes / "aligned" / "waltz" / "offsets.json").stat().st_mtime_ns
    shutil.rmtree(takes / "aligned" / "polka")
    again = micalign("align", "--songs", takes)
    assert again.status == 0
    assert "1 of 2 songs are done" in again.err
    assert again.out == said.out
    assert (takes / "aligned" / "waltz" / "offsets.json").stat().st_mtime_ns == before
    assert (takes / "aligned" / "polka" / "offsets.json").exists()
    assert micalign("align", "--songs", takes, "--keep-all").status == 2  # the sets that stand there are others
    assert micalign("align", "--songs", takes, "--keep-all", "--force").status == 0
    assert micalign("align", takes / "polka", "-o", takes / "a set", "-q").status == 0
    assert "passed over" in micalign("levels", "--songs", takes).err


def test_one_set_up_for_many_songs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The scene's tracks are looked for in each folder; or each scene names its own."""
    monkeypatch.chdir(tmp_path)
    text = SCENE.read_text(encoding="utf-8")
    assert OWN_FOLDER in text
    for seed, song in enumerate(("one", "two")):
        Path(f"{song}.toml").write_text(text.replace(OWN_FOLDER, f'folder = "takes/{song}"'), encoding="utf-8")
        assert micalign("simulate", f"{song}.toml", "--seconds", 8, "--seed", seed, "-q").status == 0
    by_folder = micalign("compare", "one.toml", "--songs", "takes", "--json", "-q")
    by_scene = micalign("compare", "one.toml", "two.toml", "--json", "-q")
    assert by_folder.status == by_scene.status == 0
    assert by_folder.document == by_scene.document
    assert all(told.startswith("as planned") for told in _told(by_folder).values())
    assert set(_told(micalign("levels", "--scene", "one.toml", "--songs", "takes", "--json", "-q"))) == {"one", "two"}
    said = micalign("compare", "one.toml", "two.toml", "--songs", "takes")
    assert said.status == 2
    assert "one scene" in said.err


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["measure", "a.wav", "--songs", "takes"], "not both"),
        (["levels", "a.wav", "--songs", "takes"], "one of them"),
        (["align", "--offsets", "x.json", "--songs", "takes"], "--offsets names its own tracks"),
        (["measure", "--songs", "takes", "--loopback", "x.wav"], "one recording"),
        (["levels", "--songs", "takes", "-o", "x.png"], "one recording"),
        (["levels", "takes/waltz", "--resume", "x.json"], "several songs"),
        (["levels", "--songs", "takes/notes"], "holds no song"),
        (["levels", "takes"], "--songs takes"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value),
)
def test_what_cannot_be_meant_is_refused(takes: Path, arguments: list[str], word: str) -> None:
    """One sentence, and how to mend it."""
    assert takes.is_dir()
    said = micalign(*arguments)
    assert said.status == 2
    assert word in said.err


def test_a_song_that_is_too_quiet_or_hot_is_not_called_good(takes: Path) -> None:
    """Nothing in it is wrong, and its gains want setting before the next take."""
    for folder, peak in (("polka", 0.5), ("waltz", 0.9)):
        for path in sorted((takes / folder).glob("*.wav")):
            sound = soundfile.read(path)[0]
            soundfile.write(path, peak * sound / np.abs(sound).max(), RATE, subtype="PCM_24")
    said = micalign("levels", "--songs", takes)
    assert said.status == 0
    rows = {line.split()[0]: line for line in said.out.splitlines() if line.startswith(("polka", "waltz"))}
    assert rows["polka"].endswith("good")
    assert rows["waltz"].endswith("to level")
    assert "2 songs: 1 good, 1 to level." in said.out
