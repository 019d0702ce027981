"""``micalign levels`` as a user runs it: table, document, picture, exit status."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile
from commands import micalign
from faulty_takes import RATE, FaultyTake, clean_take

KEYS = {
    "track",
    "channel",
    "peak_dbfs",
    "peak_percent",
    "true_peak_dbtp",
    "clipped_samples",
    "clipped_runs",
    "rms_dbfs",
    "noise_floor_dbfs",
    "hum_hz",
    "hum_dbfs",
    "dc_percent",
    "verdict",
    "doubles",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A clean kick and snare, and a take in which much is wrong."""
    folder = tmp_path_factory.mktemp("take")
    for name in ("kick", "snare"):
        soundfile.write(folder / f"{name}.wav", clean_take(0)[name], RATE, subtype="PCM_24")
    faulty = FaultyTake("", {"kick": ("clipped",), "bass": ("hum50", "offset")}, double=(-0.7, 7)).tracks(3)
    for name, sound in faulty.items():
        soundfile.write(folder / f"bad-{name}.wav", sound, RATE, subtype="PCM_24")
    soundfile.write(folder / "nothing.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_16")
    return folder


def test_a_sound_take_is_0_and_the_table_fits_80_columns(folder):
    said = micalign("levels", folder / "kick.wav", folder / "snare.wav")
    assert said.status == 0
    assert "good" in said.out
    assert max(map(len, said.out.splitlines())) <= 80


def test_a_faulty_take_is_1_the_worst_comes_first_and_every_fault_is_told(folder):
    said = micalign("levels", *sorted(folder.glob("*.wav")))
    assert said.status == 1
    lines = said.out.splitlines()
    assert max(map(len, lines)) <= 100
    rows = re.findall(r"(?m)^(\S+\.wav\S*) +[\d.]+ %", said.out)
    assert rows[:2] == ["nothing.wav:1", "nothing.wav:2"]
    assert rows[2] == "bad-kick.wav"
    assert set(rows[-3:]) == {"bad-room.wav", "kick.wav", "snare.wav"}
    told = " ".join(said.out.split())
    for words in ("Clipped at full scale", "Mains hum of 50 Hz", "offset (DC) of 2.0 %", "inverted, 7 samples earlier"):
        assert words in told
    assert told.count("Never lift or cut a protective earth") == 1


def test_the_document_has_every_key_and_null_for_silence(folder):
    said = micalign("levels", "--json", folder / "nothing.wav", folder / "bad-snare.wav", folder / "bad-room.wav")
    tracks = said.document["tracks"]
    assert [(row["track"], row["channel"]) for row in tracks] == [
        ("nothing.wav", 1),
        ("nothing.wav", 2),
        ("bad-snare.wav", 1),
        ("bad-room.wav", 1),
    ]
    assert all(row.keys() >= KEYS for row in tracks)
    silent = tracks[0]
    assert silent["verdict"] == "silent"
    assert {silent[key] for key in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "noise_floor_dbfs")} == {None}
    assert tracks[3]["doubles"] == "bad-snare.wav"
    assert tracks[2]["doubles"] is None
    assert said.err == ""


def test_no_level_below_what_a_file_of_24_bits_can_hold_is_told(tmp_path):
    """Floats hold -606 dBFS, which is no sound; the document has it all the same."""
    rng = np.random.default_rng(3)
    soundfile.write(tmp_path / "faint.wav", 1e-30 * rng.normal(size=3 * RATE), RATE, subtype="FLOAT")
    said = micalign("levels", tmp_path / "faint.wav")
    assert said.status == 1
    assert re.search(r"faint.wav +0 % +<-150 +<-150 +<-150 +\S+ +silent", said.out)
    assert "No signal: below -150 dBFS. Was the track armed" in said.out
    assert not re.search(r"-[2-9]\d\d", said.out)
    assert micalign("levels", "--json", tmp_path / "faint.wav").document["tracks"][0]["peak_dbfs"] < -500


def test_quiet_and_hot_are_advice_and_no_fault(folder, tmp_path):
    for name, peak in (("quiet", 0.1), ("hot", 0.9)):
        sound = clean_take(0)["kick"]
        soundfile.write(tmp_path / f"{name}.wav", sound * peak / np.abs(sound).max(), RATE, subtype="PCM_24")
    said = micalign("levels", tmp_path / "quiet.wav")
    assert (said.status, "Turn up 14 dB" in said.out) == (0, True)
    said = micalign("levels", tmp_path / "hot.wav")
    assert (said.status, "Turn down 5 dB" in said.out) == (0, True)
    said = micalign("levels", "--window", 5, 20, tmp_path / "quiet.wav", "--json")
    assert said.document["tracks"][0]["verdict"] == "good"


def test_what_many_tracks_are_advised_alike_is_said_once(tmp_path):
    """Beside all their names, and with one figure; the others' stand in the table."""
    for seed, (name, peak) in enumerate((("hat", 0.003), ("kick", 0.003), ("ride", 0.0031), ("tom", 0.1))):
        sound = clean_take(seed)["kick"]
        soundfile.write(tmp_path / f"{name}.wav", sound * peak / np.abs(sound).max(), RATE, subtype="PCM_24")
    advice = micalign("levels", *sorted(tmp_path.glob("*.wav"))).out.partition("\n\n")[2]
    assert advice.count("Turn up 44 dB") == advice.count("(the others as in the table)") == 1
    assert advice.count("Turn up 14 dB") == 1
    assert re.findall(r"(?m)^(\w+)\.wav", advice) == ["hat", "kick", "ride", "tom"]


def test_a_missing_file_is_a_fault_beside_the_others(folder):
    said = micalign("levels", "--json", folder / "kick.wav", folder / "tom.wav")
    assert said.status == 1
    (fault,) = said.document["faults"]
    assert (fault["track"], fault["rule"]) == ("tom.wav", "missing")


def test_a_file_that_breaks_off_is_judged_as_far_as_it_goes(folder, tmp_path):
    path = tmp_path / "kick.flac"
    soundfile.write(path, clean_take(0)["kick"], RATE, subtype="PCM_24")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    said = micalign("levels", "--json", folder / "snare.wav", path)
    assert said.status == 1
    snare, kick = said.document["tracks"]
    assert snare["remarks"] == []
    assert [remark["rule"] for remark in kick["remarks"]] == ["broken"]
    assert "damaged" in kick["remarks"][0]["message"]
    (row,) = re.findall(r"(?m)^kick\.flac .*$", micalign("levels", path).out)[:1]
    assert row.split()[-1] == "broken"
    assert "good" not in row


def test_a_file_that_breaks_off_before_any_sound_shows_no_level(tmp_path):
    path = tmp_path / "kick.wav"
    soundfile.write(path, np.full(2 * RATE, np.nan, dtype=np.float32), RATE, subtype="FLOAT")
    (row,) = re.findall(r"(?m)^kick\.wav .*$", micalign("levels", path).out)[:1]
    assert row.split() == ["kick.wav", *["-"] * 5, "broken"]


def test_nothing_but_missing_files_cannot_be_used(folder):
    said = micalign("levels", folder / "tom.wav")
    assert said.status == 2
    assert said.out == ""
    assert "there is no such file" in said.err


def test_a_very_low_floor_is_a_number_and_no_total(tmp_path):
    """Hits in noise at -100 dBFS: the floor is told as any other."""
    rng = np.random.default_rng(3)
    sound = 1e-5 * rng.standard_normal(6 * RATE)
    for at in range(0, 4 * RATE, RATE):
        sound[at : at + 4000] += 0.4 * np.sin(0.1 * np.arange(4000)) * np.exp(-np.arange(4000) / 800)
    soundfile.write(tmp_path / "hits.wav", sound, RATE, subtype="PCM_24")
    said = micalign("levels", tmp_path / "hits.wav")
    assert re.search(r"-(99\.9|100\.\d)", said.out)
    assert "total" not in said.out


def test_of_two_rates_the_tracks_are_counted(tmp_path):
    rng = np.random.default_rng(3)
    for name, rate in (("a.wav", 44_100), ("b.wav", 48_000)):
        soundfile.write(tmp_path / name, 0.1 * rng.standard_normal(rate), rate, subtype="PCM_24")
    said = micalign("levels", tmp_path / "a.wav", tmp_path / "b.wav")
    assert "1 of 2 tracks is at 44100 Hz, but not 'b.wav' (48000 Hz)" in " ".join(said.out.split())


def test_mixed_rates_are_a_fault_of_the_take(folder, tmp_path):
    soundfile.write(tmp_path / "line.wav", clean_take(0)["bass"], 44_100, subtype="PCM_24")
    said = micalign("levels", "--json", folder / "kick.wav", folder / "snare.wav", tmp_path / "line.wav")
    assert said.status == 1
    assert [fault["rule"] for fault in said.document["faults"]] == ["rates", "lengths"]


def test_with_a_scene_its_take_is_read(folder, tmp_path):
    scene = tmp_path / "barn.toml"
    scene.write_text(f"""
[[source]]
name = "kick"
at = [1, 1, 0.3]
[[mic]]
name = "kick in"
at = [1, 1.2, 0.3]
[[mic]]
name = "over"
at = [1, 2, 1.3]
[take]
folder = {json.dumps(str(folder))}
[take.tracks]
"kick in" = "kick.wav"
over = "over.wav"
""")
    said = micalign("levels", "--scene", scene, "--json")
    assert said.status == 1
    assert [row["track"] for row in said.document["tracks"]] == ["kick in"]
    assert [fault["track"] for fault in said.document["faults"]] == ["over"]


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_a_picture_is_drawn_and_replaced_only_with_leave(folder, tmp_path, suffix):
    out = tmp_path / f"levels{suffix}"
    assert micalign("levels", folder / "bad-kick.wav", "-o", out, "-q").status == 1
    head = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}[suffix]
    assert out.read_bytes().startswith(head)
    again = micalign("levels", folder / "bad-kick.wav", "-o", out)
    assert (again.status, "--force" in again.err) == (2, True)
    assert micalign("levels", folder / "bad-kick.wav", "-o", out, "--force", "-q").status == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "at least one TRACK"),
        (["x.wav", "--scene", "y.toml"], "one of them"),
        (["x.wav", "-o", "x.jpg"], "no picture"),
        (["x.wav", "--window", "80", "20"], "working window"),
    ],
)
def test_wrong_use_is_refused_before_anything_is_read(arguments, words):
    said = micalign("levels", *arguments)
    assert said.status == 2
    assert words in said.err


def test_a_name_cannot_steer_the_terminal(folder, tmp_path):
    path = tmp_path / "kick\x1b[31m.wav"
    path.write_bytes((folder / "bad-kick.wav").read_bytes())
    said = micalign("levels", path)
    assert "\x1b" not in said.out
