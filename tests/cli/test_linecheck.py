"""``linecheck`` as a user runs it: planted faults, clicks of known sign, stretches told and found, refusals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench.delay import realkit, realtakes
from commands import micalign

SCENES = Path(__file__).parents[2] / "scenes"
RATE = 48000
SPANS = {"kick": "0.5-2.6", "snare": "2.75-4.8", "floor tom": "5-7.1", "hi-hat": "7.25-9.4", "ride": "9.55-11.4"}
ALONE = [word for source, span in SPANS.items() for word in ("--alone", f"{source}={span}")]
NAMES = ("snare", "kick", "overhead-left", "overhead-right", "room")


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    """The jazz kit's simulated take, by file: its first half is each source alone."""
    folder = tmp_path_factory.mktemp("kit")
    path = folder / "kit.toml"
    path.write_text((SCENES / "jazz-kit.toml").read_text("utf-8").replace("simulated/jazz-kit", "take"), "utf-8")
    assert micalign("simulate", path, "--seconds", 20, "-q").status == 0
    return {name: soundfile.read(folder / "take" / f"{name}.wav")[0] for name in NAMES}


def written(folder: Path, tracks: dict[str, np.ndarray]) -> Path:
    """A scene and its line check on disk."""
    text = (SCENES / "jazz-kit.toml").read_text("utf-8").replace("simulated/jazz-kit", "take")
    (folder / "kit.toml").write_text(text, "utf-8")
    (folder / "take").mkdir()
    for name, sound in tracks.items():
        soundfile.write(folder / "take" / f"{name}.wav", sound, RATE, subtype="PCM_24")
    return folder / "kit.toml"


def rules(document: dict) -> dict[str, set[str]]:
    """The problems by rule: the lines that they are on."""
    told: dict[str, set[str]] = {}
    for line in document["lines"]:
        for remark in line["remarks"]:
            if remark["severity"] == "problem":
                told.setdefault(remark["rule"], set()).add(line["track"])
    return told


def test_a_line_check_without_a_fault_is_ready(kit, tmp_path):
    """The stretches are found, those of a close mic are named by it, arrivals are those of the scene."""
    said = micalign("linecheck", written(tmp_path, kit), "--json")
    assert said.status == 0
    document = said.document
    assert document["good"] is True
    assert {one["source"] for one in document["found"]} >= {"kick", "snare"}
    snare = next(one for one in document["sources"] if one["source"] == "snare")
    rows = {row["track"]: row for row in snare["tracks"]}
    assert rows["overhead left"]["delay_s"] == pytest.approx(3.45e-3, abs=0.1e-3)  # 1.37 m less 0.19 m at 342 m/s
    assert rows["overhead left"]["polarity"] == 1
    assert rows["kick mic"]["bleed_db"] < -5.0
    assert document["plan"]["explained"] is True
    assert {one["seems"] for one in document["sources"]} == {None, "floor tom", "hi-hat", "ride"}
    assert "Ready: all 5 lines are good" in micalign("linecheck", tmp_path / "kit.toml").out


def _planted(kit: dict[str, np.ndarray], fault: str) -> dict[str, np.ndarray]:
    out = dict(kit)
    if fault == "swapped":
        out["snare"], out["room"] = kit["room"], kit["snare"]
    elif fault == "flipped":
        out["overhead-left"] = -kit["overhead-left"]
    elif fault == "late":
        out["snare"] = np.concatenate([np.zeros(200), kit["snare"][:-200]])
    elif fault == "dead":
        out["kick"] = 1e-5 * np.random.default_rng(1).normal(size=len(kit["kick"]))
    return out


@pytest.mark.parametrize(
    ("fault", "lines"),
    [
        ("swapped", {"snare mic", "room"}),
        ("flipped", {"overhead left"}),
        ("late", {"snare mic"}),
        ("dead", {"kick mic"}),
    ],
)
def test_a_planted_fault_is_found_and_no_other(kit, tmp_path, fault, lines):
    """Each on its own line, in red, with what to do."""
    scene = written(tmp_path, _planted(kit, fault))
    said = micalign("linecheck", scene, *ALONE, "--json")
    assert said.status == 1
    assert rules(said.document) == {fault: lines}
    shown = micalign("linecheck", scene, *ALONE).out
    assert "Not ready" in shown
    assert f"x {fault}" in shown


def test_a_line_that_sounds_though_not_at_the_hits_that_were_named_is_not_called_dead(tmp_path):
    """A stretch that is named wrong says nothing of a cable."""
    paths = clicks({"one": 1, "other": 1, "third": 1}, tmp_path)
    sound = 1e-5 * np.random.default_rng(3).normal(size=8 * RATE)
    for hit in range(3):
        sound[round((3.2 + 0.05 * hit) * RATE)] = 0.5  # between the hits of the two stretches
    soundfile.write(paths[2], sound, RATE, subtype="PCM_24")
    asked = ("linecheck", *paths, "--alone", "one=0:00-0:03.3")
    said = micalign(*asked, "--json")
    assert rules(said.document) == {"elsewhere": {"third.wav"}}
    shown = micalign(*asked).out
    assert "It sounds, up to -6.0 dBFS, but not at the hits that others heard." in " ".join(shown.split())
    assert "cable" not in shown
    drone = 0.1 * np.sin(2 * np.pi * 137.0 * np.arange(8 * RATE) / RATE)
    soundfile.write(paths[2], drone, RATE, subtype="PCM_24")
    assert rules(micalign(*asked, "--json").document) == {"dead": {"third.wav"}}
    assert "It heard not the one source that others heard." in " ".join(micalign(*asked).out.split())


def clicks(signs: dict[str, int], folder: Path) -> list[Path]:
    """Two sources of decaying half waves, each first and loudest at its own of the tracks; a hiss below."""
    rng = np.random.default_rng(7)
    pulse = np.sin(np.pi * np.arange(40) / 40) * np.exp(-np.arange(40) / 15)
    paths = []
    for row, (name, sign) in enumerate(signs.items()):
        sound = 1e-5 * rng.normal(size=8 * RATE)
        for source in range(2):
            for hit in range(5):
                late, level = (0, 0.6) if source == row else (120 + 30 * row, 0.06)
                start = round((0.5 + 3.5 * source + 0.6 * hit) * RATE) + late
                sound[start : start + 40] += sign * level * pulse
        paths.append(folder / f"{name}.wav")
        soundfile.write(paths[-1], sound, RATE, subtype="PCM_24")
    return paths


def test_the_sign_of_a_click_tells_which_line_is_inverted(tmp_path):
    """A positive pop in a line that is negative first is inverted; without --pop the minority is told as a note."""
    paths = clicks({"one": 1, "other": -1, "third": 1}, tmp_path)
    said = micalign("linecheck", *paths, "--pop", "positive", "--json")
    assert said.status == 1
    assert rules(said.document) == {"inverted": {"other.wav"}}
    assert rules(micalign("linecheck", *paths, "--pop", "negative", "--json").document) == {
        "inverted": {"one.wav", "third.wav"}
    }
    plain = micalign("linecheck", *paths, "--json")
    assert plain.status == 0
    notes = {line["track"] for line in plain.document["lines"] for one in line["remarks"] if one["rule"] == "opposite"}
    assert notes == {"other.wav"}
    headline = micalign("linecheck", *paths).out.splitlines()[0]
    assert headline.startswith("Ready but for the polarity of 'other.wav', see below: 3 lines, 2 sources heard alone")


@pytest.mark.parametrize(("source", "told"), [("hat", set()), ("far", {"far.wav"})])
def test_a_line_is_late_only_at_a_source_that_is_its_own(tmp_path, source, told):
    """A hi-hat is loudest in the overhead and reaches the snare's mic first, by 92 cm of air."""
    rng = np.random.default_rng(4)
    pulse = np.sin(np.pi * np.arange(40) / 40) * np.exp(-np.arange(40) / 15)
    paths = []
    for name, level, late_s in (("near", 0.1, 0.0), ("far", 0.6, 2.7e-3), ("other", 0.05, 1e-3)):
        sound = 1e-5 * rng.normal(size=4 * RATE)
        for hit in range(5):
            begin = round((0.5 + 0.6 * hit + late_s) * RATE)
            sound[begin : begin + 40] += level * pulse
        paths.append(tmp_path / f"{name}.wav")
        soundfile.write(paths[-1], sound, RATE, subtype="PCM_24")
    asked = ("linecheck", *paths, "--alone", f"{source}=0.3-3.5")
    document = micalign(*asked, "--json").document
    assert document["sources"][0]["reference"] == "far.wav"
    late = {line["track"] for line in document["lines"] if any(one["rule"] == "late" for one in line["remarks"])}
    assert late == told
    headline = micalign(*asked).out.splitlines()[0]
    assert ("but for the time of 'far.wav'" in headline) == bool(told)


def test_a_found_stretch_can_be_struck(tmp_path):
    """What was found is listed with its times; a struck one is not used."""
    paths = clicks({"one": 1, "other": 1, "third": 1}, tmp_path)
    found = micalign("linecheck", *paths, "--json").document["found"]
    assert [one["loudest_in"] for one in found] == ["one.wav", "other.wav"]
    assert found[0]["words"].startswith("0:00.4-0:03.4 seems to be one source alone, 5 hits, loudest in 'one.wav'")
    left = micalign("linecheck", *paths, "--strike", "0-3.5", "--json").document
    assert [one["loudest_in"] for one in left["found"]] == ["other.wav"]
    assert len(left["sources"]) == 1


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--alone", "snare=7-19"], "reaches beyond the take, which ends at 0:08.00"),
        (["--alone", "snare=5-1"], "ends before it begins"),
        (["--alone", "snare=1-3", "--alone", "kick=2-4"], "overlaps"),
        (["--alone", "snare=one-two"], "'one-two' is no stretch of time: write seconds or m:ss"),
        (["--alone", "snare=nan-inf"], "'nan-inf' is no stretch of time: write seconds or m:ss"),
        (["--alone", "snare=1:2:3:4-5"], "is no stretch of time"),
        (["--alone", "1-3"], "names no source"),
        (["--alone", "snare=3.2-3.8"], "nothing is struck from 0:03.20 to 0:03.80"),
        (["--alone", "snare=linecheck/snare/"], "needs a scene"),
        (["--strike", "never"], "is no stretch of time"),
        (["--strike", "0-8"], "no stretch was found"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_cannot_be_is_refused_in_a_sentence(tmp_path, arguments, word):
    """Exit status 2, one sentence, no traceback."""
    said = micalign("linecheck", *clicks({"one": 1, "other": 1}, tmp_path), *arguments)
    assert said.status == 2
    assert word in said.err
    assert "Traceback" not in said.err
    assert len(said.err.strip().splitlines()) == 1


@pytest.mark.parametrize(("cut", "named"), [("room", {"kick", "snare"}), ("snare", {"kick"})])
def test_a_file_of_one_sample_hides_no_stretch(kit, tmp_path, cut, named):
    """What is cut off is told of its own line; the others are judged by what was played."""
    said = micalign("linecheck", written(tmp_path, {**kit, cut: kit[cut][:1]}), "--json")
    assert said.status == 1
    assert {one["source"] for one in said.document["found"]} - {None} == named
    bad = {line["track"] for line in said.document["lines"] if any(r["severity"] == "problem" for r in line["remarks"])}
    assert any(track.startswith(cut) for track in bad)
    assert not any(track.startswith("overhead") for track in bad)


def test_an_unknown_source_is_answered_with_the_nearest(kit, tmp_path):
    """A scene knows its sources."""
    said = micalign("linecheck", written(tmp_path, kit), "--alone", "snar=1-2")
    assert said.status == 2
    assert "did you mean 'snare'?" in said.err


def test_measure_lists_what_it_found_and_takes_it_back(kit, tmp_path):
    """The stretches, their sources and hits; a struck one is no evidence any more."""
    scene = written(tmp_path, kit)
    found = micalign("measure", "--scene", scene, "--json").document
    rows = {row["source"]: row for row in found["stretches"] if row["source"]}
    assert set(rows) == {"kick", "snare"}
    assert {one["source"]: one["alone_hits"] for one in found["sources"] if one["alone_hits"]} == {
        source: row["hits"] for source, row in rows.items()
    }
    struck = micalign("measure", "--scene", scene, "--strike", "0-2.6", "--json").document
    assert {row["source"] for row in struck["stretches"] if row["source"]} == {"snare"}
    assert not next(one for one in struck["sources"] if one["source"] == "kick")["alone_hits"]


def test_striking_needs_a_scene(tmp_path):
    """Without one nothing is looked for."""
    said = micalign("measure", *clicks({"one": 1, "other": 1}, tmp_path), "--strike", "0-3")
    assert said.status == 2
    assert "--alone and --strike go with --scene" in said.err


def test_without_a_scene_the_file_that_is_called_as_a_source_is_its_own_line(tmp_path):
    """Another line's preamp is turned up, so that it is the loudest one at the kick."""
    real = realkit.RealKit(Path(__file__).parents[1] / "external" / "realkit")
    take = realtakes.isolated(real, "kick R", 6, seed=1)
    sounds = {"Kick.wav": take.mics["KdrumR"], "hat.wav": take.mics["Hihat"], "oh.wav": take.mics["OHL"]}
    sounds["hat.wav"] = sounds["hat.wav"] * 0.5 / np.abs(sounds["hat.wav"]).max()
    sounds["Kick.wav"] = sounds["Kick.wav"] * 0.05 / np.abs(sounds["Kick.wav"]).max()
    for name, sound in sounds.items():
        soundfile.write(tmp_path / name, sound, take.rate, subtype="PCM_24")
    end_s = len(take.mics["OHL"]) / take.rate
    for source, own in (("kick", "Kick.wav"), ("a drum", "hat.wav")):
        alone = ("--alone", f"{source}=0-{end_s:.2f}")
        document = micalign("linecheck", *(tmp_path / name for name in sounds), *alone, "--json").document
        (row,) = document["sources"]
        assert (row["source"], row["reference"]) == (source, own)


@pytest.mark.parametrize("text", ["a-b", "nan-inf", "kick.wav"])
def test_what_is_no_stretch_and_no_folder_is_said_to_be_neither(kit, tmp_path, text):
    scene = written(tmp_path, kit)
    soundfile.write(tmp_path / "kick.wav", np.zeros(480), RATE)
    for command in ("measure", "align", "linecheck"):
        asked = ("--scene", scene) if command != "linecheck" else (scene,)
        said = micalign(command, *asked, "--alone", f"kick={text}", "-q")
        assert said.status == 2
        assert f"--alone 'kick': '{text}' is no stretch of time: write seconds or m:ss" in said.err.replace("\n", " ")


def test_arrivals_are_told_with_how_exactly_they_are_known(kit, tmp_path):
    """No more digits than a figure's own uncertainty leaves it, and the range of those below the table."""
    scene = written(tmp_path, kit)
    document = micalign("linecheck", scene, "--json").document
    said = " ".join(micalign("linecheck", scene).out.split())
    snare = next(one for one in document["sources"] if one["source"] == "snare")
    row = next(row for row in snare["tracks"] if row["track"] == "overhead left")
    assert row["uncertainty_s"] > 1e-5
    assert f" +{row['delay_s'] * 1e3:.3f} " not in said
    assert "-: not heard. Each is known to +- " in said
