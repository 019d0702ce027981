"""Simulated drum kits with known truth, rendered by pyroomacoustics: nothing here is shared with the package.

Rooms of 3 to 6 m with ceilings of 2.2 to 2.7 m, image sources up to order 3, four to six omni mics (bleed is as bad as
it gets), random polarity and gain of every track, noise 50 dB down, positions written down with 1 cm of error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.scene.model import Air, Mic, Pair, Room, Source
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track

SPEED = 343.0  # what pyroomacoustics uses; the scene's air gives 343.0 m/s too, to 0.1 m/s
RATE = 48000


@dataclass(frozen=True)
class KitTake:
    scene: Scene
    take: Take
    arrival_s: dict[tuple[str, str], float]
    level_db: dict[tuple[str, str], float]  # of the source in the track, against the loudest source in it
    polarity: dict[str, int]


def _band(rng: np.random.Generator, count: int, low: float, high: float) -> np.ndarray:
    spectrum = np.fft.rfft(rng.standard_normal(count))
    f = np.fft.rfftfreq(count, 1 / RATE)
    spectrum[(f < low) | (f > high)] = 0
    noise = np.fft.irfft(spectrum, count)
    return noise / np.abs(noise).max()


def _hit(kind: str, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(int(0.35 * RATE)) / RATE
    rise = np.minimum(t / 0.0007, 1.0)
    if kind == "kick":
        body = np.sin(2 * np.pi * (55 * t + 1.6 * (1 - np.exp(-t / 0.018)))) * np.exp(-t / 0.11)
        return rise * body + 0.35 * _band(rng, len(t), 800, 5000) * np.exp(-t / 0.004)
    if kind in {"tom", "floor tom"}:
        f0 = 120 if kind == "tom" else 85
        body = np.sin(2 * np.pi * (f0 * t + 0.9 * (1 - np.exp(-t / 0.03)))) * np.exp(-t / 0.14)
        return rise * body + 0.3 * _band(rng, len(t), 500, 6000) * np.exp(-t / 0.006)
    if kind == "snare":
        tone = 0.5 * np.sin(2 * np.pi * 187 * t) + 0.3 * np.sin(2 * np.pi * 331 * t)
        return rise * tone * np.exp(-t / 0.05) + 0.9 * _band(rng, len(t), 250, 11000) * np.exp(-t / 0.07) * rise
    return 0.5 * _band(rng, len(t), 4500, 15000) * np.exp(-t / 0.045) * rise


def _played(kind: str, seconds: float, rng: np.random.Generator) -> np.ndarray:
    out = np.zeros(int(seconds * RATE))
    step = 60.0 / rng.uniform(85, 125) / 2
    chance = {"kick": 0.35, "snare": 0.3, "hat": 0.75, "tom": 0.12, "floor tom": 0.12}[kind]
    for number in range(int((seconds - 0.5) / step)):
        if rng.random() < chance or (number % 16 == {"tom": 9, "floor tom": 13}.get(kind, -1)):
            start = int((0.05 + number * step + rng.normal(0, 0.004)) * RATE)
            hit = _hit(kind, rng) * rng.uniform(0.55, 1.0)
            stop = min(start + len(hit), len(out))
            out[max(start, 0) : stop] += hit[max(-start, 0) : stop - start]
    return out


def kit_take(seed: int, *, seconds: float = 14.0) -> KitTake:
    import pyroomacoustics as pra

    rng = np.random.default_rng(seed)
    size = np.array([rng.uniform(3.0, 6.0), rng.uniform(3.0, 6.0), rng.uniform(2.2, 2.7)])
    spot = np.array([size[0] * rng.uniform(0.42, 0.58), size[1] * rng.uniform(0.35, 0.5), 0.0])
    jitter = lambda s: rng.normal(0, s, 3)  # noqa: E731
    sources = {
        "kick": spot + np.array([0, 0, 0.32]) + jitter(0.02),
        "snare": spot + np.array([0.22, 0.45, 0.66]) + jitter(0.02),
        "hat": spot + np.array([0.58, 0.36, 0.9]) + jitter(0.03),
    }
    count = int(rng.integers(4, 7))
    high = min(size[2] - 0.15, rng.uniform(1.6, 2.1))
    mics = {
        "kick mic": sources["kick"] + [rng.uniform(-0.05, 0.05), -rng.uniform(0.06, 0.2), 0.0],
        "snare mic": sources["snare"] + [rng.uniform(0.03, 0.07), -0.06, rng.uniform(0.03, 0.07)],
        "overhead left": spot + np.array([-rng.uniform(0.3, 0.7), rng.uniform(0.3, 0.6), high]),
        "overhead right": spot
        + np.array([rng.uniform(0.4, 0.9), rng.uniform(0.3, 0.6), high + rng.uniform(-0.1, 0.05)]),
    }
    if count >= 5:
        sources["tom"] = spot + np.array([-0.18, 0.12, 0.78]) + jitter(0.02)
        mics["tom mic"] = sources["tom"] + [0.02, -0.05, rng.uniform(0.04, 0.08)]
    if count >= 6:
        mics["room"] = np.array([size[0] * rng.uniform(0.2, 0.8), size[1] * 0.85, rng.uniform(1.0, 1.7)])
    room = pra.ShoeBox(
        size,
        fs=RATE,
        materials=pra.make_materials(
            **{wall: float(rng.uniform(0.15, 0.6)) for wall in ("east", "west", "north", "south", "ceiling", "floor")}
        ),
        max_order=3,
        air_absorption=False,
    )
    loud = {"kick": 1.0, "snare": 1.0, "hat": 0.4, "tom": 0.9}
    for name, where in sources.items():
        room.add_source(where, signal=loud[name] * _played(name, seconds, rng))
    room.add_microphone_array(np.array(list(mics.values())).T)
    room.simulate()
    frames = int(seconds * RATE)
    polarity = {name: int(rng.choice([-1, 1])) for name in mics}
    tracks = []
    for row, name in zip(room.mic_array.signals[:, :frames], mics, strict=True):
        noisy = row + rng.standard_normal(frames) * np.sqrt(np.mean(row**2)) * 10 ** (-50 / 20)
        tracks.append(
            Track.from_array(name, polarity[name] * noisy * 0.5 / np.abs(noisy).max() * rng.uniform(0.2, 1), RATE)
        )
    distance = {(s, m): float(np.linalg.norm(sources[s] - mics[m])) for s in sources for m in mics}
    level = {(s, m): 20 * np.log10(loud[s] / distance[s, m]) for s in sources for m in mics}
    loudest = {m: max(level[s, m] for s in sources) for m in mics}
    own = {"kick mic": ("kick",), "snare mic": ("snare",), "tom mic": ("tom",)}
    noted = lambda p: tuple(float(v) for v in np.clip(p + jitter(0.01), 0.01, size - 0.01))  # noqa: E731
    scene = Scene(
        air=Air(18.6, 50.0),
        room=Room(tuple(float(v) for v in size)),
        sources=tuple(Source(name, noted(where)) for name, where in sources.items()),
        mics=tuple(Mic(name, noted(where), on=own.get(name, tuple(sources))) for name, where in mics.items()),
        pairs=(Pair("overheads", ("overhead left", "overhead right")),),
    )
    return KitTake(
        scene,
        Take(tuple(tracks)),
        {key: value / SPEED for key, value in distance.items()},
        {(s, m): level[s, m] - loudest[m] for s, m in level},
        polarity,
    )
