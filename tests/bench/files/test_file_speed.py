"""Reading, shifting and writing against a block-wise soundfile copy of the same files, in one run.

pytest tests/bench/files -m bench -s -n 0
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from micalign.alignment.offsets import MovedTrack
from micalign.alignment.shift import resampled_blocks
from micalign.files.aligned_audio import AlignedFile, write_aligned
from micalign.files.audio import open_track, open_tracks
from micalign.take.tracks import Track

RATE, SECONDS, TRACKS = 48000, 300, 8
BLOCK = 1 << 16

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1200)]


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Eight tracks of five minutes, 48 kHz, 24 bit."""
    folder, noise = tmp_path_factory.mktemp("take"), np.random.default_rng(0)
    paths = [folder / f"track {number}.wav" for number in range(TRACKS)]
    for path in paths:
        with soundfile.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
            for _ in range(SECONDS):
                file.write(noise.uniform(-0.3, 0.3, RATE))
    return paths


def _best_s(work: Callable[[], object], rounds: int = 3) -> float:
    took = []
    for _ in range(rounds):
        begun = time.perf_counter()
        work()
        took.append(time.perf_counter() - begun)
    return min(took)


def _copied(paths: list[Path], folder: Path) -> None:
    for path in paths:
        info = soundfile.info(path)
        copy = soundfile.SoundFile(folder / "copy.wav", "w", info.samplerate, info.channels, "PCM_24")
        with soundfile.SoundFile(path) as source, copy:
            for block in source.blocks(BLOCK):
                copy.write(block)


def _read(paths: list[Path]) -> None:
    for path in paths:
        with soundfile.SoundFile(path) as source:
            for _ in source.blocks(BLOCK):
                pass


def _aligned(paths: list[Path], folder: Path, *, whole: bool, drift_ppm: float = 0.0) -> None:
    files = [
        AlignedFile(folder / path.name, path, (MovedTrack(open_track(path), -3.3 * number, drift_ppm=drift_ppm),))
        for number, path in enumerate(paths)
    ]
    write_aligned(files, whole=whole, force=True)


def test_writing_keeps_within_twice_a_copy(originals: list[Path], tmp_path: Path) -> None:
    """Fractional shifts with dither, whole ones bit for bit; fsync is counted for us, not for the copy."""
    copy_s = _best_s(lambda: _copied(originals, tmp_path))
    rows = {
        "fractional shift, dither": _best_s(lambda: _aligned(originals, tmp_path, whole=False)),
        "whole samples": _best_s(lambda: _aligned(originals, tmp_path, whole=True)),
        "drift taken out": _best_s(lambda: _aligned(originals, tmp_path, whole=False, drift_ppm=30.0), rounds=1),
    }
    print(f"\nblock-wise soundfile copy of {TRACKS} x {SECONDS} s: {copy_s:.2f} s")
    for what, seconds in rows.items():
        print(f"{what:>28}: {seconds:.2f} s = {seconds / copy_s:.2f} x the copy")


def test_reading_against_the_decoder(originals: list[Path]) -> None:
    """What pages, checks and float64 cost beside decoding alone."""
    decoder_s = _best_s(lambda: _read(originals))
    ours_s = _best_s(lambda: [None for track in open_tracks(originals).tracks for _ in track.blocks(BLOCK)])
    print(f"\nreading: {ours_s:.2f} s = {ours_s / decoder_s:.2f} x soundfile's {decoder_s:.2f} s")


def test_channels_of_one_file_are_written_in_step(tmp_path: Path) -> None:
    """Eight mono files out of one of eight channels: the original is decoded once."""
    source = tmp_path / "kit.wav"
    noise = np.random.default_rng(1)
    with soundfile.SoundFile(source, "w", RATE, TRACKS, "PCM_24") as file:
        for _ in range(60):
            file.write(noise.uniform(-0.3, 0.3, (RATE, TRACKS)))
    copy_s = _best_s(lambda: _copied([source], tmp_path))

    def work() -> None:
        files = [
            AlignedFile(tmp_path / f"{number}.wav", source, (MovedTrack(track, -3.3 * number),))
            for number, track in enumerate(open_tracks([source]).tracks)
        ]
        write_aligned(files, force=True)

    ours_s = _best_s(work)
    print(f"\none file of {TRACKS} channels, 60 s: {ours_s:.2f} s = {ours_s / copy_s:.2f} x its copy")


def test_resampling_costs_what_ten_filters_cost() -> None:
    """Nanoseconds a sample; only printed, since a drift is taken out once a take."""
    track = Track.from_array("noise", np.random.default_rng(2).uniform(-1, 1, RATE * 20), RATE)
    seconds = _best_s(lambda: [None for _ in resampled_blocks(track, 0.0, 30.0)])
    print(f"\ndrift taken out: {seconds / track.frames * 1e9:.0f} ns a sample")
