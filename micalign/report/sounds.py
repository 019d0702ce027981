"""What is there to hear on a page: the lesson's sounds, each with a late copy of itself, and excerpts of a take.

Mono, full scale +-1. The lesson's are of 48 kHz, copies delayed by their spectrum, exactly, also between samples;
within a family (one kind of sound) all are equally loud, so that the ear compares colour and not level: -20 LUFS after
ITU-R BS.1770, and less for clicks, whose peaks stand far above their loudness. An `Excerpt` is the sum of some tracks
about one moment: the whole blend, a source by itself, a DI with its mic, as recorded and with the planned shifts, or as
each way to add the pair has it. All are equally loud (ITU-R BS.1770-4 K-weighting) and at most -20 dBFS RMS.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from micalign.alignment.di_and_mics import PairSum, ways_to_add
from micalign.alignment.gain import BlendTrack, loudest_moment, previews
from micalign.alignment.pairings import Measured
from micalign.arrays import Floats, fast_length
from micalign.files.encode import flac_bytes
from micalign.report.measure_words import WAY_WORDS
from micalign.report.page import audio_address
from micalign.scene.scene import Scene
from micalign.take.loudness import LOUDNESS_RATE, at_loudness, k_weighted, loudness_lufs
from micalign.take.tracks import Take
from micalign.tdoa.delays import SourceDelays
from micalign.units import amplitude_from_db, db_from_power, show_db

__all__ = [
    "KINDS",
    "RATE",
    "TARGET_LUFS",
    "Excerpt",
    "Sound",
    "click",
    "excerpts",
    "lesson_sounds",
    "noise",
    "player_values",
    "string",
    "wav_bytes",
    "with_copy",
]

_SILENT: Final = 1e-9
"""Share of full scale, RMS: a hundredth of the last bit of 24; below it there is digital silence alone."""

RATE: Final = LOUDNESS_RATE
TARGET_LUFS: Final = -20.0  # judgement, no source: soft enough for headphones, with room for peaks
_HIGHEST_PEAK: Final = 0.7  # -3 dBFS
_SECONDS: Final = 3.0  # of each sound (by ear)
_FADE_S: Final = 0.01  # at both ends, so that nothing clicks
_TICK_S: Final = 1e-4  # width of the click: its spectrum is highest at 1.6 kHz
_SEED: Final = 1  # the same noise in every lesson
_SWEEP_S: Final = 8.0  # in which the copy moves away, slowly enough to follow by ear
_LAST_DELAY_S: Final = 0.005  # 1.7 m of way: where that sweep ends
_LOWEST_HZ: Final = 20.0  # below, noise only moves cones
_KERNEL: Final = 16  # taps on each side of the moving delay's interpolation

# Name, words, delay in seconds, decibels down, polarity of the copy.
_MAKINGS: Final = (
    ("0.5ms", "with a copy 0.5 ms later", 0.0005, 0.0, 1),
    ("1ms", "with a copy 1 ms later", 0.001, 0.0, 1),
    ("5ms", "with a copy 5 ms later", 0.005, 0.0, 1),
    ("1ms-6db", "with a copy 1 ms later, 6 dB down", 0.001, 6.0, 1),
    ("1ms-9.5db", "with a copy 1 ms later, 9.5 dB down", 0.001, 9.542425, 1),
    ("1ms-flipped", "with a copy 1 ms later, polarity flipped", 0.001, 0.0, -1),
)


@dataclass(frozen=True, eq=False)
class Sound:
    """One file of the lesson: what it is made of, and its samples."""

    name: str
    kind: str
    title: str
    samples: Floats
    delay_s: float | None = None
    level_difference_db: float = 0.0
    polarity: int = 1

    @property
    def loudness_lufs(self) -> float:
        """After ITU-R BS.1770."""
        return loudness_lufs(self.samples)


def noise(seconds: float = _SECONDS, *, seed: int = _SEED) -> Floats:
    """Pink noise (equal power in every octave) from 20 Hz up, of RMS 1, faded at both ends.

    >>> len(noise(0.5)), round(float(noise(0.5).std()), 1)
    (24000, 1.0)
    """
    count = round(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    frequency = np.fft.rfftfreq(count, 1 / RATE)
    spectrum[1:] /= np.sqrt(frequency[1:])
    spectrum[frequency < _LOWEST_HZ] = 0.0
    made = np.fft.irfft(spectrum, count)
    return _faded(made / made.std())


def click(seconds: float = _SECONDS) -> Floats:
    """Two ticks a second: the slope of a Gaussian of 0.1 ms, broad and strongest at 1.6 kHz."""
    made = np.zeros(round(seconds * RATE))
    time_s = np.arange(-32, 33) / RATE
    tick = -time_s * np.exp(-(time_s**2) / (2 * _TICK_S**2))
    for start in range(RATE // 10, len(made) - len(tick), RATE // 2):
        made[start : start + len(tick)] = tick / np.max(np.abs(tick))
    return made


def string(seconds: float = _SECONDS, *, frequency_hz: float = 110.0, seed: int = _SEED) -> Floats:
    """A plucked string, struck once a second and a half: partials that fade, the high ones first.

    A partial of number n has the amplitude of a string plucked at a fifth of its length, sin(n pi / 5) / n^2, lifted
    by n for the bridge's pull; its decay shortens with n.
    """
    made = np.zeros(round(seconds * RATE))
    rng = np.random.default_rng(seed)
    for number in range(1, int(6000 / frequency_hz)):
        phase, decay_s = rng.uniform(0, 2 * np.pi), 1.2 / (1 + 0.12 * number)
        for start in range(0, len(made), round(1.5 * RATE)):
            time = np.arange(len(made) - start) / RATE
            body = np.sin(2 * np.pi * number * frequency_hz * time + phase) * np.exp(-time / decay_s)
            made[start:] += np.sin(number * np.pi / 5) / number * body * np.minimum(time / 0.002, 1.0)
    return _faded(made / np.max(np.abs(made)))


KINDS: Final[Mapping[str, Callable[[], Floats]]] = {"noise": noise, "click": click, "string": string}
"""How each kind of sound is made."""


def with_copy(samples: Floats, delay_s: float, *, level_difference_db: float = 0.0, polarity: int = 1) -> Floats:
    """The sound plus its copy, ``delay_s`` later and ``level_difference_db`` weaker; longer by the delay.

    >>> with_copy(np.array([1.0, 0.0]), 2 / RATE, level_difference_db=6.0206, polarity=-1).round(3)[[0, 2]]
    array([ 1. , -0.5])
    """
    count = len(samples) + int(np.ceil(delay_s * RATE)) + 1
    size = fast_length(count + RATE // 20)
    spectrum = np.fft.rfft(samples, size)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size, 1 / RATE) * delay_s)
    weaker = polarity * amplitude_from_db(-abs(level_difference_db))
    summed: Floats = np.fft.irfft(spectrum * (1 + weaker * turn), size)[:count]
    return summed


def swept(samples: Floats, last_delay_s: float = _LAST_DELAY_S) -> Floats:
    """The sound plus a copy whose delay grows from nothing to ``last_delay_s`` over its length.

    Each sample of the copy is interpolated by a windowed sinc, so that the treble stays as it was.
    """
    count = len(samples)
    at = np.arange(count) - np.linspace(0.0, last_delay_s * RATE, count)
    whole = np.floor(at).astype(np.intp)
    padded = np.pad(samples, _KERNEL + int(last_delay_s * RATE) + 1)
    start = len(padded) - count - _KERNEL - int(last_delay_s * RATE) - 1
    copy = np.zeros(count)
    for tap in range(1 - _KERNEL, _KERNEL + 1):
        away = at - (whole + tap)
        copy += padded[start + whole + tap] * np.sinc(away) * np.cos(np.pi * away / (2 * _KERNEL + 2)) ** 2
    summed: Floats = samples + copy
    return summed


def _faded(samples: Floats) -> Floats:
    count = round(_FADE_S * RATE)
    faded = samples.copy()
    ramp = np.sin(np.linspace(0, np.pi / 2, count)) ** 2
    faded[:count] *= ramp
    faded[-count:] *= ramp[::-1]
    return faded


def lesson_sounds(*, own_delay_s: float | None = None, own_level_db: float = 0.0) -> tuple[Sound, ...]:
    """Every sound of the lesson, level-matched within each kind.

    Parameters
    ----------
    own_delay_s, own_level_db : float
        The student's own case: a copy so much later and so much weaker, for each kind.
    """
    makings = list(_MAKINGS)
    if own_delay_s is not None:
        makings.append(("own", "with the copy of your own case", own_delay_s, own_level_db, 1))
    return tuple(sound for kind in KINDS for sound in _family(kind, makings))


def _family(kind: str, makings: list[tuple[str, str, float, float, int]]) -> list[Sound]:
    dry = KINDS[kind]()
    family = [Sound(f"{kind}-dry", kind, f"{kind}, alone", dry)]
    for name, title, delay_s, level_db, polarity in makings:
        made = with_copy(dry, delay_s, level_difference_db=level_db, polarity=polarity)
        family.append(Sound(f"{kind}-{name}", kind, f"{kind}, {title}", made, delay_s, level_db, polarity))
    if kind == "noise":
        made = swept(noise(_SWEEP_S))
        family.append(Sound("noise-sweep", kind, "noise, the copy's delay growing from 0 to 5 ms", made))
    return _matched(family)


def _matched(family: list[Sound]) -> list[Sound]:
    """All at one loudness: the target, or as much less as keeps the highest peak at -3 dBFS."""
    level = [at_loudness(sound.samples, TARGET_LUFS) for sound in family]
    peak = max(float(np.max(np.abs(samples))) for samples in level)
    gain = min(1.0, _HIGHEST_PEAK / peak)
    return [
        Sound(
            sound.name,
            sound.kind,
            sound.title,
            samples * gain,
            sound.delay_s,
            sound.level_difference_db,
            sound.polarity,
        )
        for sound, samples in zip(family, level, strict=True)
    ]


def wav_bytes(samples: Floats, *, sample_rate: int = RATE, seed: int = _SEED) -> bytes:
    """A mono WAV file of 16 bits with triangular dither, named as ours; samples beyond full scale are held at it.

    >>> wav_bytes(np.zeros(4))[:4], len(wav_bytes(np.zeros(4)))
    (b'RIFF', 82)
    """
    rng = np.random.default_rng(seed)
    dither = rng.random(len(samples)) - rng.random(len(samples))
    whole = np.clip(np.round(samples * 32767.0 + dither), -32768, 32767).astype("<i2").tobytes()
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, sample_rate, 2 * sample_rate, 2, 16)
    name = struct.pack("<4sI4s4sI10s", b"LIST", 22, b"INFO", b"ISFT", 9, b"micalign")
    body = b"WAVE" + form + name + struct.pack("<4sI", b"data", len(whole)) + whole
    return struct.pack("<4sI", b"RIFF", len(body)) + body


_BLEND_S: Final = 6.0  # by ear, as the lengths below
_BLEND_BYTES: Final = 1_600_000  # of 16 bits, both sounds together; with the sources' it is 5.3 MB in a page at most
_SOURCE_S: Final = 2.0  # at most
_SOURCES_BYTES: Final = 2_400_000  # of all sources together
_MOST_SOURCES: Final = 12  # the first in the scene
_LEAST_S: Final = 0.5  # of a source, however many share the bytes
_SUM_S: Final = 5.0  # of a DI with its mic
_SUMS_BYTES: Final = 1_400_000  # of all such pairs, three sounds each
_MOST_SUMS: Final = 3  # pairs
_LOUDEST_DBFS: Final = -20.0  # RMS: for music about as loud as the lesson's sounds
_HIT_S: Final = (-0.06, 0.44)
"""Seconds of one hit that are looped: from so long before its loudest moment to so long after."""


@dataclass(frozen=True, eq=False)
class Excerpt:
    """One thing to hear, ``sounds`` by what each version is called; ``hit_s`` is the stretch of it to loop."""

    title: str
    tracks: tuple[str, ...]
    sounds: Mapping[str, Floats]
    sample_rate: int
    hit_s: tuple[float, float]

    @property
    def loudness_lufs(self) -> float:
        """Of each, without the standard's gate: they are short."""
        first = next(iter(self.sounds.values()))
        return float(-0.691 + db_from_power(float(np.mean(k_weighted(first, self.sample_rate) ** 2))))


def excerpts(scene: Scene, take: Take, found: Measured, moved: Sequence[BlendTrack]) -> tuple[Excerpt, ...]:
    """The blend, each source that two tracks or more are there to take, each DI with its mic; none of what is silent.

    Parameters
    ----------
    scene, take, found
        What was recorded, and what was measured of it.
    moved : sequence of BlendTrack
        Every track of the take and what is done to it.
    """
    rate = take.sample_rate
    seconds = min(_BLEND_S, _BLEND_BYTES / (4 * rate))
    middle_s = loudest_moment(take.track(found.reference))
    blend = _excerpt("the whole blend", _before_and_after(moved), middle_s, seconds)
    sources = [one for one in found.sources or () if len(_takes(scene, one.source, moved)) > 1][:_MOST_SOURCES]
    each_s = max(min(_SOURCE_S, _SOURCES_BYTES / (4 * rate * max(len(sources), 1))), _LEAST_S)
    heard = [_of_source(scene, take, one, moved, each_s) for one in sources]
    sums = found.sums[:_MOST_SUMS]
    sum_s = min(_SUM_S, _SUMS_BYTES / (6 * rate * max(len(sums), 1)))
    pairs = [_of_pair(take, one, sum_s) for one in sums]
    return tuple(one for one in (blend, *heard, *pairs) if one is not None)


def _before_and_after(moved: Sequence[BlendTrack]) -> dict[str, Sequence[BlendTrack]]:
    return {
        "as recorded": [BlendTrack(one.before or one.track, gain_db=one.gain_db) for one in moved],
        "aligned": moved,
    }


def _takes(scene: Scene, source: str, moved: Sequence[BlendTrack]) -> list[BlendTrack]:
    """The tracks that are there to take a source."""
    names = {mic.name for mic in scene.mics if source in mic.on} | {di.name for di in scene.dis if di.of == source}
    return [one for one in moved if one.track.name in names]


def _of_source(
    scene: Scene, take: Take, one: SourceDelays, moved: Sequence[BlendTrack], seconds: float
) -> Excerpt | None:
    middle_s = one.loudest_s if one.loudest_s is not None else loudest_moment(take.track(one.reference))
    return _excerpt(one.source, _before_and_after(_takes(scene, one.source, moved)), middle_s, seconds)


def _of_pair(take: Take, found: PairSum, seconds: float) -> Excerpt | None:
    """Both at one loudness, as the lines of the pair are."""
    reference, track = take.track(found.reference), take.track(found.track)
    ways = {WAY_WORDS[name]: way for name, way in ways_to_add(found, reference, track).items()}
    return _excerpt(f"{found.reference} and {found.track}", ways, loudest_moment(reference), seconds)


def _excerpt(title: str, ways: Mapping[str, Sequence[BlendTrack]], moment_s: float, seconds: float) -> Excerpt | None:
    moved = next(iter(ways.values()))
    rate = moved[0].track.sample_rate
    longest_s = max(one.track.duration_s for one in moved)
    seconds = min(seconds, longest_s)
    middle_s = min(max(moment_s, seconds / 2), longest_s - seconds / 2)
    sounds = previews(list(ways.values()), middle_s=middle_s, seconds=seconds)
    rms = max(float(np.sqrt(np.mean(sound**2))) for sound in sounds)
    if rms < _SILENT:
        return None
    scale = min(1.0, amplitude_from_db(_LOUDEST_DBFS) / rms)
    at_s = moment_s - (middle_s - seconds / 2)
    hit_s = (max(at_s + _HIT_S[0], 0.0), min(at_s + _HIT_S[1], seconds))
    names = tuple(one.track.name for one in moved)
    versions = {name: sound * scale for name, sound in zip(ways, sounds, strict=True)}
    return Excerpt(title, names, versions, rate, hit_s)


def player_values(heard: Sequence[Excerpt]) -> list[dict[str, Any]]:
    """What the player's template asks for: each excerpt with its sounds as addresses, each by its version's name."""
    return [
        {
            "title": one.title,
            "tracks": ", ".join(one.tracks),
            "loudness": show_db(one.loudness_lufs).replace("dB", "LUFS"),
            "hit_s": [round(end, 4) for end in one.hit_s],
            "sounds": [
                (name, audio_address(flac_bytes(samples, sample_rate=one.sample_rate), "audio/flac"))
                for name, samples in one.sounds.items()
            ],
        }
        for one in heard
    ]
