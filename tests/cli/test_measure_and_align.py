"""``measure`` and ``align`` as a user runs them, on files: bars, exit statuses, refusals, originals untouched."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import micalign

RATE = 48000
DELAY = 133.37


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A reference, an inverted track 133.37 samples later at 40 dB SNR in three formats, and two strangers."""
    made = tmp_path_factory.mktemp("tracks")
    rng = np.random.default_rng(11)
    sound = rng.standard_normal(3 * RATE + 4096) * 0.1
    f = np.fft.rfftfreq(len(sound))
    late = np.fft.irfft(np.fft.rfft(sound) * np.exp(-2j * np.pi * f * DELAY), len(sound))
    reference, track = sound[2000 : 2000 + 3 * RATE], -late[2000 : 2000 + 3 * RATE]
    track = track + rng.standard_normal(len(track)) * 1e-3
    soundfile.write(made / "reference.wav", reference, RATE, subtype="PCM_24")
    for name, subtype in (("track.wav", "PCM_24"), ("track.flac", "PCM_24"), ("track.aiff", "PCM_16")):
        soundfile.write(made / name, track, RATE, subtype=subtype)
    soundfile.write(made / "both.wav", np.stack([reference, track], axis=1), RATE, subtype="FLOAT")
    for name in ("one.wav", "other.wav"):
        soundfile.write(made / name, rng.standard_normal(3 * RATE) * 0.1, RATE, subtype="PCM_24")
    return made


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_late_inverted_track_is_measured_in_every_format(folder):
    said = micalign(
        "measure", folder / "reference.wav", folder / "track.wav", folder / "track.flac", folder / "track.aiff",
        f"{folder / 'both.wav'}:2", "--json",
    )  # fmt: skip
    assert said.status == 0
    assert said.document["reference"] == "reference.wav"
    for row in said.document["tracks"]:
        assert row["delay_samples"] == pytest.approx(DELAY, abs=0.02)  # 0.4 us, 0.14 mm of air
        assert (row["polarity"], row["reliable"], row["reason"]) == (-1, True, None)
    assert len(said.document["tracks"]) == 4


def test_one_file_of_two_channels_is_a_reference_and_a_track(folder):
    said = micalign("measure", folder / "both.wav", "--json")
    assert said.document["reference"] == "both.wav:1"
    assert said.document["tracks"][0]["track"] == "both.wav:2"


def test_a_track_against_itself_is_zero_and_reliable(folder):
    said = micalign("measure", folder / "one.wav", folder / "one.wav", "--json")
    (row,) = said.document["tracks"]
    assert (said.status, row["delay_s"], row["polarity"], row["reliable"]) == (0, 0.0, 1, True)


def test_swapping_the_tracks_negates_the_delay(folder):
    there = micalign("measure", folder / "reference.wav", folder / "track.wav", "--json").document["tracks"][0]
    back = micalign("measure", folder / "track.wav", folder / "reference.wav", "--json").document["tracks"][0]
    assert back["delay_samples"] == pytest.approx(-there["delay_samples"], abs=0.002)


def test_strangers_are_not_reliable_and_not_moved(folder, tmp_path):
    said = micalign("measure", folder / "one.wav", folder / "other.wav", "--json")
    assert said.status == 1
    assert said.document["tracks"][0]["reliable"] is False
    assert said.document["tracks"][0]["reason"]
    aligned = micalign("align", folder / "one.wav", folder / "other.wav", "-o", tmp_path / "out", "--json")
    assert aligned.status == 1
    row = aligned.document["tracks"][0]
    assert (row["applied"], row["shift_samples"], row["polarity_flip"]) == (False, 0.0, False)
    assert np.array_equal(soundfile.read(row["file"])[0], soundfile.read(folder / "other.wav")[0])
    assert "'other.wav' was not moved" in aligned.err
    # What is told at the end are sentences, no wider than the tables.
    assert aligned.err.rstrip().endswith(".")
    assert max(map(len, aligned.err.splitlines())) <= 100


def test_aligned_files_meet_and_nothing_is_cut_where_all_is_kept(folder, tmp_path):
    before = {path: digest(path) for path in folder.iterdir()}
    said = micalign(
        "align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path / "out", "--keep-all", "--json"
    )
    assert said.status == 0
    rows = {row["track"]: row for row in said.document["tracks"]}
    assert set(rows) == {"reference.wav", "track.wav"}
    assert rows["track.wav"]["polarity_flip"] is True
    assert rows["track.wav"]["delay_s"] + rows["track.wav"]["shift_s"] == pytest.approx(0.0, abs=1e-12)
    again = micalign("measure", rows["reference.wav"]["file"], rows["track.wav"]["file"], "--json").document["tracks"][
        0
    ]
    assert abs(again["delay_samples"]) <= 0.03
    assert (again["polarity"], again["reliable"]) == (1, True)
    written, original = soundfile.read(rows["track.wav"]["file"])[0], soundfile.read(folder / "track.wav")[0]
    # All of the energy is there, but for the kernel's fall in the last kilohertz or so below half the rate.
    assert np.sum(written**2) == pytest.approx(np.sum(original**2), rel=0.03)
    assert len(written) >= len(original)
    assert said.document["sum_gain_db"]["after"] == pytest.approx(3.0, abs=0.05)
    assert {path: digest(path) for path in folder.iterdir()} == before


def test_whole_samples_come_out_bit_for_bit(folder, tmp_path):
    said = micalign(
        "align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path / "out", "--whole-samples", "--json"
    )
    rows = {row["track"]: row for row in said.document["tracks"]}
    assert rows["track.wav"]["shift_samples"] == -133.0
    written, _ = soundfile.read(rows["track.wav"]["file"], dtype="int32")
    original, _ = soundfile.read(folder / "track.wav", dtype="int32")
    # The set begins with the reference, so the moved track begins with its own sample 133.
    assert np.array_equal(written, -original[133:])
    reference, _ = soundfile.read(rows["reference.wav"]["file"], dtype="int32")
    assert np.array_equal(reference, soundfile.read(folder / "reference.wav", dtype="int32")[0])


def test_what_is_left_as_recorded_is_called_neither_reliable_nor_applied(folder, tmp_path):
    """Two mics over a kit stay, whatever is measured between them: its delay of 0 is no measurement."""
    for name, of in (("oh left.wav", "reference.wav"), ("oh right.wav", "track.wav")):
        shutil.copy(folder / of, tmp_path / name)
    said = micalign("align", tmp_path / "oh left.wav", tmp_path / "oh right.wav", "-o", tmp_path / "out", "--json")
    row = next(row for row in said.document["tracks"] if row["track"] == "oh right.wav")
    assert (said.status, row["basis"], row["applied"], row["shift_s"]) == (0, "recorded", False, 0.0)
    assert (row["reliable"], row["polarity_flip"], row["as_recorded"]) == (False, False, True)
    # Nothing unreliable is ever applied, and what stays by right has its file and is no fault.
    assert (Path(row["file"]).exists(), "not moved" in said.err) == (True, False)
    again = micalign("align", "--offsets", tmp_path / "out" / "offsets.json", "-o", tmp_path / "again")
    assert (again.status, "NOT MOVED" in again.out) == (0, False)
    kept = json.loads((tmp_path / "again" / "offsets.json").read_text())["tracks"]
    assert {one["track"]: (one["applied"], one["as_recorded"]) for one in kept} == {
        "oh left.wav": (True, False), "oh right.wav": (False, True)
    }  # fmt: skip


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ({"polarity_flip": True}, 'which gives it what is not applied: that needs "applied": true'),
        ({"shift_samples": 7.0}, 'which gives it what is not applied: that needs "applied": true'),
        ({"polarity_flip": True, "applied": True}, "as offsets.json says, edited"),
        ({"shift_samples": 7.0, "applied": True}, "as offsets.json says, edited"),
        ({}, "as offsets.json says"),
    ],
)
def test_an_edit_of_what_was_left_as_recorded_is_followed_or_told(folder, tmp_path, edit, said):
    for name, of in (("oh left.wav", "reference.wav"), ("oh right.wav", "track.wav")):
        shutil.copy(folder / of, tmp_path / name)
    micalign("align", tmp_path / "oh left.wav", tmp_path / "oh right.wav", "-o", tmp_path / "out", "-q")
    sheet = tmp_path / "out" / "offsets.json"
    document = json.loads(sheet.read_text())
    next(row for row in document["tracks"] if row["track"] == "oh right.wav").update(edit)
    sheet.write_text(json.dumps(document))
    again = micalign("align", "--offsets", sheet, "-o", tmp_path / "again", "--json")
    row = next(row for row in again.document["tracks"] if row["track"] == "oh right.wav")
    assert row["reason"].endswith(said)
    wanted = {"shift_samples": 0.0, "polarity_flip": False} | (edit if "applied" in edit else {})
    assert {key: row[key] for key in wanted} == wanted
    assert (row["applied"], row["as_recorded"]) == ("applied" in edit, not edit)
    table = (tmp_path / "out" / "offsets.csv").read_text().splitlines()
    assert [",same,no," in line for line in table if "right" in line] == [True]


def test_the_thirds_that_a_sum_loses_are_told_as_the_written_files_have_them(folder, tmp_path):
    micalign("align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path / "out", "-q")
    sheet = tmp_path / "out" / "offsets.json"
    document = json.loads(sheet.read_text())
    next(row for row in document["tracks"] if row["track"] == "track.wav").update(shift_samples=-90.4)
    sheet.write_text(json.dumps(document))
    said = micalign("align", "--offsets", sheet, "-o", tmp_path / "again")
    sets = (folder / "reference.wav", folder / "track.wav"), (tmp_path / "again").glob("*-aligned.wav")
    was, now = (np.abs(sum(np.fft.rfft(soundfile.read(path)[0], 3 * RATE) for path in paths)) ** 2 for paths in sets)
    hz, true_db = np.linspace(0, RATE / 2, len(was)), {}
    for low, high in ((1000 * 10 ** ((k - 0.5) / 10), 1000 * 10 ** ((k + 0.5) / 10)) for k in range(-13, 8)):
        inside = (hz >= low) & (hz < high)
        true_db[f"{low:.0f}-{high:.0f}"] = 10 * np.log10(was[inside].sum() / now[inside].sum())
    words = " ".join(said.err.split())
    told = {band: float(lost) for lost, band in re.findall(r"([\d.]+) dB at (\d+-\d+) Hz", words.split("loses")[1])}
    assert told == pytest.approx({band: lost for band, lost in true_db.items() if lost > 1.0}, abs=0.15)
    assert next(iter(told)) == max(true_db, key=true_db.__getitem__)


def test_offsets_can_be_edited_and_applied(folder, tmp_path):
    micalign("align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path / "out", "-q")
    sheet = tmp_path / "out" / "offsets.json"
    document = json.loads(sheet.read_text())
    same = micalign("align", "--offsets", sheet, "-o", tmp_path / "same", "-q")
    assert same.status == 0
    assert digest(tmp_path / "same/track-aligned.wav") == digest(tmp_path / "out/track-aligned.wav")
    kept = {row["track"]: row for row in json.loads((tmp_path / "same/offsets.json").read_text())["tracks"]}
    assert {name: (row["basis"], row["reason"]) for name, row in kept.items()} == {
        "reference.wav": ("reference", None), "track.wav": ("arrival", "as offsets.json says")
    }  # fmt: skip
    entry = next(row for row in document["tracks"] if row["track"] == "track.wav")
    entry["shift_samples"] += 10
    entry["polarity_flip"] = False
    sheet.write_text(json.dumps(document))
    flipped = json.loads(sheet.read_text())
    flipped["tracks"][document["tracks"].index(entry)]["shift_samples"] -= 10
    (sheet.parent / "flipped.json").write_text(json.dumps(flipped))
    turned = micalign("align", "--offsets", sheet.parent / "flipped.json", "-o", tmp_path / "turned", "--json")
    reasons = [row["reason"] for row in turned.document["tracks"] if row["track"] == "track.wav"]
    assert reasons == ["as flipped.json says, edited"]
    edited = micalign("align", "--offsets", sheet, "-o", tmp_path / "edited", "--json")
    assert edited.status == 0
    moved = next(row for row in edited.document["tracks"] if row["track"] == "track.wav")
    assert (moved["basis"], moved["reason"]) == (None, "as offsets.json says, edited")
    assert edited.document["compromise"] == "as offsets.json says"
    found = micalign(
        "measure", tmp_path / "edited/reference-aligned.wav", tmp_path / "edited/track-aligned.wav", "--json"
    )
    row = found.document["tracks"][0]
    assert row["delay_samples"] == pytest.approx(10.0, abs=0.03)
    assert row["polarity"] == -1


def test_a_changed_original_is_refused(folder, tmp_path):
    for name in ("reference.wav", "track.wav"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    micalign("align", tmp_path / "reference.wav", tmp_path / "track.wav", "-q")
    sound, _ = soundfile.read(tmp_path / "track.wav", dtype="int32")
    soundfile.write(tmp_path / "track.wav", sound[::-1], RATE, subtype="PCM_24")
    said = micalign("align", "--offsets", tmp_path / "aligned/offsets.json", "-o", tmp_path / "two")
    assert said.status == 2
    assert "changed since the offsets were measured" in said.err
    assert not (tmp_path / "two").exists()


def test_the_spreadsheet_holds_one_row_a_track(folder, tmp_path):
    micalign("align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path / "out", "-q")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out/offsets.csv").read_text(encoding="utf-8"))))
    row = next(row for row in rows if row["track"] == "track.wav")
    assert float(row["shift in samples (positive: move this track LATER)"]) == pytest.approx(-DELAY, abs=0.02)
    assert float(row["shift in ms (positive: move this track LATER)"]) == pytest.approx(-DELAY / 48, abs=0.001)
    assert row["delay only: samples (no track moves earlier)"] == "0.000"
    kept = next(row for row in rows if row["track"] == "reference.wav")
    assert float(kept["delay only: samples (no track moves earlier)"]) == pytest.approx(DELAY, abs=0.02)
    assert (row["original file"], row["written file"]) == (
        os.path.relpath(folder / "track.wav", tmp_path / "out"),
        "track-aligned.wav",
    )
    assert (row["channel"], row["sample rate in Hz"], row["polarity"], row["reliable"]) == ("1", "48000", "flip", "yes")
    # Nothing says that a mic made it: it may be a DI, or have come through a cable.
    assert row["centimetres of air (tracks of a mic)"] == ""


def test_centimetres_are_told_of_what_a_mic_made(folder, tmp_path):
    scene = folder / "one-source.toml"
    scene.write_text(DI_AND_MIC)
    said = micalign("align", "--scene", scene, "-o", tmp_path / "out", "-q")
    assert said.status == 0, said.err
    rows = csv.DictReader(io.StringIO((tmp_path / "out/offsets.csv").read_text(encoding="utf-8")))
    told = {row["track"]: row["centimetres of air (tracks of a mic)"] for row in rows}
    assert told["di"] == ""
    # 344 m/s of air at 20 C (Cramer 1993).
    assert abs(float(told["mic"])) in (pytest.approx(DELAY / RATE * 34398, abs=0.2), 0.0)


DI_AND_MIC = """
[[source]]
name = "cab"
at = [1.0, 1.0, 0.4]
[[mic]]
name = "mic"
at = [1.0, 1.9, 0.4]
[[di]]
name = "di"
of = "cab"
[take.tracks]
"di" = "reference.wav"
"mic" = "track.wav"
"""


def test_files_that_exist_and_originals_are_safe(folder, tmp_path):
    micalign("align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path, "-q")
    again = micalign("align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path)
    assert again.status == 2
    assert "--force" in again.err
    assert (
        micalign("align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path, "--force", "-q").status == 0
    )
    for name in ("reference.wav", "reference-aligned.wav"):
        (tmp_path / "two").mkdir(exist_ok=True)
        (tmp_path / "two" / name).write_bytes((folder / "reference.wav").read_bytes())
    into = micalign("align", *sorted((tmp_path / "two").iterdir()), "-o", tmp_path / "two", "--force")
    assert into.status == 2
    assert "is an original" in into.err


def test_tracks_of_one_name_get_files_of_their_own(folder, tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a/mic.wav").write_bytes((folder / "reference.wav").read_bytes())
    (tmp_path / "b/MIC.wav").write_bytes((folder / "track.wav").read_bytes())
    said = micalign("align", tmp_path / "a/mic.wav", tmp_path / "b/MIC.wav", "-o", tmp_path / "out", "--json")
    names = {Path(row["file"]).name.casefold() for row in said.document["tracks"]}
    assert len(names) == 2


def test_a_reference_that_stands_among_the_tracks_once_more_counts_once(folder, tmp_path):
    """`align reference.wav *.wav` is what a shell makes of a folder; the reference alone is nothing to align."""
    both = (folder / "reference.wav", folder / "track.wav")
    said = micalign("align", both[0], *both, "-o", tmp_path / "out", "--json")
    assert said.status == 0
    assert sorted(row["track"] for row in said.document["tracks"]) == ["reference.wav", "track.wav"]
    alone = micalign("align", both[0], both[0], "-o", tmp_path / "none")
    assert alone.status == 2
    assert "no track to lay onto it" in alone.err


def test_a_loopback_tells_the_latency_for_all(folder, tmp_path):
    said = micalign("measure", folder / "reference.wav", "--loopback", folder / "track.wav", "--json")
    assert said.document["tracks"][0]["delay_samples"] == pytest.approx(DELAY, abs=0.02)
    aligned = micalign(
        "align", folder / "reference.wav", folder / "other.wav", "--loopback", folder / "track.wav",
        "-o", tmp_path / "out", "--json",
    )  # fmt: skip
    row = aligned.document["tracks"][0]
    assert row["track"] == "other.wav"
    assert row["shift_samples"] == pytest.approx(-DELAY, abs=0.02)
    assert row["polarity_flip"] is False


def test_previews_are_written_on_request(folder, tmp_path):
    said = micalign(
        "align", folder / "reference.wav", folder / "track.wav", "-o", tmp_path / "out", "--preview", 1, "--json"
    )
    before, after = (soundfile.read(path)[0] for path in said.document["previews"])
    assert len(before) == len(after) == RATE
    assert np.abs(before).max() <= 0.9


@pytest.mark.parametrize("called", ["track", "track.wav"])
def test_a_reference_is_named_beside_the_tracks(folder, tmp_path, called):
    """As a shell gives them, sorted by name; the file's name or that without its ending."""
    files = [folder / "reference.wav", folder / "track.wav"]
    said = micalign("align", *files, "--reference", called, "-o", tmp_path / "out", "--json")
    assert said.document["reference"] == "track.wav"
    assert said.document["laid_onto"] is None
    there = {row["track"]: row["shift_s"] for row in said.document["tracks"]}
    assert there["track.wav"] == 0.0
    assert micalign("measure", *files, "--reference", called, "--json").document["reference"] == "track.wav"


@pytest.mark.parametrize("called", ["both.wav:2", "{folder}/both.wav:2"])
def test_a_channel_is_named_as_reference_as_its_track_is_called(folder, called):
    """Of a file that is given whole, the other channels stay tracks; of one that is given by channels, too."""
    called = called.format(folder=folder)
    for given in (["both.wav"], ["both.wav:1", "both.wav:2"]):
        said = micalign("measure", *(f"{folder}/{one}" for one in given), "--reference", called, "--json")
        (row,) = said.document["tracks"]
        assert (said.document["reference"], row["track"]) == ("both.wav:2", "both.wav:1")
        assert row["delay_samples"] == pytest.approx(-DELAY, abs=0.02)


@pytest.mark.parametrize("written", ["track.wav", "{folder}/track.wav", "./track.wav:1"])
def test_a_reference_that_is_not_among_the_tracks_is_added_to_them(folder, tmp_path, monkeypatch, written):
    """Once, however a file that is among them is written."""
    monkeypatch.chdir(folder)
    called = written.format(folder=folder)
    for given in (["reference.wav"], ["reference.wav", "track.wav"], ["reference.wav", "track.wav:1"]):
        said = micalign("measure", *given, "--reference", called, "--json")
        (row,) = said.document["tracks"]
        assert (said.document["reference"].startswith("track.wav"), row["track"]) == (True, "reference.wav")
        assert row["delay_samples"] == pytest.approx(-DELAY, abs=0.02)
        said = micalign("align", *given, "--reference", called, "-o", tmp_path / str(len(given)), "--force", "--json")
        assert {row["track"].split(":")[0]: row["shift_s"] for row in said.document["tracks"]}["track.wav"] == 0.0


def test_a_reference_that_lies_beside_the_tracks_is_proposed(folder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    said = micalign("measure", folder / "reference.wav", "--reference", "track.wav")
    assert said.status == 2
    assert f"none of the tracks: reference; is it {folder / 'track.wav'}, beside them?" in said.err


def test_a_reference_that_two_tracks_may_be_is_refused(folder, tmp_path):
    """Two takes hold files of one name: neither is taken by chance; a path says which."""
    paths = [tmp_path / take / "track.wav" for take in ("first", "second")]
    for path in paths:
        path.parent.mkdir()
        path.write_bytes((folder / "track.wav").read_bytes())
    said = micalign("measure", folder / "reference.wav", *paths, "--reference", "track")
    assert said.status == 2
    assert f"--reference 'track' may be {paths[0]}, {paths[1]}: write it as one of these" in said.err
    said = micalign("measure", folder / "reference.wav", *paths, "--reference", paths[1], "--json")
    assert said.document["reference"] == str(paths[1])


def test_a_loopback_is_of_the_reference_that_is_named(folder, tmp_path):
    """What was played is the reference, wherever it stands among the files: the first one, of two channels, is not."""
    said = micalign(
        "align", folder / "both.wav", folder / "reference.wav", "--reference", "reference",
        "--loopback", folder / "track.wav", "-o", tmp_path / "out", "--json",
    )  # fmt: skip
    moved = {row["track"]: row["shift_samples"] for row in said.document["tracks"]}
    late = pytest.approx(-DELAY, abs=0.02)
    assert moved == {"reference.wav": 0.0, "both.wav:1": late, "both.wav:2": late}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "give REFERENCE and at least one TRACK"),
        (["reference.wav"], "no track to hold against it"),
        (["reference.wav", "missing.wav"], "there is no such file"),
        (["reference.wav", "track.wav", "--scene", "x.toml"], "not both"),
        (
            ["reference.wav", "track.wav", "--reference", "x"],
            "--reference 'x' is no file and none of the tracks: reference",
        ),
        (["reference.wav", "--reference", "trakc.wav"], "none of the tracks: reference\n"),
        (["--scene", "missing.toml"], "missing.toml"),
    ],
)
def test_misuse_is_refused_in_a_sentence(folder, monkeypatch, arguments, words):
    monkeypatch.chdir(folder)
    for command in ("measure", "align"):
        said = micalign(command, *arguments)
        assert said.status == 2, said.err
        assert words in said.err
        assert "Traceback" not in said.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--offsets", "x.json", "a.wav"], "give no tracks"),
        (["reference.wav", "track.wav", "--for", "snare"], "go with --scene"),
        (["reference.wav", "track.wav", "--whole-samples", "--match-phase"], "leaves every sample"),
        (["--offsets", "missing.json"], "there is no such file"),
        (["--offsets", "reference.wav"], "is no text"),
    ],
)
def test_misuse_of_align_is_refused_in_a_sentence(folder, monkeypatch, arguments, words):
    monkeypatch.chdir(folder)
    said = micalign("align", *arguments)
    assert said.status == 2
    assert words in said.err


TWO_ROOMS = """
[[source]]
name = "alto"
at = [1.0, 1.0, 1.5]
[[source]]
name = "tenor"
at = [4.0, 1.0, 1.5]
[[mic]]
name = "alto mic"
at = [1.0, 1.1, 1.5]
on = "alto"
[[mic]]
name = "tenor mic"
at = [4.0, 1.1, 1.5]
on = "tenor"
[take.tracks]
"alto mic" = "one.wav"
"tenor mic" = "other.wav"
"""


def test_tracks_that_share_no_source_are_left_by_right_and_measured_as_unreliable(folder, tmp_path):
    scene = folder / "strangers.toml"
    scene.write_text(TWO_ROOMS)
    said = micalign("align", "--scene", scene, "-o", tmp_path / "out", "--json")
    row = next(row for row in said.document["tracks"] if row["track"] == "tenor mic")
    assert (row["applied"], row["shift_samples"], row["polarity_flip"]) == (False, 0.0, False)
    assert row["reason"] == "shares no source with 'alto mic': left as recorded"
    assert said.status == 0
    assert "'tenor mic' shares no source with 'alto mic': left as recorded" in said.err
    measured = micalign("measure", "--scene", scene, "--json")
    assert measured.status == 1
    assert measured.document["tracks"][0]["reliable"] is False
    page = tmp_path / "report.html"
    micalign("report", scene, "-o", page)
    assert "of its delays cannot be relied on" not in page.read_text()  # nobody wants that one
