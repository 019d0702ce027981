"""Rules on the room and the air: which surface sends a source back too loud, modes, transition, what long paths lose.

What absorbs, and how much of it at which frequency: carpet and curtain from the table of general building materials
that many handbooks print (Ballou's among them), glass wool from its makers' tables. A cover is proposed only where
what it takes at the first notch is enough, over what the surface takes already.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import VALID_PRESSURE_KPA, VALID_TEMPERATURE_C, is_in_valid_range
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import Mode, Reflection, RoomFigures, mode_strengths
from micalign.acoustics.tuned import EXCITED, IN_NULL, LOWEST, NULL_KEPT, WORKS_HZ
from micalign.arrays import Bools, Floats, point_of
from micalign.findings.finding import (
    Finding,
    Remedy,
    gains_at,
    image_of,
    moves,
    of_pattern,
    rounded_up,
    say_place,
    towards,
    turned,
)
from micalign.findings.mics import own_sources
from micalign.findings.tuned import (
    AIR_LOSS_DB,
    BOUNCE_STEPS,
    CLEARED,
    CLEARED_DB,
    FAR,
    FAR_KEEPS,
    FLAT_M,
    FLUSH_M,
    HANG_M,
    HEARD_DB,
    NEAR_KEEPS,
    NEAR_SURFACE_M,
    ROUND_M,
    STRONG_DB,
    THICK_M,
    TYPICAL_S,
    UNHEARD_DB,
)
from micalign.scene.model import DIRECTIONAL, SURFACES, Mic, Point
from micalign.scene.scene import Change, Scene
from micalign.units import METRES, db_from_amplitude, short_length, show_db, show_hz, show_length, show_ms_known

__all__ = [
    "COVERS",
    "Cover",
    "air_out_of_range",
    "air_takes_treble",
    "crowded_modes",
    "in_a_null",
    "near_surface",
    "strong_reflection",
    "transition",
]


@dataclass(frozen=True, slots=True)
class Cover:
    """What may be laid or hung where a sound bounces, and what it takes of the energy at 125 Hz, 250 Hz ... 4 kHz."""

    words: str
    takes: tuple[float, float, float, float, float, float]
    thick_m: float = 0.01

    def takes_at(self, hz: float) -> float:
        """The share taken at a frequency, between its octaves along the logarithm.

        >>> COVERS["rug"].takes_at(1000.0)
        0.37
        """
        return float(np.interp(np.log2(hz / 125.0), np.arange(6), self.takes))


COVERS: Final = {
    "rug": Cover("a thick rug", (0.02, 0.06, 0.14, 0.37, 0.60, 0.65)),
    "curtain": Cover("a heavy curtain or blanket in folds", (0.14, 0.35, 0.55, 0.72, 0.70, 0.65), 0.04),
    "absorber": Cover("an absorber {thickness} thick", (0.22, 0.82, 0.95, 0.95, 0.95, 0.95), 0.04),
}
"""Least to be carried first; no cover is counted on for more than 95 %."""


def strong_reflection(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A surface sends a mic's own source back less than 10 dB weaker, with a notch where the source matters."""
    on = {mic.name: mic.on for mic in scene.mics}
    for row in prediction.reflections:
        heard = row.level_db > HEARD_DB and row.order == 1 and row.source in on[row.mic]
        if not heard or not _is_audible(scene, row):
            continue
        late = show_ms_known(row.delay_s, TYPICAL_S)
        notch = "in the bass" if row.polarity < 0 else f"at {show_hz(row.first_notch_hz or 20e3)}"
        yield Finding(
            "reflection",
            "warning" if row.level_db > STRONG_DB else "note",
            (row.surface, row.mic, row.source),
            f"{_said(row.surface)} sends '{row.source}' back to '{row.mic}' {late} late, "
            f"{show_db(abs(row.level_db))} {'down' if row.level_db < 0 else 'up'}: first notch {notch}.",
            _ear(row),
            row.level_db - HEARD_DB,
            alike=(row.surface,),
            propose=partial(_mends, scene, prediction, row),
        )


def _is_audible(scene: Scene, row: Reflection) -> bool:
    """Whether the comb begins below the upper end of what matters of the source."""
    _, high = scene.source(row.source).range_hz or WORKS_HZ
    return row.polarity < 0 or (row.first_notch_hz is not None and row.first_notch_hz <= high)


def _said(surface: str) -> str:
    if surface in {"floor", "ceiling"}:
        return f"The {surface}"
    return f"The {surface} wall" if surface in SURFACES else f"The panel '{surface}'"


def _mends(scene: Scene, prediction: Prediction, row: Reflection) -> Iterator[Remedy]:
    """The mic moved, something that absorbs there, a pattern or a turn, the floor itself."""
    yield from _moved(scene, prediction, row)
    yield from _covers(scene, prediction, row)
    yield from _patterns(scene, row)
    yield from _on_the_floor(scene, row)


def _moved(scene: Scene, prediction: Prediction, row: Reflection) -> Iterator[Remedy]:
    """A move that keeps two thirds of the mic's distance; of a far mic nearly all of it, since it is there for that."""
    mic, source = scene.mic(row.mic), np.array(scene.source(row.source).position)
    image, here = image_of(scene, row.surface, source), np.array(mic.position)
    if image is None:
        return
    own = float(np.linalg.norm(source - here))
    least = own * (FAR_KEEPS if _is_far_mic(scene, prediction, row) else NEAR_KEEPS)
    unit = scene.length_unit
    line = towards(here, source, rounded_up(0.001, unit) * np.arange(1.0, BOUNCE_STEPS + 1.0))
    yield from moves(
        scene, mic, partial(_is_weak, scene, mic, row, source, image, least, prediction.speed_of_sound_m_s), also=line
    )


def _is_weak(
    scene: Scene, mic: Mic, row: Reflection, source: Floats, image: Floats, least_m: float, speed: float, places: Floats
) -> Bools:
    """At which places the reflection is weak, or its first notch above what matters of the source."""
    here = np.array(mic.position)[None]
    levels = _reflection_levels_db(scene, mic, source, image, 1.0, np.concatenate([here, places]))
    own = np.linalg.norm(places - source, axis=1)
    later_m = np.maximum(np.linalg.norm(places - image, axis=1) - own, 1e-6)
    _, high = scene.source(row.source).range_hz or WORKS_HZ
    weak = levels[1:] - levels[0] + row.level_db <= HEARD_DB - CLEARED_DB
    return np.asarray((weak | (speed / (2 * later_m) > CLEARED * high)) & (own >= least_m))


def _is_far_mic(scene: Scene, prediction: Prediction, row: Reflection) -> bool:
    """Whether another mic on the source is so much nearer that this one is there for the distance."""
    found = prediction.arrivals
    own = found.distance_m[found.cell(row.source, row.mic)]
    others = [mic.name for mic in scene.mics if row.source in mic.on and mic.name != row.mic]
    return any(own > FAR * found.distance_m[found.cell(row.source, name)] for name in others)


def _covers(scene: Scene, prediction: Prediction, row: Reflection) -> Iterator[Remedy]:
    """What takes enough at the first notch, laid where it bounces, a wavelength across."""
    if row.polarity < 0 or row.first_notch_hz is None or row.surface not in SURFACES or scene.room is None:
        return
    already = scene.room.absorption.of(row.surface)
    left = (1 - already) * 10 ** ((HEARD_DB - CLEARED_DB - row.level_db) / 10)
    across = rounded_up(prediction.speed_of_sound_m_s / row.first_notch_hz, scene.length_unit)
    for kind in ("rug" if row.surface == "floor" else "curtain", "absorber"):
        cover = COVERS[kind]
        takes = cover.takes_at(row.first_notch_hz)
        panel = _panel(scene, row, cover, across)
        if takes >= 1 - left and panel is not None:
            yield _cover(scene, row, cover, (takes, across), panel)


def _cover(
    scene: Scene, row: Reflection, cover: Cover, takes: tuple[float, float], panel: tuple[Point, Point]
) -> Remedy:
    share, across = takes
    unit, name = scene.length_unit, f"{cover.words.split()[1].strip()} at {row.surface}, {row.mic}"
    what = f"{cover.words.format(thickness=short_length(THICK_M, unit))}, {short_length(across, unit)} across,"
    skip = SURFACES.index(row.surface) // 2
    verb = {"floor": "Lay", "ceiling": "Hang"}.get(row.surface, "Put")
    centre, normal = panel
    middle = "" if np.allclose(centre, row.at_m or centre, rtol=0.0, atol=THICK_M) else ", its middle"
    return Remedy(
        f"{verb} {what} where it bounces{middle}: {say_place(centre, unit, leave_out=skip)}.",
        (
            Change("panel", name, "centre", tuple(round(value, 4) for value in centre), "m"),
            Change("panel", name, "normal", normal),
            Change("panel", name, "size", (round(across, 4), round(across, 4)), "m"),
            Change("panel", name, "absorption", round(share, 3)),
        ),
        HANG_M,
    )


def _panel(scene: Scene, row: Reflection, cover: Cover, across: float) -> tuple[Point, Point] | None:
    """Centre and normal of a cover over where the sound bounces, all of it on the surface.

    None where the surface is smaller than that, and where something stands there already.
    """
    if row.at_m is None or scene.room is None:
        return None
    axis, far = divmod(SURFACES.index(row.surface), 2)
    centre, normal = list(row.at_m), [0.0, 0.0, 0.0]
    centre[axis] = scene.room.size[axis] - cover.thick_m if far else cover.thick_m
    normal[axis] = -1.0 if far else 1.0
    for other in (k for k in range(3) if k != axis):
        if scene.room.size[other] < across:
            return None
        centre[other] = float(np.clip(centre[other], across / 2, scene.room.size[other] - across / 2))
    for thing in scene.placed():
        off = np.abs(np.subtract(thing.position, centre))
        if off[axis] < ROUND_M and max(off[k] for k in range(3) if k != axis) < across / 2 + ROUND_M / 2:
            return None
    return (centre[0], centre[1], centre[2]), (normal[0], normal[1], normal[2])


def _patterns(scene: Scene, row: Reflection) -> Iterator[Remedy]:
    """A directional mic faced to the source, where that alone weakens what comes back enough: its place may stay."""
    mic, source = scene.mic(row.mic), np.array(scene.source(row.source).position)
    image = image_of(scene, row.surface, source)
    if image is None:
        return
    if mic.aim != row.source and mic.pattern != "omni":
        yield turned(scene, mic, row.source)
    here = np.array(mic.position)[None]
    for pattern in DIRECTIONAL:
        was, then = (
            float(_reflection_levels_db(scene, one, source, image, 1.0, here)[0])
            for one in (mic, replace(mic, pattern=pattern, aim=row.source))
        )
        level = row.level_db + then - was
        if level <= HEARD_DB:
            yield of_pattern(mic, pattern, row.source, gain=f": the bounce falls to {show_db(level)}")


def _on_the_floor(scene: Scene, row: Reflection) -> Iterator[Remedy]:
    """A single mic laid on the floor: both ways are one there."""
    mic = scene.mic(row.mic)
    if row.surface != "floor" or any(mic.name in pair.mics for pair in scene.pairs):
        return
    x, y, _ = mic.position
    yield Remedy(
        f"Lay '{mic.name}' on the floor, its capsule within {short_length(FLAT_M, scene.length_unit)} of it: direct "
        "and bounced sound then arrive as one.",
        (Change("mic", mic.name, "at", (x, y, FLAT_M), "m"),),
        max(mic.position[2], HANG_M),
    )


def _ear(row: Reflection) -> str:
    said = _said(row.surface)
    ways = {"floor": "height of '{}'", "ceiling": "height of '{}'"}
    way = ways.get(row.surface, f"distance of '{{}}' from {said[0].lower()}{said[1:]}")
    return f"Choose the {way.format(row.mic)} by ear."


def near_surface(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic near a wall or the ceiling that sends its own source back, 10 to 20 dB down, with a notch in its range."""
    reported: set[tuple[str, str]] = set()
    for row in sorted(prediction.reflections, key=lambda row: -row.level_db):
        if scene.room is None or row.surface not in SURFACES or row.surface == "floor" or row.order != 1:
            continue
        mic = scene.mic(row.mic)
        away = _away_m(scene, row.surface, np.array(mic.position)[None])[0]
        near = FLUSH_M < away < NEAR_SURFACE_M and row.source in mic.on and (row.mic, row.surface) not in reported
        if near and _colours(scene, prediction, row):
            reported.add((row.mic, row.surface))
            yield Finding(
                "near-surface",
                "note",
                (row.mic, row.surface),
                f"'{row.mic}' is {short_length(float(away), scene.length_unit)} from the {_called(row.surface)}: "
                f"'{row.source}' comes back {show_db(-_real_db(scene, prediction, row))} down, first notch at "
                f"{show_hz(row.first_notch_hz or 0.0)}.",
                "Cover that part of it, or turn the mic's back to it.",
                -0.2,
                alike=(row.surface,),
                propose=partial(moves, scene, mic, partial(_is_away, scene, row.surface)),
            )


def _called(surface: str) -> str:
    return "ceiling" if surface == "ceiling" else f"{surface} wall"


def _away_m(scene: Scene, surface: str, places: Floats) -> Floats:
    """How far places are from one surface, shape (K,)."""
    assert scene.room is not None
    axis, far = divmod(SURFACES.index(surface), 2)
    away: Floats = scene.room.size[axis] - places[:, axis] if far else places[:, axis]
    return away


def _is_away(scene: Scene, surface: str, places: Floats) -> Bools:
    return np.asarray(_away_m(scene, surface, places) >= NEAR_SURFACE_M)


def _colours(scene: Scene, prediction: Prediction, row: Reflection) -> bool:
    low, high = scene.source(row.source).range_hz or WORKS_HZ
    notch = row.first_notch_hz
    audible = notch is not None and row.polarity > 0 and low / 2 <= notch <= high
    return audible and UNHEARD_DB < _real_db(scene, prediction, row) <= HEARD_DB


def _real_db(scene: Scene, prediction: Prediction, row: Reflection) -> float:
    """The level of a reflection, were it never weaker than a real mic's rejection leaves it."""
    found, mic = prediction.arrivals, scene.mic(row.mic)
    cell = found.cell(row.source, row.mic)
    own = float(found.distance_m[cell])
    later = own + row.delay_s * found.speed_m_s
    gain = max(abs(float(found.gain[cell])), 1e-3)
    least = -mic.rejection_db + float(db_from_amplitude(own / later / gain))
    return max(row.level_db, least) if mic.pattern != "omni" else row.level_db


def in_a_null(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic beyond the critical distance sits in the null of a low mode that its source excites and needs."""
    room = prediction.room
    if room is None or room.critical_distance_m is None:
        return
    for row, column, source in own_sources(scene, prediction):
        mic, (low, high) = scene.mics[column], source.range_hz or (0.0, 0.0)
        if prediction.arrivals.distance_m[row, column] < room.critical_distance_m:
            continue
        for index, mode in enumerate(room.modes[:LOWEST]):
            if _is_null(room.strengths[mic.name][index], room.strengths[source.name][index], mode, (low, high)):
                yield Finding(
                    "mode-null",
                    "warning",
                    (mic.name, source.name),
                    f"'{mic.name}' stands in the null of the room's {show_hz(mode.hz)} mode, which '{source.name}' "
                    "excites and needs.",
                    "Take that note from a mic nearer to it.",
                    1.0,
                    propose=partial(moves, scene, mic, partial(_out_of_nulls, scene, room, mic)),
                )
                break


def _is_null(mic: float, source: float, mode: Mode, range_hz: tuple[float, float]) -> bool:
    """Whether a mic misses a mode that its source excites and needs."""
    return mic < IN_NULL and source > EXCITED and range_hz[0] <= mode.hz <= range_hz[1]


def _out_of_nulls(scene: Scene, room: RoomFigures, mic: Mic, places: Floats) -> Bools:
    """Which places miss none of the modes of what a mic is on, with a little to spare."""
    assert scene.room is not None
    shown = room.modes[:LOWEST]
    strength = mode_strengths(scene.room.size, shown, places)
    good = np.ones(len(places), dtype=bool)
    for name in mic.on:
        wanted = scene.source(name).range_hz or (0.0, 0.0)
        needed = [index for index, mode in enumerate(shown) if _is_null(0.0, room.strengths[name][index], mode, wanted)]
        good &= (strength[:, needed] > NULL_KEPT).all(axis=1)
    return good


def transition(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Below the room's transition frequency ray arithmetic is only a guide."""
    room = prediction.room
    if room is None or room.transition_hz is None:
        return
    needs = [source.name for source in scene.sources if source.range_hz and source.range_hz[0] < room.transition_hz]
    if needs:
        lowest = room.modes[0].hz if room.modes else 0.0
        step_m = 18 * METRES["in"] if scene.length_unit in {"ft", "in"} else 0.5
        yield Finding(
            "transition",
            "note",
            tuple(needs),
            f"Below {show_hz(room.transition_hz)} this room rings in single modes (the lowest at {show_hz(lowest)}): "
            "notches and reflections reported below it are only a guide.",
            f"Judge the bass by ear, at {show_length(step_m, scene.length_unit)} steps of the mic.",
            -0.5,
        )


def crowded_modes(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Modes of the room fall together, or leave a gap, where single modes are heard."""
    room = prediction.room
    piles = room.pile_ups if room else ()
    if room is None or room.transition_hz is None or not piles or piles[0].hz > room.transition_hz:
        return
    orders = " and ".join(" ".join(map(str, order)) for order in piles[0].orders[:2])
    yield Finding(
        "pile-up",
        "note",
        (),
        f"{len(piles[0].orders)} modes of the room fall together at {show_hz(piles[0].hz)} ({orders}): a note there "
        "booms.",
        f"Keep bass mics {show_length(0.5, scene.length_unit)} or more out of the corners, where all modes are strong.",
        -0.8,
    )


def air_out_of_range(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The air is outside the range for which the speed of sound is stated."""
    if not is_in_valid_range(scene.air):
        (low_c, high_c), (low_kpa, high_kpa) = VALID_TEMPERATURE_C, VALID_PRESSURE_KPA
        yield Finding(
            "air-range",
            "note",
            (),
            f"{scene.air.temperature_c:g} C at {scene.air.pressure_kpa:g} kPa is outside the range of the formula "
            f"({low_c:g} to {high_c:g} C, {low_kpa:g} to {high_kpa:g} kPa): "
            f"{prediction.speed_of_sound_m_s:.1f} m/s is an extrapolation.",
            "Measure delays on a take rather than trust times to better than one part in a thousand.",
            -0.9,
        )


def air_takes_treble(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """On its way to a mic of its own a source loses 1 dB or more at 8 kHz to the air."""
    on = {mic.name: mic.on for mic in scene.mics}
    rows = [path for path in prediction.paths if path.source in on[path.mic] and path.air_loss_db >= AIR_LOSS_DB]
    if rows:
        worst = max(rows, key=lambda path: path.air_loss_db)
        yield Finding(
            "air-loss",
            "note",
            (worst.source, worst.mic),
            f"Over {show_length(worst.distance_m, scene.length_unit)} to '{worst.mic}' the air alone takes "
            f"{show_db(worst.air_loss_db)} of '{worst.source}' at 8 kHz.",
            f"Lift the treble of '{worst.mic}' by {show_db(worst.air_loss_db)} at 8 kHz.",
            -0.7,
        )


def _reflection_levels_db(scene: Scene, mic: Mic, source: Floats, image: Floats, kept: float, places: Floats) -> Floats:
    """Level of one reflection against the direct sound, were the mic at each place (K, 3) with its aim kept."""
    levels = []
    for origin in (image, source):
        gain = np.abs(gains_at(scene, mic, point_of(origin), places))
        levels.append(np.maximum(gain, 1e-9) / np.maximum(np.linalg.norm(places - origin, axis=1), 1e-6))
    ratio: Floats = db_from_amplitude(kept * levels[0] / levels[1])
    return ratio
