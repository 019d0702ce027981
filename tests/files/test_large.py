"""Files beyond 4 GiB, long takes and many channels: read at any place, written as RF64, in constant memory."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile

from micalign.files.audio import audio_info, open_tracks
from micalign.files.headers import crashed_frames

GIB = 1 << 30


def _sparse_rf64(path: Path, data_bytes: int, frames: int, form: bytes) -> int:
    """A file with a hole for its audio; where the audio begins."""
    head = bytearray(chunks.rf64([(b"fmt ", form), (b"data", b"")], data_bytes, frames))
    struct.pack_into("<Q", head, 20, len(head) - 8 + data_bytes)
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + data_bytes)
    return len(head)


def test_five_gibibytes_are_read_at_any_place(tmp_path: Path) -> None:
    """Eight channels of 24 bits with a mark beyond the border of 32 bits and at the very end."""
    frames = 5 * GIB // 24
    path = tmp_path / "long.wav"
    start = _sparse_rf64(path, frames * 24, frames, chunks.fmt(8))
    marks = {frames - 1: 7, (4 * GIB + 1000) // 24: 3, 0: 0}
    with path.open("r+b") as file:
        for frame, channel in marks.items():
            file.seek(start + 24 * frame + 3 * channel)
            file.write(b"\0\0\x40")
    tracks = open_tracks([path]).tracks
    assert len(tracks) == 8
    assert tracks[0].frames == frames
    assert crashed_frames(path) is None
    for frame, channel in marks.items():
        found = [float(track.read(frame, 1)[0]) for track in tracks]
        assert found == [0.5 if number == channel else 0.0 for number in range(8)]
    assert not tracks[2].read(frames // 2, 100_000).any()


def test_a_plain_wav_of_nearly_four_gibibytes_is_no_crash(tmp_path: Path) -> None:
    """The last size that 32 bits can say; beyond 2^31, where a sign would tear it."""
    data_bytes = 0xFFFFFFF0 // 6 * 6 - 6 * 100
    head = chunks.riff([(b"fmt ", chunks.fmt(2)), (b"data", b"")])
    head = head[:4] + struct.pack("<I", len(head) - 8 + data_bytes) + head[8:-4] + struct.pack("<I", data_bytes)
    path = tmp_path / "long.wav"
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + data_bytes)
    assert audio_info(path).frames == data_bytes // 6
    assert crashed_frames(path) is None


ALIGN = """
import json, resource, sys
from pathlib import Path
from micalign.alignment.offsets import MovedTrack
from micalign.files.aligned_audio import AlignedFile, write_aligned
from micalign.files.audio import open_tracks
source, out = Path(sys.argv[1]), Path(sys.argv[2])
moved = tuple(MovedTrack(track, float(shift)) for track, shift in zip(open_tracks([source]).tracks, sys.argv[3:]))
(written,) = write_aligned([AlignedFile(out, source, moved)])
status = Path("/proc/self/status")
if status.exists():  # ru_maxrss of a child begins with what its parent held
    peak = next(int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM")) * 1024
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
print(json.dumps({"frames": written.frames, "peak_bytes": peak}))
"""


def _aligned(source: Path, out: Path, *shifts: float) -> dict[str, int]:
    said = subprocess.run(
        [sys.executable, "-c", ALIGN, str(source), str(out), *map(str, shifts)],
        check=True, capture_output=True, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    found: dict[str, int] = json.loads(said.stdout)
    return found


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_what_outgrows_four_gibibytes_is_written_as_rf64(tmp_path: Path) -> None:
    """A WAV just below the limit whose tracks move apart by a second becomes RF64 by itself; every sample is there."""
    channels, shift = 16, 700_000
    frames = 0xFFFFFFF0 // (3 * channels) - 600_000
    path, out = tmp_path / "long.wav", tmp_path / "out.wav"
    data_bytes = frames * 3 * channels
    head = chunks.riff([(b"fmt ", chunks.fmt(channels)), (b"data", b"")])
    head = head[:4] + struct.pack("<I", len(head) - 8 + data_bytes) + head[8:-4] + struct.pack("<I", data_bytes)
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + data_bytes)
        file.seek(len(head) + data_bytes - 3)
        file.write(b"\0\0\x40")
    found = _aligned(path, out, *[0.0] * (channels - 1), shift)
    assert found["frames"] == frames + shift
    assert found["peak_bytes"] <= 250e6
    info = soundfile.info(out)
    assert (info.format, info.frames, info.subtype) == ("RF64", frames + shift, "PCM_24")
    with soundfile.SoundFile(out) as file:
        file.seek(frames + shift - 1)
        assert file.read(1)[0].tolist() == [0.0] * (channels - 1) + [0.5]
    out.unlink()


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    """Eight channels of five minutes and of ten: at most 250 MB, and at most 5 % more."""
    peaks = []
    for minutes in (5, 10):
        path = tmp_path / f"{minutes}.wav"
        frames = minutes * 60 * 48_000
        _sparse_rf64(path, frames * 24, frames, chunks.fmt(8))
        found = _aligned(path, tmp_path / f"{minutes}-out.wav", *np.linspace(-50.3, 50.7, 8))
        peaks.append(found["peak_bytes"])
    assert peaks[0] <= 250e6
    assert peaks[1] <= 1.05 * peaks[0]
