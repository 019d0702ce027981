"""Sound in a box: image sources up to 70 ms, a decaying noise after, microphones of any first-order pattern."""

from __future__ import annotations

import itertools

import numpy as np

SPEED_M_S = 343.5


def fractional(signal: np.ndarray, delay_samples: float) -> np.ndarray:
    """The signal later by any number of samples, by its spectrum; it grows by the delay."""
    size = len(signal) + abs(int(np.ceil(delay_samples))) + 64
    spectrum = np.fft.rfft(signal, size)
    turn = np.exp(-2j * np.pi * np.arange(len(spectrum)) * delay_samples / size)
    return np.fft.irfft(spectrum * turn, size)[: len(signal)]


def response(rng, size, source, mic, *, absorption, omni=1.0, aim=None, rate=48000, seconds=0.3):
    """The impulse response from a source to a mic; zero time is the source's own."""
    images, orders = _images(np.asarray(size), np.asarray(source), reach=int(0.07 * SPEED_M_S / min(size)) + 1)
    offset = images - mic
    distance = np.linalg.norm(offset, axis=1)
    keep = distance < max(0.07 * SPEED_M_S, distance.min() * 1.01)
    offset, distance, orders = offset[keep], distance[keep], orders[keep]
    gain = np.sqrt(1 - absorption) ** orders / distance
    if aim is not None:
        axis = (np.asarray(aim) - mic) / np.linalg.norm(np.asarray(aim) - mic)
        gain = gain * (omni + (1 - omni) * (offset @ axis) / distance)
    out = np.zeros(int(seconds * rate))
    _add_taps(out, distance / SPEED_M_S * rate, gain)
    _add_tail(rng, out, size, absorption, rate)
    return out


def _images(size, source, reach):
    ranges = [range(-reach, reach + 1)] * 3
    cells = np.array(list(itertools.product(*ranges)))
    even = cells % 2 == 0
    return cells * size + np.where(even, source, size - source), np.abs(cells).sum(axis=1)


def _add_taps(out, samples, gains, half=24):
    whole = np.floor(samples).astype(int)
    k = np.arange(-half + 1, half + 1)
    arg = k[None, :] - (samples - whole)[:, None]
    taps = np.sinc(arg) * (0.5 + 0.5 * np.cos(np.pi * np.clip(arg / half, -1, 1))) * gains[:, None]
    index = whole[:, None] + k[None, :]
    good = (index >= 0) & (index < len(out))
    np.add.at(out, index[good], taps[good])


def _add_tail(rng, out, size, absorption, rate):
    lx, ly, lz = size
    volume, surface = lx * ly * lz, 2 * (lx * ly + ly * lz + lx * lz)
    t60 = min(0.161 * volume / (-surface * np.log(1 - absorption)), 1.2)
    t = np.arange(len(out)) / rate
    # Diffuse level of Sabine's room, 16 pi / (surface * absorption), spread over its decay.
    power = 16 * np.pi / (surface * absorption) * 13.8 / t60 / rate
    tail = rng.normal(size=len(out)) * np.sqrt(power) * np.exp(-6.9 * t / t60)
    out += np.where(t > 0.06, tail, 0) * 0.7


def hear(parts, responses):
    """The sum of sources through their responses, cut to the sources' length."""
    length = max(len(p) for p in parts)
    size = 1 << int(np.ceil(np.log2(length + len(responses[0]))))
    total = sum(np.fft.rfft(p, size) * np.fft.rfft(r, size) for p, r in zip(parts, responses, strict=True))
    return np.fft.irfft(total, size)[:length]
