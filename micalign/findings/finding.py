"""What is a finding, one thing that figures say about a scene or a take, and what may be done about it?

A rule proposes `Remedy` values; only one that was tried on a copy of the scene and held is given (see
`micalign.findings.rules`). Each remedy is made of words for a person at the stand, and of the changes that say the same
to a program: moves, turns, patterns, polarity, level, something that absorbs. The efforts of what is no move are common
practice, no source: a flip is nearly free, a turn costs as much as carrying a stand 2 cm, another pattern 60 cm,
something to be brought and hung 80 cm, a level that is not the one wished 1.2 m.

A mic may be put where no limit is broken, the nearest place first: metres; places are arrays of shape (K, 3), vectors
have x right, y back (away from the front wall), z up. Lengths are said in centimetres or inches, as the scene's own
unit is metric or not, and the steps are those a person makes at a stand: whole centimetres, or quarters of an inch. A
mic of a pair that should be equally far from something is offered such places alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.acoustics.arrivals import Pattern, aims, gains
from micalign.acoustics.placement_terms import clearance_m
from micalign.acoustics.room import mirror, panel_frame
from micalign.acoustics.tuned import BODY_M
from micalign.arrays import Bools, Floats
from micalign.findings.tuned import (
    FINE_M,
    FLIP_M,
    KEEPOUT_SPARE_M,
    LEVEL_M,
    LIKE_PLACES,
    NEWTON_STEPS,
    PATTERN_M,
    ROUGH_M,
    THERE_M,
    TO_FLOOR_M,
    TO_WALL_M,
    TRIED,
    TURN_M,
    TWO_STANDS,
)
from micalign.scene.model import SURFACES, Mic, Pair, Point
from micalign.scene.scene import Change, Scene
from micalign.units import METRES, short_length, show_db, show_length, string_length

__all__ = [
    "SEVERITIES",
    "WAYS",
    "Clears",
    "Finding",
    "Remedy",
    "Severity",
    "allowed",
    "at_place",
    "axis_degrees",
    "both",
    "equal_places",
    "flipped",
    "gains_at",
    "image_of",
    "moves",
    "nearest_first",
    "of_pattern",
    "pair_of",
    "places_round",
    "quieter",
    "rank",
    "rounded_up",
    "say_move",
    "say_place",
    "spread",
    "stride_m",
    "towards",
    "turned",
]

Severity: TypeAlias = Literal["note", "warning", "problem"]

SEVERITIES: Final[tuple[Severity, ...]] = ("problem", "warning", "note")
"""From the heaviest: a *problem* spoils the take, a *warning* is a failed rule, a *note* is worth knowing."""

_STRIDES: Final = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 22, 26, 30, 36, 43, 50, 60, 72, 86, 100)
"""Centimetres, or halves of an inch, of the moves that are tried: each a fifth longer than the one before."""
_WAYS: Final = [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) != (0, 0, 0)]


def rank(severity: Severity) -> int:
    """0 for the heaviest.

    >>> rank("problem"), rank("note")
    (0, 2)
    """
    return SEVERITIES.index(severity)


@dataclass(frozen=True, slots=True)
class Remedy:
    """What may be done: in words, and as changes of the scene.

    ``effort_m`` orders remedies: the metres that stands are carried, and for what is no move the length that common
    practice would rather carry one. ``is_measurement``: the changes hold what is to be measured first, so they are
    tried but not handed out.
    """

    words: str
    changes: tuple[Change, ...]
    effort_m: float
    is_measurement: bool = False


Propose: TypeAlias = Callable[[], Iterable[Remedy]]


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found, where, and what to do about it.

    ``where`` names the mics, sources and surfaces; ``weight`` orders findings of one severity, the heaviest first.
    ``advice`` is what helps where no change of the scene does; once a remedy has held, ``advice`` is its words and
    ``changes`` what a script can apply. ``tried`` counts the remedies that were tried on a copy of the scene.
    """

    rule: str
    severity: Severity
    where: tuple[str, ...]
    message: str
    advice: str
    weight: float = 0.0
    changes: tuple[Change, ...] = ()
    tried: int = 0
    about: tuple[str, ...] = ()
    """What makes it the same finding in another scene; empty: ``where``."""
    alike: tuple[str, ...] = ()
    """Findings of one rule that are alike are reported as one, the heaviest; empty: none is."""
    propose: Propose | None = field(default=None, compare=False, repr=False)

    @property
    def key(self) -> tuple[str, tuple[str, ...]]:
        """Rule and what it is about: the same before and after a change."""
        return self.rule, self.about or self.where

    @property
    def kind(self) -> tuple[str, tuple[str, ...]]:
        """Rule and what all findings that are reported as one are about."""
        return self.rule, self.alike or self.key[1]


def _stepped(metres: Floats, unit: str) -> Floats:
    """Lengths rounded to what is said of a move: whole centimetres, or quarters of an inch.

    >>> _stepped(np.array([0.0712, -0.128]), "m")
    array([ 0.07, -0.13])
    """
    return np.round(metres / _step_m(unit)) * _step_m(unit)


def _step_m(unit: str) -> float:
    """The shortest length that is said of a move: a quarter of an inch, or a centimetre."""
    return METRES["in"] / 4 if unit in {"ft", "in"} else METRES["cm"]


def stride_m(unit: str) -> float:
    """From one place that is tried to the next: half an inch, or a centimetre."""
    return METRES["in"] / 2 if unit in {"ft", "in"} else METRES["cm"]


def towards(here: Floats, there: Floats, lengths: Floats) -> Floats:
    """Places along the line from one point to another, so far along it: (K,) to (K, 3)."""
    way = there - here
    return np.asarray(here + np.asarray(lengths)[:, None] * way / max(float(np.linalg.norm(way)), 1e-9))


def places_round(scene: Scene, mic: Mic, *, within_m: float = 1.0) -> Floats:
    """Places in 26 directions round a mic, and on the lines to what it is on; only allowed ones, nearest first."""
    here = np.array(mic.position)
    lengths = np.array(_STRIDES) * stride_m(scene.length_unit)
    lengths = lengths[lengths <= within_m + 1e-9]
    ways = np.array(_WAYS, dtype=float)
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    star = here + _stepped((lengths[:, None, None] * ways).reshape(-1, 3), scene.length_unit)
    lines = [
        towards(here, np.array(scene.source(name).position), sign * lengths) for name in mic.on for sign in (1, -1)
    ]
    places = np.concatenate([star, *lines])
    return nearest_first(places[allowed(scene, mic, places)], here)


def nearest_first(places: Floats, here: Floats) -> Floats:
    """The places in the order of their distance from here."""
    return np.asarray(places[np.argsort(np.linalg.norm(places - here, axis=1), kind="stable")])


def allowed(scene: Scene, mic: Mic, places: Floats, *, on_floor: bool = False) -> Bools:
    """Which places keep the walls, the keep-outs, the mic's own move or reach, and do not touch anything.

    ``on_floor``: the mic is laid there, so that the floor is no wall to it.
    """
    here = np.array(mic.position)
    good = _in_room(scene, here * (1, 1, 0) if on_floor else here, places)
    for keepout in scene.keepouts:
        good &= clearance_m(keepout, places) >= KEEPOUT_SPARE_M
    if mic.move is not None:
        inside = (places >= np.array(mic.move.low) - 1e-9) & (places <= np.array(mic.move.high) + 1e-9)
        good &= inside.all(axis=1)
    if mic.reach_m is not None:
        good &= np.linalg.norm(places - here, axis=1) <= mic.reach_m + 1e-9
    for source in scene.sources:
        good &= _keeps_off(places, here, np.array(source.position), BODY_M)
    for other in scene.mics:
        if other is not mic:
            good &= _keeps_off(places, here, np.array(other.position), BODY_M)
    return np.asarray(good)


def _in_room(scene: Scene, here: Floats, places: Floats) -> Bools:
    """Ten centimetres from the walls, or no nearer than now; above the floor; the floor itself is no wall here."""
    if scene.room is None:
        return np.asarray(places[:, 2] > min(0.0, float(here[2])))
    size = np.array(scene.room.size)
    margin = np.minimum(TO_WALL_M, np.minimum(here, size - here))
    low = np.array([margin[0], margin[1], min(margin[2], TO_FLOOR_M)])
    return np.asarray(((places >= low - 1e-9) & (places <= size - margin + 1e-9)).all(axis=1))


def _keeps_off(places: Floats, here: Floats, thing: Floats, least_m: float) -> Bools:
    """No nearer to a thing than so, or than now."""
    least = min(least_m, float(np.linalg.norm(here - thing)))
    return np.asarray(np.linalg.norm(places - thing, axis=1) >= least - 1e-9)


def pair_of(scene: Scene, mic: Mic) -> Pair | None:
    """The pair of a mic that should be equally far from something, if it belongs to one."""
    return next((pair for pair in scene.pairs if mic.name in pair.mics and pair.equal_to), None)


def equal_places(starts: Floats, sources: Floats, wanted_m: Floats) -> Floats:
    """From each start the nearest place that is ``wanted_m`` from the sources: (K, 3), (E, 3), (E,) or (K, E).

    Gauss-Newton with the least-norm step; starts from which none is reached are left out.

    >>> equal_places(np.array([[1.0, 0.0, 2.0]]), np.array([[0.0, 0.0, 0.0]]), np.array([2.0])).round(3)
    array([[0.894, 0.   , 1.789]])
    """
    at = starts.astype(float)
    wanted = np.broadcast_to(wanted_m, (len(at), len(sources)))
    still = np.arange(len(at))
    for _ in range(NEWTON_STEPS):
        way = at[still, None, :] - sources
        length = np.maximum(np.linalg.norm(way, axis=-1), 1e-9)
        missing = wanted[still] - length
        step = np.linalg.pinv(way / length[..., None], rcond=1e-3) @ missing[..., None]
        at[still] += step[..., 0]
        # A step squares what is missing: less than a micrometre before it is next to nothing after it.
        still = still[np.abs(missing).max(axis=1, initial=0.0) > THERE_M]
        if not still.size:
            break
    missed = np.abs(np.linalg.norm(at[:, None, :] - sources, axis=-1) - wanted).max(axis=1, initial=0.0)
    return np.asarray(at[missed < FINE_M])


Clears: TypeAlias = Callable[[Floats], Bools]
"""Which places, shape (K, 3), clear a finding by its own arithmetic."""


def at_place(scene: Scene, mic: Mic, place: Floats, *, towards: str | None = None) -> Remedy:
    """One mic moved; along the line to a source in so many words, else by its axes."""
    return Remedy(f"Move {_move_words(scene, mic, place, towards)}.", (_at(mic, place),), _length(mic, place))


def _at(mic: Mic, place: Floats) -> Change:
    x, y, z = (round(float(value), 4) for value in place)
    return Change("mic", mic.name, "at", (x, y, z), "m")


def _length(mic: Mic, place: Floats) -> float:
    return float(np.linalg.norm(place - mic.position))


def _move_words(scene: Scene, mic: Mic, place: Floats, towards: str | None = None) -> str:
    unit, length, is_rough = scene.length_unit, _length(mic, place), mic.plus_minus_m >= ROUGH_M
    for name in (towards,) if towards else mic.on:
        source, here = np.array(scene.source(name).position), np.array(mic.position)
        before, after = float(np.linalg.norm(source - here)), float(np.linalg.norm(source - place))
        if abs(abs(before - after) - length) < FINE_M:
            way = "nearer to" if after < before else "farther from"
            by = "" if is_rough else f"{_said(length, unit)} "
            return f"'{mic.name}' {by}{way} '{name}', to {_said(after, unit)}"
    return f"'{mic.name}' {(_about if is_rough else _by_axes)(place - mic.position, unit)}"


def _said(metres: float, unit: str) -> str:
    """Whole centimetres or quarters of an inch as such; else to the millimetre, or the eighth of an inch."""
    if abs(float(_stepped(np.array(metres), unit)) - metres) < 2 * FINE_M:
        return short_length(metres, unit)
    return string_length(metres, unit)


def _by_axes(move_m: Floats, unit: str) -> str:
    if np.abs(_stepped(move_m, unit) - move_m).max() < 2 * FINE_M:
        return say_move(move_m, unit)
    return say_move(move_m, unit, say=string_length, least_m=0.0005)


def _about(move_m: Floats, unit: str) -> str:
    """A move of a mic that nobody has measured: a tape says how far it is to be afterwards, if anything does."""
    largest = float(np.abs(move_m).max())
    step = ROUGH_M if largest >= 1.0 else ROUGH_M / 2 if largest >= ROUGH_M / 2 else FINE_M
    least_m = min(ROUGH_M / 4, largest)
    return f"about {say_move(np.round(move_m / step) * step, unit, say=_roundly, least_m=least_m)}"


def _roundly(metres: float, unit: str) -> str:
    """To the decimetre from a metre up, and whole inches.

    >>> _roundly(1.0, "m"), _roundly(0.15, "m"), _roundly(0.152, "in")
    ('1 m', '15 cm', '6 in')
    """
    if unit in {"ft", "in"}:
        return show_length(round(metres / METRES["in"]) * METRES["in"], unit)
    return short_length(metres, unit) if metres < 0.995 else f"{metres:.1f}".removesuffix(".0") + " m"


def both(scene: Scene, one: Mic, place: Floats, other: Mic, other_place: Floats) -> Remedy:
    """Two mics moved together; two stands are a fifth more work than one carried as far."""
    moved = [(mic, at) for mic, at in ((one, place), (other, other_place)) if _length(mic, at) > FINE_M]
    words = " and ".join(_move_words(scene, mic, at) for mic, at in moved)
    return Remedy(
        f"Move {words}.", tuple(_at(mic, at) for mic, at in moved), TWO_STANDS * sum(_length(*each) for each in moved)
    )


def turned(scene: Scene, mic: Mic, to: str | Point, *, why: str = "") -> Remedy:
    """A mic that looks elsewhere, its place kept."""
    point = scene.source(to).position if isinstance(to, str) else to
    angle = axis_degrees(scene, mic, point)
    facing = f"to face '{to}'" if isinstance(to, str) else f"to look at {say_place(point, scene.length_unit)}"
    do = f"Turn '{mic.name}' by {angle:.0f} degrees, {facing}{why}."
    return Remedy(do, (Change("mic", mic.name, "aim", to, "" if isinstance(to, str) else "m"),), TURN_M)


def of_pattern(mic: Mic, pattern: str, aim: str, *, gain: str = "") -> Remedy:
    """Another pattern, faced to a source; for a mic that has it already, only the turn."""
    changes = [Change("mic", mic.name, "aim", aim)] if mic.aim != aim else []
    if mic.pattern != pattern:
        changes.append(Change("mic", mic.name, "pattern", pattern))
    article = "an" if pattern[0] in "aeiou" else "a"
    do = f"Face '{mic.name}'" if mic.pattern == pattern else f"Take {article} {pattern} for '{mic.name}', faced"
    effort = TURN_M if mic.pattern == pattern else PATTERN_M
    return Remedy(f"{do} to '{aim}'{gain}.", tuple(changes), effort)


def flipped(mic: Mic) -> Remedy:
    """The other polarity."""
    return Remedy(f"Flip the polarity of '{mic.name}'.", (Change("mic", mic.name, "polarity", -mic.polarity),), FLIP_M)


def quieter(mic: Mic, by_db: float, *, why: str) -> Remedy:
    """A mic lower in the blend, by whole decibels."""
    down = float(np.ceil(by_db - 1e-9))
    words = f"Blend '{mic.name}' {show_db(down)} lower: {why}."
    return Remedy(words, (Change("mic", mic.name, "gain_db", mic.gain_db - down, "dB"),), LEVEL_M + down / 100)


def moves(
    scene: Scene, mic: Mic, clears: Clears, *, within_m: float = 1.0, also: Floats | None = None
) -> Iterator[Remedy]:
    """Moves of a mic to the nearest places that clear a finding by its own arithmetic.

    A mic of a pair that should be equally far from something keeps that: alone, or with its partner.
    """
    here, pair = np.array(mic.position), pair_of(scene, mic)
    round_it = places_round(scene, mic, within_m=within_m)
    if also is not None and pair is None:
        round_it = nearest_first(np.concatenate([round_it, also[allowed(scene, mic, also)]]), here)
    if pair is None:
        good = round_it[clears(round_it)] if len(round_it) else round_it
        for place in spread(good, here):
            yield at_place(scene, mic, place)
        return
    partner = scene.mic(next(name for name in pair.mics if name != mic.name))
    points = np.array([scene.source(name).position for name in pair.equal_to])
    yield from _alone(scene, mic, partner, points, round_it, clears)
    yield from _together(scene, mic, partner, points, round_it, clears)


def _alone(scene: Scene, mic: Mic, partner: Mic, points: Floats, round_it: Floats, clears: Clears) -> Iterator[Remedy]:
    here, there = np.array(mic.position), np.array(partner.position)
    equal = equal_places(round_it, points, np.linalg.norm(there - points, axis=1)) if len(round_it) else round_it
    equal = nearest_first(equal, here)
    good = equal[clears(equal) & allowed(scene, mic, equal)] if len(equal) else equal
    for place in spread(good, here, count=4):
        yield at_place(scene, mic, place)


def _together(
    scene: Scene, mic: Mic, partner: Mic, points: Floats, round_it: Floats, clears: Clears
) -> Iterator[Remedy]:
    here, there = np.array(mic.position), np.array(partner.position)
    good = round_it[clears(round_it)] if len(round_it) else round_it
    for place in spread(good, here, count=4):
        wanted = np.linalg.norm(place - points, axis=1)
        answer = equal_places(np.stack([there, there + (place - here)]), points, wanted)
        fits = answer[allowed(scene, partner, answer)] if len(answer) else answer
        if len(fits):
            yield both(scene, mic, place, partner, nearest_first(fits, there)[0])


def spread(places: Floats, here: Floats, *, count: int = TRIED) -> list[Floats]:
    """The first few places that are no near neighbours of one before them.

    >>> len(spread(np.array([[0.1, 0, 0], [0.101, 0, 0], [0.0, 0.2, 0]]), np.zeros(3)))
    2
    """
    kept: list[Floats] = []
    for place in places:
        near = LIKE_PLACES * float(np.linalg.norm(place - here))
        if all(np.linalg.norm(place - other) > near for other in kept):
            kept.append(place)
        if len(kept) == count:
            break
    return kept


WAYS: Final = (("to the right", "to the left"), ("toward the back", "toward the front"), ("up", "down"))
"""How the two ways along each axis are called, everywhere: right is larger x, the front is the wall at y = 0."""


def rounded_up(metres: float, unit: str) -> float:
    """A length rounded up to what `short_length` says of it, so that a move is never said too short.

    >>> rounded_up(0.0712, "m"), round(rounded_up(0.0712, "in") / 0.0254, 2)
    (0.08, 3.0)
    """
    return math.ceil(metres / _step_m(unit) - 1e-6) * _step_m(unit)


def say_move(
    move_m: Floats, unit: str, *, say: Callable[[float, str], str] = short_length, least_m: float = 0.005
) -> str:
    """A move by its axes, the largest first; what is under half a centimetre is left out.

    >>> say_move(np.array([0.05, -0.12, 0.002]), "m")
    '12 cm toward the front and 5 cm to the right'
    """
    order = sorted(range(3), key=lambda axis: -abs(move_m[axis]))
    parts = [
        f"{say(abs(float(move_m[axis])), unit)} {WAYS[axis][int(move_m[axis] < 0)]}"
        for axis in order
        if abs(move_m[axis]) >= least_m
    ]
    return " and ".join(parts) if len(parts) < 3 else f"{parts[0]}, {parts[1]} and {parts[2]}"


def say_place(point: Point, unit: str, *, leave_out: int | None = None) -> str:
    """A place in the room, or on a surface whose own axis is left out.

    >>> say_place((1.2, 2.0, 0.0), "m", leave_out=2)
    '1.20 m from the left, 2.00 m from the front'
    """
    froms = ("from the left", "from the front", "above the floor")
    return ", ".join(
        f"{show_length(value, unit)} {way}"
        for axis, (value, way) in enumerate(zip(point, froms, strict=True))
        if axis != leave_out
    )


def image_of(scene: Scene, surface: str, source: Floats) -> Floats | None:
    """The image of a source in one surface or panel of a scene; None for what is neither."""
    if scene.room and surface in SURFACES:
        index = SURFACES.index(surface)
        axis, far = divmod(index, 2)
        image = source.copy()
        image[axis] = 2 * far * scene.room.size[axis] - source[axis]
        return image
    for panel in scene.panels:
        if panel.name == surface:
            return mirror(panel_frame(panel), source)
    return None


def gains_at(scene: Scene, mic: Mic, point: Point, places: Floats) -> Floats:
    """Signed amplitude of a mic's pattern towards a point, were it at each place (K, 3) with its aim kept: (K,)."""
    aim = scene.aim_point(mic)
    if aim is None:
        return np.ones(len(places))
    axes = np.array(aim) - places
    axes = axes / np.maximum(np.linalg.norm(axes, axis=1, keepdims=True), 1e-9)
    towards: Floats = gains(np.array([point]), places, axes, Pattern.named(mic.pattern))[0]
    return towards


def axis_degrees(scene: Scene, mic: Mic, point: Point) -> float:
    """How far off its axis a mic sees a point, degrees."""
    axis = aims(scene, (mic,))[0]
    way = np.array(point) - np.array(mic.position)
    return float(np.degrees(np.arccos(np.clip(axis @ way / max(float(np.linalg.norm(way)), 1e-9), -1.0, 1.0))))
