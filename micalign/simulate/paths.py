"""By which ways does each source reach each mic, and how does it sound after them?

Direct sound and reflections by image sources (Allen & Berkley, J. Acoust. Soc. Am. 65, 943, 1979): every way is an
arrival time and a signed amplitude. Amplitude is 1 for 1 m on the axis; it falls as one over the distance, times the
polar pattern towards the point it comes from, times the square root of (1 - absorption) for each surface met.

Each way is a windowed-sinc delay at its exact fraction of a sample (96 taps, Kaiser window: better than -100 dB
up to 0.42 of the sample rate), all ways of a source and mic form one impulse response, and the signals pass through
these block by block (overlap-add).

This is worked out here and not taken from `micalign.acoustics`, so that a take can contradict a prediction; only
the vectors of a table top or window (`Panel`) are shared. Built on numpy's FFT alone, it shares nothing with the delay
engine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from micalign.acoustics.room import mirror, panel_frame, strikes
from micalign.arrays import Floats
from micalign.scene.model import PATTERNS, Mic, Room, Scene

__all__ = ["Ways", "images", "impulse_responses", "rendered", "ways"]

_NEAREST_M = 0.02
"""Nearer than this a source is no point any more: its level stops rising."""
_HALF_TAPS: Final = 48
_KAISER_BETA: Final = 10.0


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
