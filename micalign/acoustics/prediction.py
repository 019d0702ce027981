"""What does a scene predict: every figure that can be worked out before a note is played.

A `Scene` in, frozen rows out; pure arithmetic. Field names are the keys of ``check --json``; units are in the names,
signs are stated where the rows are made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from micalign.acoustics.air import absorption_db_per_m
from micalign.acoustics.arrivals import Arrivals, arrivals
from micalign.acoustics.differences import (
    DiDifference,
    Difference,
    PairGeometry,
    PairSource,
    di_differences,
    differences,
    pair_geometry,
    pairs,
)
from micalign.acoustics.received import Bleed, Heard, Spacing, bleed, heard, spacing
from micalign.acoustics.room import Reflection, RoomFigures, bounces, reflections, room_figures
from micalign.arrays import Bools, Floats
from micalign.errors import SceneError
from micalign.scene.model import Scene
from micalign.shown import Listing, Shown

__all__ = ["Path", "Prediction", "predict"]


@dataclass(frozen=True, slots=True)
class Path:
    """One source at one mic; ``level_db`` is 0 for 1 m on the axis and does not hold the mic's gain.

    ``level_db`` is the direct sound's alone; ``heard_db`` is with the room in it and a real pattern. ``near_field``:
    the mic is nearer than the source is wide, and what falls with distance is only a guide. ``air_loss_db``
    is what the air takes at 8 kHz on the way (ISO 9613-1).
    """

    source: str
    mic: str
    distance_m: float
    arrival_s: float
    level_db: float
    uncertainty_s: float
    heard_db: float
    near_field: bool
    air_loss_db: float


@dataclass(frozen=True, eq=False, repr=False)
class Prediction(Shown):
    """Every figure of a scene: rows to read, and arrays of shape (sources, mics) to calculate with.

    Attributes
    ----------
    speed_of_sound_m_s, speed_uncertainty_m_s : float
        Metres a second, and one standard deviation.
    paths, differences, spacing, bleed, reflections : tuple
        A row each for source and mic, two mics of a source, the spacing rule, bleed, and bounces off a surface.
    room : RoomFigures or None
        Modes, reverberation time and the frequency between them.
    pairs, pair_geometry : tuple
        How equally far each pair is from its sources, and how it hears the stage.
    di_differences : tuple
        Each DI against each mic on its source.
    arrivals : Arrivals
        The arrays behind ``distance_m``, ``arrival_s``, ``uncertainty_s`` and ``level_db``.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> found = predict(Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("room", (2.0, 3.0, 0.7)),)))
    >>> found.distance_m, (found.arrival_s * 1e3).round(2)
    (array([[1.]]), array([[2.91]]))
    """

    speed_of_sound_m_s: float
    speed_uncertainty_m_s: float
    paths: tuple[Path, ...]
    differences: tuple[Difference, ...]
    spacing: tuple[Spacing, ...]
    bleed: tuple[Bleed, ...]
    reflections: tuple[Reflection, ...]
    room: RoomFigures | None
    pairs: tuple[PairSource, ...]
    pair_geometry: tuple[PairGeometry, ...]
    di_differences: tuple[DiDifference, ...]
    arrivals: Arrivals

    @property
    def sources(self) -> tuple[str, ...]:
        """Names, the first axis of the arrays."""
        return self.arrivals.sources

    @property
    def mics(self) -> tuple[str, ...]:
        """Names, the second axis of the arrays."""
        return self.arrivals.mics

    @property
    def distance_m(self) -> Floats:
        """Metres from each source to each mic, shape (S, M)."""
        return self.arrivals.distance_m

    @property
    def arrival_s(self) -> Floats:
        """Seconds from each source to each mic, shape (S, M)."""
        return self.arrivals.arrival_s

    @property
    def uncertainty_s(self) -> Floats:
        """One standard deviation of each arrival, seconds, shape (S, M)."""
        return self.arrivals.uncertainty_s

    @property
    def level_db(self) -> Floats:
        """Level of each source at each mic, 0 for 1 m on the axis, shape (S, M)."""
        return self.arrivals.level_db

    def to_dict(self) -> dict[str, Any]:
        """All rows as plain values; the arrays are in them."""
        return {key: value for key, value in super().to_dict().items() if key != "arrivals"}

    def _listing(self) -> Listing:
        return self.arrivals._listing()


def predict(scene: Scene, *, order: int = 1, tasks_only: bool = False) -> Prediction:
    """Work out a scene.

    Parameters
    ----------
    scene : Scene
        With every position known: see `micalign.acoustics.survey.surveyed`.
    order : int
        Up to how many bounces reflections are followed, 1 to 3.
    tasks_only : bool
        Differences and reflections only of what the mics are ``on``: all that the rules read, and quicker.

    Raises
    ------
    SceneError
        If a position is missing.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> kit = Scene(
    ...     sources=(Source("snare", (2.0, 2.0, 0.7)),),
    ...     mics=(Mic("left", (1.6, 1.9, 1.9), on=("snare",)), Mic("right", (2.6, 2.3, 2.0), on=("snare",))),
    ... )
    >>> row = predict(kit).differences[0]
    >>> round(row.difference_s * 1e3, 3), round(row.first_notch_hz)
    (0.564, 886)
    """
    if not 1 <= order <= 3:
        raise SceneError(f"reflections of order {order} cannot be followed: ask for 1, 2 or 3")
    found = arrivals(scene)
    struck = bounces(scene, found, order=order)
    levels = heard(scene, found, struck)
    places = {thing.name: thing.position for thing in scene.placed()}
    wanted = _tasks(scene) if tasks_only else None
    return Prediction(
        speed_of_sound_m_s=found.speed_m_s,
        speed_uncertainty_m_s=found.speed_sigma_m_s,
        paths=_paths(scene, found, levels),
        differences=differences(found, wanted=wanted),
        spacing=spacing(scene, found, levels),
        bleed=bleed(scene, found, levels),
        reflections=reflections(found, struck, wanted=wanted),
        room=room_figures(scene.room, places, found.speed_m_s) if scene.room else None,
        pairs=pairs(scene, found),
        pair_geometry=tuple(pair_geometry(scene, found, pair) for pair in scene.pairs),
        di_differences=di_differences(scene, found),
        arrivals=found,
    )


def _tasks(scene: Scene) -> Bools:
    """Which mic is on which source, shape (S, M)."""
    tasks = [[source.name in mic.on for mic in scene.mics] for source in scene.sources]
    return np.array(tasks, dtype=bool).reshape(len(scene.sources), len(scene.mics))


def _paths(scene: Scene, found: Arrivals, levels: Heard) -> tuple[Path, ...]:
    per_metre = float(absorption_db_per_m(np.array([8000.0]), scene.air)[0])
    names = [(source, mic) for source in found.sources for mic in found.mics]
    arrays = (
        found.distance_m,
        found.arrival_s,
        found.level_db,
        found.uncertainty_s,
        levels.level_db,
        levels.near,
        found.distance_m * per_metre,
    )
    rows = zip(names, *(array.ravel().tolist() for array in arrays), strict=True)
    return tuple(Path(*name, *figures) for name, *figures in rows)
