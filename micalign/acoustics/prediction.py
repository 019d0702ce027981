"""What does a scene predict: every figure that can be worked out before a note is played, the room in it?

A `Scene` in, frozen rows out; pure arithmetic. Field names are the keys of ``check --json``; units are in the names,
signs are stated where the rows are made.

How loud a source is at a mic is a power: the direct sound, each surface's first bounce by its image, and from the
second bounce on the reverberant field, the same everywhere. Hopkins and Stryker's field after the first bounce has
16 pi (1 - a) / A of the power of an omni at 1 m (A the absorption area after Sabine, a its mean); a bounce more leaves
(1 - a) of that, so 16 pi (1 - a)^2 / A, times the mic's random energy efficiency. Directions are heard as a real mic
hears them (`Pattern.heard`), and nearer than its size a source stops rising: on the axis of a piston of radius a at low
frequency the pressure goes with 2 (sqrt(r^2 + a^2) - r) / a^2 in place of 1 / r.

Sources: H. F. Hopkins and N. R. Stryker, "A proposed loudness-efficiency rating for loud-speakers and the
determination of system power requirements for enclosures", Proc. IRE 36(3), 315-335, 1948; L. E. Kinsler, A. R. Frey
and others, Fundamentals of Acoustics, chapter 7 (the piston; from memory). The bench in `tests/bench/acoustics`
holds this against rooms worked out by images.

The three-to-one rule, as L. Burroughs gave it (Microphones: Design and Application, 1974; from memory), is read in two
ways that differ:

* *mic to mic*: the distance between two mics is at least 3 times the distance of a mic to its own source;
* *path to path*: the source is at least 3 times as far from the other mic as from its own, so that it arrives there
  9.54 dB lower (20 log10 3). With mics side by side, each in front of its own source, the first reading gives
  sqrt(10) = 3.16 times and 10.0 dB. Here the patterns of both mics count as well.

A copy 9.54 dB down still ripples the sum by +2.5 / -3.5 dB; the rule makes a comb small, not absent.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from micalign.acoustics.arrivals import Arrivals, absorption_db_per_m, arrivals, floored_db
from micalign.acoustics.comb import (
    DiDifference,
    Difference,
    PairGeometry,
    PairSource,
    di_differences,
    differences,
    pair_geometry,
    pairs,
)
from micalign.acoustics.room import (
    Bounces,
    Reflection,
    RoomFigures,
    absorption_area_m2,
    bounces,
    reflections,
    room_figures,
)
from micalign.acoustics.tuned import BLEED_DB, LEAST_ABSORPTION, RATIO
from micalign.arrays import Bools, Floats
from micalign.errors import SceneError
from micalign.scene.model import Room
from micalign.scene.scene import Scene
from micalign.units import Listing, Shown, power_from_db

__all__ = [
    "Bleed",
    "Heard",
    "Path",
    "Prediction",
    "Spacing",
    "bleed",
    "heard",
    "predict",
    "spacing",
]


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


@dataclass(frozen=True, eq=False)
class Heard:
    """Every source at every mic, shapes (S, M); 0 dB is 1 m on the axis without a room, the mic's gain not in it.

    ``direct_db`` is the direct sound alone, ``level_db`` with the bounces and the room; ``source_db`` (S,) is how
    loud each source is at 1 m against the others, where that is known (``is_known``); ``near`` marks mics nearer to a
    source than its size.
    """

    direct_db: Floats
    level_db: Floats
    source_db: Floats
    is_known: Bools
    near: Bools


@dataclass(frozen=True, slots=True)
class Bleed:
    """What a mic hears of another source against what it is on: negative is quieter, patterns and loudness included.

    ``direct_db`` is the direct sound of both alone, ``heard_db`` with the room; where ``level_known`` is False the
    two are taken to be equally loud.
    """

    mic: str
    own: str
    source: str
    direct_db: float
    heard_db: float
    level_known: bool


def heard(scene: Scene, found: Arrivals, first: Sequence[Bounces], *, bounces: int | None = None) -> Heard:
    """The levels of a scene with its room; ``first`` are its bounces, those of a higher order are left to the field.

    ``bounces`` cuts the field off after so many, as a rendering of that order does; None is the room itself.
    """
    direct = found.pattern.heard(found.gain) * _spread(scene, found)
    power = direct**2
    for one in first:
        if one.order == 1:
            power = power + np.where(one.heard, power_from_db(one.level_db + found.level_db), 0.0)
    if scene.room is not None:
        power = power + _field(scene.room, bounces) * found.pattern.random_energy_efficiency
    loud = scene.loudness_db
    size = np.array([source.size_m or 0.0 for source in scene.sources])
    return Heard(
        floored_db(direct),
        floored_db(np.sqrt(power)),
        np.array([one or 0.0 for one in loud]),
        np.array([one is not None for one in loud], dtype=np.bool_),
        found.distance_m < size[:, None],
    )


def _spread(scene: Scene, found: Arrivals) -> Floats:
    """Amplitude by distance: one over it, less close to a source that has a size."""
    radius = np.array([(source.size_m or 0.0) / 2 for source in scene.sources])[:, None]
    near = np.hypot(found.distance_m, radius) + found.distance_m  # a^2 / (sqrt(r^2 + a^2) - r), without cancellation
    spread: Floats = 2.0 / np.maximum(near, 2e-6)
    return spread


def _field(room: Room, bounces: int | None) -> float:
    """Power of the reverberant field from the second bounce on, against an omni at 1 m.

    The n-th bounce alone has 16 pi (1 - a)^n / S: summed to the end that is 16 pi (1 - a)^2 / (a S).
    """
    area, surface = absorption_area_m2(room)
    kept = 1.0 - max(area / surface, LEAST_ABSORPTION)
    cut = 1.0 if bounces is None else 1.0 - kept ** max(bounces - 1, 0)
    return float(16 * np.pi * kept**2 * cut / ((1.0 - kept) * surface))


def bleed(scene: Scene, found: Arrivals, levels: Heard) -> tuple[Bleed, ...]:
    """What each mic hears besides what it is on, the loudest first for each mic."""
    return tuple(row for column in range(len(scene.mics)) for row in _rows(scene, found, levels, column))


def _rows(scene: Scene, found: Arrivals, levels: Heard, column: int) -> Iterator[Bleed]:
    own = [found.sources.index(name) for name in scene.mics[column].on]
    if not own:
        return
    main = max(own, key=lambda row: levels.source_db[row] + levels.level_db[row, column])
    others = [_bleed_row(found, levels, column, main, row) for row in range(len(found.sources)) if row not in own]
    yield from sorted(others, key=lambda one: -one.heard_db)


def _bleed_row(found: Arrivals, levels: Heard, column: int, main: int, row: int) -> Bleed:
    known = bool(levels.is_known[row] and levels.is_known[main])
    louder = float(levels.source_db[row] - levels.source_db[main]) if known else 0.0
    direct, all_of_it = (float(db[row, column] - db[main, column]) for db in (levels.direct_db, levels.level_db))
    names = (found.mics[column], found.sources[main], found.sources[row])
    return Bleed(*names, direct + louder, all_of_it + louder, known)


@dataclass(frozen=True, slots=True)
class Spacing:
    """One mic, a source it is on, and another mic that is not.

    ``mic_distance_ratio``: distance between the mics against the mic's to its source; ``path_ratio``: distance of the
    source to the other mic against that to its own; ``bleed_db``: level of the source at the other mic against its
    own (negative is quieter), patterns included, gains not: by the direct sound alone, which the rule is about;
    ``bleed_heard_db``: the same with the room and a real pattern (`micalign.acoustics.prediction`).
    """

    mic: str
    source: str
    other_mic: str
    mic_distance_ratio: float
    path_ratio: float
    bleed_db: float
    bleed_heard_db: float
    passes: bool
    bleed_passes: bool


def spacing(scene: Scene, found: Arrivals, levels: Heard) -> tuple[Spacing, ...]:
    """The rule for each mic, each source it is on, and each other mic that neither takes that source nor pairs with it.

    Mics on one source, and the two of a stereo pair, are meant to hear the same thing: for them see the differences.
    """
    between: Floats = np.linalg.norm(found.mic_m[:, None, :] - found.mic_m[None, :, :], axis=-1)
    return tuple(_spacing_row(found, levels, between, *case) for case in _cases(scene))


def _cases(scene: Scene) -> Iterator[tuple[int, int, int]]:
    source_row = {source.name: row for row, source in enumerate(scene.sources)}
    together = {frozenset(pair.mics) for pair in scene.pairs}
    for mic_column, mic in enumerate(scene.mics):
        for name in mic.on:
            for other_column, other in enumerate(scene.mics):
                apart = name not in other.on and frozenset((mic.name, other.name)) not in together
                if other is not mic and apart:
                    yield source_row[name], mic_column, other_column


def _spacing_row(found: Arrivals, levels: Heard, between: Floats, row: int, mic: int, other: int) -> Spacing:
    own = float(found.distance_m[row, mic])
    mic_ratio = float(between[mic, other]) / own
    bleed = float(found.level_db[row, other] - found.level_db[row, mic])
    return Spacing(
        found.mics[mic],
        found.sources[row],
        found.mics[other],
        mic_ratio,
        float(found.distance_m[row, other]) / own,
        bleed,
        float(levels.level_db[row, other] - levels.level_db[row, mic]),
        # A hair's breadth of float rounding must not fail a mic that stands at 3:1 exactly.
        mic_ratio >= RATIO * (1 - 1e-9),
        bleed <= -BLEED_DB + 1e-9,
    )
