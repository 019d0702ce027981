"""Priors of a scene before its take is read: what is believed of it, and each hypothesis of what could be the matter.

Each belief is a mean and a standard deviation: of every position, the speed of sound, each track's lateness. A
tape-measured mic is known to a centimetre; under the hypothesis that it was moved, to a few decimetres; a track is not
late at all, or by some milliseconds. An arrival in a track is

    scale * distance * (1 + slow) / c + late,      DI: latency + late,

and `linearised` gives it with its derivatives, so that one fit serves every hypothesis. "Ears" are the mics, then
the DIs, as the scene has them; ``ear_of`` says which ear each track of the take is believed to hold.

Each cause turns what a scene says into other beliefs. ``log_prior`` is how much less likely it is than that all is
well, before anything is measured (common practice, no source): cables are swapped and stands moved more often than a
thermometer lies or a whole scene is in the wrong unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, product
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.acoustics.arrivals import KELVIN_AT_0_C, speed_of_sound_in
from micalign.arrays import Floats, Ints
from micalign.compare.tuned import LATE_LINE, LATE_S, LATENCY_SIGMA_S, LOG_PRIOR, MOVES_M, TEMPERATURE_C
from micalign.scene.model import Mic
from micalign.scene.scene import Scene

__all__ = ["BeliefIndex", "Beliefs", "Cause", "Kind", "beliefs_of", "causes_of"]

_NO_DOUBT = 1e-9  # metres or seconds, one sigma: as good as known
Kind: TypeAlias = Literal["swapped", "moved", "temperature", "late", "source moved", "units"]


_SCALES: Final = {
    0.3048: "feet, not metres",
    1 / 0.3048: "metres, not feet",
    2.54: "inches, not centimetres",
    1 / 2.54: "centimetres, not inches",
}


@dataclass(frozen=True, slots=True)
class BeliefIndex:
    """Where each unknown stands in the vector of all: S sources, M mics (three each), slowness, one lateness an ear."""

    sources: int
    mics: int
    ears: int

    def source(self, index: int) -> slice:
        """The three coordinates of a source."""
        return slice(3 * index, 3 * index + 3)

    def mic(self, index: int) -> slice:
        """The three coordinates of a mic."""
        return slice(3 * (self.sources + index), 3 * (self.sources + index) + 3)

    @property
    def slow(self) -> int:
        """By what share sound is slower than believed."""
        return 3 * (self.sources + self.mics)

    def late(self, ear: int) -> int:
        """By how many seconds an ear's track is late."""
        return self.slow + 1 + ear

    @property
    def size(self) -> int:
        """How many unknowns there are."""
        return self.slow + 1 + self.ears


@dataclass(frozen=True)
class Beliefs:
    """Means and standard deviations of all unknowns, shapes (P,), and what is fixed.

    ``di_source`` is the source of each DI, ``di_latency_s`` its latency. ``own_of`` is the one source that each ear is
    there for, -1 where there are several.
    """

    layout: BeliefIndex
    mean: Floats
    sigma: Floats
    ear_of: tuple[int, ...]
    speed_m_s: float
    scale: float
    di_source: Ints
    di_latency_s: Floats
    own_of: Ints

    def source_led_by(self, track: int) -> int:
        """The source whose own mic a track holds, as it is believed; -1 where that is there for several."""
        return int(self.own_of[self.ear_of[track]])

    def doubting(self, where: slice | int, sigma: float) -> Beliefs:
        """The same with a wider belief somewhere."""
        wider = self.sigma.copy()
        wider[where] = np.hypot(wider[where], sigma)
        return replace(self, sigma=wider)

    def swapping(self, first: int, second: int) -> Beliefs:
        """The same with the inputs of two tracks exchanged."""
        ears = list(self.ear_of)
        ears[first], ears[second] = ears[second], ears[first]
        return replace(self, ear_of=tuple(ears))

    def linearised(self, unknowns: Floats) -> tuple[Floats, Floats]:
        """Arrivals (S, E) and their derivatives (S, E, P); nan where a DI cannot hear a source."""
        layout = self.layout
        points = unknowns[: layout.slow].reshape(-1, 3)
        sources, mics = points[: layout.sources], points[layout.sources :]
        towards = mics[None] - sources[:, None]
        distance = np.maximum(np.linalg.norm(towards, axis=2), 1e-6)
        second = self.scale * (1.0 + unknowns[layout.slow]) / self.speed_m_s
        arrival = np.full((layout.sources, layout.ears), np.nan)
        slope = np.zeros((layout.sources, layout.ears, layout.size))
        arrival[:, : layout.mics] = distance * second
        direction = towards / distance[..., None] * second
        source, mic = np.arange(layout.sources)[:, None, None], np.arange(layout.mics)[None, :, None]
        axis = np.arange(3)[None, None, :]
        slope[source, mic, 3 * source + axis] = -direction
        slope[source, mic, 3 * (layout.sources + mic) + axis] = direction
        slope[:, : layout.mics, layout.slow] = distance * self.scale / self.speed_m_s
        arrival[self.di_source, layout.mics + np.arange(len(self.di_source))] = self.di_latency_s
        ears = np.arange(layout.ears)
        slope[:, ears, layout.late(0) + ears] = 1.0
        return arrival + unknowns[layout.slow + 1 :], slope


def beliefs_of(scene: Scene, tracks: tuple[str, ...]) -> Beliefs:
    """What a scene says, with the uncertainty it says it with."""
    layout = BeliefIndex(len(scene.sources), len(scene.mics), len(scene.mics) + len(scene.dis))
    mean, sigma = np.zeros(layout.size), np.full(layout.size, _NO_DOUBT)
    for index, thing in enumerate(scene.placed()):
        mean[layout.source(index)] = thing.position
        sigma[layout.source(index)] = max(thing.plus_minus_m, 1e-4)
    # c goes with the square root of the absolute temperature.
    sigma[layout.slow] = 0.5 * scene.air.temperature_plus_minus_c / (KELVIN_AT_0_C + scene.air.temperature_c)
    for index in range(len(scene.dis)):
        sigma[layout.late(layout.mics + index)] = LATENCY_SIGMA_S
    ears = scene.track_names
    order = {source.name: index for index, source in enumerate(scene.sources)}
    di_source = [order[di.of] for di in scene.dis]
    own = [order[mic.on[0]] if len(mic.on) == 1 else -1 for mic in scene.mics]
    return Beliefs(
        layout,
        mean,
        sigma,
        tuple(ears.index(name) for name in tracks),
        speed_of_sound_in(scene.air),
        1.0,
        np.array(di_source, dtype=np.intp),
        np.array([di.latency_s for di in scene.dis], dtype=np.float64),
        np.array([*own, *di_source], dtype=np.intp),
    )


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that may be the matter: with which tracks or sources, and what is then believed.

    ``words`` say it where the kind alone does not.
    """

    kind: Kind
    names: tuple[str, ...]
    log_prior: float
    apply: Callable[[Beliefs], Beliefs]
    words: str = ""


def causes_of(scene: Scene, tracks: tuple[str, ...]) -> Iterator[Cause]:
    """Every single cause."""
    yield from _swaps(tracks)
    yield from _moves(scene, tracks)
    yield _temperature(scene)
    yield from _latenesses(scene, tracks)
    yield from _source_moves(scene)
    yield from _units()


def _prior(kind: Kind, among: int) -> float:
    return LOG_PRIOR[kind] - math.log(max(among, 1))


def _swaps(tracks: tuple[str, ...]) -> Iterator[Cause]:
    pairs = list(combinations(range(len(tracks)), 2))
    for first, second in pairs:
        change = partial(_swapping, first=first, second=second)
        yield Cause("swapped", (tracks[first], tracks[second]), _prior("swapped", len(pairs)), change)


def _moves(scene: Scene, tracks: tuple[str, ...]) -> Iterator[Cause]:
    present = [index for index, mic in enumerate(scene.mics) if mic.name in tracks]
    for index, far_m in product(present, MOVES_M):
        # A mic right at its source may be bumped all the same.
        near_m = max(_own_distance_m(scene, scene.mics[index]), min(MOVES_M))
        change = partial(_moving_mic, index=index, far_m=min(far_m, near_m))
        yield Cause("moved", (scene.mics[index].name,), _prior("moved", len(present) * len(MOVES_M)), change)


def _own_distance_m(scene: Scene, mic: Mic) -> float:
    """How far a mic stands from the one source that it is there for, which it stays near wherever it is put; else
    infinite.
    """
    if len(mic.on) != 1:
        return math.inf
    return math.dist(mic.position, scene.source(mic.on[0]).position)


def _temperature(scene: Scene) -> Cause:
    share = 0.5 * TEMPERATURE_C / (273.15 + scene.air.temperature_c)
    return Cause("temperature", (), _prior("temperature", 1), partial(_slowing, share=share))


def _latenesses(scene: Scene, tracks: tuple[str, ...]) -> Iterator[Cause]:
    lines = {di.name for di in scene.dis}
    for index, name in enumerate(tracks):
        log_prior = _prior("late", len(tracks)) + (LATE_LINE if name in lines else 0.0)
        yield Cause("late", (name,), log_prior, partial(_delaying, index=index))


def _source_moves(scene: Scene) -> Iterator[Cause]:
    for index, source in enumerate(scene.sources):
        change = partial(_moving_source, index=index)
        yield Cause("source moved", (source.name,), _prior("source moved", len(scene.sources)), change)


def _units() -> Iterator[Cause]:
    for scale, words in _SCALES.items():
        yield Cause("units", (), _prior("units", len(_SCALES)), partial(_scaling, scale=scale), words)


def _swapping(beliefs: Beliefs, *, first: int, second: int) -> Beliefs:
    return beliefs.swapping(first, second)


def _moving_mic(beliefs: Beliefs, *, index: int, far_m: float) -> Beliefs:
    return beliefs.doubting(beliefs.layout.mic(index), far_m)


def _moving_source(beliefs: Beliefs, *, index: int) -> Beliefs:
    return beliefs.doubting(beliefs.layout.source(index), MOVES_M[-1])


def _slowing(beliefs: Beliefs, *, share: float) -> Beliefs:
    return beliefs.doubting(beliefs.layout.slow, share)


def _delaying(beliefs: Beliefs, *, index: int) -> Beliefs:
    return beliefs.doubting(beliefs.layout.late(beliefs.ear_of[index]), LATE_S)


def _scaling(beliefs: Beliefs, *, scale: float) -> Beliefs:
    return replace(beliefs, scale=scale)
