"""What is believed about a scene before its take is heard: every position, the speed of sound, each track's lateness.

Each belief is a mean and a standard deviation. A tape-measured mic is known to a centimetre; under the supposition
that it was moved, to a few decimetres; a track is not late at all, or by some milliseconds. An arrival in a track is

    scale * distance * (1 + slow) / c + late,      DI: latency + late,

and `linearised` gives it with its derivatives, so that one fit serves every supposition. "Ears" are the mics, then
the DIs, as the scene has them; ``ear_of`` says which ear each track of the take is believed to hold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from micalign.acoustics.air import speed_of_sound_in
from micalign.arrays import Floats, Ints
from micalign.scene.model import Scene

__all__ = ["BeliefIndex", "Beliefs", "beliefs_of"]

_KELVIN = 273.15
_NO_DOUBT = 1e-9


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

    ``di_source`` is the source of each DI, ``di_latency_s`` its latency.
    """

    layout: BeliefIndex
    mean: Floats
    sigma: Floats
    ear_of: tuple[int, ...]
    speed_m_s: float
    scale: float
    di_source: Ints
    di_latency_s: Floats

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


def beliefs_of(scene: Scene, tracks: tuple[str, ...], *, latency_sigma_s: float = 0.3e-3) -> Beliefs:
    """What a scene says, with the uncertainty it says it with.

    ``latency_sigma_s`` is how well a DI's way is known: a pickup or a cab stands a few centimetres from where the
    sound seems to come from.
    """
    layout = BeliefIndex(len(scene.sources), len(scene.mics), len(scene.mics) + len(scene.dis))
    mean, sigma = np.zeros(layout.size), np.full(layout.size, _NO_DOUBT)
    for index, thing in enumerate(scene.placed()):
        mean[layout.source(index)] = thing.position
        sigma[layout.source(index)] = max(thing.plus_minus_m, 1e-4)
    # c goes with the square root of the absolute temperature.
    sigma[layout.slow] = 0.5 * scene.air.temperature_plus_minus_c / (_KELVIN + scene.air.temperature_c)
    for index in range(len(scene.dis)):
        sigma[layout.late(layout.mics + index)] = latency_sigma_s
    ears = scene.track_names
    order = {source.name: index for index, source in enumerate(scene.sources)}
    return Beliefs(
        layout,
        mean,
        sigma,
        tuple(ears.index(name) for name in tracks),
        speed_of_sound_in(scene.air),
        1.0,
        np.array([order[di.of] for di in scene.dis], dtype=np.intp),
        np.array([di.latency_s for di in scene.dis], dtype=np.float64),
    )
