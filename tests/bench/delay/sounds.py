"""Sounds of a small band, each stroke a little different, made of nothing but a random generator."""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

RATE = 48000


def decay(seconds: float, time_constant_s: float, rate: int = RATE) -> np.ndarray:
    return np.exp(-np.arange(int(seconds * rate)) / (time_constant_s * rate))


def band(noise: np.ndarray, low_hz: float, high_hz: float, rate: int = RATE, order: int = 2) -> np.ndarray:
    return sosfilt(butter(order, [low_hz, high_hz], "bandpass", fs=rate, output="sos"), noise)


def burst(rng, seconds, tau_s, low_hz, high_hz, rate=RATE):
    shape = decay(seconds, tau_s, rate)
    return band(rng.normal(size=len(shape)), low_hz, high_hz, rate) * shape


def swept(rng, start_hz, end_hz, sweep_s, tau_s, seconds, rate=RATE):
    t = np.arange(int(seconds * rate)) / rate
    hz = end_hz + (start_hz - end_hz) * np.exp(-t / sweep_s)
    phase = 2 * np.pi * np.cumsum(hz) / rate
    return np.sin(phase + rng.uniform(-0.3, 0.3)) * np.exp(-t / tau_s) * np.minimum(t / 0.0007, 1)


class Kit:
    """One kit: the drums keep their tuning, the strokes differ."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.kick_hz = rng.uniform(45, 65)
        self.click = rng.uniform(0.05, 0.3)
        self.snare_hz = rng.uniform(160, 230)
        self.wires = rng.uniform(0.3, 0.9)
        self.tom_hz = rng.uniform(80, 160)
        self.open_hat = rng.uniform(0.02, 0.12)
        self.same = rng.random() < 0.3  # a drum machine: each stroke the same sample
        self.kept: dict[str, np.ndarray] = {}

    def stroke(self, drum: str) -> np.ndarray:
        if self.same and drum in self.kept:
            return self.kept[drum] * self.rng.uniform(0.7, 1.0)
        sound = getattr(self, drum)()
        sound = sound / np.max(np.abs(sound))
        self.kept[drum] = sound
        return sound * self.rng.uniform(0.6, 1.0)

    def kick(self):
        r = self.rng
        body = swept(r, self.kick_hz * 2.6, self.kick_hz * r.uniform(0.98, 1.02), 0.02, 0.12, 0.5)
        body[: int(0.02 * RATE)] += self.click * burst(r, 0.02, 0.003, 1500, 6000)
        body[: int(0.08 * RATE)] += 0.25 * burst(r, 0.08, 0.012, 80, 900)
        return body

    def snare(self):
        r = self.rng
        body = 0.7 * swept(r, self.snare_hz * 1.3, self.snare_hz, 0.01, 0.06, 0.35)
        body += 0.35 * swept(r, self.snare_hz * 1.9, self.snare_hz * 1.72, 0.01, 0.04, 0.35)
        body += self.wires * burst(r, 0.35, 0.07, 1200, 11000)
        body[: int(0.01 * RATE)] += 0.5 * burst(r, 0.01, 0.002, 800, 8000)
        return body

    def tom(self):
        r = self.rng
        body = swept(r, self.tom_hz * 1.5, self.tom_hz, 0.04, 0.22, 0.8)
        body += 0.4 * swept(r, self.tom_hz * 2.2, self.tom_hz * 1.6, 0.03, 0.1, 0.8)
        body[: int(0.015 * RATE)] += 0.35 * burst(r, 0.015, 0.003, 600, 5000)
        return body

    def hat(self):
        return burst(self.rng, 0.35, self.open_hat, 5000, 16000)

    def crash(self):
        r = self.rng
        return burst(r, 2.0, 0.6, 2500, 15000) + 0.3 * burst(r, 2.0, 0.3, 400, 3000)


def pluck(rng, hz, seconds, bright=0.5, rate=RATE):
    """A plucked string by harmonics with their own decays and a pick's noise."""
    t = np.arange(int(seconds * rate)) / rate
    out = np.zeros(len(t))
    pick = rng.uniform(0.08, 0.3)
    for n in range(1, min(40, int(0.45 * rate / hz))):
        stretch = n * hz * np.sqrt(1 + 0.00008 * n * n)
        amplitude = np.sin(np.pi * n * pick) / n ** (2.2 - 1.4 * bright)
        out += amplitude * np.sin(2 * np.pi * stretch * t + rng.uniform(-0.4, 0.4)) * np.exp(-t * (1.2 + 0.35 * n))
    out *= np.minimum(t / 0.002, 1)
    out[: int(0.006 * rate)] += 0.1 * burst(rng, 0.006, 0.002, 500, 6000, rate)
    return out / np.max(np.abs(out))


def line(rng, notes_hz, seconds, gap_s, bright, rate=RATE):
    """A line of plucked notes (or strummed chords where several notes are given at once)."""
    out = np.zeros(int(seconds * rate))
    at = rng.uniform(0.05, 0.2)
    while at < seconds - 0.3:
        hold = gap_s * rng.choice([0.5, 1.0, 1.0, 2.0])
        chosen = notes_hz[rng.integers(len(notes_hz))]
        for k, hz in enumerate(np.atleast_1d(chosen)):
            note = pluck(rng, hz, min(hold * 1.1, 1.5), bright, rate)
            note *= raised_end(len(note), rate) * rng.uniform(0.5, 1.0)
            start = int((at + 0.008 * k) * rate)
            stop = min(start + len(note), len(out))
            out[start:stop] += note[: stop - start]
        at += hold
    return out / np.max(np.abs(out))


def raised_end(length, rate):
    fade = min(int(0.02 * rate), length)
    window = np.ones(length)
    window[-fade:] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    return window


def bass_line(rng, seconds, gap_s=None, bright=None):
    low = rng.uniform(41, 60)
    notes = low * 2 ** (np.array([0, 3, 5, 7, 10]) / 12)
    notes = notes[notes <= 100]
    return line(
        rng, notes, seconds, gap_s or rng.uniform(0.25, 0.6), rng.uniform(0.1, 0.6) if bright is None else bright
    )


def guitar(rng, seconds):
    root = rng.uniform(82, 130)
    if rng.random() < 0.5:
        shapes = [
            root * 2 ** (np.array(shape) / 12)
            for shape in ([0, 7, 12, 16], [5, 12, 17, 21], [7, 14, 19, 23], [9, 16, 21, 24])
        ]
        return line(rng, shapes, seconds, rng.uniform(0.3, 0.7), rng.uniform(0.4, 0.8))
    notes = 2 * root * 2 ** (np.array([0, 2, 4, 7, 9, 12]) / 12)
    return line(rng, notes, seconds, rng.uniform(0.15, 0.4), rng.uniform(0.4, 0.8))


def cabinet(rng, sound, drive, rate=RATE):
    """A driven amplifier and a minimum-phase loudspeaker."""
    driven = np.tanh(drive * sound + rng.uniform(0, 0.2)) if drive > 0 else sound
    out = sosfilt(butter(2, rng.uniform(60, 110), "highpass", fs=rate, output="sos"), driven)
    out = sosfilt(butter(4, rng.uniform(3500, 5500), "lowpass", fs=rate, output="sos"), out)
    w = 2 * np.pi * rng.uniform(1800, 3000) / rate
    gain, q = rng.uniform(1.2, 2.0), 1.2
    alpha = np.sin(w) / (2 * q)
    return lfilter(
        [1 + alpha * gain, -2 * np.cos(w), 1 - alpha * gain], [1 + alpha / gain, -2 * np.cos(w), 1 - alpha / gain], out
    )
