"""Recordings whose header was never finished, or whose end is missing: said, never read as less."""

from __future__ import annotations

import struct
from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile

from micalign.errors import TakeError
from micalign.files.audio import open_track
from micalign.files.headers import crashed_frames

FRAMES = 48_000


def _noise(rng: np.random.Generator, sample_bytes: int = 3) -> bytes:
    return rng.integers(0, 256, FRAMES * sample_bytes, dtype=np.uint8).tobytes()


def _with_data_size(whole: bytes, size: int, *, form_size: int | None = None) -> bytes:
    out = bytearray(whole)
    struct.pack_into("<I", out, out.index(b"data") + 4, size)
    if form_size is not None:
        struct.pack_into("<I", out, 4, form_size)
    return bytes(out)


@pytest.mark.parametrize("said", [0, 3 * 1000, 3 * 10_000])
@pytest.mark.parametrize("silence", [False, True])
def test_a_header_that_was_never_finished_is_said(
    tmp_path: Path, rng: np.random.Generator, said: int, silence: bool
) -> None:
    """No size, or that of the last save, while a second of audio (or of silence) lies there."""
    data = bytes(3 * FRAMES) if silence else _noise(rng)
    whole = chunks.riff([(b"bext", bytes(602)), (b"fmt ", chunks.fmt()), (b"data", data)])
    path = tmp_path / "crashed.wav"
    path.write_bytes(_with_data_size(whole, said, form_size=said))
    assert crashed_frames(path) == FRAMES
    with pytest.raises(TakeError, match=rf"says {said // 3} samples .* but {FRAMES} samples \(1\.00 s\) of audio lie"):
        open_track(path)


def test_an_rf64_without_its_sizes_is_said(tmp_path: Path, rng: np.random.Generator) -> None:
    """The wide sizes are the last to be written."""
    whole = chunks.rf64([(b"fmt ", chunks.fmt()), (b"data", _noise(rng))], 0, 0)
    path = tmp_path / "crashed.wav"
    path.write_bytes(whole)
    assert crashed_frames(path) == FRAMES
    with pytest.raises(TakeError, match="its header says 0 samples"):
        open_track(path)


@pytest.mark.parametrize("size", [1 << 63, (1 << 64) - 1, 1 << 62, 1 << 40])
def test_a_size_beyond_all_files_is_just_wrong(tmp_path: Path, size: int) -> None:
    """A wide size that no offset can hold: once found by fuzzing."""
    path = tmp_path / "odd.wav"
    path.write_bytes(chunks.rf64([(b"fmt ", chunks.fmt()), (b"data", bytes(300))], size, 100))
    assert crashed_frames(path) is None
    with pytest.raises(TakeError, match="is cut short"):
        open_track(path)


def test_an_aiff_without_its_count_is_said(tmp_path: Path, rng: np.random.Generator) -> None:
    """Frames in one chunk, bytes in another: both stay at 0."""
    path = tmp_path / "crashed.aiff"
    soundfile.write(path, rng.uniform(-1, 1, FRAMES), 48000, "PCM_24", format="AIFF")
    whole = bytearray(path.read_bytes())
    struct.pack_into(">I", whole, whole.index(b"COMM") + 10, 0)
    struct.pack_into(">I", whole, whole.index(b"SSND") + 4, 8)
    path.write_bytes(whole)
    assert crashed_frames(path) == FRAMES
    with pytest.raises(TakeError, match="its header says 0 samples"):
        open_track(path)


@pytest.mark.parametrize("container", ["WAV", "AIFF", "RF64"])
@pytest.mark.parametrize("share", [0.5, 0.999])
def test_a_file_cut_short_is_said(tmp_path: Path, rng: np.random.Generator, container: str, share: float) -> None:
    """A broken copy: how much was promised, how much is there."""
    path = tmp_path / "cut"
    soundfile.write(path, rng.uniform(-1, 1, FRAMES), 48000, "PCM_24", format=container)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    assert crashed_frames(path) is None
    with pytest.raises(TakeError, match=r"is cut short: its header promises 48000 samples \(1\.00 s\)"):
        open_track(path)


def test_sizes_that_look_alike_are_told_in_bytes(tmp_path: Path) -> None:
    """Of one missing byte kilobytes say nothing."""
    path = tmp_path / "cut.au"
    soundfile.write(path, np.zeros(FRAMES), 48000, "PCM_24", format="AU")
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(TakeError, match=r"promises 144000 bytes of audio, the file holds 143999 bytes;"):
        open_track(path)


def test_a_flac_cut_short_is_said_when_it_is_read(tmp_path: Path, rng: np.random.Generator) -> None:
    """A compressed file shows it only then."""
    path = tmp_path / "cut.flac"
    soundfile.write(path, rng.uniform(-1, 1, FRAMES), 48000, "PCM_24", format="FLAC")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    track = open_track(path)
    with pytest.raises(TakeError, match=r"cannot be read on at"):
        track.read()


def test_a_flac_that_does_not_know_its_length_is_said(tmp_path: Path) -> None:
    """A stream, or a recording that was interrupted: its count is 0."""
    path = tmp_path / "stream.flac"
    soundfile.write(path, np.zeros(FRAMES), 48000, "PCM_24", format="FLAC")
    whole = bytearray(path.read_bytes())
    whole[21] &= 0xF0
    whole[22:26] = bytes(4)
    path.write_bytes(whole)
    with pytest.raises(TakeError, match="does not say how long it is"):
        open_track(path)


@pytest.mark.parametrize(
    "tail",
    [b"", b"\0", bytes(500), b"LIST\x04\0\0\0INFO", b"LIST\xff\0\0\0INFO", b"LIST\x04\0\0\0INFO\0\0", b"abc"],
)
def test_a_sound_header_is_left_in_peace(tmp_path: Path, rng: np.random.Generator, tail: bytes) -> None:
    """A missing pad byte, a little padding, metadata behind the audio, also cut: all of the audio is there."""
    data = _noise(rng)
    path = tmp_path / "sound.wav"
    path.write_bytes(chunks.riff([(b"fmt ", chunks.fmt()), (b"data", data)]) + tail)
    assert crashed_frames(path) is None
    assert open_track(path).frames == FRAMES


def test_an_empty_take_with_metadata_is_just_empty(tmp_path: Path) -> None:
    """No samples is not a crash where a chunk follows."""
    path = tmp_path / "empty.wav"
    path.write_bytes(chunks.riff([(b"fmt ", chunks.fmt()), (b"data", b""), (b"LIST", b"INFO" + bytes(50_000))]))
    assert crashed_frames(path) is None
    with pytest.raises(TakeError, match="holds no samples"):
        open_track(path)


def test_no_file_of_chunks_has_no_such_count(tmp_path: Path) -> None:
    """A text, a FLAC: None; a missing file is said."""
    (tmp_path / "a.txt").write_text("hello")
    soundfile.write(tmp_path / "a.flac", np.zeros(10), 48000)
    assert crashed_frames(tmp_path / "a.txt") is None
    assert crashed_frames(tmp_path / "a.flac") is None
    with pytest.raises(TakeError, match="no such file"):
        crashed_frames(tmp_path / "none.wav")
