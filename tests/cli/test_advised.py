"""What ``measure`` advises first can be pasted, and an edited set says so."""

from __future__ import annotations

import json
import shlex
import shutil
from pathlib import Path

import numpy as np
import soundfile
from commands import micalign
from two_drums import kit


def test_that_a_kit_is_measured_against_a_drums_mic_is_said_first_with_a_command_to_paste(tmp_path: Path) -> None:
    folder = tmp_path / "first song"
    folder.mkdir()
    names = {"one": "Kick In.wav", "two": "SN top.wav", "left": "OH L.wav", "right": "OH R.wav"}
    for name, track in kit(np.random.default_rng(2)).items():
        if name in names:
            soundfile.write(folder / names[name], track.read(), 44100, subtype="FLOAT")
    said = micalign("measure", *(folder / name for name in names.values()))
    assert said.out.startswith("These are mics of a kit, over which 'Kick In.wav' does not stand")
    above, table = said.out.split("Against Kick In.wav\n")
    command = next(line for line in above.splitlines() if line.startswith("micalign "))
    assert "OH L.wav" in table
    pasted = micalign(*shlex.split(command)[1:])
    assert pasted.out.splitlines()[0] == "Against OH L.wav"
    songs = micalign("measure", "--songs", folder)
    command = next(line for line in songs.out.splitlines() if line.startswith("micalign "))
    assert "Against OH L.wav" in micalign(*shlex.split(command)[1:]).out
    shutil.copytree(folder, tmp_path / "second song")
    several = micalign("measure", "--songs", tmp_path, "--json").document["songs"]
    assert [one["told"].startswith("a kit, better measured with --reference 'OH L.wav'; ") for one in several] == [
        True
    ] * 2


def test_a_flip_that_a_user_wrote_is_called_edited_at_the_reference_too(tmp_path: Path) -> None:
    hits = np.random.default_rng(4).normal(size=96000) * (np.arange(96000) % 12000 < 2000)
    for name, late in (("one", 0), ("two", 40)):
        soundfile.write(tmp_path / f"{name}.wav", 0.1 * np.roll(hits, late), 48000, subtype="FLOAT")
    assert micalign("align", tmp_path / "one.wav", tmp_path / "two.wav", "-o", tmp_path / "out").status == 0
    sheet = tmp_path / "out" / "offsets.json"
    asked = json.loads(sheet.read_text("utf-8"))
    reference = next(one for one in asked["tracks"] if one["track"] == asked["reference"])
    reference["polarity_flip"] = True
    edited = sheet.with_name("edited.json")
    edited.write_text(json.dumps(asked), "utf-8")
    said = micalign("align", "--offsets", edited, "-o", tmp_path / "again").out
    row = next(line for line in said.splitlines() if line.startswith(asked["reference"]))
    assert "FLIPPED" in row
    assert "edited" in row
