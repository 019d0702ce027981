"""What does the room do to a sound: which surfaces send it back, which modes does it have, how long does it ring?

Frequencies in hertz, times in seconds (delays after the direct sound), levels in decibels against it.

Image sources: the box mirrored at its walls. Each bounce keeps sqrt(1 - absorption) of the amplitude; the image's level
falls with its distance and with the mic's pattern towards it. Panels add one bounce each, where they are struck; a
panel that lies on a wall (a rug on the floor) takes the wall's bounce over. Source: J. B. Allen and D. A. Berkley,
"Image method for efficiently simulating small-room acoustics", J. Acoust. Soc. Am. 65(4), 943-950, 1979.

A panel (a table top, a window, a riser) is a finite flat rectangle. It mirrors a source at its plane, and the mirrored
sound reaches a mic only where the straight line from the image to the mic passes through the rectangle, source and mic
being on one side of it. Below the frequency where the panel is small against the Fresnel zone it reflects less: J. H.
Rindel, "Attenuation of sound reflections due to diffraction", Nordic Acoustical Meeting 1986 (from memory): f = c a /
(2 A cos(angle)) with a = 2 a1 a2 / (a1 + a2), the lengths of the two ways.

The box with hard walls. Modes after Rayleigh, f = c/2 sqrt(sum (n/L)^2); reverberation after W. C. Sabine (1922), T =
24 ln 10 / c V / A, and C. F. Eyring (J. Acoust. Soc. Am. 1, 217, 1930), A = -S ln(1 - mean absorption); transition
after M. R. Schroeder (J. Acoust. Soc. Am. 34, 1819, 1962; and 99, 3240, 1996), 2000 sqrt(T/V). Pile-ups and gaps: O. J.
Bonello (J. Audio Eng. Soc. 29(9), 1981: modes that coincide are borne only among five or more in a third of an octave)
and C. L. S. Gilford (1959: more than 20 Hz to both neighbours is heard by itself), both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import pairwise, product
from typing import Final, Literal

import numpy as np

from micalign.acoustics.arrivals import Arrivals, floored_db, gains
from micalign.acoustics.tuned import LOWEST, MODES_TO_HZ, MOST_ORDERS, ON_WALL_M, PARALLEL
from micalign.arrays import Bools, Floats
from micalign.scene.model import SURFACES, Panel, Point, Room
from micalign.scene.scene import Scene
from micalign.units import AUDIBLE_HZ, Listing, Shown, show_hz

__all__ = [
    "Bounces",
    "Mode",
    "PanelFrame",
    "Reflection",
    "RoomFigures",
    "absorption_area_m2",
    "bounces",
    "critical_distance_m",
    "gaps",
    "image_sources",
    "lower_limit_hz",
    "mirror",
    "mode_strengths",
    "modes",
    "panel_frame",
    "pile_ups",
    "reflections",
    "reverberation_s",
    "room_figures",
    "strikes",
    "transition_hz",
]

_GAP_HZ: Final = 20.0
"""Hertz: modes farther apart than this on both sides are heard by themselves (C. L. S. Gilford 1959, from memory)."""

_CROWD: Final = 5
"""Modes in a third of an octave among which two that coincide are borne (O. J. Bonello 1981, from memory)."""


@dataclass(frozen=True, eq=False)
class PanelFrame:
    """A panel as vectors: ``normal``, ``across`` and ``along`` are unit, ``half`` the half sizes along the last two."""

    centre: Floats
    normal: Floats
    across: Floats
    along: Floats
    half: Floats

    @property
    def area_m2(self) -> float:
        """Its area."""
        return float(4 * self.half[0] * self.half[1])


def panel_frame(panel: Panel) -> PanelFrame:
    """The vectors of a panel: width level and across the normal, height the other way; lying flat: x, then y.

    >>> panel_frame(Panel("table", (1, 1, 0.7), (0, 0, 2), (1.2, 0.8))).across
    array([1., 0., 0.])
    >>> np.round(panel_frame(Panel("window", (0, 1, 1.5), (1, 0, 0), (1.2, 0.8))).along, 6)
    array([0., 0., 1.])
    """
    normal = np.array(panel.normal, dtype=float) / np.linalg.norm(panel.normal)
    level = np.array([-normal[1], normal[0], 0.0])
    length = float(np.linalg.norm(level))
    across = level / length if length > 1e-9 else np.array([1.0, 0.0, 0.0])
    along = np.cross(normal, across)
    turn = np.radians(panel.turn_degrees)
    turned = np.cos(turn) * across + np.sin(turn) * along
    return PanelFrame(
        np.array(panel.centre, dtype=float), normal, turned, np.cross(normal, turned), np.array(panel.size) / 2
    )


def mirror(frame: PanelFrame, points_m: Floats) -> Floats:
    """Points mirrored at the plane of a panel, shape (..., 3).

    >>> mirror(panel_frame(Panel("table", (0, 0, 1), (0, 0, 1), (1, 1))), np.array([[0.2, 0.0, 1.5]]))
    array([[0.2, 0. , 0.5]])
    """
    height = (points_m - frame.centre) @ frame.normal
    image: Floats = points_m - 2 * height[..., None] * frame.normal
    return image


def strikes(frame: PanelFrame, sources_m: Floats, mics_m: Floats) -> Bools:
    """Whether a source reaches a mic by the panel: shapes (..., 3), which are matched as numpy does, to (...).

    >>> frame = panel_frame(Panel("table", (0, 0, 0.7), (0, 0, 1), (1.0, 1.0)))
    >>> strikes(frame, np.array([-0.3, 0, 1.0]), np.array([[0.3, 0, 1.0], [3.0, 0, 1.0], [0.3, 0, 0.2]]))
    array([ True, False, False])
    """
    above_source = (sources_m - frame.centre) @ frame.normal
    above_mic = (mics_m - frame.centre) @ frame.normal
    same_side = above_source * above_mic > 1e-12
    share = np.where(same_side, above_source / np.where(same_side, above_source + above_mic, 1.0), 0.0)
    point = sources_m + share[..., None] * (mics_m - sources_m) - frame.centre
    inside: Bools = np.abs(point @ frame.across) <= frame.half[0] + 1e-9
    inside &= np.abs(point @ frame.along) <= frame.half[1] + 1e-9
    return inside & same_side


def lower_limit_hz(frame: PanelFrame, sources_m: Floats, mics_m: Floats, speed_m_s: float) -> Floats:
    """Above which frequency the panel is large enough to reflect in full, shape (S, M)."""
    above_source = np.abs((sources_m - frame.centre) @ frame.normal)[:, None]
    above_mic = np.abs((mics_m - frame.centre) @ frame.normal)[None, :]
    way = np.linalg.norm(mirror(frame, sources_m)[:, None, :] - mics_m[None, :, :], axis=-1)
    cosine = (above_source + above_mic) / np.maximum(way, 1e-9)
    first = way * above_source / np.maximum(above_source + above_mic, 1e-9)
    mean = 2 * first * (way - first) / np.maximum(way, 1e-9)
    limit: Floats = speed_m_s * mean / (2 * max(frame.area_m2, 1e-9) * np.maximum(cosine, 1e-9))
    return limit


@dataclass(frozen=True, slots=True)
class ImageSource:
    """A mirrored source: where it seems to be, by which surfaces, and the share of the amplitude they leave."""

    position: Point
    surfaces: tuple[str, ...]
    gain: float


@dataclass(frozen=True, slots=True)
class Reflection:
    """One later copy of a source at a mic.

    ``level_db`` is against the direct sound; ``first_notch_hz`` is None where it lies beyond 20 kHz, 0 where the copy
    arrives inverted (``polarity`` -1: by a rear lobe); ``at_m`` is where on the surface it bounces (first order
    only); ``from_hz`` is set for panels: below it they reflect less.
    """

    source: str
    mic: str
    surface: str
    delay_s: float
    level_db: float
    first_notch_hz: float | None
    order: int = 1
    polarity: int = 1
    at_m: Point | None = None
    from_hz: float | None = None


@dataclass(frozen=True, eq=False)
class Bounces:
    """Every source at every mic by one mirror: arrays of shape (S, M)."""

    surface: str
    order: int
    delay_s: Floats
    level_db: Floats
    inverted: Bools
    heard: Bools
    at_m: Floats | None = None
    from_hz: Floats | None = None


def image_sources(room: Room, point: Point, order: int = 1) -> tuple[ImageSource, ...]:
    """The images of a point in a room, up to an order; the point itself is not among them.

    >>> room = Room((5.0, 4.0, 3.0))
    >>> [(image.surfaces, image.position) for image in image_sources(room, (1.5, 2.0, 1.2))][:2]
    [(('left',), (-1.5, 2.0, 1.2)), (('right',), (8.5, 2.0, 1.2))]
    >>> len(image_sources(room, (1.5, 2.0, 1.2), order=2))
    24
    """
    here, found = np.array(point, dtype=float), []
    for cells in _lattice(order):
        x, y, z = (_mirrored(here, cells, room)).tolist()
        found.append(ImageSource((x, y, z), _surfaces(cells), _kept(cells, room)))
    return tuple(found)


def bounces(scene: Scene, found: Arrivals, *, order: int = 1) -> tuple[Bounces, ...]:
    """Every reflection of a scene as arrays, surface by surface, then panel by panel."""
    frames = [(panel, panel_frame(panel)) for panel in scene.panels]
    walls = _wall_bounces(scene.room, found, order, [frame for _, frame in frames]) if scene.room else []
    return (*walls, *(_panel_bounce(found, panel, frame) for panel, frame in frames))


def reflections(found: Arrivals, struck: Sequence[Bounces], *, wanted: Bools | None = None) -> tuple[Reflection, ...]:
    """The reflections of a scene: by source, mic and surface; of the ``wanted`` cells, shape (S, M), alone."""
    columns = [list(_rows(found, one, wanted)) for one in struck]
    return tuple(row for cell in zip(*columns, strict=True) for row in cell if row is not None)


@cache
def _lattice(order: int) -> tuple[tuple[int, int, int], ...]:
    """Cells of the mirrored rooms, nearest order first, within one order left, right, front, back, floor, ceiling."""
    reach = range(-order, order + 1)
    cells = [(x, y, z) for x, y, z in product(reach, reach, reach) if 0 < abs(x) + abs(y) + abs(z) <= order]
    return tuple(sorted(cells, key=lambda cell: (sum(map(abs, cell)), [(-abs(n), n) for n in cell])))


def _mirrored(points: Floats, cells: tuple[int, int, int], room: Room) -> Floats:
    """Even cells hold the room shifted, odd ones the room mirrored (Allen and Berkley 1979, equation 7)."""
    cell, size = np.array(cells), np.array(room.size)
    odd = cell % 2
    mirrored: Floats = np.where(odd == 1, -points, points) + (cell + odd) * size
    return mirrored


def _surfaces(cells: tuple[int, int, int]) -> tuple[str, ...]:
    """The surfaces of a cell's bounces; per axis they alternate, and the last is the one on the image's side."""
    names: list[str] = []
    for axis, cell in enumerate(cells):
        last = 1 if cell > 0 else 0
        names += [SURFACES[2 * axis + (last if back % 2 == 0 else 1 - last)] for back in range(abs(cell))][::-1]
    return tuple(names)


def _kept(cells: tuple[int, int, int], room: Room) -> float:
    kept = [float(np.sqrt(1.0 - room.absorption.of(name))) for name in _surfaces(cells)]  # type: ignore[arg-type]
    return math.prod(kept, start=1.0)


def _wall_bounces(room: Room, found: Arrivals, order: int, panels: list[PanelFrame]) -> list[Bounces]:
    made = []
    for cells in _lattice(order):
        image = _mirrored(found.source_m, cells, room)
        free = np.ones(found.distance_m.shape, dtype=bool)
        first = sum(map(abs, cells)) == 1
        for frame in panels if first else []:
            if _covers(frame, cells, room):
                free &= ~strikes(frame, found.source_m[:, None], found.mic_m)
        at = _wall_points(found, image, cells, room) if first else None
        made.append(_bounce(found, " + ".join(_surfaces(cells)), _surfaces(cells), image, _kept(cells, room), free, at))
    return made


def _covers(frame: PanelFrame, cells: tuple[int, int, int], room: Room) -> bool:
    axis = int(np.flatnonzero(cells)[0])
    wall = room.size[axis] if cells[axis] > 0 else 0.0
    return bool(abs(frame.normal[axis]) > PARALLEL and abs(frame.centre[axis] - wall) <= ON_WALL_M)


def _wall_points(found: Arrivals, image: Floats, cells: tuple[int, int, int], room: Room) -> Floats:
    """Where the line from each image to each mic passes through the wall, shape (S, M, 3)."""
    axis = int(np.flatnonzero(cells)[0])
    wall = room.size[axis] if cells[axis] > 0 else 0.0
    way = found.mic_m[None, :, :] - image[:, None, :]
    along = way[..., axis]
    share = np.divide(wall - image[:, None, axis], along, out=np.full_like(along, 0.5), where=along != 0)
    points: Floats = image[:, None, :] + share[..., None] * way
    return points


def _panel_bounce(found: Arrivals, panel: Panel, frame: PanelFrame) -> Bounces:
    image = mirror(frame, found.source_m)
    heard = strikes(frame, found.source_m[:, None], found.mic_m)
    kept = float(np.sqrt(1.0 - panel.absorption))
    above = np.abs((found.source_m - frame.centre) @ frame.normal)[:, None]
    share = above / np.maximum(above + np.abs((found.mic_m - frame.centre) @ frame.normal)[None, :], 1e-9)
    at = image[:, None, :] + share[..., None] * (found.mic_m[None, :, :] - image[:, None, :])
    limit = lower_limit_hz(frame, found.source_m, found.mic_m, found.speed_m_s)
    return _bounce(found, panel.name, (panel.name,), image, kept, heard, at, limit)


def _bounce(
    found: Arrivals,
    name: str,
    surfaces: tuple[str, ...],
    image: Floats,
    kept: float,
    heard: Bools,
    at: Floats | None = None,
    from_hz: Floats | None = None,
) -> Bounces:
    distance = np.linalg.norm(image[:, None, :] - found.mic_m[None, :, :], axis=-1)
    gain = gains(image, found.mic_m, found.axes, found.pattern)
    level = floored_db(kept * gain / np.maximum(distance, 1e-6)) - found.level_db
    delay = np.maximum(distance - found.distance_m, 0.0) / found.speed_m_s
    inverted = (gain < 0) != (found.gain < 0)
    return Bounces(name, len(surfaces), delay, level, inverted, heard, at, from_hz)


def _rows(found: Arrivals, one: Bounces, wanted: Bools | None) -> Iterator[Reflection | None]:
    count = found.distance_m.size
    places = one.at_m.reshape(-1, 3).tolist() if one.at_m is not None else [None] * count
    limits = one.from_hz.ravel().tolist() if one.from_hz is not None else [None] * count
    cells = product(found.sources, found.mics)
    heard_there = one.heard if wanted is None else one.heard & wanted
    arrays = (array.ravel().tolist() for array in (one.delay_s, one.level_db, one.inverted, heard_there))
    for (source, mic), delay, level, inverted, heard, place, limit in zip(cells, *arrays, places, limits, strict=True):
        notch = 0.0 if inverted else 0.5 / delay if delay >= 0.5 / AUDIBLE_HZ else None
        at = tuple(place) if place is not None else None
        yield (
            Reflection(source, mic, one.surface, delay, level, notch, one.order, -1 if inverted else 1, at, limit)
            if heard
            else None
        )


@dataclass(frozen=True, slots=True)
class Mode:
    """One standing wave: ``order`` counts its half waves along x, y and z."""

    hz: float
    order: tuple[int, int, int]

    @property
    def kind(self) -> Literal["axial", "tangential", "oblique"]:
        """Between two, four or six surfaces."""
        return ("axial", "tangential", "oblique")[sum(n > 0 for n in self.order) - 1]


@dataclass(frozen=True, slots=True)
class Gap:
    """Two neighbouring modes more than 20 Hz apart."""

    from_hz: float
    to_hz: float


@dataclass(frozen=True, slots=True)
class PileUp:
    """Modes that fall together, with fewer than five in their third of an octave."""

    hz: float
    orders: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True, repr=False)
class RoomFigures(Shown):
    """A room in figures.

    ``reverberation_s`` is Sabine's, ``eyring_s`` Eyring's; all three times and frequencies are None where nothing
    absorbs. ``strengths`` maps a mic's or source's name to the strength, 0 to 1, of each of the lowest ten modes
    where it stands (1 at a wall or corner of the wave, 0 in its null).
    """

    volume_m3: float
    modes: tuple[Mode, ...]
    reverberation_s: float | None
    eyring_s: float | None
    transition_hz: float | None
    critical_distance_m: float | None
    gaps: tuple[Gap, ...]
    pile_ups: tuple[PileUp, ...]
    strengths: dict[str, tuple[float, ...]]

    def _listing(self) -> Listing:
        ring = "" if self.reverberation_s is None else f", rings for {self.reverberation_s:.2f} s"
        turn = "" if self.transition_hz is None else f", single modes below {show_hz(self.transition_hz)}"
        rows = ((show_hz(mode.hz), mode.kind, " ".join(map(str, mode.order))) for mode in self.modes)
        return Listing(
            f"{self.volume_m3:.0f} m3{ring}{turn}", ("mode", "kind", "order"), rows, len(self.modes), words=3
        )


def room_figures(room: Room, places: dict[str, Point], speed_m_s: float) -> RoomFigures:
    """All figures of a room, with the strength of its lowest modes at each place."""
    figures = _wherever(room, speed_m_s)
    points = np.array(list(places.values()), dtype=float).reshape(-1, 3)
    strength = mode_strengths(room.size, figures.modes[:LOWEST], points)
    return replace(figures, strengths={name: tuple(row) for name, row in zip(places, strength.tolist(), strict=True)})


@lru_cache(maxsize=4)
def _wherever(room: Room, speed_m_s: float) -> RoomFigures:
    """What does not hang on where things stand: kept, for remedies move them dozens of times in one room."""
    found = modes(room.size, speed_m_s)
    sabine, eyring = reverberation_s(room, speed_m_s)
    turn = transition_hz(room, sabine) if sabine is not None else None
    return RoomFigures(
        float(np.prod(room.size)),
        found,
        sabine,
        eyring,
        turn,
        critical_distance_m(room) if sabine is not None else None,
        gaps(found, min(MODES_TO_HZ, turn or MODES_TO_HZ)),
        pile_ups(found),
        {},
    )


@lru_cache(maxsize=32)
def modes(size_m: Point, speed_m_s: float, *, upper_hz: float = MODES_TO_HZ) -> tuple[Mode, ...]:
    """The modes of a box up to ``upper_hz``, lowest first; in a huge hall to where some fifty thousand are listed.

    >>> [(round(mode.hz, 1), mode.order) for mode in modes((5.0, 4.0, 3.0), 343.0)[:3]]
    [(34.3, (1, 0, 0)), (42.9, (0, 1, 0)), (54.9, (1, 1, 0))]
    """
    while math.prod(2 * side * upper_hz / speed_m_s + 1 for side in size_m) > MOST_ORDERS:
        upper_hz *= 0.9
    most = [np.arange(int(2 * side * upper_hz / speed_m_s) + 1) for side in size_m]
    order = np.stack(np.meshgrid(*most, indexing="ij"), axis=-1).reshape(-1, 3)
    hz = speed_m_s / 2 * np.linalg.norm(order / np.array(size_m), axis=-1)
    made = [
        Mode(f, (nx, ny, nz)) for f, (nx, ny, nz) in zip(hz.tolist(), order.tolist(), strict=True) if 0 < f <= upper_hz
    ]
    return tuple(sorted(made, key=lambda mode: (mode.hz, mode.order)))


def mode_strengths(size_m: Point, found: tuple[Mode, ...], points_m: Floats) -> Floats:
    """How strongly points sit in modes: |product of cos(pi n x / L)|, shape (points, modes), 0 to 1.

    >>> mode_strengths((4.0, 4.0, 4.0), (Mode(43.0, (1, 0, 0)),), np.array([[0, 2, 2], [2.0, 2, 2]])).round(6)
    array([[1.], [0.]])
    """
    order = np.array([mode.order for mode in found], dtype=float).reshape(-1, 3)
    phase = np.pi * points_m[:, None, :] * order[None, :, :] / np.array(size_m)
    strength: Floats = np.abs(np.prod(np.cos(phase), axis=-1))
    return strength


def absorption_area_m2(room: Room) -> tuple[float, float]:
    """Sabine's absorption area, and the whole surface.

    >>> absorption_area_m2(Room((5.0, 4.0, 3.0)))
    (9.4, 94.0)
    """
    x, y, z = room.size
    areas = dict(zip(SURFACES, (y * z, y * z, x * z, x * z, x * y, x * y), strict=True))
    return sum(area * room.absorption.of(name) for name, area in areas.items()), sum(areas.values())


def reverberation_s(room: Room, speed_m_s: float) -> tuple[float | None, float | None]:
    """Reverberation times after Sabine and Eyring; None where nothing absorbs.

    >>> from micalign.scene.model import Absorption
    >>> room = Room((5.0, 4.0, 3.0), Absorption(*[0.19] * 6))
    >>> [round(time, 3) for time in reverberation_s(room, 343.0)]
    [0.541, 0.488]
    """
    sabine, surface = absorption_area_m2(room)
    if sabine <= 0:
        return None, None
    numerator = 24 * np.log(10) / speed_m_s * float(np.prod(room.size))
    mean = sabine / surface
    eyring = 0.0 if mean >= 1 else float(numerator / (-surface * np.log1p(-mean)))
    return float(numerator / sabine), eyring


def transition_hz(room: Room, reverberation: float) -> float:
    """Schroeder's frequency: below it single modes rule, above it they overlap and rays tell the truth."""
    return float(2000.0 * np.sqrt(reverberation / np.prod(room.size)))


def critical_distance_m(room: Room) -> float:
    """Where the direct sound of an omni source falls to the level of the reverberant one: sqrt(A / 16 pi)."""
    return float(np.sqrt(absorption_area_m2(room)[0] / (16 * np.pi)))


@lru_cache(maxsize=32)
def gaps(found: tuple[Mode, ...], upper_hz: float) -> tuple[Gap, ...]:
    """Neighbouring modes more than 20 Hz apart, up to ``upper_hz``."""
    return tuple(Gap(a.hz, b.hz) for a, b in pairwise(found) if b.hz - a.hz > _GAP_HZ and a.hz < upper_hz)


@lru_cache(maxsize=32)
def pile_ups(found: tuple[Mode, ...]) -> tuple[PileUp, ...]:
    """Modes within half a hertz of each other where fewer than five share their third of an octave."""
    hz = np.array([mode.hz for mode in found])
    made, start = [], 0
    for stop in range(1, len(found) + 1):
        if stop < len(found) and hz[stop] - hz[start] <= 0.5:
            continue
        low, high = np.searchsorted(hz, (hz[start] * 2 ** (-1 / 6), hz[start] * 2 ** (1 / 6)))
        if stop - start > 1 and high - low < _CROWD:
            made.append(PileUp(found[start].hz, tuple(mode.order for mode in found[start:stop])))
        start = stop
    return tuple(made)
