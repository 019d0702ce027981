"""A session as an editor sees it: recordings made byte by byte, laid out by their stamps, compared by ear's arithmetic.

Shares no code with the package: sounds are closed forms, files and stamps are packed here, lags are read from the
phase of a cross-spectrum.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

import chunks
import numpy as np
import soundfile

RATE = 48000
KINDS = ("WAV PCM_16", "WAV PCM_24", "WAV FLOAT", "RF64 PCM_24", "FLAC PCM_24")


def band(at: float, frames: int, *, seed: int = 5) -> np.ndarray:
    """Hits of many pitches in a take that begins at instant ``at`` (samples): known between samples too."""
    draws = np.random.default_rng(seed)
    n = np.arange(frames) + at
    sound = np.zeros(frames)
    for place in np.arange(-40_000, 400_000, 6_000) + draws.uniform(-2000, 2000, 74):
        pitches, phases = draws.uniform(0.02, 2.2, 6), draws.uniform(0, 6, 6)
        loud, width = draws.uniform(0.02, 0.1), draws.uniform(30, 150)
        low, high = np.searchsorted(n, [place - 1000, place + 1000])
        t = n[low:high] - place
        sound[low:high] += loud * np.cos(np.outer(pitches, t) + phases[:, None]).sum(0) * np.exp(-((t / width) ** 2))
    return sound


def write(path: Path, samples: np.ndarray, kind: str, *, stamp: int | None = None, rate: int = RATE) -> Path:
    """A recording, with a broadcast extension where it is stamped (samples since midnight)."""
    container, subtype = kind.split()
    if container == "FLAC":
        assert stamp is None
        soundfile.write(path, samples, rate, subtype)
        return path
    bits = {"PCM_16": 16, "PCM_24": 24, "FLOAT": 32}[subtype]
    if subtype == "FLOAT":
        data = samples.astype("<f4").tobytes()
    else:
        whole = np.rint(samples * 2.0 ** (bits - 1)).astype("<i4")
        data = whole.view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()
    tag = chunks.FLOAT if subtype == "FLOAT" else chunks.PCM
    head = [] if stamp is None else [(b"bext", stamped_bext(stamp))]
    parts = [*head, (b"fmt ", chunks.fmt(1, rate, bits, tag)), (b"data", data)]
    path.write_bytes(chunks.rf64(parts, len(data), len(samples)) if container == "RF64" else chunks.riff(parts))
    return path


def stamped_bext(stamp: int) -> bytes:
    bext = bytearray(602)
    struct.pack_into("<Q", bext, 338, stamp)
    return bytes(bext)


def stamp_of(path: Path) -> int | None:
    """The broadcast time reference of a file, in samples since midnight."""
    data = path.read_bytes()
    if data[:4] not in {b"RIFF", b"RF64"}:
        return None
    found = [chunk for name, chunk in chunks.taken_apart(data) if name == b"bext"]
    return struct.unpack_from("<Q", found[0], 338)[0] if found else None


def laid(path: Path, start: int, frames: int) -> np.ndarray:
    """What an editor plays from session sample ``start`` on: the file where its stamp says, else at zero."""
    samples = soundfile.read(path, dtype="float64")[0]
    at = (stamp_of(path) or 0) - start
    out = np.zeros(frames)
    low, high = max(at, 0), min(at + len(samples), frames)
    if low < high:
        out[low:high] = samples[low - at : high - at]
    return out


def lag(first: np.ndarray, second: np.ndarray) -> float:
    """By how many samples ``second`` is later than ``first``: the peak of their cross-correlation, then its phase."""
    frames = 1 << (len(first) + len(second)).bit_length()
    cross = np.fft.rfft(second, frames) * np.conj(np.fft.rfft(first, frames))
    whole = int(np.argmax(np.abs(np.fft.irfft(cross, frames))))
    whole -= frames if whole > frames // 2 else 0
    radians = 2 * np.pi * np.arange(len(cross)) / frames
    turned = cross * np.exp(1j * radians * whole)
    turned *= np.sign(turned.real.sum())
    weight = np.abs(turned) * radians
    return whole - float(np.sum(weight * np.angle(turned)) / np.sum(weight * radians))


def take(
    folder: Path, delays: Sequence[float], kind: str, *, starts: Sequence[int] | None = None, frames: int = 144_000
) -> list[Path]:
    """Tracks of one sound, each so many samples late; ``starts`` are when each file began, by its stamp."""
    noise = np.random.default_rng(17)
    begun = [0] * len(delays) if starts is None else [start - starts[0] for start in starts]
    suffix = ".flac" if kind.startswith("FLAC") else ".wav"
    return [
        write(
            folder / f"track {number}{suffix}",
            band(start - delay, frames) + 3e-4 * noise.standard_normal(frames),
            kind,
            stamp=None if starts is None else starts[number],
        )
        for number, (delay, start) in enumerate(zip(delays, begun, strict=True))
    ]
