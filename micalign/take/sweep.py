"""Which signals test a way through a loudspeaker and a mic, and what does the recording say of that way?

An exponential sine sweep from ``low`` to ``high`` hertz in T seconds has the phase 2 pi low L (exp(t / L) - 1) with
L = T / ln(high / low). Divided by its spectrum, a recording of it becomes the impulse response, and what the
loudspeaker distorts lies before it: the n-th harmonic L ln n earlier (A. Farina, "Simultaneous measurement of impulse
response and distortion with a swept-sine technique", 108th AES Convention, 2000, preprint 5093; Farina convolves with
the sweep reversed and tilted instead, which leaves ripple of 1 dB and more at the ends of the band).

Early decay and reverberation are from the backward integral of the squared response (M. R. Schroeder, "New method of
measuring reverberation time", J. Acoust. Soc. Am. 37, 1965), fitted from 0 to -10 dB and from -5 to -25 dB as ISO
3382-1 does (from memory). Times are seconds, positive later; levels are against the direct sound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take.tracks import Track
from micalign.take.tuned import BOUNCE, ECHO_DB, LEAST_DIRECT_DB

__all__ = ["CLICKS", "LEAD_S", "Echo", "Response", "Sweep", "clicks", "response"]

CLICKS: Final = 5  # enough for a middle one and its scatter
LEAD_S: Final = 1.0
"""Silence before the first click and before the sweep: time to reach for the volume."""

_CLICK_S: Final = 0.0003  # seconds of a half wave: its spectrum is flat to 1 kHz
_APART_S: Final = 0.6  # seconds between clicks: a small room has died away
_TAIL_S: Final = 2.0  # seconds of silence after the sweep: the room's
_FADES_S: Final = (0.05, 0.005)  # seconds at the low and the high end, against ripple
_WITHIN_S: Final = 0.05  # seconds after the direct sound that bounces are named
_APART_ECHO_S: Final = 0.0004  # seconds of two bounces: 14 cm of way
_MOST_ECHOES: Final = 8  # that are named
_HEADROOM_DB: Final = 10.0  # between a fitted range and the noise
_WINDOW_S: Final = 0.01  # seconds of a smooth decay


def clicks(sample_rate: int) -> Floats:
    """Five positive half waves of 0.3 ms, 0.6 s apart, full scale 1: first a silence, at the end another."""
    pulse = np.sin(np.pi * (np.arange(max(round(_CLICK_S * sample_rate), 3)) + 0.5) / max(_CLICK_S * sample_rate, 3))
    out = np.zeros(round((LEAD_S + CLICKS * _APART_S + 0.5) * sample_rate))
    for hit in range(CLICKS):
        start = round((LEAD_S + hit * _APART_S) * sample_rate)
        out[start : start + len(pulse)] = np.maximum(pulse, 0.0)
    return out


@dataclass(frozen=True, slots=True)
class Sweep:
    """An exponential sine sweep.

    Examples
    --------
    >>> sweep = Sweep(2.0, 48000)
    >>> round(sweep.rate_s, 3), len(sweep.signal()) == 96000
    (0.334, True)
    """

    seconds: float
    sample_rate: int
    low_hz: float = 50.0

    @property
    def high_hz(self) -> float:
        """Where it ends: 20 kHz, or 0.45 of the sample rate where that is lower."""
        return min(20_000.0, 0.45 * self.sample_rate)

    @property
    def rate_s(self) -> float:
        """Farina's L: the time in which the frequency grows e-fold."""
        return self.seconds / float(np.log(self.high_hz / self.low_hz))

    def signal(self) -> Floats:
        """Its samples, full scale 1, faded in and out."""
        wave: Floats = np.sin(2.0 * np.pi * self.low_hz * self.rate_s * np.expm1(self._times / self.rate_s))
        for fade_s, side in zip(_FADES_S, (1, -1), strict=True):
            count = round(fade_s * self.sample_rate)
            wave[::side][:count] *= np.sin(0.5 * np.pi * np.arange(count) / count) ** 2
        return wave

    def file_signal(self) -> Floats:
        """The sweep between a silence to begin with and one for the room to die away in."""
        lead, tail = (round(seconds * self.sample_rate) for seconds in (LEAD_S, _TAIL_S))
        return np.concatenate([np.zeros(lead), self.signal(), np.zeros(tail)])

    def deconvolved(self, recorded: Floats) -> Floats:
        """The impulse response, shape (N,): sample 0 is a way without delay, of a recording that began with the file.

        Harmonics of the loudspeaker lie before that and are cut off.
        """
        wave = self.signal()
        size = 1 << int(np.ceil(np.log2(len(recorded) + len(wave))))
        spectrum = np.fft.rfft(wave, size)
        hz = np.arange(len(spectrum), dtype=np.float64) * (self.sample_rate / size)
        inside = _risen(hz, self.low_hz, 1.4 * self.low_hz) * (1.0 - _risen(hz, 0.9 * self.high_hz, self.high_hz))
        inverse = np.divide(inside, spectrum, out=np.zeros_like(spectrum), where=inside > 0.0)
        whole: Floats = np.fft.irfft(np.fft.rfft(recorded, size) * inverse, size)
        begin = round(LEAD_S * self.sample_rate)
        return whole[begin : len(recorded)]

    @property
    def _times(self) -> Floats:
        return np.arange(round(self.seconds * self.sample_rate)) / self.sample_rate


@dataclass(frozen=True, slots=True)
class Echo:
    """One later copy: how much after the direct sound, and its level against it."""

    delay_s: float
    level_db: float


@dataclass(frozen=True)
class Response:
    """What an impulse response says.

    Parameters
    ----------
    track : str
    arrival_s : float
        The direct sound after the beginning of the sweep: latency and flight together.
    uncertainty_s : float
        One standard deviation.
    polarity : int
        +1 where a rise of the signal first raises the samples of the recording.
    echoes : tuple of Echo
        In order of time, within 50 ms.
    early_decay_s, reverberation_s : float or None
        For a fall of 60 dB by the first 10 dB, and by -5 to -25 dB; None where noise covers that range.
    clear_db : float
        The direct sound against the noise of the response.
    """

    track: str
    arrival_s: float
    uncertainty_s: float
    polarity: int
    echoes: tuple[Echo, ...]
    early_decay_s: float | None
    reverberation_s: float | None
    clear_db: float


def _risen(hz: Floats, low: float, high: float) -> Floats:
    """0 below ``low``, 1 above ``high``, half a cosine between."""
    risen: Floats = 0.5 - 0.5 * np.cos(np.pi * np.clip((hz - low) / (high - low), 0.0, 1.0))
    return risen


def response(recorded: Track, sweep: Sweep) -> Response:
    """The way that a recording of the sweep took.

    Raises
    ------
    TakeError
        If the recording is too short to hold the sweep, of another rate, or the sweep is not in it.
    """
    if recorded.sample_rate != sweep.sample_rate:
        raise TakeError(f"{recorded.name} is at {recorded.sample_rate} Hz, the sweep at {sweep.sample_rate} Hz")
    if recorded.duration_s < LEAD_S + 0.9 * sweep.seconds:
        raise TakeError(
            f"{recorded.name} lasts {recorded.duration_s:.1f} s and cannot hold a sweep of {sweep.seconds:g} s: give "
            "--sweep as it was when the file was made, and record to its end"
        )
    found = sweep.deconvolved(recorded.read())
    envelope = _envelope(found)
    first = _first_peak(envelope)
    noise = max(float(np.median(part)) for part in (envelope, envelope[-max(len(envelope) // 10, 10) :]))
    clear_db = 20.0 * float(np.log10(envelope[first] / (noise + 1e-15) + 1e-15))
    if clear_db < 2.0 * _HEADROOM_DB:
        raise TakeError(
            f"{recorded.name}: no sweep of {sweep.seconds:g} s stands out in it: is it the recording of the file that "
            f"'micalign click --sweep {sweep.seconds:g}' made?"
        )
    rate = sweep.sample_rate
    near = found[max(first - 3, 0) : first + 4]
    decay = _decay_db(found[first:], rate)
    return Response(
        recorded.name,
        (first + _between(envelope, first)) / rate,
        max(0.25 / rate, 0.05 * _rise(envelope, first) / rate),
        1 if near[np.argmax(np.abs(near))] > 0 else -1,
        _echoes(envelope, first, rate),
        _slope_s(decay, 0.0, -10.0, rate, clear_db),
        _slope_s(decay, -5.0, -25.0, rate, clear_db),
        clear_db,
    )


def _envelope(found: Floats) -> Floats:
    """The magnitude of the analytic signal."""
    spectrum = np.fft.fft(found)
    half = (len(found) + 1) // 2
    spectrum[1:half] *= 2.0
    spectrum[len(found) // 2 + 1 :] = 0.0
    return np.abs(np.fft.ifft(spectrum))


def _first_peak(envelope: Floats) -> int:
    """The first maximum that comes near the strongest."""
    loud = envelope >= envelope.max() * 10.0 ** (-LEAST_DIRECT_DB / 20.0)
    tops = np.flatnonzero(loud & (envelope >= np.roll(envelope, 1)) & (envelope >= np.roll(envelope, -1)))
    return int(tops[0])


def _between(values: Floats, top: int) -> float:
    """How far beside the sample ``top`` the parabola through it and its neighbours has its maximum, samples."""
    if not 0 < top < len(values) - 1:
        return 0.0
    left, middle, right = values[top - 1 : top + 2].tolist()
    bend = left - 2.0 * middle + right
    return 0.5 * (left - right) / bend if bend else 0.0


def _rise(envelope: Floats, first: int) -> int:
    """Samples from 20 dB below a maximum to it."""
    below = np.flatnonzero(envelope[: first + 1] < 0.1 * envelope[first])
    return first - int(below[-1]) if len(below) else first


def _echoes(envelope: Floats, first: int, rate: int) -> tuple[Echo, ...]:
    """The strongest maxima that stand out of what is around them."""
    reach, apart = round(_WITHIN_S * rate), round(_APART_ECHO_S * rate)
    part = envelope[first : first + reach] / envelope[first]
    tops = []
    for at in range(apart, len(part) - 1):
        around = part[max(at - apart, 0) : at + apart + 1]
        wide = part[max(at - 4 * apart, apart // 2) : at + 4 * apart]
        if part[at] == around.max() and part[at] > max(10 ** (ECHO_DB / 20), BOUNCE * float(np.median(wide))):
            tops.append(Echo((at + _between(part, at)) / rate, 20.0 * float(np.log10(part[at]))))
    strongest = sorted(tops, key=lambda one: -one.level_db)[:_MOST_ECHOES]
    return tuple(sorted(strongest, key=lambda one: one.delay_s))


def _decay_db(found: Floats, rate: int) -> Floats:
    """The backward integral of the squared response, without its noise, up to where the noise takes over; dB."""
    power = found**2
    noise = float(power[-max(len(power) // 10, 1) :].mean())
    step = max(round(_WINDOW_S * rate), 1)
    means = power[: len(power) // step * step].reshape(-1, step).mean(axis=1)
    drowned = np.flatnonzero(means < 2.0 * noise)
    stop = (int(drowned[0]) if len(drowned) else len(means)) * step
    left = np.cumsum(np.maximum(power[: max(stop, step)] - noise, 0.0)[::-1])[::-1]
    decay: Floats = 10.0 * np.log10(left / left[0] + 1e-15)
    return decay


def _slope_s(decay_db: Floats, high_db: float, low_db: float, rate: int, clear_db: float) -> float | None:
    """The time for 60 dB by a straight line between two levels; None where noise covers the lower."""
    inside = np.flatnonzero((decay_db <= high_db) & (decay_db >= low_db))
    if clear_db < _HEADROOM_DB - low_db or len(inside) < 10 or decay_db.min() > low_db - 3.0:
        return None
    slope = float(np.polyfit(inside / rate, decay_db[inside], 1)[0])
    return -60.0 / slope if slope < 0 else None
