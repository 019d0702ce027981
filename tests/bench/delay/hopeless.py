"""Pairs that share nothing a delay could be told from, and wounded pairs that still do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from bench.delay import grooves, realtakes
from bench.delay.room import fractional
from bench.delay.sessions import Case, groove, kit, latency
from bench.delay.sounds import RATE, Kit, band, bass_line, guitar, pluck


def _tone(hz, seconds=6.0, phase=0.0):
    return np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE + phase)


def _hum(rng, seconds=6.0):
    return sum(_tone(50 * k, seconds, rng.uniform(0, 6)) / k for k in range(1, 12))


def _strikes(rng, drum, times, seconds=10.0):
    kit_, out = Kit(rng), np.zeros(int(seconds * RATE))
    for at in times:
        sound, start = kit_.stroke(drum), int(at * RATE)
        stop = min(start + len(sound), len(out))
        out[start:stop] += sound[: stop - start]
    return out


def _notes(rng, times, notes, seconds=10.0):
    out = np.zeros(int(seconds * RATE))
    for at, hz in zip(times, notes, strict=True):
        sound, start = pluck(rng, hz, 0.5), int(at * RATE)
        stop = min(start + len(sound), len(out))
        out[start:stop] += sound[: stop - start]
    return out


def kinds(rng) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:  # noqa: PLR0915 - a list, one line a kind
    n = 6 * RATE
    white = lambda: rng.normal(size=n)  # noqa: E731
    hiss = lambda x: x + 1e-4 * rng.normal(size=len(x))  # noqa: E731
    grid = 0.2 + 0.25 * np.arange(36)
    played = lambda: grid + rng.normal(0, 0.006, len(grid))  # noqa: E731
    hz = 80 * 2 ** (rng.choice([0, 3, 5, 7], len(grid)) / 12)
    impulse = np.zeros(n)
    impulse[n // 3] = 1.0
    clicks = np.zeros(n)
    clicks[:: RATE // 100] = 1.0
    slow = np.zeros(n)
    slow[RATE // 4 :: RATE // 2] = 1.0
    yield "two noises", white(), white()
    yield "two pink-ish noises", band(white(), 40, 400), band(white(), 40, 400)
    yield "two narrow noises", band(white(), 900, 1000), band(white(), 900, 1000)
    yield "one sine", hiss(_tone(440)), hiss(_tone(440, phase=1.0))
    yield "low sine", hiss(_tone(60)), hiss(_tone(60, phase=2.0))
    yield "high sine", hiss(_tone(5000)), hiss(_tone(5000, phase=2.0))
    yield "chord", hiss(_tone(220) + _tone(330)), hiss(_tone(220, phase=1) + _tone(330, phase=2))
    yield "hum alone", hiss(_hum(rng)), hiss(_hum(rng))
    yield "hum and noises", 0.3 * _hum(rng) + white(), 0.3 * _hum(rng) + white()
    hum = _hum(rng)
    yield "same hum, own noises", hum + 0.3 * white(), np.roll(hum, 211) + 0.3 * white()
    yield "click train", hiss(clicks), hiss(np.roll(clicks, 77))
    yield (
        "slow clicks of other sounds",
        hiss(np.convolve(slow, Kit(rng).hat()[:4000])[:n]),
        hiss(np.convolve(slow, Kit(rng).tom()[:9000])[:n]),
    )
    yield "silence both", np.zeros(n), np.zeros(n)
    yield "silence one", white(), np.zeros(n)
    yield "DC both", np.full(n, 0.2), np.full(n, 0.1)
    yield "DC and noise", np.full(n, 0.2), 0.1 * white()
    yield "impulse and noise", impulse, 0.1 * white()
    yield "impulse and silence", impulse, np.zeros(n)
    yield "impulse and hiss", impulse, 1e-4 * white()
    yield "two impulses far apart", hiss(impulse), hiss(np.roll(impulse, RATE))
    yield "bass doubled", _notes(rng, played(), hz), _notes(rng, played(), hz)
    yield "guitar doubled", _notes(rng, played(), 2 * hz), _notes(rng, played(), 2 * hz)
    yield "bass and guitar in unison", _notes(rng, played(), hz), _notes(rng, played(), 2 * hz)
    yield "other lines, same grid", _notes(rng, grid, hz), _notes(rng, grid, rng.permutation(hz))
    yield "kick and snare on one grid", hiss(_strikes(rng, "kick", grid)), hiss(_strikes(rng, "snare", grid))
    yield "kick and tom, played", hiss(_strikes(rng, "kick", played())), hiss(_strikes(rng, "tom", played()))
    yield "snare twice, played", hiss(_strikes(rng, "snare", played())), hiss(_strikes(rng, "snare", played()))
    yield "hat and snare", hiss(_strikes(rng, "hat", grid)), hiss(_strikes(rng, "snare", grid[::2]))
    yield "kick alternate", hiss(_strikes(rng, "kick", grid[::2])), hiss(_strikes(rng, "kick", grid[1::2]))
    yield "guitar and drums", guitar(rng, 8), sum(groove(rng, 8).values())
    yield "two guitars", guitar(rng, 8), guitar(rng, 8)
    yield "two basses", bass_line(rng, 8), bass_line(rng, 8)
    yield "two kits", sum(groove(rng, 8).values()), sum(groove(rng, 8).values())
    yield "bass and noise", bass_line(rng, 6), white()
    yield "faint", 1e-6 * white(), 1e-6 * white()
    far = white()
    yield "beyond the range", far, np.roll(far, int(0.3 * RATE))
    played_once = guitar(rng, 8)
    yield "reversed", played_once, played_once[::-1].copy()
    yield (
        "octave sweep twice",
        np.sin(np.cumsum(np.linspace(0.01, 0.02, n))),
        np.sin(np.cumsum(np.linspace(0.02, 0.01, n))),
    )
    yield "square waves", np.sign(_tone(100)), np.sign(_tone(101))
    yield "same square", hiss(np.sign(_tone(110))), hiss(np.roll(np.sign(_tone(110)), 100))
    loop = np.tile(rng.normal(size=RATE // 40), 120)
    yield "loop of one bar", loop, np.roll(loop, 300)
    buried = white()
    yield "buried", buried + 30 * white(), buried + 30 * white()
    yield "gated noise", white() * (np.arange(n) % 24000 < 5000), white() * (np.arange(n) % 24000 < 5000)
    swell = np.abs(band(white(), 2, 8))
    yield "same envelope noise", swell * white(), swell * white()
    yield "clipped noises", np.clip(9 * white(), -1, 1), np.clip(9 * white(), -1, 1)
    yield (
        "shared edges",
        *(np.concatenate([np.zeros(RATE), band(white(), 50, 9000) + 0.5, np.zeros(RATE)]) for _ in (0, 1)),
    )
    yield (
        "shared DC step",
        *(np.concatenate([np.zeros(n // 2), np.ones(n // 2)]) * 0.2 + 0.01 * white() for _ in (0, 1)),
    )
    yield "beats", _tone(100) + _tone(101), _tone(150) + _tone(151)
    yield "8-bit dither", np.round(0.5 * white()) / 128, np.round(0.5 * white()) / 128
    yield "too short", white()[:64], white()[:64]


def hopeless(seed: int) -> Iterator[Case]:
    rng = np.random.default_rng([seed, 9])
    for name, first, second in kinds(rng):
        top = max(np.max(np.abs(first)), np.max(np.abs(second)), 1.0) * 2
        yield Case("hopeless", f"{seed} {name}", first / top, second / top, np.nan, np.nan)


def machine(rng, bpm: float, seconds: float, rate: int = RATE) -> np.ndarray:
    """A drum machine: kick, snare and hat, every stroke of each the same sample, on a grid exact to the sample."""
    drums, step_s = Kit(rng), 15 / bpm
    drums.same = True
    out = np.zeros(int(seconds * rate))
    for number in range(int((seconds - 0.4) / step_s)):
        for drum, steps, gain in (("kick", (0, 6, 8), 1.0), ("snare", (4, 12), 1.0), ("hat", range(0, 16, 2), 0.3)):
            if number % 16 in steps:
                sound, start = gain * drums.stroke(drum), round((0.3 + number * step_s) * rate)
                sound = sound[: len(out) - start]
                out[start : start + len(sound)] += sound
    return 0.5 * out / np.max(np.abs(out)) + 1e-4 * rng.normal(size=len(out))


SHORT_S = (3.0, 5.0, 8.0)


def strangers(kit, seed: int, half: str) -> Iterator[Case]:
    """Short tracks of two takes of one kit, of one style and tempo, which share its hits but no stroke; one in turn."""
    rng, seconds = np.random.default_rng([seed, 91]), SHORT_S[seed % len(SHORT_S)]
    style, bpm = str(rng.choice(grooves.STYLES)), float(rng.uniform(90, 140))
    first, second = (
        realtakes.groove(kit, style, 2000 + 2 * seed + other, half=half, seconds=seconds, bpm=bpm) for other in (0, 1)
    )
    over = second.mics["OHL"]
    tracks = {name: first.mics[name] for name in ("OHL", "OHR", "AmbL", "Snare_top", "KdrumR", "Hihat")}
    tracks["machine"] = machine(rng, bpm, seconds, first.rate)
    tracks["bass"] = bass_line(rng, seconds, gap_s=30 / bpm)[: len(over)]
    for name, sound in tracks.items():
        yield Case(
            "hopeless", f"{seed} strangers {style} {seconds:g} s {name}", sound, over, np.nan, np.nan, rate=first.rate
        )


def wounded(seed: int) -> Iterator[Case]:
    """Good pairs with one thing gone wrong."""
    rng = np.random.default_rng([seed, 10])
    pairs = [case for case in kit(seed + 500) if case.family == "snare"] + list(latency(seed + 500))[:2]
    for case in pairs:
        for wound in ("clipped", "dc", "faint", "half", "hum", "8 bit", "cut", "steps"):
            first, second = (np.array(x) for x in (case.reference, case.track))
            first, second = _wound(rng, wound, first, second)
            yield Case("robust", f"{case.label} {wound}", first, second, case.low_s, case.high_s, case.polarity)
    yield _one_hit(rng, seed)


def _wound(rng, wound, first, second):
    n = min(len(first), len(second))
    if wound == "clipped":
        return np.clip(first / np.max(np.abs(first)) * 4, -1, 1), np.clip(second / np.max(np.abs(second)) * 3, -1, 1)
    if wound == "dc":
        return first * 0.5 + 0.2, second * 0.5 - 0.1
    if wound == "faint":
        return first * 1e-3, second * 1e-3
    if wound == "half":
        keep = np.arange(n) > n // 2
        return first[:n] * keep, second[:n]
    if wound == "hum":
        hum = 0.03 * _hum(rng, n / RATE)[:n]
        return first[:n] + hum, second[:n] + 0.5 * np.roll(hum, 100)
    if wound == "8 bit":
        return tuple(np.round(x / np.max(np.abs(x)) * 100) / 128 for x in (first, second))
    if wound == "cut":
        start, stop = int(n * 0.31), int(n * 0.83)
        return first[start:stop], second[start:stop]
    edge = np.zeros(n)
    edge[n // 4 : 3 * n // 4] = 0.05
    return first[:n] + edge, second[:n] + edge


def _one_hit(rng, seed):
    kit_, n = Kit(rng), 12 * RATE
    sound = kit_.stroke(str(rng.choice(["kick", "snare", "tom"])))
    first = np.zeros(n)
    start = int(rng.uniform(1, 10) * RATE)
    first[start : start + len(sound)] = sound
    delay = rng.uniform(0.001, 0.012)
    second = 0.3 * fractional(first, delay * RATE)
    first, second = (x * 0.5 + 10 ** (rng.uniform(-80, -60) / 20) * rng.normal(size=n) for x in (first, second))
    return Case("robust", f"{seed} one hit", first, second, delay, delay)
