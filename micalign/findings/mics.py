"""Rules on single mics: keep-outs, aim, and mics without a task."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Final

import numpy as np

from micalign.acoustics.prediction import Prediction
from micalign.arrays import Bools, Floats
from micalign.findings.finding import Finding, Remedy
from micalign.findings.moves import axis_degrees, gains_at, rounded_up, say_move
from micalign.findings.remedies import moves, of_pattern, turned
from micalign.scene.model import Keepout, Mic, Scene, Source
from micalign.units import show_db

__all__ = ["hears_inverted", "in_keepout", "looks_away", "own_sources", "without_a_task"]

_REAR: Final = 0.05  # of the axis; a lobe weaker than this is a null
_AWAY: Final = 0.5 + 1e-9


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
    reach = 2 * float(np.linalg.norm(out)) + 0.3
    yield from moves(scene, mic, _everywhere, within_m=reach, also=straight)


def _everywhere(places: Floats) -> Bools:
    return np.ones(len(places), dtype=bool)


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
    way: Floats = direction * (radius - distance + 0.02)
    return way


def _out_of_box(from_centre: Floats, half: Floats) -> Floats | None:
    left = half - np.abs(from_centre)
    if np.any(left <= 0):
        return None
    axis = int(np.argmin(left))
    way = np.zeros(3)
    way[axis] = (left[axis] + 0.02) * (1.0 if from_centre[axis] >= 0 else -1.0)
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
        if gain < -_REAR and mic.name not in paired:
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
    return np.asarray(gains_at(scene, mic, scene.source(source).position, places) > 1.02 * _AWAY)


def looks_away(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A mic hears its own source 6 dB or more below its axis; one of a pair may, where its partner hears it."""
    for row, column, source in own_sources(scene, prediction):
        mic, gain = scene.mics[column], float(prediction.arrivals.gain[row, column])
        if gain < -_REAR or gain > _AWAY or _partner_hears(scene, prediction, row, mic.name):
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
    return any(abs(float(prediction.arrivals.gain[row, column])) > _AWAY for column in columns)


def without_a_task(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Mics of which the scene does not say what they are for."""
    idle = [mic.name for mic in scene.mics if not mic.on]
    if idle:
        names = ", ".join(f"'{name}'" for name in idle[:4]) + (f" and {len(idle) - 4} more" if len(idle) > 4 else "")
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
    here = scene.mic(name).position
    return min(scene.sources, key=lambda source: float(np.linalg.norm(np.subtract(source.position, here)))).name
