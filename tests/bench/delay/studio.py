"""A second, independent renderer of kits and live rooms: other drums, walls that filter, near fields.

Models: drums as membranes (the first five modes of a circular head, struck off centre, each mode a multipole of its
order), so that a mic a hand away hears the exact near field of a multipole, growing as (1/kr) to its order, and one
two metres away does not: the drum has another sound there. A second head answers later and inverted. Cymbals of some
hundred modes of their own decays, whose levels lie up to 26 dB apart. Box rooms by pyroomacoustics' image sources with
walls that absorb by octave, sources that grow directional with frequency, mics whose pattern narrows, paths that a
shell shadows so that a reflection outweighs the direct sound, and a diffuse tail that decays by octave. Amplifiers and
a voice share the live room.

Does not model: sticks on ringing heads (a stroke adds to the last), sympathetic ringing, scattering furniture,
diffraction but as a low-pass, compressors, mics' own phase.

Truth is geometry: the difference of direct paths over 343 m/s, and for a shadowed drum what its low-pass adds. Shares
no line of sound or room with the other renderer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pyroomacoustics as pra
from bench.delay.grooves import STYLES, played
from bench.delay.sessions import Case
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import lfilter

RATE = 48000
C_M_S = 343.0
RADIUS_M = 0.17  # of a drum's head
SHORT = 1 << 15  # samples; responses end within 0.6 s
MEMBRANE = ((0, 1.0), (1, 1.594), (2, 2.136), (0, 2.296), (1, 2.918))
"""Order round the rim and frequency against the lowest of an ideal circular membrane (Fletcher and Rossing 1998)."""
NAMES = {
    "kick R": "kick", "snare": "snare", "tom 2": "tom", "tom 3": "floor tom",
    "hihat": "hat", "ride R": "ride", "crash R": "crash",
}  # fmt: skip
_MIX_DB = {"kick": -5.0, "floor tom": -3.0, "tom": -3.0, "hat": -3.0, "ride": -2.0}
WALLS = ("east", "west", "north", "south", "ceiling", "floor")


@dataclass(frozen=True)
class Part:
    """What one source sends as a multipole of one order: dry (frames,), and how fast it grows directional."""

    signal: np.ndarray
    order: int = 0
    axis: np.ndarray = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))
    narrow: float = 0.0  # 0: the same all round at any frequency; 1: a wide lobe at 8 kHz


@dataclass(frozen=True)
class Mic:
    """A mic: where it is, where it looks, how much of it is omni, and which sources are shadowed from it.

    A mic ``inside`` a drum's shell hears all others weaker by ``shell_db``.
    """

    at: np.ndarray
    aim: np.ndarray
    omni: float = 1.0
    shadow_hz: dict[str, float] = field(default_factory=dict)
    shadow_db: float = 0.0
    inside: str | None = None
    shell_db: float = 0.0


@dataclass(frozen=True)
class Stage:
    """Everything that a take was made of, and the take: tracks by mic, arrivals in seconds by (source, mic).

    ``late_s``: how much later than its first wavefront a shadowed sound's low part comes; right is anything between.
    """

    tracks: dict[str, np.ndarray]
    arrival_s: dict[tuple[str, str], float]
    late_s: dict[tuple[str, str], float]
    polarity: dict[str, int]
    level_db: dict[tuple[str, str], float]


# ---------------------------------------------------------------- sounds


def _pulse(rng, seconds: float) -> np.ndarray:
    """The force of a stick or a beater: half a sine, a little skewed."""
    t = np.linspace(0, 1, max(int(seconds * RATE), 4)) ** rng.uniform(0.8, 1.2)
    return np.sin(np.pi * t)


def _ring(hz: float, tau_s: float, seconds: float) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    return np.cos(2 * np.pi * hz * t) * np.exp(-t / tau_s)


def _tone(hz: float, tau_s: float, phase: float, count: int) -> np.ndarray:
    """sin(2 pi hz t + phase) exp(-t / tau), as a filter of two poles rings: ten times faster than the formula."""
    turn, stay = 2 * np.pi * hz / RATE, np.exp(-1 / (tau_s * RATE))
    struck = np.zeros(count)
    struck[0] = 1.0
    return lfilter([np.sin(phase), stay * np.sin(turn - phase)], [1, -2 * stay * np.cos(turn), stay**2], struck)


@dataclass(frozen=True)
class Membrane:
    """One drum: what it keeps from stroke to stroke."""

    hz: float
    tau_s: float
    contact_s: float
    wires: float
    other_head_s: float
    seconds: float

    def stroke(self, rng) -> dict[int, np.ndarray]:
        """By multipole order what a stroke sends; -1 is the second head."""
        count = int(self.seconds * RATE)
        parts = {order: np.zeros(count) for order in (-1, 0, 1, 2)}
        pulse = _pulse(rng, self.contact_s * rng.uniform(0.85, 1.2))
        for order, ratio in MEMBRANE:
            hz = self.hz * ratio * rng.uniform(0.995, 1.005)
            tau = self.tau_s / (1 + 0.6 * (ratio - 1)) * (0.5 if order == 0 else 1.0)
            ring = np.convolve(pulse, _ring(hz, tau, self.seconds))[:count]
            parts[order] += rng.uniform(0.6, 1.0) * ring / np.max(np.abs(ring))
        click = np.convolve(np.diff(pulse, prepend=0, append=0), _ring(rng.uniform(2500, 4500), 0.0012, 0.02))
        parts[0][: len(click)] += rng.uniform(0.3, 0.7) * click[:count] / np.max(np.abs(click))
        late = int(self.other_head_s * RATE)
        parts[-1][late:] = -0.5 * parts[0][: count - late]
        if self.wires:
            rattle = rng.normal(size=count) * np.exp(-np.arange(count) / (0.06 * RATE))
            rattle = np.convolve(rattle, [1, -0.7])[:count] * np.minimum(np.arange(count) / (0.001 * RATE), 1)
            parts[-1][late:] += self.wires * 0.4 * rattle[: count - late]
        return parts


@dataclass(frozen=True)
class Cymbal:
    """Some hundred modes at random between two frequencies; the high ones die first."""

    low_hz: float
    high_hz: float
    tau_s: float
    modes: int = 160
    seconds: float = 1.6

    def stroke(self, rng) -> dict[int, np.ndarray]:
        count = int(self.seconds * RATE)
        parts = {0: np.zeros(count), 1: np.zeros(count)}
        for k in range(self.modes):
            hz = self.low_hz * (self.high_hz / self.low_hz) ** rng.random()
            tau = self.tau_s * rng.uniform(0.3, 1.2) * (self.low_hz / hz) ** 0.3
            alive = min(count, int(6 * tau * RATE))
            parts[k % 2][:alive] += rng.uniform(0.3, 1.0) * _tone(hz, tau, rng.uniform(0, 6.3), alive)
        click = _ring(rng.uniform(4000, 8000), 0.0005, 0.01)
        parts[0] /= np.max(np.abs(parts[0]))
        parts[1] /= np.max(np.abs(parts[1]))
        parts[0][: len(click)] += rng.uniform(0.2, 0.8) * click
        return parts


def new_kit(rng) -> dict[str, Membrane | Cymbal]:
    """Drums of one kit."""
    u = rng.uniform
    return {
        "kick": Membrane(u(48, 72), u(0.06, 0.2), 0.003, 0.0, u(0.0012, 0.002), 0.6),
        "snare": Membrane(u(150, 260), u(0.03, 0.09), 0.001, u(0.5, 1.6), u(0.0003, 0.0008), 0.4),
        "tom": Membrane(u(110, 170), u(0.1, 0.3), 0.0014, 0.0, u(0.0006, 0.001), 0.8),
        "floor tom": Membrane(u(65, 100), u(0.15, 0.4), 0.0018, 0.0, u(0.001, 0.0014), 0.9),
        "hat": Cymbal(u(800, 3000), 15000, u(0.03, 0.15), seconds=0.5),
        "ride": Cymbal(u(300, 700), 12000, u(0.4, 0.9)),
        "crash": Cymbal(u(250, 500), 14000, u(0.4, 0.8)),
    }


def kit_parts(rng, seconds: float, *, cymbals_db: float) -> dict[str, list[Part]]:
    """What each drum of a kit sends in one groove of a random style."""
    drums, style = new_kit(rng), str(rng.choice(STYLES))
    strokes = {name: [drum.stroke(rng) for _ in range(3)] for name, drum in drums.items()}
    level = {name: cymbals_db if isinstance(drum, Cymbal) else 0.0 for name, drum in drums.items()}
    level = {name: db + rng.uniform(-4, 4) + _MIX_DB.get(name, 0.0) for name, db in level.items()}
    lanes: dict[tuple[str, int], np.ndarray] = {}
    for source, _, at, db in played(rng, style, seconds, sparse=False):
        name = NAMES[source]
        for order, sound in strokes[name][rng.integers(3)].items():
            lane = lanes.setdefault((name, order), np.zeros(int(seconds * RATE)))
            start = int(at * RATE)
            piece = sound[: len(lane) - start]
            lane[start : start + len(piece)] += 10 ** ((db + level[name]) / 20) * piece
    turn = {name: rng.uniform(-1, 1) for name in drums}
    axes = {name: np.array([np.cos(at), np.sin(at), 0.0]) for name, at in turn.items()}
    parts: dict[str, list[Part]] = {}
    for (name, order), lane in lanes.items():
        parts.setdefault(name, []).append(Part(lane, max(order, 0), axes[name], 0.8 if order == 0 else 0.2))
    return parts


def amplifier(rng, seconds: float, low_hz: float) -> list[Part]:
    """Notes of a driven string: pulses through a loudspeaker's own band."""
    out = np.zeros(int(seconds * RATE))
    at = rng.uniform(0.1, 0.5)
    while at < seconds - 0.3:
        hz, hold = low_hz * 2 ** (rng.integers(0, 13) / 12), rng.choice([0.2, 0.3, 0.6])
        t = np.arange(int(hold * RATE)) / RATE
        wave = np.tanh(4 * np.sin(2 * np.pi * hz * t + 0.8 * np.sin(2 * np.pi * 2.003 * hz * t)) * np.exp(-2 * t))
        start = int(at * RATE)
        piece = (wave * np.minimum(t / 0.003, 1) * np.minimum((t[-1] - t) / 0.01, 1))[: len(out) - start]
        out[start : start + len(piece)] += rng.uniform(0.5, 1) * piece
        at += hold * rng.choice([1.0, 1.0, 1.5])
    spectrum = np.fft.rfft(out)
    hz = np.fft.rfftfreq(len(out), 1 / RATE)
    spectrum *= (1j * hz / 80) / (1 + 1j * hz / 80) / (1 + 1j * hz / 4200) ** 2
    return [Part(np.fft.irfft(spectrum, len(out)), narrow=1.0)]


def voice(rng, seconds: float) -> list[Part]:
    """Sung phrases: pulses at a gliding pitch through three resonances, and breath."""
    count = int(seconds * RATE)
    t = np.arange(count) / RATE
    steps = np.repeat(rng.integers(0, 10, count // 12000 + 1), 12000)[:count]
    pitch = rng.uniform(110, 220) * 2 ** (steps / 12) * (1 + 0.006 * np.sin(2 * np.pi * 5.5 * t))
    phase = np.cumsum(pitch) / RATE
    pulses = np.diff(np.floor(phase), prepend=0) + 0.02 * rng.normal(size=count)
    spectrum, hz = np.fft.rfft(pulses), np.fft.rfftfreq(count, 1 / RATE)
    shape = sum(
        1 / (1 + 1j * (hz / f - f / np.maximum(hz, 1)) * 9) for f in rng.uniform([400, 1000, 2300], [750, 1600, 3000])
    )
    gate = np.repeat(rng.random(count // 36000 + 1) < 0.7, 36000)[:count]
    return [Part(np.fft.irfft(spectrum * shape, count) * np.convolve(gate, np.ones(2400) / 2400, "same"), narrow=1.0)]


# ---------------------------------------------------------------- the room


class Room:
    """A box whose walls absorb by octave; responses are made here, from pyroomacoustics' images and their damping."""

    def __init__(self, rng, size, *, dull: float, order: int = 6) -> None:
        self.rng, self.size, self.order = rng, np.asarray(size, float), order
        self.coefficients = {}
        for wall in WALLS:
            low, high = np.sort(rng.uniform(0.04, 0.55, 2) * dull)
            row = np.geomspace(low, max(high, low * 1.01), 7)
            self.coefficients[wall] = row if rng.random() < 0.75 else row[::-1]
        self._sources: dict[bytes, tuple] = {}

    def images(self, source: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Image places (n, 3), damping (bands, n), parities (n, 3) of -1 and 1, and the bands' centres."""
        key = np.asarray(source).tobytes()
        if key not in self._sources:
            centres = [125, 250, 500, 1000, 2000, 4000, 8000]
            materials = {
                wall: pra.Material({"coeffs": list(row), "center_freqs": centres})
                for wall, row in self.coefficients.items()
            }
            room = pra.ShoeBox(self.size, fs=RATE, materials=materials, max_order=self.order)
            room.add_source(source)
            room.add_microphone(self.size / 2)
            room.image_source_model()
            one = room.sources[0]
            parity = 1 - 2 * (np.abs(one.orders_xyz.T) % 2)
            self._sources[key] = (one.images.T, one.damping, parity, np.asarray(room.octave_bands.centers))
        return self._sources[key]

    def response(self, source, part: Part, mic: Mic, name: str, spectrum_hz: np.ndarray, size: int) -> np.ndarray:
        """The spectrum, (bins,), of the response from one part of a source to one mic."""
        places, damping, parity, centres = self.images(source)
        offset = mic.at - places
        distance = np.linalg.norm(offset, axis=1)
        toward = offset / distance[:, None]
        sent = np.sum(toward * parity * part.axis, axis=1)
        gain = damping / distance * (1.0 if part.order == 0 else np.cos(part.order * np.arccos(np.clip(sent, -1, 1))))
        up = (toward * parity)[:, 2]
        octave = np.linspace(0, 1, len(centres))[:, None]
        gain = gain * (1 - part.narrow * octave * 0.35 * (1 - np.abs(up)[None, :]))
        facing = -np.sum(toward * mic.aim, axis=1)
        omni = mic.omni - 0.25 * octave * mic.omni * (mic.omni < 1)
        gain = gain * (omni + (1 - omni) * facing[None, :])
        direct = int(np.argmin(distance))
        bands = _bands(spectrum_hz, centres)
        out = np.sum(bands * _trains(distance, gain, direct, size), axis=0)
        lone = np.sum(bands * gain[:, [direct]], axis=0) * _late(spectrum_hz, distance[direct] / C_M_S)
        out += lone * _near(spectrum_hz, distance[direct], part.order) * _shadow(spectrum_hz, mic, name)
        # The diffuse tail is the monopole's: the others average out over all directions.
        return out * _sent(spectrum_hz, part.order) + (0 if part.order else self._tail(distance, gain, bands, size))

    def _tail(self, distance, gain, bands, size) -> np.ndarray:
        """Noise that takes over where the images end and decays by octave as Eyring's formula has it."""
        x, y, z = self.size
        volume, surface = x * y * z, 2 * (x * y + y * z + x * z)
        mean = np.mean(list(self.coefficients.values()), axis=0)
        t60 = np.clip(0.161 * volume / (-surface * np.log(1 - mean)), 0.1, 1.6)
        t60 = np.concatenate([t60, t60[-1:]])[: len(gain)]
        begin = int(0.6 * self.order * float(self.size.min()) / C_M_S * RATE)
        t = np.arange(int(0.5 * RATE)) / RATE
        age = distance / C_M_S * RATE
        known = (age > begin * 0.7) & (age <= begin)
        power = np.sum(gain[:, known] ** 2, axis=1) / max(0.3 * begin, 1)
        noise = self.rng.normal(size=(len(gain), len(t)))
        noise *= np.sqrt(power)[:, None] * np.exp(-6.9 * (t - begin / RATE) / t60[:, None])
        noise *= np.clip((t - 0.7 * begin / RATE) / (0.3 * begin / RATE), 0, 1)
        return np.sum(bands * np.fft.rfft(noise, size, axis=1), axis=0)


def _bands(hz: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Octave filters (bands, bins) that add up to 1: triangles over the logarithm of frequency."""
    at = np.clip(np.log2(np.maximum(hz, 1) / centres[0]), 0, len(centres) - 1)
    return np.clip(1 - np.abs(at[None, :] - np.arange(len(centres))[:, None]), 0, 1)


def _late(hz: np.ndarray, seconds: float) -> np.ndarray:
    return np.exp(-2j * np.pi * hz * seconds)


def _trains(distance, gain, direct, size, half=16) -> np.ndarray:
    """Spectra (bands, bins) of the images but the direct sound, as impulses between samples."""
    samples = distance / C_M_S * RATE
    whole = np.floor(samples).astype(int)
    k = np.arange(-half + 1, half + 1)
    arg = k[None, :] - (samples - whole)[:, None]
    taps = np.sinc(arg) * (0.5 + 0.5 * np.cos(np.pi * np.clip(arg / half, -1, 1)))
    index = whole[:, None] + k[None, :]
    good = (index >= 0) & (index < size) & (np.arange(len(distance)) != direct)[:, None]
    out = np.zeros((len(gain), min(size, int(0.4 * RATE))))
    good &= index < out.shape[1]
    for band, row in zip(out, gain, strict=True):
        np.add.at(band, index[good], (taps * row[:, None])[good])
    return np.fft.rfft(out, size, axis=1)


def _near(hz: np.ndarray, distance: float, order: int) -> np.ndarray:
    """The near field of a multipole against its far one, h_n(kr) / h_0(kr), held below 40 Hz as a leaky integrator."""
    ikr = _wave_number(hz) * distance
    return (np.ones(len(hz), complex), 1 + 1 / ikr, 1 + 3 / ikr + 3 / ikr**2)[order]


def _sent(hz: np.ndarray, order: int) -> np.ndarray:
    """How well a head sends a multipole into the distance: so that all orders are alike a radius away from it."""
    ika = _wave_number(hz) * RADIUS_M
    return (ika / (1 + ika)) ** order / (1, 1, 3)[order]


def _wave_number(hz: np.ndarray) -> np.ndarray:
    return 2 * np.pi * (1j * hz + 40.0) / C_M_S


def _shadow(hz: np.ndarray, mic: Mic, name: str) -> np.ndarray:
    """The direct path behind a shell: weaker, and low-passed; its first wavefront is not delayed, its low part is."""
    if name not in mic.shadow_hz:
        return np.ones(len(hz), complex)
    return 10 ** (-mic.shadow_db / 20) / (1 + 1j * hz / mic.shadow_hz[name])


# ---------------------------------------------------------------- a take


def recorded(rng, room: Room, places, parts, mics: dict[str, Mic], seconds: float, hiss_db: float) -> Stage:
    """All sources at all mics, with a random gain and polarity of every track."""
    frames = int(seconds * RATE)
    size = next_fast_len(frames + RATE // 2, real=True)
    short_hz = np.fft.rfftfreq(SHORT, 1 / RATE)
    sums = {mic: np.zeros(size // 2 + 1, np.complex64) for mic in mics}
    level = {}
    for name, sent in parts.items():
        spectra = [rfft(part.signal.astype(np.float32), size) for part in sent]
        for mic_name, mic in mics.items():
            heard = np.zeros(size // 2 + 1, np.complex64)
            for part, spectrum in zip(sent, spectra, strict=True):
                response = np.fft.irfft(room.response(places[name], part, mic, name, short_hz, SHORT), SHORT)
                # What lies before time zero is the rounding of taps and bands: a few samples, at the far end.
                heard += spectrum * rfft(np.roll(response, 64)[: RATE // 2].astype(np.float32), size)
            if mic.inside not in (None, name):
                heard *= 10 ** (-mic.shell_db / 20)
            sums[mic_name] += heard
            level[name, mic_name] = float(10 * np.log10(np.sum(np.abs(heard) ** 2) + 1e-12))
    tracks, polarity = {}, {}
    for mic, spectrum in sums.items():
        sound = irfft(spectrum, size)[64 : 64 + frames].astype(float)
        polarity[mic] = int(rng.choice([-1, 1]))
        noise = 10 ** (hiss_db / 20) * np.sqrt(np.mean(sound**2)) * rng.normal(size=frames)
        tracks[mic] = polarity[mic] * rng.uniform(0.2, 0.9) * (sound + noise) / np.max(np.abs(sound))
    arrival = {(s, m): float(np.linalg.norm(places[s] - mics[m].at)) / C_M_S for s in parts for m in mics}
    late = {(s, m): 1 / (2 * np.pi * mics[m].shadow_hz[s]) for s in parts for m in mics if s in mics[m].shadow_hz}
    return Stage(tracks, arrival, late, polarity, level)


def _aimed(at, target, omni) -> Mic:
    at, target = np.asarray(at, float), np.asarray(target, float)
    return Mic(at, (target - at) / np.linalg.norm(target - at), omni)


def drum_places(rng, spot) -> dict[str, np.ndarray]:
    base = {
        "kick": (0.0, -0.45, 0.3), "snare": (0.24, 0.12, 0.7), "tom": (-0.1, -0.15, 0.82),
        "floor tom": (-0.5, 0.25, 0.62), "hat": (0.6, 0.1, 0.92),
        "ride": (-0.6, -0.25, 1.05), "crash": (0.45, -0.5, 1.3),
    }  # fmt: skip
    return {name: spot + np.array(at) + rng.normal(0, 0.05, 3) for name, at in base.items()}


def kit_mics(rng, places, spot, size) -> dict[str, Mic]:
    """Close mics a hand from their drums, two overheads, one far mic; the kick is shadowed from all but its own."""
    side = lambda: rng.uniform([-0.06, -0.08, 0.03], [0.06, -0.03, 0.1])  # noqa: E731
    close = {name: (places[name] + side(), places[name], 0.5) for name in ("snare", "tom", "floor tom")}
    close["kick"] = (places["kick"] + rng.uniform([-0.05, -0.2, -0.05], [0.05, -0.06, 0.05]), places["kick"], 0.6)
    close["hat"] = (places["hat"] + rng.uniform([0.0, 0.05, 0.08], [0.1, 0.12, 0.15]), places["hat"], 0.5)
    mics = {f"{name} mic": _aimed(*row) for name, row in close.items()}
    mics["kick mic"] = replace(mics["kick mic"], inside="kick", shell_db=float(rng.uniform(6, 14)))
    high, wide, pattern = rng.uniform(1.5, min(2.2, size[2] - 0.2)), rng.uniform(0.4, 0.9), rng.choice([0.5, 0.5, 1.0])
    shadows = {"kick": float(rng.uniform(1000, 4000))}
    for name, sign in (("overhead left", -1), ("overhead right", 1)):
        at = spot + np.array([sign * wide, rng.uniform(-0.1, 0.5), high + rng.normal(0, 0.05)])
        one = _aimed(at, spot + np.array([0.3 * sign, 0, 0.7]), pattern)
        mics[name] = Mic(one.at, one.aim, one.omni, shadows, float(rng.uniform(0, 9)))
    at = rng.uniform([0.5, 0.4, 0.8], size - [0.5, 0.4, 0.5])
    mics["room"] = Mic(at, np.array([0.0, 0, 1]), 1.0, shadows, float(rng.uniform(3, 12)))
    return mics


def kit_stage(seed: int, *, seconds: float = 12.0, live: bool = False) -> Stage:
    """A kit in a fresh room; ``live``: a larger, harder one with a bass, a guitar and a voice in it."""
    rng = np.random.default_rng([seed, 71, int(live)])
    size = rng.uniform([4.5, 4.5, 2.5], [9, 8, 3.6]) if live else rng.uniform([3.2, 3.2, 2.3], [6, 5.5, 3.0])
    room = Room(rng, size, dull=float(rng.uniform(0.4, 0.8) if live else rng.uniform(0.6, 1.3)))
    spot = np.array([size[0] * rng.uniform(0.4, 0.6), size[1] * rng.uniform(0.35, 0.55), 0.0])
    places = drum_places(rng, spot)
    parts = kit_parts(rng, seconds, cymbals_db=float(rng.uniform(-20, 6)))
    mics = kit_mics(rng, places, spot, size)
    if live:
        corners = {"bass": [0.6, 0.6, 0.5], "guitar": [size[0] - 0.7, 0.7, 0.6], "voice": [0.9, size[1] - 0.9, 1.55]}
        parts |= {
            "bass": amplifier(rng, seconds, 41), "guitar": amplifier(rng, seconds, 98), "voice": voice(rng, seconds)
        }  # fmt: skip
        for name, at in corners.items():
            places[name] = np.array(at) + rng.normal(0, 0.1, 3)
            mics[f"{name} mic"] = _aimed(places[name] + [0.05, 0.08, 0.02], places[name], 0.5)
            top = max(np.max(np.abs(part.signal)) for part in parts[name])
            gain = 10 ** (rng.uniform(-9, 0) / 20) / top
            parts[name] = [Part(gain * part.signal, narrow=part.narrow) for part in parts[name]]
    hiss = float(rng.uniform(-65, -45))
    return recorded(rng, room, {name: places[name] for name in parts}, parts, mics, seconds, hiss)


# ---------------------------------------------------------------- cases for the bench


def _case(stage: Stage, family: str, label: str, source: str, first: str, second: str) -> Case:
    late = stage.arrival_s[source, second] - stage.arrival_s[source, first]
    sign = stage.polarity[first] * stage.polarity[second]
    low, high = late - stage.late_s.get((source, first), 0.0), late + stage.late_s.get((source, second), 0.0)
    return Case(family, label, stage.tracks[first], stage.tracks[second], low, high, sign, rate=RATE)


def kit(seed: int) -> Iterator[Case]:
    """Kick, snare, toms and hat against each overhead."""
    stage = kit_stage(seed)
    heard = {source for source, _ in stage.level_db}
    for source, family in {"kick": "kick", "snare": "snare", "tom": "tom", "floor tom": "tom", "hat": "hat"}.items():
        for far in ("overhead left", "overhead right"):
            if source in heard:
                yield _case(stage, family, f"{seed} {source} {far[9:]}", source, f"{source} mic", far)


def live(seed: int) -> Iterator[Case]:
    """A live room: close mics of the band and of the kit against the room's mic and the overheads."""
    stage = kit_stage(seed, live=True)
    heard = {source for source, _ in stage.level_db}
    for source in ("guitar", "bass", "voice", "snare", "kick"):
        for far in ("room", "overhead left") if source in ("snare", "kick") else ("room",):
            if source in heard:
                yield _case(stage, "live", f"{seed} {source} {far}", source, f"{source} mic", far)


def overhead_pair(seed: int) -> Iterator[Case]:
    """The two overheads: any drum that is within 12 dB of the loudest in both counts as its truth."""
    stage = kit_stage(seed + 1000)
    left, right = "overhead left", "overhead right"
    strength = {s: min(stage.level_db[s, left], stage.level_db[s, right]) for s, m in stage.level_db if m == left}
    loud = sorted((s for s in strength if strength[s] > max(strength.values()) - 12), key=strength.get, reverse=True)
    cases = [_case(stage, "overhead pair", str(seed), source, left, right) for source in loud]
    cases[0].also = tuple((case.low_s, case.high_s) for case in cases[1:])
    yield cases[0]


def spaced(seed: int) -> Iterator[Case]:
    """One source, one mic near and one anywhere, in a room that filters."""
    rng = np.random.default_rng([seed, 72])
    size = rng.uniform([4, 3.5, 2.4], [9, 7, 3.5])
    room = Room(rng, size, dull=float(rng.uniform(0.5, 1.2)))
    source = rng.uniform([1, 1, 0.8], size - [1, 1, 0.8])
    near = source + rng.normal(size=3) * 0.15
    far = rng.uniform([0.4, 0.4, 0.6], size - [0.4, 0.4, 0.5])
    made = {"guitar": lambda: amplifier(rng, 10.0, 98), "voice": lambda: voice(rng, 10.0)}
    made |= {"kit part": lambda: kit_parts(rng, 10.0, cymbals_db=-6.0)["snare"]}
    name = str(rng.choice(list(made)))
    mics = {"near": _aimed(near, source, 0.6), "far": _aimed(far, source, 1.0)}
    stage = recorded(rng, room, {name: source}, {name: made[name]()}, mics, 10.0, -55.0)
    yield _case(stage, "spaced", f"{seed} {name}", name, "near", "far")
