"""Takes of a small band with faults that are known because they were put in; no code is shared with the package.

A take is nine seconds of four tracks at 48 kHz: kick, snare, bass and a room mic. The players wait a second and a
half, play, and let it ring. Every track has room noise of -80 dBFS; its loudest peak is at half of full scale.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from itertools import combinations

import numpy as np

RATE = 48_000
FRAMES = 9 * RATE
TRACKS = ("kick", "snare", "bass", "room")


def level(dbfs: float) -> float:
    return 10.0 ** (dbfs / 20.0)


def shaped_noise(rng, lower_hz: float, upper_hz: float, rms: float, frames: int = FRAMES) -> np.ndarray:
    """Gaussian noise between two frequencies, of exactly that root mean square."""
    hz = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum = np.fft.rfft(rng.normal(size=frames)) * ((hz >= lower_hz) & (hz <= upper_hz))
    noise = np.fft.irfft(spectrum, frames)
    return noise * rms / np.sqrt(np.mean(noise**2))


@cache
def _one_room_noise() -> np.ndarray:
    hz = np.fft.rfftfreq(FRAMES, 1.0 / RATE)
    noise = np.fft.irfft(
        np.fft.rfft(np.random.default_rng(99).normal(size=FRAMES)) / np.sqrt(np.maximum(hz, 30.0)), FRAMES
    )
    noise -= noise.mean()
    return noise * level(-80.0) / np.sqrt(np.mean(noise**2))


def room_noise(rng) -> np.ndarray:
    """Equal power in every octave from 30 Hz up, -80 dBFS; one noise, begun anew at random, since it takes long."""
    return np.roll(_one_room_noise(), int(rng.integers(FRAMES)))


def _notes(rng, one, spacing_s: float) -> np.ndarray:
    """A player's sounds from 1.5 s on, a little uneven, the last one and a half seconds before the end."""
    out = np.zeros(FRAMES)
    for at_s in np.arange(1.5, 6.6, spacing_s):
        start = int((at_s + 0.01 * rng.random()) * RATE)
        sound = one() * rng.uniform(0.7, 1.0)
        out[start : start + len(sound)] += sound[: FRAMES - start]
    return out


def kick(rng) -> np.ndarray:
    t = np.arange(RATE // 2) / RATE
    phase = 2 * np.pi * (52.0 * t + 2.5 * (1.0 - np.exp(-t / 0.02)))
    return _notes(rng, lambda: np.sin(phase) * np.exp(-t / 0.09) * np.minimum(t / 0.001, 1.0), 0.6)


def snare(rng) -> np.ndarray:
    t = np.arange(RATE // 2) / RATE

    def one() -> np.ndarray:
        return (rng.normal(size=len(t)) * 0.4 + np.sin(2 * np.pi * 190 * t)) * np.exp(-t / 0.05)

    return _notes(rng, one, 0.9)


def bass(rng, pitches_hz=(49.0, 58.27, 61.74, 41.2, 98.0)) -> np.ndarray:
    t = np.arange(int(0.95 * RATE)) / RATE

    def one() -> np.ndarray:
        hz = float(rng.choice(pitches_hz))
        tone = sum(np.sin(2 * np.pi * k * hz * t + rng.random()) / k for k in range(1, 6))
        return tone * np.exp(-t / 0.5) * np.minimum(t / 0.004, 1.0) * np.minimum((t[-1] - t) / 0.02, 1.0)

    return _notes(rng, one, 1.0)


@cache
def clean_take(seed: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    players = {"kick": kick(rng), "snare": snare(rng), "bass": bass(rng)}
    tracks = {name: 0.5 * sound / np.abs(sound).max() for name, sound in players.items()}
    room = sum(np.roll(sound, 300 + 217 * k) * (0.5 + 0.1 * k) for k, sound in enumerate(tracks.values()))
    tracks["room"] = 0.5 * room / np.abs(room).max()
    return {name: sound + room_noise(rng) for name, sound in tracks.items()}


def hum(rng, mains_hz: float, dbfs: float = -52.0) -> np.ndarray:
    """Four harmonics whose powers add up to that level."""
    t = np.arange(FRAMES) / RATE
    lines = {1: 1.0, 2: 0.6, 3: 0.5, 5: 0.3}
    total = np.sqrt(sum(size**2 for size in lines.values()) / 2.0)
    wave = sum(size * np.sin(2 * np.pi * k * mains_hz * t + 6.28 * rng.random()) for k, size in lines.items())
    return wave * level(dbfs) / total


FAULTS = {
    "clipped": lambda rng, sound: np.clip(3.2 * sound, -1.0, 32767 / 32768),
    "cut": lambda rng, sound: 0.8 * np.clip(2.8 * sound, -0.55, 0.55),
    "hum50": lambda rng, sound: sound + hum(rng, 50.04),
    "hum60": lambda rng, sound: sound + hum(rng, 59.97),
    "rumble": lambda rng, sound: sound + shaped_noise(rng, 18.0, 90.0, level(-52.0)),
    "hiss": lambda rng, sound: sound + shaped_noise(rng, 20.0, 24000.0, level(-52.0)),
    "offset": lambda rng, sound: sound + 0.02,
    "quiet": lambda rng, sound: 0.2 * sound,
    "dead": lambda rng, sound: shaped_noise(rng, 20.0, 20000.0, level(-70.0)),
    "silent": lambda rng, sound: np.zeros(FRAMES),
    "hot": lambda rng, sound: 1.7 * sound,
    "over": lambda rng, sound: 2.8 * sound,
}
"""What each fault does to a track, in the order in which sound meets them (noise before the converter)."""

RULES = {"cut": "clipped", "hum50": "hum", "hum60": "hum"}
ADDED = ("hum50", "hum60", "rumble", "hiss", "offset")
ORDER = ("dead", "silent", "quiet", "hum50", "hum60", "rumble", "hiss", "offset", "hot", "over", "clipped", "cut")


@dataclass
class FaultyTake:
    name: str
    faults: dict[str, tuple[str, ...]] = field(default_factory=dict)
    double: tuple[float, int] | None = None
    same_file: bool = False

    def tracks(self, seed: int) -> dict[str, np.ndarray]:
        rng = np.random.default_rng(1000 + seed)
        take = dict(clean_take(seed % 6))
        for name, faults in self.faults.items():
            for fault in sorted(faults, key=ORDER.index):
                take[name] = FAULTS[fault](rng, take[name])
        if self.double is not None:
            gain, lag = self.double
            take["room"] = np.roll(gain * take["snare"], lag)
        return {name: np.round(sound * 2**23) / 2**23 for name, sound in take.items()}

    @property
    def expected(self) -> set[tuple[str, str]]:
        """Every pair of track and rule, and no other, that has to be told."""
        told = {(name, RULES.get(fault, fault)) for name, faults in self.faults.items() for fault in faults}
        told |= {(name, "hot") for name, faults in self.faults.items() if "over" in faults}
        return told | ({("room", "double")} if self.double is not None else set())


def _pair(one: str, other: str) -> FaultyTake:
    name = f"{one} and {other}"
    if "double" in (one, other):
        rest = other if one == "double" else one
        return FaultyTake(name, {"kick": (rest,)}, double=(0.7, 0))
    together = one in ADDED and other != "dead" and {one, other} != {"hum50", "hum60"}
    together = together or (other in ADDED and one not in ("dead",) and {one, other} != {"hum50", "hum60"})
    return FaultyTake(name, {"bass": (one, other)} if together else {"kick": (one,), "snare": (other,)})


PAIRED = ("clipped", "cut", "hum50", "hum60", "rumble", "hiss", "offset", "quiet", "dead", "double")

TAKES = (
    *(FaultyTake(fault, {"bass": (fault,)}) for fault in FAULTS),
    FaultyTake("double", double=(1.0, 0)),
    FaultyTake("double, inverted and late", double=(-0.7, 7)),
    FaultyTake("mono in a stereo file", double=(1.0, 0), same_file=True),
    *(_pair(one, other) for one, other in combinations(PAIRED, 2)),
)
"""Fifteen faults alone and forty-five pairs."""
