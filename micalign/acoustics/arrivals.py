"""When and how loud does each source arrive at each mic, and how sure is that?

Arrays of shape (S, M): sources down, mics across. Metres, seconds, dB. Levels fall with the distance (6.02 dB for
each doubling: a point source in free field) and with the mic's pattern; 0 dB is 1 m on the axis. Uncertainties are
one standard deviation, by first-order propagation from those of the positions and of the air.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.acoustics.air import speed_of_sound_in, speed_uncertainty_m_s
from micalign.acoustics.comb import FLOOR_DB
from micalign.acoustics.patterns import Pattern, aims, gains
from micalign.acoustics.tuned import CLOSE_M
from micalign.arrays import Floats
from micalign.scene.model import Mic, Scene, Source
from micalign.shown import Listing, Shown
from micalign.units import db_from_amplitude, many, show_ms_known

__all__ = ["Arrivals", "arrivals", "distances_m", "floored_db", "is_close"]

_MOST_COLUMNS: Final = 8
"""Sources that a terminal of usual width shows side by side."""


def distances_m(sources: Floats, mics: Floats) -> Floats:
    """Distances between every source and every mic: (S, 3) and (M, 3) to (S, M), metres.

    >>> distances_m(np.array([[0.0, 0.0, 0.0]]), np.array([[3.0, 4.0, 0.0], [0.0, 0.0, 1.0]]))
    array([[5., 1.]])
    """
    distance: Floats = np.linalg.norm(np.asarray(sources)[:, None, :] - np.asarray(mics)[None, :, :], axis=-1)
    return distance


def is_close(mic: Mic, sources: Iterable[Source]) -> bool:
    """Whether a mic stands within `CLOSE_M` of a source that it is there for; not known of what has no place yet.

    >>> snare, mic = Source("snare", (0.0, 0.0, 0.8)), Mic("snare mic", (0.0, 0.3, 0.8), on=("snare",))
    >>> is_close(mic, [snare]), is_close(Mic("room", (0.0, 0.3, 0.8)), [snare])
    (True, False)
    """
    own = [source for source in sources if source.name in mic.on]
    return any(source.is_placed and mic.is_placed and mic.metres_to(source) <= CLOSE_M for source in own)


def floored_db(amplitude: Floats) -> Floats:
    """The level of an amplitude, `FLOOR_DB` at the least, so that a null stays a finite number."""
    level: Floats = np.maximum(db_from_amplitude(np.asarray(amplitude, dtype=float)), FLOOR_DB)
    return level


@dataclass(frozen=True, eq=False, repr=False)
class Arrivals(Shown):
    """Every source at every mic.

    Attributes
    ----------
    sources, mics : tuple of str
        Names, in file order.
    source_m, mic_m : array, shape (S, 3) and (M, 3)
    source_sigma_m, mic_sigma_m : array, shape (S,) and (M,)
        One standard deviation of each coordinate.
    axes : array, shape (M, 3)
        Unit vectors along which the mics look; zero for an omni that looks nowhere.
    pattern : Pattern, shape (M,)
    distance_m, arrival_s, uncertainty_s : array, shape (S, M)
    gain : array, shape (S, M)
        Signed amplitude of the pattern towards the source.
    level_db : array, shape (S, M)
        Distance and pattern; 0 for 1 m on the axis. The mic's ``gain_db`` is not in it.
    blend_db : array, shape (S, M)
        The same with ``gain_db``: the level in the blend.
    sign : array, shape (S, M)
        +1 or -1: the mic's polarity times the sign of the lobe that hears the source.
    speed_m_s, speed_sigma_m_s : float
    """

    sources: tuple[str, ...]
    mics: tuple[str, ...]
    source_m: Floats
    mic_m: Floats
    source_sigma_m: Floats
    mic_sigma_m: Floats
    axes: Floats
    pattern: Pattern
    distance_m: Floats
    arrival_s: Floats
    uncertainty_s: Floats
    gain: Floats
    level_db: Floats
    blend_db: Floats
    sign: Floats
    speed_m_s: float
    speed_sigma_m_s: float

    def _listing(self) -> Listing:
        rows = (
            (mic, *map(show_ms_known, late[:_MOST_COLUMNS].tolist(), sigma[:_MOST_COLUMNS].tolist()))
            for mic, late, sigma in zip(self.mics, self.arrival_s.T, self.uncertainty_s.T, strict=True)
        )
        left = len(self.sources) - _MOST_COLUMNS
        more = f"; {left} more of {many(len(self.sources), 'source')} in the arrays" if left > 0 else ""
        title = f"Arrivals; sound travels at {self.speed_m_s:.1f} m/s{more}"
        return Listing(title, ("mic", *self.sources[:_MOST_COLUMNS]), rows, len(self.mics))

    def cell(self, source: str, mic: str) -> tuple[int, int]:
        """Row and column of a source and a mic."""
        return self.sources.index(source), self.mics.index(mic)


def arrivals(scene: Scene) -> Arrivals:
    """Distances, arrival times and levels of a scene whose positions are all known.

    Raises
    ------
    SceneError
        If a source or a mic has no position yet.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("kick", (0, 0, 0)),), mics=(Mic("in", (0.5, 0, 0)), Mic("out", (2, 0, 0))))
    >>> np.round(arrivals(scene).level_db, 2)
    array([[ 6.02, -6.02]])
    """
    source_m = np.array([source.position for source in scene.sources], dtype=float).reshape(-1, 3)
    mic_m = np.array([mic.position for mic in scene.mics], dtype=float).reshape(-1, 3)
    axes = aims(scene, scene.mics)
    pattern = Pattern.of(scene.mics)
    distance = distances_m(source_m, mic_m)
    gain = gains(source_m, mic_m, axes, pattern)
    level = floored_db(gain / np.maximum(distance, 1e-6))
    polarity = np.array([mic.polarity for mic in scene.mics], dtype=float)
    source_sigma = np.array([source.plus_minus_m for source in scene.sources], dtype=float)
    mic_sigma = np.array([mic.plus_minus_m for mic in scene.mics], dtype=float)
    speed, speed_sigma = speed_of_sound_in(scene.air), speed_uncertainty_m_s(scene.air)
    return Arrivals(
        sources=tuple(source.name for source in scene.sources),
        mics=tuple(mic.name for mic in scene.mics),
        source_m=source_m,
        mic_m=mic_m,
        source_sigma_m=source_sigma,
        mic_sigma_m=mic_sigma,
        axes=axes,
        pattern=pattern,
        distance_m=distance,
        arrival_s=distance / speed,
        uncertainty_s=_uncertainty_s(distance, source_sigma, mic_sigma, speed, speed_sigma),
        gain=gain,
        level_db=level,
        blend_db=level + np.array([mic.gain_db for mic in scene.mics], dtype=float),
        sign=np.where(gain < 0, -1.0, 1.0) * polarity,
        speed_m_s=speed,
        speed_sigma_m_s=speed_sigma,
    )


def _uncertainty_s(
    distance: Floats, source_sigma: Floats, mic_sigma: Floats, speed: float, speed_sigma: float
) -> Floats:
    """First order: t = d / c, so var t = var d / c^2 + (t / c)^2 var c; var d is the sum of both ends' variances."""
    variance = (source_sigma[:, None] ** 2 + mic_sigma[None, :] ** 2) / speed**2
    sigma: Floats = np.sqrt(variance + (distance / speed**2 * speed_sigma) ** 2)
    return sigma
