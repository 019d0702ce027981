"""Which track a user means, and what is said where it cannot be had."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from micalign.errors import SceneError, TakeError
from micalign.files.audio import open_take, open_track, open_tracks
from micalign.scene.model import Di, Mic, Source, TakePlan, TrackPlan
from micalign.scene.scene import Scene
from micalign.take.tracks import Track


def _write(path: Path, channels: int = 1, rate: int = 48000, frames: int = 100) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    samples = np.arange(1, channels + 1) / 10 * np.ones((frames, 1))
    soundfile.write(path, samples, rate, "PCM_24", format="WAV")
    return path


def _level(track: object) -> float:
    return float(track.read()[0])  # type: ignore[attr-defined]


def test_a_channel_is_named_after_a_colon_and_counts_from_one(tmp_path: Path) -> None:
    """The file's name, a colon, a number; or the number alone as an option."""
    path = _write(tmp_path / "bass.wav", 3)
    assert _level(open_track(f"{path}:2")) == pytest.approx(0.2, abs=1e-6)
    assert _level(open_track(path, channel=3, name="bass di")) == pytest.approx(0.3, abs=1e-6)
    assert open_track(f"{path}:2").name == "bass.wav:2"
    assert open_track(path, channel=3, name="bass di").name == "bass di"


def test_a_file_without_a_channel_gives_all_of_them(tmp_path: Path) -> None:
    """Several tracks in one multichannel file."""
    path = _write(tmp_path / "kit.wav", 3)
    take = open_tracks([path])
    assert [track.name for track in take.tracks] == ["kit.wav:1", "kit.wav:2", "kit.wav:3"]
    assert [round(_level(track), 3) for track in take.tracks] == [0.1, 0.2, 0.3]
    with pytest.raises(TakeError, match=r"has 3 channels: say which, 'kit.wav:1' to 'kit.wav:3'"):
        open_track(path)


@pytest.mark.parametrize("channel", [0, 4, 999_999_999])
def test_a_channel_that_is_not_there_is_said(tmp_path: Path, channel: int) -> None:
    """With how many there are."""
    path = _write(tmp_path / "kit.wav", 3)
    with pytest.raises(TakeError, match=rf"has no channel {channel}: it has 3 channels, counted from 1"):
        open_track(f"{path}:{channel}")


def test_a_colon_in_a_name_does_no_harm(tmp_path: Path) -> None:
    """A name that is a file wins over its reading as file and channel."""
    odd = _write(tmp_path / "take:2")
    assert open_track(odd).name == "take:2"
    assert open_track(f"{odd}:1").frames == 100
    assert open_track(_write(tmp_path / "a:b.wav")).name == "a:b.wav"


@pytest.mark.parametrize(
    "name", ["two\nlines.wav", "drum 🥁.wav", "\u202eevil.wav", 'it\'s "loud".wav', "-q.wav", "x" * 251 + ".wav"]
)
def test_odd_names_are_read(tmp_path: Path, name: str) -> None:
    """Byte for byte what the disk says."""
    assert open_tracks([_write(tmp_path / name)]).tracks[0].name == name


@pytest.mark.skipif(sys.platform == "win32", reason="names are text there")
def test_a_name_that_is_no_text_is_said(tmp_path: Path) -> None:
    """It could stand in no table, JSON or page: rename first. Lone surrogates likewise, whether there or not."""
    path = tmp_path / os.fsdecode(b"fl\xf6te.wav")
    path.write_bytes(_write(tmp_path / "a.wav").read_bytes())
    for odd in (path, tmp_path / "\ud800.wav"):
        with pytest.raises(TakeError, match=r"\\u[0-9a-f]{4}.*is no valid text \(UTF-8\): rename") as refusal:
            open_tracks([odd])
        assert str(refusal.value).isascii()


def test_one_base_name_in_two_folders_gives_two_names(tmp_path: Path) -> None:
    """Tracks of two folders are told apart by their paths."""
    paths = [_write(tmp_path / folder / "kick.wav") for folder in ("a", "b")]
    assert [track.name for track in open_tracks(paths).tracks] == [str(path) for path in paths]


def test_one_file_twice_is_refused(tmp_path: Path) -> None:
    """A track against itself would be perfectly aligned."""
    path = _write(tmp_path / "kick.wav")
    with pytest.raises(TakeError, match=r"two tracks of the take are called"):
        open_tracks([path, path])


def test_all_faults_come_together(tmp_path: Path) -> None:
    """One run tells all files that are wrong."""
    mono = _write(tmp_path / "mono.wav")
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("not a sound\n" * 50)
    with pytest.raises(TakeError) as refusal:
        open_tracks([*(tmp_path / name for name in ("none.wav", "empty.wav", "text.wav")), tmp_path, f"{mono}:2"])
    faults = refusal.value.faults
    wanted = ["no such file", "0 bytes", "no audio that micalign can read", "is a folder", "has no channel 2"]
    for fault, said in zip(faults, wanted, strict=True):
        assert said in fault
        assert str(tmp_path) in fault


def test_different_rates_are_refused(tmp_path: Path) -> None:
    """With both rates and both names."""
    paths = [_write(tmp_path / "a.wav", rate=44100), _write(tmp_path / "b.wav", rate=48000)]
    with pytest.raises(TakeError, match=r"'b.wav' is at 48000 Hz but 'a.wav' at 44100 Hz"):
        open_tracks(paths)


def test_a_file_without_samples_is_refused(tmp_path: Path) -> None:
    """A header and nothing behind it."""
    with pytest.raises(TakeError, match=r"holds no samples"):
        open_tracks([_write(tmp_path / "a.wav", frames=0)])


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A named pipe in place of a track would keep the program waiting for ever."""
    os.mkfifo(tmp_path / "pipe.wav")
    for path in (tmp_path / "pipe.wav", Path("/dev/zero")):
        with pytest.raises(TakeError, match="device or a pipe"):
            open_track(path)


@pytest.mark.parametrize("name", ["a\0b.wav", "x" * 300])
def test_impossible_names_are_said(tmp_path: Path, name: str) -> None:
    """One sentence."""
    with pytest.raises(TakeError, match="cannot be read"):
        open_track(tmp_path / name)


def test_a_link_leads_to_its_file(tmp_path: Path) -> None:
    """And a link to nowhere, or to itself, is said."""
    path = _write(tmp_path / "kick.wav")
    link, loop, dangling = (tmp_path / name for name in ("link.wav", "loop.wav", "dangling.wav"))
    link.symlink_to(path)
    loop.symlink_to(loop)
    dangling.symlink_to(tmp_path / "nowhere")
    assert open_track(link).frames == 100
    with pytest.raises(TakeError, match="leads back to itself"):
        open_track(loop)
    with pytest.raises(TakeError, match="no such file"):
        open_track(dangling)


def _scene(folder: str, **tracks: tuple[str, int | None]) -> Scene:
    plans = tuple(TrackPlan(name, file, channel) for name, (file, channel) in tracks.items())
    return Scene(
        sources=(Source("snare", (1.0, 1.0, 0.7)),),
        mics=(Mic("left", (1.0, 2.0, 1.5)), Mic("right", (2.0, 2.0, 1.5))),
        dis=(Di("direct", "snare"),),
        take=TakePlan(folder, plans),
    )


def test_a_scenes_tracks_lie_where_it_says(tmp_path: Path) -> None:
    """Folder relative to the scene file, files relative to the folder, tracks called by their mic or DI."""
    _write(tmp_path / "takes" / "first" / "oh.wav", 2)
    _write(tmp_path / "takes" / "first" / "di.wav")
    scene = _scene("takes/first", right=("oh.wav", 2), left=("oh.wav", 1), direct=("di.wav", None))
    take = open_take(scene, tmp_path / "barn.toml")
    assert [(track.name, round(_level(track), 3)) for track in take.tracks] == [
        ("right", 0.2), ("left", 0.1), ("direct", 0.1),
    ]  # fmt: skip


def test_backslashes_part_folders_too(tmp_path: Path) -> None:
    """A scene written on another system; a file that truly has one in its name wins."""
    _write(tmp_path / "takes" / "first" / "sub" / "oh.wav")
    assert open_take(_scene("takes\\first", left=("sub\\oh.wav", None)), tmp_path / "barn.toml").frames == 100
    if sys.platform != "win32":
        _write(tmp_path / "takes" / "first" / "sub\\oh.wav", frames=7)
        assert open_take(_scene("takes\\first", left=("sub\\oh.wav", None)), tmp_path / "barn.toml").frames == 7


def test_one_channel_for_two_mics_is_refused(tmp_path: Path) -> None:
    """A slip in the scene would else measure a delay of nothing with full confidence; a link does not hide it."""
    _write(tmp_path / "oh.wav")
    (tmp_path / "same.wav").symlink_to(tmp_path / "oh.wav")
    for other in ("oh.wav", "./oh.wav", "same.wav"):
        with pytest.raises(SceneError, match=r"'left' and 'right' the same channel of one file"):
            open_take(_scene(".", left=("oh.wav", None), right=(other, 1)), tmp_path / "barn.toml")


def test_a_scenes_faults_name_the_track(tmp_path: Path) -> None:
    """All of them together."""
    _write(tmp_path / "oh.wav", 2)
    scene = _scene(".", left=("oh.wav", None), right=("oh.wav", 9), direct=("none.wav", None))
    with pytest.raises(TakeError) as refusal:
        open_take(scene, tmp_path / "barn.toml")
    for fault, said in zip(
        refusal.value.faults,
        ["track 'left': .* 2 channels: say which", "track 'right': .* no channel 9", "track 'direct': .*no such file"],
        strict=True,
    ):
        assert re.search(said, fault)


def test_a_scene_without_a_recording_is_said(tmp_path: Path) -> None:
    """With what to add: the whole table, or the lines that say whose a file is."""
    for scene, said in (
        (_scene("."), r"add \[take\.tracks\] with a line for each, such as \"left\" = \"FILE\.wav\""),
        (Scene(sources=(Source("snare", (1.0, 1.0, 0.7)),)), r"names no recording: add \[take\]"),
    ):
        with pytest.raises(SceneError, match=said):
            open_take(scene, tmp_path / "barn.toml")


def test_one_name_alone_is_a_file(tmp_path: Path) -> None:
    """Not the files that its letters would name."""
    path = _write(tmp_path / "kick.wav")
    assert [track.name for track in open_tracks(str(path)).tracks] == ["kick.wav"]
    assert [track.name for track in open_tracks(path).tracks] == ["kick.wav"]


@pytest.mark.parametrize("rate", [44100.5, float("nan"), 0, -1])
def test_a_rate_is_a_whole_number_of_hertz(rate: float) -> None:
    """Nothing is rounded in silence: a rate that is wrong by a part in 88,000 is a drift of 11 ppm."""
    with pytest.raises(TakeError, match="a whole number of hertz above 0 is needed"):
        Track.from_array("kick", [0.0], rate)  # type: ignore[arg-type]
    assert Track.from_array("kick", [0.0], 48000.0).sample_rate == 48000  # type: ignore[arg-type]
