"""Random small rooms with two sources and a close mic on each, and the bleed that rendering them gives.

Shared by a test and a bench. The rendering is `micalign simulate`'s own (ways by images up to an order, impulse
responses), which shares no arithmetic with `micalign.acoustics.prediction`; levels are those of white noise through the
responses, 200 Hz to 8 kHz.
"""

from __future__ import annotations

import numpy as np

from micalign.scene.model import PATTERNS, Absorption, Mic, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import impulse_responses, ways

RATE = 24_000


def small_room(rng: np.random.Generator, *, absorption: tuple[float, float]) -> Scene:
    """2.6 to 8 m by 2.6 to 6 m by 2.2 to 3.4 m, each surface with its own absorption, mics 5 to 50 cm off."""
    size = rng.uniform((2.6, 2.6, 2.2), (8.0, 6.0, 3.4))
    while True:
        sources = rng.uniform(0.5, size - 0.5, (2, 3))
        if np.linalg.norm(sources[0] - sources[1]) > 0.8:
            break
    mics = []
    for index, at in enumerate(sources):
        while True:
            way = rng.normal(size=3)
            place = at + way / np.linalg.norm(way) * rng.uniform(0.05, 0.5)
            if np.all(place > 0.15) and np.all(place < size - 0.15):
                break
        pattern = str(rng.choice(sorted(PATTERNS)))
        mics.append(Mic(f"mic {index}", tuple(place), aim=f"source {index}", pattern=pattern, on=(f"source {index}",)))
    return Scene(
        room=Room(tuple(size), Absorption(*rng.uniform(*absorption, 6))),
        sources=tuple(Source(f"source {index}", tuple(at)) for index, at in enumerate(sources)),
        mics=tuple(mics),
    )


def rendered_bleed_db(scene: Scene, *, order: int) -> np.ndarray:
    """Each source at the other's mic against its own, dB, shape (2,)."""
    found = ways(scene, speed_of_sound_m_s=343.0, order=order)
    spectra = np.abs(np.fft.rfft(impulse_responses(found.arrival_s, found.amplitude, RATE))) ** 2
    hz = np.fft.rfftfreq(2 * (spectra.shape[-1] - 1), 1 / RATE)
    power = spectra[..., (hz >= 200) & (hz <= 8000)].sum(axis=-1)
    return 10 * np.log10(np.array([power[0, 1] / power[0, 0], power[1, 0] / power[1, 1]]))
