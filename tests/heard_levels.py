"""Tracks given by their short-time energy alone, for what is decided by levels: 1 ms a step."""

from __future__ import annotations

import numpy as np

from micalign.take.tracks import Track
from micalign.tdoa.strokes import Energies, Listened

RATE = 48000
STEP = 48


def heard_of(energy: np.ndarray, rises: np.ndarray | None = None, *, name: str = "a", start_s: float = 0.0) -> Listened:
    """A track of these mean squares, one to each millisecond."""
    track = Track.from_array(name, np.zeros(len(energy) * STEP), RATE, start_s=start_s)
    power = np.asarray(energy, dtype=np.float32)
    return Listened.of(track, Energies(power, STEP), power if rises is None else np.asarray(rises, dtype=np.float32))


def struck(count: int, loud: dict[int, float], floor: float = 1e-9, decay: float = 20.0) -> np.ndarray:
    """Energies of strokes that begin at some steps, each dying away within a tenth of a second."""
    energy = np.full(count, floor)
    for at, level in loud.items():
        steps = np.arange(min(100, count - at))
        energy[at : at + len(steps)] += level * np.exp(-steps / decay)
    return energy
