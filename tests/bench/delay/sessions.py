"""Sessions with known truth, one family a function: seeded, so that tuning and reporting may use different seeds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from bench.delay.room import SPEED_M_S, fractional, hear, response
from bench.delay.sounds import RATE, Kit, bass_line, cabinet, guitar

DRUMS = ("kick", "snare", "tom", "hat", "crash")


@dataclass
class Case:
    """A pair, and what is true of it: a window of right delays, and the polarity."""

    family: str
    label: str
    reference: np.ndarray
    track: np.ndarray
    low_s: float
    high_s: float
    polarity: int = 1
    rate: int = RATE
    options: dict[str, Any] = field(default_factory=dict)
    drift_ppm: float | None = None
    bound_s: float | None = None
    also: tuple[tuple[float, float], ...] = ()  # other windows that are as right


def groove(rng, seconds, *, hats=1.0, crash_every_beat=False):
    """Strokes of a drummer: one dry signal for each drum."""
    kit = Kit(rng)
    beat = 60 / rng.uniform(85, 150)
    jitter = rng.choice([0.0, 0.003, 0.008])
    parts = {drum: np.zeros(int(seconds * RATE)) for drum in DRUMS}
    for eighth in range(int(seconds / beat * 2)):
        at, place = 0.15 + eighth * beat / 2, eighth % 8
        strokes = [("hat", hats)]
        if place in (0, 4) or rng.random() < 0.12:
            strokes.append(("kick", 1.0))
        if place in (2, 6):
            strokes.append(("snare", 1.0))
        if crash_every_beat and place % 2 == 0:
            strokes.append(("crash", 0.7 * hats))
        elif eighth % 32 == 0:
            strokes.append(("crash", 0.7))
        if eighth % 16 in (7, 15, 13) or rng.random() < 0.05:
            strokes.append(("tom", 0.9))
        for drum, gain in strokes:
            sound = kit.stroke(drum) * gain
            start = int((at + rng.normal(0, 1) * jitter) * RATE)
            start = max(start, 0)
            stop = min(start + len(sound), len(parts[drum]))
            if stop > start:
                parts[drum][start:stop] += sound[: stop - start]
    parts["hat"] *= 0.25
    parts["crash"] *= 0.35
    return parts


def kit_session(seed: int, *, live: bool = False, seconds: float = 14.0):
    """Places, dry strokes and the microphones' sound of one drum take."""
    rng = np.random.default_rng([seed, 77 if live else 7])
    size = rng.uniform([4.5, 4.0, 2.4], [7.5, 6.0, 3.2])
    absorption = rng.uniform(0.08, 0.15) if live else rng.uniform(0.2, 0.5)
    base = np.array([size[0] / 2 + rng.uniform(-0.4, 0.4), size[1] / 2 + rng.uniform(-0.6, 0.2), 0.0])
    place = {
        "kick": base + np.array([0, 0.3, 0.32]),
        "snare": base + np.array([-0.35, -0.15, 0.68]),
        "tom": base + np.array([0.2, 0.2, 0.85]),
        "hat": base + np.array([-0.7, 0.0, 0.9]),
        "crash": base + np.array([-0.6, 0.45, 1.35]),
    }
    place = {name: at + rng.uniform(-0.08, 0.08, 3) for name, at in place.items()}
    mics = {}
    for drum, reach in (("kick", (0.05, 0.35)), ("snare", (0.03, 0.09)), ("tom", (0.03, 0.09))):
        away = (
            np.array([0, rng.uniform(0.5, 1), rng.uniform(0, 0.4)])
            if drum == "kick"
            else np.array([rng.uniform(-0.4, 0.4), -0.6, 0.7])
        )
        mics[drum] = (place[drum] + away / np.linalg.norm(away) * rng.uniform(*reach), 0.5, place[drum])
    height = rng.uniform(1.75, min(2.3, size[2] - 0.2))
    spread = rng.uniform(0.35, 0.9)
    mics["overhead left"] = (base + np.array([-spread, rng.uniform(-0.3, 0.3), height]), 0.5, place["snare"])
    mics["overhead right"] = (base + np.array([spread, rng.uniform(-0.3, 0.3), height]), 0.5, place["tom"])
    room = np.array([rng.uniform(0.3, size[0] - 0.3), size[1] - rng.uniform(0.3, 0.9), rng.uniform(1.0, 1.8)])
    mics["room"] = (room, 1.0, None)
    dry = groove(rng, seconds, hats=rng.uniform(2.0, 4.0) if live else rng.uniform(0.6, 1.4), crash_every_beat=live)
    heard = {}
    for name, (at, omni, aim) in mics.items():
        paths = [response(rng, size, place[d], at, absorption=absorption, omni=omni, aim=aim) for d in DRUMS]
        sound = hear([dry[d] for d in DRUMS], paths)
        sound = sound / np.max(np.abs(sound)) * rng.uniform(0.2, 0.8)
        heard[name] = sound + rng.normal(size=len(sound)) * 10 ** (rng.uniform(-85, -68) / 20)
    return rng, place, {name: mic[0] for name, mic in mics.items()}, heard


def kit(seed: int, *, live: bool = False) -> Iterator[Case]:
    rng, place, mics, heard = kit_session(seed, live=live)
    for drum in ("kick", "snare", "tom"):
        for far in ("overhead left", "overhead right", "room"):
            truth = (np.linalg.norm(place[drum] - mics[far]) - np.linalg.norm(place[drum] - mics[drum])) / SPEED_M_S
            sign = int(rng.choice([-1, 1]))
            family = "live" if live else drum
            if rng.random() < 0.5:
                yield Case(family, f"{seed} {drum}>{far}", heard[drum], heard[far] * sign, truth, truth, sign)
            else:
                yield Case(family, f"{seed} {far}>{drum}", heard[far], heard[drum] * sign, -truth, -truth, sign)


def live(seed: int) -> Iterator[Case]:
    return kit(seed, live=True)


def noise(seed: int) -> Iterator[Case]:
    """White or banded noise of 1.5 s with independent noise in both channels, and the bound on the error."""
    rng = np.random.default_rng([seed, 1])
    for snr_db in (-10, 0, 10, 20, 40):
        for low, high in ((0, 24000), (150, 3000)):
            if snr_db < 0 and low:
                continue
            frames = int(1.5 * RATE)
            size = 1 << 18
            hz = np.fft.rfftfreq(size, 1 / RATE)
            spectrum = np.fft.rfft(rng.normal(size=size)) * ((hz >= low) & (hz <= high))
            delay = rng.uniform(-0.02, 0.02)
            later = np.fft.irfft(spectrum * np.exp(-2j * np.pi * hz * delay), size)[10000 : 10000 + frames]
            first = np.fft.irfft(spectrum, size)[10000 : 10000 + frames]
            snr = 10 ** (snr_db / 10)
            level = np.std(first) / np.sqrt(snr)
            hiss = [
                np.fft.irfft(np.fft.rfft(rng.normal(size=size)) * ((hz >= low) & (hz <= high)), size)[:frames]
                for _ in (0, 1)
            ]
            hiss = [h / np.std(h) * level for h in hiss]
            sign = int(rng.choice([-1, 1]))
            bound = np.sqrt(3 / (8 * np.pi**2 * 1.5) * (1 + 2 * snr) / snr**2 / (high**3 - low**3))
            label = f"{seed} {low}-{high} {snr_db} dB"
            yield Case(
                "noise",
                label,
                0.1 * (first + hiss[0]),
                0.1 * sign * (later + hiss[1]),
                delay,
                delay,
                sign,
                bound_s=bound,
            )


def best_sum(first, second, around_s, polarity, reach_s=0.0006):
    """The delay at which the noiseless pair adds up best, beside the inserted one."""
    size = 1 << int(np.ceil(np.log2(2 * len(first))))
    cross = np.conj(np.fft.rfft(first, size)) * np.fft.rfft(second, size)
    fine = np.fft.irfft(cross, 8 * size) * polarity
    lags = np.round((around_s + np.arange(-0.0001, reach_s, 1 / RATE / 8)) * RATE * 8).astype(int)
    return lags[np.argmax(fine[lags])] / RATE / 8


def di(seed: int, kind: str) -> Iterator[Case]:
    rng = np.random.default_rng([seed, 3 if kind == "guitar" else 4])
    for _ in range(2):
        dry = guitar(rng, 10.0) if kind == "guitar" else bass_line(rng, 10.0)
        drive = rng.choice([0.0, 1.0, 4.0, 15.0]) if kind == "guitar" else rng.choice([0.0, 1.0, 3.0])
        amped = cabinet(rng, dry, drive)
        amped /= np.max(np.abs(amped))
        delay, sign = rng.uniform(-0.003, 0.02), int(rng.choice([-1, 1]))
        late = fractional(amped, delay * RATE)
        best = best_sum(dry, late, delay, 1)
        track = sign * late * 0.5 + rng.normal(size=len(late)) * 10 ** (rng.uniform(-75, -50) / 20)
        reference = dry * 0.4 + rng.normal(size=len(late)) * 1e-4
        pair = (reference, track, min(delay, best), max(delay, best))
        if rng.random() < 0.3:
            pair = (track, reference, -max(delay, best), -min(delay, best))
        yield Case(f"di {kind}", f"{seed} drive {drive}", *pair, sign)


def di_guitar(seed: int) -> Iterator[Case]:
    return di(seed, "guitar")


def di_bass(seed: int) -> Iterator[Case]:
    return di(seed, "bass")


def material(rng, seconds):
    """A guitar, a bass, a kit's overhead or the noise of a crowd: what a latency or a drift is met on."""
    kind = rng.integers(4)
    if kind == 0:
        return guitar(rng, seconds)
    if kind == 1:
        return bass_line(rng, seconds)
    if kind == 2:
        parts = groove(rng, seconds)
        sound = sum(parts.values())
        return sound / np.max(np.abs(sound))
    sound = rng.normal(size=int(seconds * RATE)) * (1 + 0.5 * np.sin(np.arange(int(seconds * RATE)) / 9000))
    return 0.2 * sound


def latency(seed: int) -> Iterator[Case]:
    rng = np.random.default_rng([seed, 5])
    for wide in (False, False, True):
        sound = material(rng, 12.0)
        delay = rng.uniform(-1.6, 1.6) if wide else rng.uniform(-0.045, 0.045)
        if rng.random() < 0.3:
            delay = round(delay * RATE) / RATE
        sign = int(rng.choice([-1, 1]))
        whole = np.concatenate([np.zeros(RATE * 2), sound, np.zeros(RATE * 2)])
        late = fractional(whole, delay * RATE) * sign * rng.uniform(0.1, 1)
        hiss = 10 ** (rng.uniform(-90, -60) / 20)
        if wide:
            late = cabinet(rng, late, rng.choice([0, 2]))
        options = {"max_delay_s": 2.0} if wide else {}
        late = late + hiss * rng.normal(size=len(late))
        whole = whole + hiss * rng.normal(size=len(late))
        high = best_sum(whole, late, delay, sign) if wide else delay
        yield Case(
            "reamp wide" if wide else "latency",
            f"{seed} {delay:.4f}",
            whole,
            late,
            min(delay, high),
            max(delay, high),
            sign,
            options=options,
        )


def drifted(sound, ppm, delay_s):
    """The sound on a clock that is off: its delay grows by ppm and is ``delay_s`` in the middle of the file."""
    count = len(sound)
    fine = np.fft.irfft(np.fft.rfft(sound), 8 * count) * 8
    middle = (count - 1) / 2
    t = np.arange(count)
    # An event at t is heard at t + d(t): sample the event whose arrival is now.
    event = (t - delay_s * RATE + ppm * 1e-6 * middle) / (1 + ppm * 1e-6)
    at = np.clip(event * 8, 1, 8 * count - 3)
    whole = at.astype(int)
    f = at - whole
    a, b, c, d = (fine[whole + k] for k in (-1, 0, 1, 2))
    return b + 0.5 * f * (c - a + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a)))


def drift(seed: int) -> Iterator[Case]:
    rng = np.random.default_rng([seed, 6])
    sound = material(rng, rng.choice([30.0, 60.0]))
    ppm, delay = rng.uniform(-200, 200), rng.uniform(-0.02, 0.02)
    sign = int(rng.choice([-1, 1]))
    late = drifted(sound, ppm, delay) * sign
    hiss = 10 ** (rng.uniform(-85, -60) / 20)
    track = late + hiss * rng.normal(size=len(late))
    reference = sound + hiss * rng.normal(size=len(late))
    yield Case("drift", f"{seed} {ppm:.1f} ppm", reference, track, delay, delay, sign, drift_ppm=ppm)


def overhead_pair(seed: int) -> Iterator[Case]:
    _, place, mics, heard = kit_session(seed + 1000)
    left, right = "overhead left", "overhead right"
    later = {
        drum: (np.linalg.norm(at - mics[right]) - np.linalg.norm(at - mics[left])) / SPEED_M_S
        for drum, at in place.items()
    }
    truth = later.pop("snare")
    also = tuple((late, late) for late in later.values())  # which drum is the loudest is the drummer's affair
    yield Case("overhead pair", str(seed), heard[left], heard[right], truth, truth, also=also)


def spaced(seed: int) -> Iterator[Case]:
    rng = np.random.default_rng([seed, 8])
    for _ in range(2):
        size = rng.uniform([4, 3.5, 2.4], [9, 7, 3.5])
        source = rng.uniform([1, 1, 0.8], size - [1, 1, 0.8])
        near = source + rng.normal(size=3) * 0.2
        far = rng.uniform([0.3, 0.3, 0.8], size - [0.3, 0.3, 0.5])
        absorption = rng.uniform(0.15, 0.5)
        sound = material(rng, 10.0)
        heard = [hear([sound], [response(rng, size, source, at, absorption=absorption)]) for at in (near, far)]
        heard = [h / np.max(np.abs(h)) * 0.5 + 3e-4 * rng.normal(size=len(h)) for h in heard]
        truth = (np.linalg.norm(source - far) - np.linalg.norm(source - near)) / SPEED_M_S
        sign = int(rng.choice([-1, 1]))
        yield Case("spaced", f"{seed}", heard[0], heard[1] * sign, truth, truth, sign)
