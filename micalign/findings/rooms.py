"""Rules on the room and the air: modes, transition, how near mics are to a voice, long paths, tapes and positions."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import VALID_PRESSURE_KPA, VALID_TEMPERATURE_C, Pattern, is_in_valid_range
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import Mode, RoomFigures, mode_strengths
from micalign.acoustics.tuned import DISAGREES, EXCITED, IN_NULL, LOWEST, NULL_KEPT
from micalign.arrays import Bools, Floats
from micalign.findings.finding import Finding, Remedy
from micalign.findings.mics import own_sources
from micalign.findings.remedies import allowed, at_place, moves, of_pattern, spread, stride_m, towards
from micalign.findings.tuned import AIR_LOSS_DB, BOUNCE_STEPS, CLEARED, LIFT_DB, LIFT_HZ
from micalign.scene.changes import Change
from micalign.scene.model import PATTERNS, Mic, Scene, Tape, kind_of
from micalign.units import METRES, short_length, show_db, show_hz, show_length

__all__ = [
    "air_out_of_range",
    "air_takes_treble",
    "bass_lift",
    "bass_lift_db",
    "crowded_modes",
    "in_a_null",
    "room_mic_too_near",
    "tape_disagrees",
    "transition",
]


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


def tape_disagrees(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A tape and the positions differ by more than 3.5 standard deviations."""
    things = {thing.name: thing for thing in scene.placed()}
    for tape in scene.tapes:
        a, b = (things[name] for name in tape.between)
        between = a.metres_to(b)
        sigma = float(np.linalg.norm([tape.plus_minus_m, a.plus_minus_m, b.plus_minus_m]))
        if abs(between - tape.distance_m) > DISAGREES * sigma:
            unit = scene.length_unit
            yield Finding(
                "tape",
                "warning",
                tape.between,
                f"The tape between '{a.name}' and '{b.name}' reads {show_length(tape.distance_m, unit)}, but the "
                f"positions are {show_length(between, unit)} apart.",
                f"Measure it again: it is {short_length(abs(between - tape.distance_m), unit)} off.",
                abs(between - tape.distance_m) / sigma,
                propose=partial(_read_again, scene, tape, between),
            )


def _read_again(scene: Scene, tape: Tape, between_m: float) -> Iterator[Remedy]:
    """What the tape will read if the positions are right; where it does not, they are not."""
    off = short_length(abs(between_m - tape.distance_m), scene.length_unit)
    words = f"Measure it again: it is {off} off. If it reads the same, measure where the two stand."
    yield Remedy(words, (Change("tape", tape.between, "distance", between_m, "m"),), 0.0, is_measurement=True)


_ROOM_MIC: Final = re.compile(r"\broom\b|ambien|\bhall\b", re.IGNORECASE)


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
