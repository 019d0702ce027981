"""What does a source sound like, and who plays when?

Synthesised stand-ins, plausible enough for a delay to be as hard to measure as on the real thing: drums with a
sharp beginning and a body, cymbals with inharmonic partials, plucked strings as decaying partials, a voice as
pulses through formants. Each note is float64 of shape (frames,), begins at its first sample and peaks near 1;
`LEVEL_DB` says how loud the instruments are against each other at 1 m.

The recipes are the usual ones of sound synthesis (additive partials, filtered noise, a source and its formants);
their figures are set by ear and common practice, no source.

A take begins with a short silence, then goes through the sources one after the other, as at a sound check, and
then all play together. Times are seconds on the take's clock, for the moment a note leaves its source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.units import amplitude_from_db

__all__ = ["LEVEL_DB", "note", "played", "score", "sound_of", "through_cab"]

LEVEL_DB: Final = {
    "kick": 0.0,
    "snare": 0.0,
    "tom": -2.0,
    "hat": -9.0,
    "ride": -8.0,
    "crash": -4.0,
    "bass": -6.0,
    "guitar": -6.0,
    "voice": -8.0,
    "clap": -4.0,
    "noise": -6.0,
}
"""Decibels: peak of each sound at 1 m against a snare's (by ear, no source)."""

_VARIANTS: Final = 6
"""Count of unlike strokes of a source, played in turn (chosen, no source)."""

_SILENCE_S: Final = 0.5
"""Seconds of silence before the first note, for the noise floor to be read from."""

_TAIL_S: Final = 0.8
"""Seconds after the last note in which it may die away (chosen, no source)."""

_SPACING_S: Final = {"bass": 0.62, "guitar": 0.8, "voice": 0.6, "ride": 0.5, "crash": 0.8, "noise": 0.7}
"""Seconds between notes that ring long, where a source plays alone (chosen, no source)."""

_EIGHTH_S: Final = 60.0 / 108.0 / 2.0
"""Seconds of an eighth at 108 beats a minute, a middling tempo (chosen, no source)."""


_WORDS: Final = {
    "kick": ("kick", "bass drum", "bd"),
    "snare": ("snare", "sd"),
    "tom": ("tom", "conga", "djembe", "drum"),
    "hat": ("hat", "hh", "tambourine", "shaker"),
    "ride": ("ride", "cymbal", "china"),
    "crash": ("crash", "splash", "gong"),
    "voice": ("voice", "vocal", "sing", "speak", "talk", "choir", "alto", "tenor", "soprano", "narrator"),
    "bass": ("bass", "cello"),
    "guitar": ("guitar", "gtr", "cab", "amp", "banjo", "mandolin", "piano", "harp"),
    "clap": ("clap", "tap", "click", "hit", "spot", "mark"),
    "noise": ("noise", "pink", "loudspeaker", "speaker"),
}


# Eighths of a bar on which each sound plays.
_PATTERNS: Final = {
    "kick": (0, 3, 4),
    "snare": (2, 6),
    "tom": (5, 7),
    "hat": (0, 1, 2, 3, 4, 5, 6, 7),
    "ride": (0, 2, 3, 4, 6, 7),
    "crash": (0,),
    "bass": (0, 3, 4, 6),
    "guitar": (1, 4, 5),
    "voice": (0, 2, 4, 5),
    "clap": (2, 6),
    "noise": (0, 4),
}


def sound_of(name: str, sound: str | None = None) -> str:
    """The sound a source plays: the one it asks for, or a guess from its name; a clap where nothing fits.

    >>> sound_of("floor tom"), sound_of("bass cab"), sound_of("Hi-Hat"), sound_of("left", "voice"), sound_of("spot 3")
    ('tom', 'bass', 'hat', 'voice', 'clap')
    """
    for word in (sound or "", name):
        folded = word.casefold()
        if folded in _NOTES:
            return folded
        for kind, hints in _WORDS.items():
            if any(hint in folded for hint in hints):
                return kind
    return "clap"


def note(sound: str, sample_rate: int, rng: np.random.Generator) -> Floats:
    """One hit, pluck or syllable of a sound, peak 1.

    >>> made = note("snare", 48000, np.random.default_rng(1))
    >>> round(float(np.abs(made).max()), 6)
    1.0
    """
    samples = _NOTES[sound](sample_rate, rng)
    fade = min(len(samples), sample_rate // 50)
    samples[-fade:] *= np.linspace(1.0, 0.0, fade)
    peaked: Floats = samples / np.abs(samples).max()
    return peaked


def _times(seconds: float, sample_rate: int) -> Floats:
    return np.arange(int(seconds * sample_rate), dtype=np.float64) / sample_rate


def _noise(seconds: float, band_hz: tuple[float, float], sample_rate: int, rng: np.random.Generator) -> Floats:
    """Noise between two frequencies with soft edges, rms 1."""
    frames = int(seconds * sample_rate)
    frequency_hz = np.fft.rfftfreq(frames, 1 / sample_rate)
    high = min(band_hz[1], 0.42 * sample_rate)
    shape = 1 / (1 + (band_hz[0] / np.maximum(frequency_hz, 1.0)) ** 6) / (1 + (frequency_hz / high) ** 8)
    made = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * shape, frames)
    levelled: Floats = made / np.sqrt(np.mean(made**2))
    return levelled


def _partials(frequency_hz: Floats, amplitude: Floats, decay_s: Floats, t: Floats, rng: np.random.Generator) -> Floats:
    """Decaying sines that begin together, those above 0.42 of the sample rate left out."""
    kept = frequency_hz < 0.42 / (t[1] - t[0])
    out = np.zeros(len(t))
    for f, a, d in zip(frequency_hz[kept], amplitude[kept], decay_s[kept], strict=True):
        out += a * np.exp(-t / d) * np.sin(2 * np.pi * f * t + rng.uniform(-0.5, 0.5))
    return out


def _drum(body_hz: tuple[float, float], decay_s: float, click: float) -> Callable[[int, np.random.Generator], Floats]:
    def make(sample_rate: int, rng: np.random.Generator) -> Floats:
        t = _times(5 * decay_s, sample_rate)
        tune = rng.uniform(0.98, 1.02)
        bend = np.exp(-t / 0.03)
        phase = 2 * np.pi * np.cumsum(body_hz[1] + (body_hz[0] - body_hz[1]) * bend) / sample_rate * tune
        stick = _noise(5 * decay_s, (900.0, 7000.0), sample_rate, rng) * np.exp(-t / 0.004)
        return np.sin(phase + 0.6) * np.exp(-t / decay_s) + click * stick

    return make


def _snare(sample_rate: int, rng: np.random.Generator) -> Floats:
    t = _times(0.35, sample_rate)
    tune = rng.uniform(0.97, 1.03)
    modes = np.array([185.0, 278.0, 331.0, 405.0, 548.0]) * tune
    body = _partials(modes, np.array([1.0, 0.5, 0.7, 0.3, 0.2]), np.array([0.09, 0.06, 0.05, 0.04, 0.03]), t, rng)
    wires = _noise(0.35, (900.0, 13000.0), sample_rate, rng) * (np.exp(-t / 0.05) * 0.5 + np.exp(-t / 0.006))
    return body + wires


def _cymbal(decay_s: float, lowest_hz: float, ping: float) -> Callable[[int, np.random.Generator], Floats]:
    def make(sample_rate: int, rng: np.random.Generator) -> Floats:
        t = _times(min(3 * decay_s, 1.2), sample_rate)
        frequency_hz = np.sort(lowest_hz * np.exp(rng.uniform(0.0, np.log(14000.0 / lowest_hz), 24)))
        ringing = _partials(
            frequency_hz, rng.uniform(0.1, 0.4, 24), decay_s * (lowest_hz / frequency_hz) ** 0.3, t, rng
        )
        hiss = _noise(len(t) / sample_rate, (2.5 * lowest_hz, 15000.0), sample_rate, rng)[: len(t)]
        return ringing + hiss * (0.5 * np.exp(-t / (0.4 * decay_s)) + ping * np.exp(-t / 0.005))

    return make


def _string(frequency_hz: float, seconds: float, sample_rate: int, rng: np.random.Generator) -> Floats:
    """A plucked string: partials stretched by stiffness, the high ones gone first."""
    t = _times(seconds, sample_rate)
    k = np.arange(1.0, 1 + min(40, int(6000 / frequency_hz)))
    pluck = np.abs(np.sin(np.pi * k * 0.18)) / k
    return _partials(frequency_hz * k * np.sqrt(1 + 2e-4 * k**2), pluck, 0.5 * seconds / k**0.7, t, rng)


def _bass(sample_rate: int, rng: np.random.Generator) -> Floats:
    seconds = 0.7
    body = _string(rng.choice([41.2, 49.0, 55.0, 61.7, 73.4, 82.4]), seconds, sample_rate, rng)
    t = _times(seconds, sample_rate)
    finger = _noise(seconds, (300.0, 3500.0), sample_rate, rng) * np.exp(-t / 0.008)
    return body + 0.35 * finger


def _guitar(sample_rate: int, rng: np.random.Generator) -> Floats:
    t = _times(0.9, sample_rate)
    out = np.zeros(len(t))
    root = rng.choice([82.4, 98.0, 110.0, 130.8])
    for index, interval in enumerate((1.0, 1.5, 2.0, 2.52, 3.0, 4.0)):
        start = int(index * 0.007 * sample_rate)
        out[start:] += _string(root * interval, 0.9, sample_rate, rng)[: len(t) - start]
    scratch = _noise(0.9, (1500.0, 7000.0), sample_rate, rng) * np.exp(-t / 0.012)
    return out + 0.3 * scratch


def _voice(sample_rate: int, rng: np.random.Generator) -> Floats:
    """A consonant, then pulses with vibrato through three formants."""
    t = _times(0.45, sample_rate)
    pitch = rng.choice([165.0, 185.0, 208.0, 220.0, 247.0]) * (1 + 0.015 * np.sin(2 * np.pi * 5.5 * t))
    phase = np.cumsum(pitch) / sample_rate
    harmonic = np.arange(1, 41)
    formants = ((620.0, 90.0), (1180.0, 110.0), (2650.0, 160.0))
    amplitude = 0.3 / harmonic**1.5
    for formant_hz, width_hz in formants:
        amplitude = amplitude + 1 / (1 + ((harmonic * pitch.mean() - formant_hz) / width_hz) ** 2)
    sung = np.sum(amplitude[:, None] * np.cos(2 * np.pi * harmonic[:, None] * phase), axis=0)
    sung *= np.minimum(1.0, t / 0.02) * np.minimum(1.0, (t[-1] - t) / 0.08)
    consonant = _noise(0.45, (1800.0, 9000.0), sample_rate, rng) * np.exp(-t / 0.02)
    breath = _noise(0.45, (900.0, 8000.0), sample_rate, rng)
    made: Floats = sung / np.abs(sung).max() + 0.35 * consonant + 0.02 * breath
    return made


def _clap(sample_rate: int, rng: np.random.Generator) -> Floats:
    t = _times(0.12, sample_rate)
    return _noise(0.12, (600.0, 9000.0), sample_rate, rng) * (np.exp(-t / 0.003) + 0.25 * np.exp(-t / 0.02))


def _hiss(sample_rate: int, rng: np.random.Generator) -> Floats:
    return _noise(0.5, (80.0, 16000.0), sample_rate, rng)


_NOTES: Final[dict[str, Callable[[int, np.random.Generator], Floats]]] = {
    "kick": _drum((130.0, 52.0), 0.11, 0.35),
    "snare": _snare,
    "tom": _drum((110.0, 82.0), 0.16, 0.3),
    "hat": _cymbal(0.06, 900.0, 1.0),
    "ride": _cymbal(0.5, 420.0, 1.2),
    "crash": _cymbal(0.8, 300.0, 0.8),
    "bass": _bass,
    "guitar": _guitar,
    "voice": _voice,
    "clap": _clap,
    "noise": _hiss,
}


def played(sound: str, moments_s: Floats, seconds: float, sample_rate: int, rng: np.random.Generator) -> Floats:
    """A source's own signal at 1 m: its notes at their moments, no two quite alike in level."""
    frames = int(seconds * sample_rate)
    notes = [note(sound, sample_rate, rng) for _ in range(min(_VARIANTS, len(moments_s)))]
    out = np.zeros(frames)
    for index, moment_s in enumerate(moments_s):
        start = int(moment_s * sample_rate)
        one = notes[index % len(notes)][: max(frames - start, 0)]
        out[start : start + len(one)] += one * amplitude_from_db(LEVEL_DB[sound] + rng.uniform(-3.0, 0.0))
    return out


def through_cab(samples: Floats, sample_rate: int) -> Floats:
    """A cabinet's response: 70 Hz to 4.5 kHz with a rise at 2.5 kHz, without delay of its own (zero phase)."""
    frequency_hz = np.maximum(np.fft.rfftfreq(len(samples), 1 / sample_rate), 1.0)
    band = 1 / (1 + (70.0 / frequency_hz) ** 4) / (1 + (frequency_hz / 4500.0) ** 4)
    rise = 1 + 0.8 / (1 + ((frequency_hz - 2500.0) / 700.0) ** 2)
    return np.fft.irfft(np.fft.rfft(samples) * band * rise, len(samples))


def score(sounds: Sequence[str], seconds: float, rng: np.random.Generator, *, together: float = 0.4) -> list[Floats]:
    """The moments of each source's notes.

    Parameters
    ----------
    sounds : sequence of str
        What each source plays.
    seconds : float
        Length of the take.
    together : float, default 0.4
        Share of the time in which all play at once; the rest goes to them one after the other.

    Returns
    -------
    list of array, shape (notes,)
        Rising moments in seconds, one array for each source.
    """
    playing_s = max(seconds - _SILENCE_S - _TAIL_S, 0.1)
    turn_s = playing_s * (1.0 - together) / len(sounds)
    joint_start_s = _SILENCE_S + turn_s * len(sounds)
    return [
        np.sort(
            np.concatenate(
                [
                    _turn(sound, _SILENCE_S + index * turn_s, turn_s, rng),
                    _joint(sound, joint_start_s, playing_s * together, rng),
                ]
            )
        )
        for index, sound in enumerate(sounds)
    ]


def _turn(sound: str, start_s: float, length_s: float, rng: np.random.Generator) -> Floats:
    """Notes at a hand's even spacing; at least one."""
    spacing_s = _SPACING_S.get(sound, 0.35)
    count = max(1, int(length_s / spacing_s))
    return start_s + spacing_s * np.arange(count) + rng.uniform(0.0, 0.03, count)


def _joint(sound: str, start_s: float, length_s: float, rng: np.random.Generator) -> Floats:
    """The sound's pattern, bar after bar, as loosely as people play."""
    eighths = int(length_s / _EIGHTH_S)
    steps = np.array([step for step in range(eighths) if step % 8 in _PATTERNS[sound]], dtype=np.float64)
    return start_s + _EIGHTH_S * steps + rng.uniform(0.0, 0.02, len(steps))
