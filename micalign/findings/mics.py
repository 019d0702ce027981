"""Rules on one mic: keep-outs, aim, where its null lies, what it hears besides its own source, how near it is to it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import Pattern, aims
from micalign.acoustics.prediction import Bleed, Path, Prediction
from micalign.acoustics.tuned import AHEAD, BODY_M, CLOSE_M
from micalign.arrays import Bools, Floats
from micalign.errors import some
from micalign.findings.finding import (
    Finding,
    Remedy,
    allowed,
    at_place,
    axis_degrees,
    gains_at,
    moves,
    of_pattern,
    rounded_up,
    say_move,
    spread,
    stride_m,
    towards,
    turned,
)
from micalign.findings.tuned import (
    BOUNCE_STEPS,
    CLEARED,
    LIFT_DB,
    LIFT_HZ,
    LINE_STEPS,
    LOUD_BLEED_DB,
    NULL_AIM_AHEAD_M,
    NULL_GAIN_DB,
    OUT_FURTHER_M,
    OUT_SPARE_M,
    REAR,
    ROOM_DB,
    TURN_DEGREES,
    UNHEARD_DB,
)
from micalign.scene.model import DIRECTIONAL, PATTERNS, Keepout, Mic, Point, Source, kind_of
from micalign.scene.scene import Scene
from micalign.units import db_from_amplitude, short_length, show_db, show_hz, show_length

__all__ = [
    "bass_lift",
    "bass_lift_db",
    "heard_besides",
    "hears_inverted",
    "in_keepout",
    "looks_away",
    "near_field",
    "null_elsewhere",
    "own_sources",
    "room_mic_too_near",
    "without_a_task",
]

_LISTEN: Final = "Find its place by ear: a few centimetres along the face change the sound more than the distance."
_ROOM_MIC: Final = re.compile(r"\broom\b|ambien|\bhall\b", re.IGNORECASE)  # in a mic's name


def in_keepout(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic stands where the scene says that none may."""
    for mic in scene.mics:
        for keepout in scene.keepouts:
            out = _way_out(keepout, np.array(mic.position))
            if out is not None:
                yield Finding(
                    "keepout",
                    "problem",
                    (mic.name, keepout.name),
                    f"'{mic.name}' stands inside '{keepout.name}', where no mic may be.",
                    f"The shortest way out is {say_move(out, scene.length_unit)}: what stands in it has to give way.",
                    float(np.linalg.norm(out)),
                    propose=partial(_ways_out, scene, mic, out),
                )


def _ways_out(scene: Scene, mic: Mic, out: Floats) -> Iterator[Remedy]:
    step = rounded_up(float(np.linalg.norm(out)), scene.length_unit) / float(np.linalg.norm(out))
    straight = (np.array(mic.position) + out * step)[None]
    reach = 2 * float(np.linalg.norm(out)) + OUT_FURTHER_M
    yield from moves(scene, mic, lambda places: np.ones(len(places), dtype=bool), within_m=reach, also=straight)


def _way_out(keepout: Keepout, at: Floats) -> Floats | None:
    """The shortest way out of a keep-out, with 2 cm to spare; None where the place is outside."""
    from_centre = at - np.array(keepout.at)
    if keepout.size_m is not None:
        return _out_of_box(from_centre, np.array(keepout.size_m) / 2)
    flat = from_centre * (1.0, 1.0, 0.0) if keepout.height_m is not None else from_centre
    radius, distance = keepout.radius_m or 0.0, float(np.linalg.norm(flat))
    if distance >= radius or (keepout.height_m is not None and abs(from_centre[2]) >= keepout.height_m / 2):
        return None
    direction = flat / distance if distance > 1e-9 else np.array([1.0, 0.0, 0.0])
    way: Floats = direction * (radius - distance + OUT_SPARE_M)
    return way


def _out_of_box(from_centre: Floats, half: Floats) -> Floats | None:
    left = half - np.abs(from_centre)
    if np.any(left <= 0):
        return None
    axis = int(np.argmin(left))
    way = np.zeros(3)
    way[axis] = (left[axis] + OUT_SPARE_M) * (1.0 if from_centre[axis] >= 0 else -1.0)
    return way


def own_sources(scene: Scene, prediction: Prediction) -> Iterator[tuple[int, int, Source]]:
    """Row, column and source of every mic and each source it is on."""
    for column, mic in enumerate(scene.mics):
        for name in mic.on:
            row = prediction.arrivals.sources.index(name)
            yield row, column, scene.sources[row]


def _in_pairs(scene: Scene) -> frozenset[str]:
    return frozenset(name for pair in scene.pairs for name in pair.mics)


def hears_inverted(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic takes its own source with its rear lobe, and so inverted; for pairs see their own rule."""
    paired = _in_pairs(scene)
    for row, column, source in own_sources(scene, prediction):
        gain, mic = float(prediction.arrivals.gain[row, column]), scene.mics[column]
        if gain < -REAR and mic.name not in paired:
            angle = axis_degrees(scene, mic, source.position)
            yield Finding(
                "rear-lobe",
                "problem",
                (mic.name, source.name),
                f"'{mic.name}' hears its source '{source.name}' {angle:.0f} degrees off its axis, with its rear lobe: "
                "inverted.",
                f"Its task needs another pattern, or a mic of its own for '{source.name}'.",
                abs(gain),
                propose=partial(_turns, scene, mic, source.name),
            )


def _turns(scene: Scene, mic: Mic, source: str) -> Iterator[Remedy]:
    """To its source, between all its sources, with its pair, or with a wider pattern."""
    yield turned(scene, mic, source)
    if len(mic.on) > 1:
        places = [scene.source(name).position for name in mic.on]
        x, y, z = np.mean(places, axis=0).round(4).tolist()
        yield turned(scene, mic, (x, y, z), why=", between what it is on")
    for pattern in ("cardioid", "subcardioid", "omni"):
        if pattern != mic.pattern:
            yield of_pattern(mic, pattern, source)
    yield from moves(scene, mic, partial(_ahead, scene, mic, source))


def _ahead(scene: Scene, mic: Mic, source: str, places: Floats) -> Bools:
    """From which places a mic that keeps its aim hears a source near its axis."""
    return np.asarray(gains_at(scene, mic, scene.source(source).position, places) > CLEARED * AHEAD)


def looks_away(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic hears its own source 6 dB or more below its axis; one of a pair may, where its partner hears it."""
    for row, column, source in own_sources(scene, prediction):
        mic, gain = scene.mics[column], float(prediction.arrivals.gain[row, column])
        if gain < -REAR or gain > AHEAD + 1e-9 or _partner_hears(scene, prediction, row, mic.name):
            continue
        loss, angle = -20 * np.log10(max(gain, 1e-10)), axis_degrees(scene, mic, source.position)
        yield Finding(
            "off-axis",
            "warning",
            (mic.name, source.name),
            f"'{mic.name}' looks {angle:.0f} degrees past its source '{source.name}' and hears it {_weaker(loss)} on "
            "its axis.",
            f"Its task needs a wider pattern, or a mic of its own for '{source.name}'.",
            float(loss),
            propose=partial(_turns, scene, mic, source.name),
        )


def _weaker(loss_db: float) -> str:
    return f"{show_db(loss_db)} weaker than" if loss_db < 40 else "hardly at all against"


def _partner_hears(scene: Scene, prediction: Prediction, row: int, name: str) -> bool:
    partners = {mic for pair in scene.pairs if name in pair.mics for mic in pair.mics} - {name}
    columns = [prediction.arrivals.mics.index(partner) for partner in partners]
    return any(abs(float(prediction.arrivals.gain[row, column])) > AHEAD + 1e-9 for column in columns)


def without_a_task(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Mics of which the scene does not say what they are for."""
    idle = [mic.name for mic in scene.mics if not mic.on]
    if idle:
        names = some([f"'{name}'" for name in idle], 4)
        yield Finding(
            "no-task",
            "note",
            tuple(idle),
            f"The scene does not say what {names} {'is' if len(idle) == 1 else 'are'} there to take, "
            "so most rules pass over it.",
            f'Write on = "{_nearest_source(scene, idle[0])}" (or the like) under the mic.',
            -1.0,
        )


def _nearest_source(scene: Scene, name: str) -> str:
    return min(scene.sources, key=scene.mic(name).metres_to).name


def null_elsewhere(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A turn of at most 30 degrees past its source would lay a close mic's null on what it hears loudest besides."""
    own = {(path.mic, path.source): path.distance_m for path in prediction.paths}
    reported: set[str] = set()
    for row in sorted(prediction.bleed, key=lambda row: -row.direct_db):
        mic = scene.mic(row.mic)
        if row.mic in reported or len(mic.on) != 1 or own[row.mic, row.own] > CLOSE_M:
            continue
        reported.add(row.mic)
        best = _best_aim(scene, mic, row)
        if best is not None and row.direct_db > UNHEARD_DB and row.heard_db - row.direct_db < ROOM_DB:
            point, less = best
            yield Finding(
                "null",
                "note",
                (row.mic, row.source),
                f"The null of '{row.mic}' does not lie on '{row.source}', which it hears loudest besides "
                f"'{row.own}': aimed so, it would hear {show_db(less)} less of it.",
                "Its null is out of reach where it stands.",
                -0.4,
                about=(row.mic,),
                propose=partial(_turned, scene, mic, row, point),
            )


def _turned(scene: Scene, mic: Mic, row: Bleed, point: Point) -> Iterator[Remedy]:
    yield turned(scene, mic, point, why=f", so that '{row.source}' lies at its null and '{row.own}' before it")


def _best_aim(scene: Scene, mic: Mic, row: Bleed) -> tuple[Point, float] | None:
    """The point to look at, and how much less is then heard of the other source; None for less than 6 dB."""
    pattern = Pattern.of([mic])
    null = float(pattern.null_degrees[0])
    if np.isnan(null) or mic.aim is None:
        return None
    here = np.array(mic.position)
    own, other = (_unit(np.array(scene.source(name).position) - here) for name in (row.own, row.source))
    between = float(np.degrees(np.arccos(np.clip(own @ other, -1.0, 1.0))))
    turn = float(np.clip(null - between, -TURN_DEGREES, TURN_DEGREES))
    away = _unit(own * (own @ other) - other)
    axis = own * np.cos(np.radians(turn)) + away * np.sin(np.radians(turn))
    now = float(pattern.heard(pattern.gain(np.array([aims(scene, (mic,))[0] @ other])))[0])
    then = float(pattern.heard(pattern.gain(np.array([axis @ other])))[0])
    less = float(db_from_amplitude(now / then))
    x, y, z = (here + NULL_AIM_AHEAD_M * axis).round(4).tolist()
    return ((x, y, z), less) if less >= NULL_GAIN_DB else None


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))


def heard_besides(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A close mic hears another source less than 10 dB below its own."""
    own = {(path.mic, path.source): path.distance_m for path in prediction.paths}
    for row in prediction.bleed:
        if row.heard_db > LOUD_BLEED_DB and own[row.mic, row.own] <= CLOSE_M:
            yield Finding(
                "bleed",
                "note",
                (row.mic, row.own, row.source),
                _said(row),
                _advice(row),
                row.heard_db - LOUD_BLEED_DB,
                alike=(row.mic,),
                propose=partial(_less_bleed, scene, row, own[row.mic, row.own]),
            )


def _less_bleed(scene: Scene, row: Bleed, own_m: float) -> Iterator[Remedy]:
    """Nearer to its own source, turned so that the other lies off its lobe, or of another pattern."""
    mic, source = scene.mic(row.mic), np.array(scene.source(row.own).position)
    here = np.array(mic.position)
    share = 10 ** ((LOUD_BLEED_DB - row.heard_db) / 20)
    steps = rounded_up(0.001, scene.length_unit) * np.arange(1.0, LINE_STEPS + 1.0)
    near = towards(here, source, steps[(own_m - steps <= own_m * share) & (own_m - steps >= BODY_M)])
    for place in spread(near[allowed(scene, mic, near)], here, count=4):
        yield at_place(scene, mic, place, towards=row.own)
    for pattern in DIRECTIONAL:
        if pattern != mic.pattern or mic.aim != row.own:
            yield of_pattern(mic, pattern, row.own)


def _said(row: Bleed) -> str:
    loud = f"{show_db(abs(row.heard_db))} {'below' if row.heard_db < 0 else 'above'} '{row.own}'"
    equal = "" if row.level_known else ", were both equally loud"
    direct = "direct sound alone " + show_db(row.direct_db, sign=True)
    return f"'{row.mic}' hears '{row.source}' {loud} with the room in it ({direct}){equal}."


def _advice(row: Bleed) -> str:
    if row.heard_db - row.direct_db > ROOM_DB:
        return (
            f"The room brings it, so turning '{row.mic}' will not help: halve its distance to '{row.own}' for up to "
            "6 dB, or hang absorbers."
        )
    return f"Turn '{row.mic}' away from '{row.source}', go nearer to '{row.own}', or set the two farther apart."


def near_field(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic is nearer to its own source than that is wide."""
    on = {mic.name: mic.on for mic in scene.mics}
    for path in prediction.paths:
        if path.near_field and path.source in on[path.mic]:
            yield Finding("near-field", "note", (path.mic, path.source), _near_words(scene, path), _LISTEN, 0.0)


def _near_words(scene: Scene, path: Path) -> str:
    size, unit = scene.source(path.source).size_m or 0.0, scene.length_unit
    return (
        f"'{path.mic}' is {show_length(path.distance_m, unit)} from '{path.source}', which is "
        f"{show_length(size, unit)} wide: it is no point source there, and its level no longer rises by 6 dB for half "
        "the distance."
    )


def bass_lift_db(pattern: str, distance_m: float, hz: float, speed_m_s: float) -> float:
    """By how much a directional mic lifts a low frequency so near to a small source, against far from it, dB.

    On the axis |a + (1 - a)(1 + 1/jkr)|, the pressure gradient of a spherical wave: H. F. Olson, Acoustical
    Engineering, 1957 (from memory).

    >>> round(bass_lift_db("figure-8", 0.1, 100.0, 343.0), 1), bass_lift_db("omni", 0.1, 100.0, 343.0)
    (14.9, 0.0)
    """
    near = (1.0 - PATTERNS[pattern]) * speed_m_s / (2 * np.pi * hz * distance_m)
    return float(10 * np.log10(1.0 + near**2))


def bass_lift(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A directional mic so near to a voice that it lifts 100 Hz by 6 dB or more."""
    speed = prediction.speed_of_sound_m_s
    for row, column, source in own_sources(scene, prediction):
        mic, own = scene.mics[column], float(prediction.arrivals.distance_m[row, column])
        lift = bass_lift_db(mic.pattern, own, LIFT_HZ, speed)
        if (source.kind or kind_of(source.name)) == "voice" and lift > LIFT_DB:
            yield Finding(
                "bass-lift",
                "note",
                (mic.name, source.name),
                f"'{mic.name}', a {mic.pattern} {short_length(own, scene.length_unit)} from '{source.name}', lifts "
                f"{show_hz(LIFT_HZ)} by {show_db(lift)}.",
                f"Cut the lows by as much, or keep them as a sound; every {short_length(0.02, scene.length_unit)} that "
                "the singer moves changes them.",
                -0.25,
                propose=partial(_less_lift, scene, mic, source.name, own, speed),
            )


def _less_lift(scene: Scene, mic: Mic, source: str, own_m: float, speed: float) -> Iterator[Remedy]:
    here, there = np.array(mic.position), np.array(scene.source(source).position)
    farther = towards(here, there, -stride_m(scene.length_unit) * np.arange(1.0, BOUNCE_STEPS + 1.0))
    lifts = [bass_lift_db(mic.pattern, float(np.linalg.norm(place - there)), LIFT_HZ, speed) for place in farther]
    good = farther[allowed(scene, mic, farther) & (np.array(lifts) <= LIFT_DB)]
    for place in spread(good, here, count=3):
        yield at_place(scene, mic, place, towards=source)
    yield of_pattern(mic, "omni", source)


def room_mic_too_near(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic that is called one for the room hears more of a source directly than of the room."""
    critical = prediction.room.critical_distance_m if prediction.room else None
    if critical is None:
        return
    for column, mic in enumerate(scene.mics):
        rows = [row for row, other, _ in own_sources(scene, prediction) if other == column]
        if not rows or not _ROOM_MIC.search(mic.name):
            continue
        least = critical * float(np.sqrt(Pattern.of([mic]).directivity[0]))
        row = min(rows, key=lambda row: float(prediction.arrivals.distance_m[row, column]))
        own = float(prediction.arrivals.distance_m[row, column])
        if own < least:
            points = np.array([prediction.arrivals.source_m[one] for one in rows])
            yield Finding(
                "room-mic",
                "note",
                (mic.name, prediction.arrivals.sources[row]),
                f"'{mic.name}' is {show_length(own, scene.length_unit)} from '{prediction.arrivals.sources[row]}', "
                f"nearer than {show_length(least, scene.length_unit)}, where the room becomes as loud as the direct "
                "sound: it hears little room.",
                "Turn its null to the source, or take it as a distant mic.",
                -0.2,
                about=(mic.name,),
                propose=partial(moves, scene, mic, partial(_far_enough, points, least)),
            )


def _far_enough(points: Floats, least_m: float, places: Floats) -> Bools:
    far = np.linalg.norm(places[:, None, :] - points, axis=-1)
    return np.asarray((far >= CLEARED * least_m).all(axis=1))
