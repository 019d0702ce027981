"""Which take would a scene give, and which mistakes may it carry?

Each source plays its sound at its moments (`players`); each mic hears it directly and by way of the walls in its
polarity, with noise below; `gain_db` is the blend's fader and is not recorded. A DI takes the sound before the air and
hands it on its latency later; a source with a DI whose name speaks of a cab or amp passes through a cabinet first. One
level is set for the whole take, so that the tracks keep their proportions: the loudest peaks at -6 dBFS.

The truth is kept beside it: for each source and track when the sound arrives, how much later than in the reference
track, and with which polarity. Delay is positive when the event is LATER in the track.

Faults that the scene knows nothing of (a moved stand, another temperature, swapped inputs, a flipped polarity, a track
that is late by a constant) are planted one or several at a time, so that what should find them can be tried.

Direct sound and reflections by image sources (Allen & Berkley, J. Acoust. Soc. Am. 65, 943, 1979): every way is an
arrival time and a signed amplitude. Amplitude is 1 for 1 m on the axis; it falls as one over the distance, times the
polar pattern towards the point it comes from, times the square root of (1 - absorption) for each surface met.

Each way is a windowed-sinc delay at its exact fraction of a sample (96 taps, Kaiser window: better than -100 dB up to
0.42 of the sample rate), all ways of a source and mic form one impulse response, and the signals pass through these
block by block (overlap-add).

This is worked out here and not taken from `micalign.acoustics`, so that a take can contradict a prediction; only the
vectors of a table top or window (`Panel`) are shared. Built on numpy's FFT alone, it shares nothing with the delay
engine.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, Final

import numpy as np

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.acoustics.room import mirror, panel_frame, strikes
from micalign.arrays import Floats
from micalign.errors import SceneError
from micalign.scene.model import PATTERNS, Coordinates, Di, Mic, Room
from micalign.scene.scene import Scene
from micalign.simulate.players import played, score, sound_of, through_cab
from micalign.units import amplitude_from_db

__all__ = [
    "CAB_DELAY_S",
    "PEAK_DBFS",
    "Faults",
    "Simulation",
    "Truth",
    "Ways",
    "images",
    "impulse_responses",
    "rendered",
    "simulate",
    "ways",
]

CAB_DELAY_S: Final = 0.25e-3
"""Seconds that a cabinet sounds later than its DI: its cone lies about 9 cm behind the cloth (common practice, no
source)."""

PEAK_DBFS: Final = -6.0
"""Decibels of full scale where the loudest track of a take peaks (common practice, no source)."""

_SILENT_AMPLITUDE: Final = 1e-3
"""Ratio to the direct sound at 1 m on the axis: below, a mic is turned away and the truth gives no polarity (chosen, no
source)."""

_MOST_SAMPLES: Final = 200_000_000
"""Count of samples of all sources and tracks; each is held some three times, in 8 bytes: 5 GB (chosen, no source)."""

_NEAREST_M = 0.02
"""Metres: nearer than this a source is no point any more: its level stops rising."""
_HALF_TAPS: Final = 48  # taps on either side: see above
_KAISER_BETA: Final = 10.0  # of the Kaiser window: see above


@dataclass(frozen=True, slots=True)
class Ways:
    """All ways from S sources to M mics, the direct one first: shapes (S, M, W)."""

    arrival_s: Floats
    amplitude: Floats


def images(room: Room | None, point: Sequence[float], order: int) -> tuple[Floats, Floats]:
    """Image points of a source, itself first, and the factor each has lost to the surfaces.

    Returns
    -------
    points : array, shape (I, 3)
    factors : array, shape (I,)

    Examples
    --------
    >>> points, factors = images(Room((5.0, 4.0, 3.0)), (1.5, 2.0, 1.2), 1)
    >>> len(points), points[0].tolist(), round(float(factors[1]), 4)
    (7, [1.5, 2.0, 1.2], 0.9487)
    """
    if room is None or order < 1:
        return np.array([point], dtype=np.float64), np.ones(1)
    cells = sorted(
        (cell for cell in product(range(-order, order + 1), repeat=3) if sum(map(abs, cell)) <= order),
        key=lambda cell: sum(map(abs, cell)),
    )
    points = np.array([[_unfolded(i, x, size) for i, x, size in zip(c, point, room.size, strict=True)] for c in cells])
    return points, np.array([_kept(room, cell) for cell in cells])


def _unfolded(index: int, x: float, size: float) -> float:
    """A coordinate in the ``index``-th mirrored copy of the room."""
    return index * size + (x if index % 2 == 0 else size - x)


def _kept(room: Room, cell: tuple[int, ...]) -> float:
    """Share of the amplitude left after all surfaces on the way into a mirrored copy of the room."""
    absorbed = room.absorption
    walls = ((absorbed.left, absorbed.right), (absorbed.front, absorbed.back), (absorbed.floor, absorbed.ceiling))
    factor = 1.0
    for index, (low, high) in zip(cell, walls, strict=True):
        near, far = (high, low) if index > 0 else (low, high)
        met = abs(index)
        factor *= (1.0 - near) ** (0.5 * ((met + 1) // 2)) * (1.0 - far) ** (0.5 * (met // 2))
    return factor


def ways(scene: Scene, *, speed_of_sound_m_s: float, order: int = 1) -> Ways:
    """Arrival times and signed amplitudes of every way in a scene whose positions are all known."""
    unfolded = [images(scene.room, source.position, order) for source in scene.sources]
    mics_m = np.array([mic.position for mic in scene.mics]).reshape(-1, 3)
    points = np.array([points for points, _ in unfolded])[:, None].repeat(len(mics_m), axis=1)  # (S, M, W, 3)
    factors = np.array([factors for _, factors in unfolded])[:, None].repeat(len(mics_m), axis=1)  # (S, M, W)
    if order >= 1 and scene.panels:
        panel_points, panel_factors = _by_panels(scene, mics_m)
        points = np.concatenate([points, panel_points], axis=2)
        factors = np.concatenate([factors, panel_factors], axis=2)
    towards = points - mics_m[None, :, None]
    distance_m = np.linalg.norm(towards, axis=-1)
    pickup = np.empty(distance_m.shape)
    for index, mic in enumerate(scene.mics):
        pickup[:, index] = _pickup(scene, mic, towards[:, index])
    return Ways(distance_m / speed_of_sound_m_s, factors * pickup / np.maximum(distance_m, _NEAREST_M))


def _by_panels(scene: Scene, mics_m: Floats) -> tuple[Floats, Floats]:
    """Image points behind each panel and their factors (0 where the reflection misses it): (S, M, P, 3), (S, M, P)."""
    sources_m = np.array([source.position for source in scene.sources])
    frames = [panel_frame(panel) for panel in scene.panels]
    points = np.stack([mirror(frame, sources_m) for frame in frames], axis=1)
    factors = [
        strikes(frame, sources_m[:, None], mics_m) * np.sqrt(1.0 - panel.absorption)
        for frame, panel in zip(frames, scene.panels, strict=True)
    ]
    return points[:, None].repeat(len(mics_m), axis=1), np.stack(factors, axis=2)


def _pickup(scene: Scene, mic: Mic, towards: Floats) -> Floats:
    """Signed response of a mic to sounds from the directions ``towards``, shape (..., 3)."""
    omni_share = PATTERNS[mic.pattern]
    aim = scene.aim_point(mic)
    if aim is None:
        return np.ones(towards.shape[:-1])
    axis = np.subtract(aim, mic.position)
    length = np.linalg.norm(towards, axis=-1) * np.linalg.norm(axis)
    cosine = np.where(length > 0, towards @ axis / np.where(length > 0, length, 1.0), 1.0)
    response: Floats = omni_share + (1.0 - omni_share) * cosine
    return response


def impulse_responses(arrival_s: Floats, amplitude: Floats, sample_rate: int) -> Floats:
    """Impulse responses of ways; sample 0 stands for ``-48`` samples, so that an early way keeps its onset.

    Parameters
    ----------
    arrival_s, amplitude : array, shape (S, M, W)

    Returns
    -------
    array, shape (S, M, L)
    """
    position = arrival_s * sample_rate
    whole = np.floor(position).astype(np.intp)
    tap = np.arange(-_HALF_TAPS + 1, _HALF_TAPS + 1)
    offset = tap - (position - whole)[..., None]
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1 - (offset / _HALF_TAPS) ** 2))) / np.i0(_KAISER_BETA)
    taps = amplitude[..., None] * np.sinc(offset) * window
    sources, mics = arrival_s.shape[:2]
    out = np.zeros((sources, mics, int(whole.max()) + 2 * _HALF_TAPS + 1))
    where = (whole[..., None] + tap + _HALF_TAPS).reshape(sources, mics, -1)
    rows = np.arange(sources)[:, None, None], np.arange(mics)[None, :, None]
    np.add.at(out, (*rows, where), taps.reshape(sources, mics, -1))
    return out


def rendered(signals: Floats, responses: Floats) -> Floats:
    """Signals (S, N) through responses (S, M, L), summed over the sources: shape (M, N)."""
    frames, length = signals.shape[1], responses.shape[2]
    size = 1 << max(12, int(np.ceil(np.log2(4 * length))))
    hop = size - length + 1
    spectra = np.fft.rfft(responses, size)
    out = np.zeros((responses.shape[1], frames + size))
    for start in range(0, frames, hop):
        block = signals[:, start : start + hop]
        if not block.any():
            continue
        mixed = np.einsum("sf,smf->mf", np.fft.rfft(block, size), spectra)
        out[:, start : start + size] += np.fft.irfft(mixed, size)
    return out[:, _HALF_TAPS : _HALF_TAPS + frames]


_CAB_WORDS: Final = ("cab", "amp", "combo")


@dataclass(frozen=True, slots=True)
class Faults:
    """What is not as the scene says.

    Parameters
    ----------
    moved : mapping of name to (x, y, z), optional
        Where sources and mics truly stand, metres.
    temperature_c : float, optional
        The true temperature.
    flipped : sequence of str, optional
        Mics and DIs of inverted polarity.
    late_s : mapping of name to float, optional
        How much later than the others a track was written down, seconds.
    swapped : sequence of (str, str), optional
        Mics and DIs whose inputs are exchanged: each one's file holds the other's sound.

    Examples
    --------
    >>> Faults(swapped=(("a", "b"),)).heard_by("a"), Faults().heard_by("a")
    ('b', 'a')
    """

    moved: Mapping[str, Coordinates] = field(default_factory=dict)
    temperature_c: float | None = None
    flipped: tuple[str, ...] = ()
    late_s: Mapping[str, float] = field(default_factory=dict)
    swapped: tuple[tuple[str, str], ...] = ()

    def applied(self, scene: Scene) -> Scene:
        """The scene as it truly is."""
        self._refuse_unknown(scene)
        true = scene.placed_at(self.moved)
        if self.temperature_c is None:
            return true
        return replace(true, air=replace(true.air, temperature_c=self.temperature_c))

    def heard_by(self, name: str) -> str:
        """Whose sound the file of a mic or DI holds."""
        for first, second in self.swapped:
            if name == first:
                return second
            if name == second:
                return first
        return name

    def _refuse_unknown(self, scene: Scene) -> None:
        tracks = set(scene.track_names)
        placed = {thing.name for thing in scene.placed()}
        swapped = {name for pair in self.swapped for name in pair}
        for names, known in ((self.moved, placed), (self.flipped, tracks), (self.late_s, tracks), (swapped, tracks)):
            unknown = sorted(set(names) - known)
            if unknown:
                raise SceneError(f"a fault is planted on '{unknown[0]}', which the scene does not have")


_NO_FAULTS: Final = Faults()


@dataclass(frozen=True, slots=True)
class Truth:
    """How one source truly arrives in one track."""

    source: str
    track: str
    arrival_s: float
    polarity: int | None


@dataclass(frozen=True)
class Simulation:
    """A take that a scene would give, and what is true of it.

    ``tracks`` holds the samples of each mic and DI by name, shape (frames,), full scale +-1.
    """

    tracks: Mapping[str, Floats]
    sample_rate: int
    truths: tuple[Truth, ...]
    moments_s: Mapping[str, Floats]
    speed_of_sound_m_s: float
    seed: int

    def reference(self, source: str) -> str:
        """The track that a source reaches first."""
        return min((t for t in self.truths if t.source == source), key=lambda t: t.arrival_s).track

    def delay_s(self, source: str, track: str, reference: str) -> float:
        """How much later a source is in a track than in the reference."""
        arrivals = {t.track: t.arrival_s for t in self.truths if t.source == source}
        return arrivals[track] - arrivals[reference]

    @property
    def truth(self) -> dict[str, Any]:
        """The truth as a document for JSON."""
        return {
            "seed": self.seed,
            "sample_rate": self.sample_rate,
            "speed_of_sound_m_s": self.speed_of_sound_m_s,
            "sources": [self._source_truth(name) for name in self.moments_s],
        }

    def _source_truth(self, source: str) -> dict[str, Any]:
        reference = self.reference(source)
        own = {t.track: t for t in self.truths if t.source == source}
        against = own[reference].polarity
        return {
            "source": source,
            "reference": reference,
            "moments_s": [round(float(moment), 6) for moment in self.moments_s[source]],
            "tracks": [
                {
                    "track": t.track,
                    "arrival_s": t.arrival_s,
                    "delay_s": t.arrival_s - own[reference].arrival_s,
                    "delay_samples": (t.arrival_s - own[reference].arrival_s) * self.sample_rate,
                    "polarity": None if t.polarity is None or against is None else t.polarity * against,
                }
                for t in own.values()
            ],
        }


def simulate(
    scene: Scene,
    *,
    seconds: float = 20.0,
    seed: int = 1,
    sample_rate: int = 48000,
    order: int = 1,
    snr_db: float = 50.0,
    together: float = 0.4,
    faults: Faults = _NO_FAULTS,
) -> Simulation:
    """The take that a scene would give.

    Parameters
    ----------
    scene : Scene
        With every position known.
    seconds : float
        Length of the take.
    seed : int
        The same seed gives the same take, sample for sample.
    sample_rate : int
        Hertz.
    order : int
        How many surfaces a reflection may meet on its way; 0 for a free field.
    snr_db : float
        Level of each track (rms of the stretches in which it sounds) above its noise.
    together : float
        Share of the time in which all sources play at once; the rest they play one after the other.
    faults : Faults
        What is not as the scene says.

    Raises
    ------
    SceneError
        If there is nothing to play or nothing to record, or a position is not known.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("clap", (1.0, 1.0, 1.0)),), mics=(Mic("m", (2.0, 1.0, 1.0)),))
    >>> made = simulate(scene, seconds=2.0)
    >>> made.tracks["m"].shape, round(made.truths[0].arrival_s * made.speed_of_sound_m_s, 9)
    ((96000,), 1.0)
    """
    _refuse_empty(scene, seconds, sample_rate)
    true = faults.applied(scene)
    rng = np.random.default_rng(seed)
    sounds = [sound_of(source.name, source.sound) for source in true.sources]
    moments = score(sounds, seconds, rng, together=together)
    dry = np.array([played(s, m, seconds, sample_rate, rng) for s, m in zip(sounds, moments, strict=True)])
    speed_m_s = speed_of_sound_in(true.air)
    heard = _heard(true, dry, ways(true, speed_of_sound_m_s=speed_m_s, order=order), sample_rate, faults)
    noisy = {name: _with_noise(samples, snr_db, rng) for name, samples in heard.items()}
    return Simulation(
        tracks=_levelled({name: noisy[faults.heard_by(name)] for name in noisy}),
        sample_rate=sample_rate,
        truths=_truths(true, ways(true, speed_of_sound_m_s=speed_m_s, order=0), faults),
        moments_s={source.name: times for source, times in zip(true.sources, moments, strict=True)},
        speed_of_sound_m_s=speed_m_s,
        seed=seed,
    )


def _refuse_empty(scene: Scene, seconds: float, sample_rate: int) -> None:
    if not scene.sources:
        raise SceneError("the scene has no source: nothing would sound; add a [[source]]")
    if not scene.mics and not scene.dis:
        raise SceneError("the scene has no mic and no DI: nothing would be recorded; add a [[mic]]")
    early = [di.name for di in scene.dis if di.latency_s < 0]
    if early:
        raise SceneError(
            f"di '{early[0]}': a negative latency_ms cannot be simulated, since nothing is heard before it sounds: "
            "give 0 or more"
        )
    if not 0.5 <= seconds <= 3600:
        raise SceneError(f"a take of {seconds:g} s cannot be made: ask for 0.5 s to 3600 s")
    if not 8000 <= sample_rate <= 192000:
        raise SceneError(f"a take at {sample_rate} Hz cannot be made: ask for 8000 Hz to 192000 Hz")
    most_s = _MOST_SAMPLES / sample_rate / (len(scene.sources) + len(scene.track_names))
    if seconds > max(most_s, 0.5):
        raise SceneError(
            f"a take of {seconds:g} s would not fit into memory: ask for at most {int(most_s)} s of these sources and "
            f"tracks at {sample_rate} Hz"
        )


def _heard(scene: Scene, dry: Floats, found: Ways, sample_rate: int, faults: Faults) -> dict[str, Floats]:
    """What each mic and DI hears, before noise."""
    out: dict[str, Floats] = {}
    if scene.mics:
        wet = np.array([through_cab(s, sample_rate) if _has_cab(scene, i) else s for i, s in enumerate(dry)])
        late_s = np.array([faults.late_s.get(mic.name, 0.0) for mic in scene.mics])
        arrival_s = found.arrival_s + late_s[:, None] + _cab_delays_s(scene)[:, None, None]
        responses = impulse_responses(arrival_s, found.amplitude, sample_rate)
        for mic, samples in zip(scene.mics, rendered(wet, responses), strict=True):
            out[mic.name] = samples * _gain(mic, faults)
    index = {source.name: number for number, source in enumerate(scene.sources)}
    for di in scene.dis:
        delay_s = np.full((1, 1, 1), di.latency_s + faults.late_s.get(di.name, 0.0))
        response = impulse_responses(delay_s, np.ones((1, 1, 1)), sample_rate)
        out[di.name] = rendered(dry[index[di.of]][None], response)[0] * _gain(di, faults)
    return out


def _gain(thing: Mic | Di, faults: Faults) -> float:
    flip = -1 if thing.name in faults.flipped else 1
    return float(thing.polarity * flip)


def _has_cab(scene: Scene, index: int) -> bool:
    name = scene.sources[index].name
    return any(di.of == name for di in scene.dis) and any(word in name.casefold() for word in _CAB_WORDS)


def _cab_delays_s(scene: Scene) -> Floats:
    return np.array([CAB_DELAY_S if _has_cab(scene, index) else 0.0 for index in range(len(scene.sources))])


def _with_noise(samples: Floats, snr_db: float, rng: np.random.Generator) -> Floats:
    """The track above noise, its level taken where it sounds (within 40 dB of its loudest 10 ms)."""
    power = np.add.reduceat(samples**2, np.arange(0, len(samples), 480)) / 480
    sounding = power[power > 1e-4 * power.max()]
    rms = float(np.sqrt(sounding.mean())) if len(sounding) else 1e-3
    return samples + rms * amplitude_from_db(-snr_db) * rng.standard_normal(len(samples))


def _levelled(tracks: Mapping[str, Floats]) -> dict[str, Floats]:
    loudest = max(float(np.abs(samples).max()) for samples in tracks.values())
    scale = amplitude_from_db(PEAK_DBFS) / loudest
    return {name: samples * scale for name, samples in tracks.items()}


def _truths(scene: Scene, direct: Ways, faults: Faults) -> tuple[Truth, ...]:
    """Arrival and polarity of each source in the file of each mic and DI."""
    out = []
    for row, source in enumerate(scene.sources):
        heard = {mic.name: _mic_truth(mic, direct, row, column, faults) for column, mic in enumerate(scene.mics)}
        heard = {name: (arrival + float(_cab_delays_s(scene)[row]), sign) for name, (arrival, sign) in heard.items()}
        heard |= {
            di.name: (di.latency_s + faults.late_s.get(di.name, 0.0), _sign(_gain(di, faults)))
            for di in scene.dis
            if di.of == source.name
        }
        for name in scene.track_names:
            if faults.heard_by(name) in heard:
                out.append(Truth(source.name, name, *heard[faults.heard_by(name)]))
    return tuple(out)


def _mic_truth(mic: Mic, direct: Ways, row: int, column: int, faults: Faults) -> tuple[float, int | None]:
    arrival_s = float(direct.arrival_s[row, column, 0]) + faults.late_s.get(mic.name, 0.0)
    amplitude = float(direct.amplitude[row, column, 0])
    return arrival_s, None if abs(amplitude) < _SILENT_AMPLITUDE else _sign(amplitude * _gain(mic, faults))


def _sign(value: float) -> int:
    return 1 if value > 0 else -1
