"""The roll call: a bad file hides no good one, and every channel is called by file and number."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import soundfile

from micalign.errors import SceneError, TakeError
from micalign.files.audio import inventory_of_scene, inventory_of_tracks
from micalign.scene.document import parse_scene

RATE = 8000


def write(path, channels=1, frames=4000, rate=RATE):
    values = 0.5 * np.random.default_rng(1).uniform(-1, 1, size=(frames, channels))
    soundfile.write(path, values, rate, subtype="PCM_16")
    return path


def stamp(path, samples):
    """Add a broadcast extension with a time reference (EBU Tech 3285) behind the audio."""
    data = path.read_bytes()
    chunk = bytes(338) + struct.pack("<Q", samples) + bytes(256)
    whole = data + b"bext" + struct.pack("<I", len(chunk)) + chunk
    path.write_bytes(whole[:4] + struct.pack("<I", len(whole) - 8) + whole[8:])


def crash(path):
    """Leave a header that says 0 bytes of audio, as a recorder that lost power does."""
    data = path.read_bytes()
    at = data.index(b"data") + 4
    path.write_bytes(data[:at] + bytes(4) + data[at + 4 :])


def test_every_channel_of_a_file_answers(tmp_path):
    call = inventory_of_tracks([write(tmp_path / "pair.wav", channels=2), write(tmp_path / "kick.wav")])
    assert [(one.name, one.channel, one.track.name) for one in call.present] == [
        ("pair.wav", 1, "pair.wav:1"),
        ("pair.wav", 2, "pair.wav:2"),
        ("kick.wav", 1, "kick.wav"),
    ]


def test_one_channel_can_be_named_and_a_file_named_twice_answers_once(tmp_path):
    pair = write(tmp_path / "pair.wav", channels=2)
    call = inventory_of_tracks([f"{pair}:2", f"{pair}:2"])
    assert [(one.name, one.channel) for one in call.present] == [("pair.wav", 2)]
    stored, _ = soundfile.read(pair)
    assert np.array_equal(call.present[0].track.read(), stored[:, 1])


@pytest.mark.parametrize("order", [("", ":1"), (":1", ""), (":2", "", ":1")])
def test_a_file_and_one_of_its_channels_are_no_two_tracks(tmp_path, order):
    """Else the channel would be said to repeat itself."""
    pair = write(tmp_path / "pair.wav", channels=2)
    call = inventory_of_tracks([f"{pair}{channel}" for channel in order])
    assert sorted(one.track.name for one in call.present) == ["pair.wav:1", "pair.wav:2"]


def test_files_of_one_name_in_two_folders_are_called_by_their_paths(tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        write(tmp_path / folder / "kick.wav")
    call = inventory_of_tracks([tmp_path / "a" / "kick.wav", tmp_path / "b" / "kick.wav"])
    assert [one.name for one in call.present] == [str(tmp_path / folder / "kick.wav") for folder in ("a", "b")]


def test_who_is_missing_is_told_and_the_rest_answer(tmp_path):
    write(tmp_path / "line.wav", rate=44_100)
    crash(write(tmp_path / "crashed.wav"))
    (tmp_path / "words.wav").write_text("no audio at all, but long enough to look at")
    names = ["kick.wav", "line.wav", "crashed.wav", "words.wav"]
    write(tmp_path / "snare.wav")
    call = inventory_of_tracks([tmp_path / name for name in [*names, "snare.wav"]])
    assert [one.name for one in call.present] == ["line.wav", "snare.wav"]
    assert {one.name: (one.kind, one.held_frames) for one in call.absent} == {
        "kick.wav": ("missing", None),
        "crashed.wav": ("crashed", 4000),
        "words.wav": ("unreadable", None),
    }
    assert "there is no such file" in call.absent[0].message
    assert "4000 samples" in call.absent[1].message


def test_where_no_one_answers_all_faults_are_told(tmp_path):
    with pytest.raises(TakeError, match="no such file") as caught:
        inventory_of_tracks([tmp_path / "kick.wav", tmp_path / "snare.wav"])
    assert len(caught.value.faults) == 2


def test_a_crashed_file_alone_is_an_answer(tmp_path):
    path = write(tmp_path / "crashed.wav")
    crash(path)
    call = inventory_of_tracks([path])
    assert (call.present, call.absent[0].held_frames) == ((), 4000)


def test_the_start_is_read_from_the_time_stamp(tmp_path):
    path = write(tmp_path / "kick.wav")
    assert inventory_of_tracks([path]).present[0].start_s is None
    stamp(path, 36_000 * RATE + 2000)
    assert inventory_of_tracks([path]).present[0].start_s == 36_000.25


SCENE = """
[[source]]
name = "kick"
at = [1, 1, 0.3]
[[mic]]
name = "in"
at = [1, 1.2, 0.3]
[[mic]]
name = "out"
at = [1, 2, 0.3]
[take]
folder = "takes"
[take.tracks]
in = { file = "drums.wav", channel = 2 }
out = "out.wav"
"""


def test_a_scenes_tracks_are_called_by_their_mics(tmp_path):
    (tmp_path / "takes").mkdir()
    write(tmp_path / "takes" / "drums.wav", channels=3)
    call = inventory_of_scene(parse_scene(SCENE), tmp_path / "barn.toml")
    assert [(one.name, one.channel, one.track.name) for one in call.present] == [("in", 2, "in")]
    assert [one.name for one in call.absent] == ["out"]


def test_a_scene_without_a_recording_is_refused(tmp_path):
    with pytest.raises(SceneError, match="names no recording"):
        inventory_of_scene(parse_scene(SCENE.partition("[take]")[0]), tmp_path / "barn.toml")
