"""The second renderer's pairs without a kit: DI and cabinet, latency, noise, drift, and pairs that share nothing.

Models: a loudspeaker as a minimum-phase filter of random resonances heard by a close mic with two reflections off its
floor and back wall; a box of converters with latency; band-limited noise in noise of another level; a clock that is off
by resampling with a windowed sinc; hopeless pairs as they are met (two takes of one groove, two rooms, two bands of one
tempo, a hum, a talker and a kit).

Does not model: room tails at the cabinet (the live room of `bench.delay.studio` has them), jitter, dropped samples.

Truth is what was inserted; a DI's window reaches from the pure delay to the one at which the noiseless two add best.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from bench.delay.sessions import Case
from bench.delay.studio import RATE, amplifier, kit_parts, new_kit, voice


def _later(sound: np.ndarray, samples: float) -> np.ndarray:
    """Later by any number of samples, by its spectrum."""
    size = len(sound) + 2 * abs(int(np.ceil(samples))) + 256
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) * samples / size)
    return np.fft.irfft(np.fft.rfft(sound, size) * turn, size)[: len(sound)]


def minimum_phase(rng, size: int = 4096) -> np.ndarray:
    """A loudspeaker's impulse response, (size,): a band with random bumps, by the real cepstrum of its magnitude."""
    hz = np.maximum(np.fft.rfftfreq(2 * size, 1 / RATE), 1.0)
    low, high = rng.uniform(70, 120), rng.uniform(3500, 6000)
    level = -10 * np.log10(1 + (low / hz) ** 4) - 10 * np.log10(1 + (hz / high) ** 8)
    for _ in range(8):
        level += rng.uniform(-6, 6) * np.exp(-((np.log2(hz / rng.uniform(100, 5000)) / rng.uniform(0.1, 0.5)) ** 2))
    cepstrum = np.fft.irfft(np.maximum(level, -80) * np.log(10) / 20)
    cepstrum[1:size] *= 2
    cepstrum[size + 1 :] = 0
    return np.fft.irfft(np.exp(np.fft.rfft(cepstrum)))[:size]


def _through(sound: np.ndarray, response: np.ndarray) -> np.ndarray:
    size = len(sound) + len(response)
    return np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(response, size), size)[: len(sound)]


def _best_sum_s(first: np.ndarray, second: np.ndarray, around_s: float, sign: int) -> float:
    """Where the noiseless two add up best, from 0.1 ms before to 0.6 ms after the inserted delay."""
    size = 2 * len(first)
    fine = sign * np.fft.irfft(np.conj(np.fft.rfft(first, size)) * np.fft.rfft(second, size), 8 * size)
    lags = np.round((around_s + np.arange(-1e-4, 6e-4, 1 / RATE / 8)) * 8 * RATE).astype(int)
    return float(lags[np.argmax(fine[lags])]) / RATE / 8


def _played(rng, seconds: float, kind: str) -> np.ndarray:
    if kind == "kit":
        parts = [part.signal for sent in kit_parts(rng, seconds, cymbals_db=-8.0).values() for part in sent]
        return _unit(np.sum(parts, axis=0))
    if kind == "voice":
        return _unit(voice(rng, seconds)[0].signal)
    return _unit(amplifier(rng, seconds, 41 if kind == "bass" else 98)[0].signal)


def _unit(sound: np.ndarray) -> np.ndarray:
    return sound / np.max(np.abs(sound))


def _hiss(rng, count: int, low_db: float, high_db: float) -> np.ndarray:
    return 10 ** (rng.uniform(low_db, high_db) / 20) * rng.normal(size=count)


def di(seed: int, kind: str) -> Iterator[Case]:
    """A DI against the mic before its loudspeaker."""
    rng = np.random.default_rng([seed, 81, ["guitar", "bass"].index(kind)])
    dry = _played(rng, 10.0, kind)
    drive = float(rng.choice([0.5, 2.0, 6.0] if kind == "guitar" else [0.5, 2.0]))
    loud = _through(np.tanh(drive * dry) / drive, minimum_phase(rng))
    # The floor and the wall behind the cabinet, 2 to 9 ms after, as a mic a hand away hears them.
    echoes = [(rng.uniform(0, 0.2), rng.uniform(2e-3, 9e-3)) for _ in range(2)]
    loud = _unit(loud + sum(gain * _later(loud, RATE * at) for gain, at in echoes))
    delay, sign = float(rng.uniform(-0.002, 0.012)), int(rng.choice([-1, 1]))
    late = _later(loud, delay * RATE)
    best = _best_sum_s(dry, late, delay, 1)
    track = sign * 0.5 * late + _hiss(rng, len(dry), -75, -55)
    reference = 0.4 * dry + _hiss(rng, len(dry), -85, -70)
    low, high = min(delay, best), max(delay, best)
    yield Case(f"di {kind}", f"{seed} drive {drive}", reference, track, low, high, sign, rate=RATE)


def di_guitar(seed: int) -> Iterator[Case]:
    return di(seed, "guitar")


def di_bass(seed: int) -> Iterator[Case]:
    return di(seed, "bass")


def latency(seed: int) -> Iterator[Case]:
    """One sound twice, the second through a box that takes its time."""
    rng = np.random.default_rng([seed, 82])
    for kind in rng.permutation(["guitar", "bass", "kit", "voice"])[:2]:
        sound = np.pad(_played(rng, 10.0, str(kind)), RATE)
        delay, sign = float(rng.uniform(-0.045, 0.045)), int(rng.choice([-1, 1]))
        late = sign * float(rng.uniform(0.1, 1)) * _later(sound, delay * RATE) + _hiss(rng, len(sound), -90, -60)
        first = sound + _hiss(rng, len(sound), -90, -60)
        yield Case("latency", f"{seed} {kind} {1e3 * delay:.2f} ms", first, late, delay, delay, sign, rate=RATE)


def noise(seed: int) -> Iterator[Case]:
    """Band-limited noise in noises of its own, as two receivers hear it: labels name band and ratio."""
    rng = np.random.default_rng([seed, 83])
    count, size = 2 * RATE, 4 * RATE
    hz = np.fft.rfftfreq(size, 1 / RATE)
    for low, high, ratio_db in ((60, 8000, 0), (60, 8000, 20), (400, 2500, 10), (400, 2500, 30)):
        inside = (hz >= low) & (hz <= high)
        made = [np.fft.rfft(rng.normal(size=size)) * inside for _ in range(3)]
        delay, sign = float(rng.uniform(-0.02, 0.02)), int(rng.choice([-1, 1]))
        first = np.fft.irfft(made[0], size)[RATE : RATE + count]
        second = np.fft.irfft(made[0] * np.exp(-2j * np.pi * hz * delay), size)[RATE : RATE + count]
        own = [10 ** (-ratio_db / 20) * np.fft.irfft(one, size)[:count] for one in made[1:]]
        ratio = 10 ** (ratio_db / 10)
        bound = np.sqrt(3 / (8 * np.pi**2 * 2.0) * (1 + 2 * ratio) / ratio**2 / (high**3 - low**3))
        label = f"{seed} {low}-{high} {ratio_db} dB"
        pair = 0.1 * (first + own[0]), 0.1 * sign * (second + own[1])
        yield Case("noise", label, *pair, delay, delay, sign, rate=RATE, bound_s=float(bound))


def _resampled(sound: np.ndarray, ppm: float, delay_s: float, half: int = 24) -> np.ndarray:
    """The sound on a clock that is off: its delay is ``delay_s`` in the middle of the file and grows by ppm."""
    count = len(sound)
    middle = (count - 1) / 2
    event = (np.arange(count) - delay_s * RATE + ppm * 1e-6 * middle) / (1 + ppm * 1e-6)
    whole = np.floor(event).astype(int)
    out = np.zeros(count)
    for k in range(-half + 1, half + 1):
        arg = event - whole - k
        taps = np.sinc(arg) * np.cos(np.pi / 2 * np.clip(arg / half, -1, 1)) ** 2
        index = whole + k
        out += np.where((index >= 0) & (index < count), taps * sound[np.clip(index, 0, count - 1)], 0)
    return out


def drift(seed: int) -> Iterator[Case]:
    """Two recorders of one sound."""
    rng = np.random.default_rng([seed, 84])
    sound = 0.5 * _played(rng, 40.0, str(rng.choice(["guitar", "bass", "kit", "voice"])))
    ppm, delay = float(rng.uniform(-150, 150)), float(rng.uniform(-0.015, 0.015))
    sign = int(rng.choice([-1, 1]))
    track = sign * _resampled(sound, ppm, delay) + _hiss(rng, len(sound), -85, -65)
    first = sound + _hiss(rng, len(sound), -85, -65)
    yield Case("drift", f"{seed} {ppm:.1f} ppm", first, track, delay, delay, sign, rate=RATE, drift_ppm=ppm)


def hopeless(seed: int) -> Iterator[Case]:
    """Pairs that share no sound, however alike they are."""
    rng = np.random.default_rng([seed, 85])
    t = np.arange(8 * RATE) / RATE
    hum = lambda: sum(np.sin(2 * np.pi * 60 * k * t + rng.uniform(0, 6)) / k for k in (1, 3, 5, 7))  # noqa: E731
    one = lambda kind: _played(rng, 8.0, kind)  # noqa: E731
    drums, starts = new_kit(rng), np.arange(RATE // 5, 8 * RATE - RATE, RATE // 3)

    def machine(drum: str) -> np.ndarray:
        """One drum on an even grid, no two strokes alike: the other drum's would not follow from it."""
        out = np.zeros(8 * RATE)
        for start in starts:
            sound = float(rng.uniform(0.4, 1)) * drums[drum].stroke(rng)[0]
            out[start : start + len(sound)] += sound
        return out

    kit, wide = one("kit"), rng.normal(size=8 * RATE)
    pairs = {
        "kit twice": (one("kit"), one("kit")),
        "guitar twice": (one("guitar"), one("guitar")),
        "voice twice": (one("voice"), one("voice")),
        "voice and kit": (one("voice"), one("kit")),
        "bass and guitar": (one("bass"), one("guitar")),
        "machines on one grid": (machine("snare"), machine("kick")),
        "hum and voice with another hum": (hum(), one("voice") + 0.1 * hum()),
        "kit and its reverse": (kit, kit[::-1]),
        "swells": tuple(rng.normal(size=8 * RATE) * (1 + np.sin(2 * np.pi * 0.5 * t)) for _ in (0, 1)),
        "beyond the range": (wide, np.roll(wide, RATE // 2)),
    }
    for name, both in pairs.items():
        one, other = (0.4 * _unit(x) + 1e-4 * rng.normal(size=len(x)) for x in both)
        yield Case("hopeless", f"{seed} {name}", one, other, np.nan, np.nan, rate=RATE)
