"""Rules on stereo pairs (equal distances, mono sum, polarity), and on what is known well enough: places and tapes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from itertools import product

import numpy as np

from micalign.acoustics.comb import PairSource, first_notch_range_hz
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.tuned import CLEARLY, DISAGREES, WORKS_HZ
from micalign.arrays import Bools, Floats
from micalign.findings.finding import (
    Finding,
    Remedy,
    allowed,
    at_place,
    both,
    equal_places,
    flipped,
    gains_at,
    moves,
    nearest_first,
    of_pattern,
    places_round,
    spread,
)
from micalign.findings.odd_unit import unit_by_tapes
from micalign.findings.tuned import (
    AIM_AHEAD_M,
    FACED_M,
    FARTHEST_M,
    LEVEL_M,
    MONO_NOTCH_DB,
    OVER_M,
    PAIR_TURN_M,
    UNASKED_M,
    UNEVEN_M,
)
from micalign.scene.model import Mic, Pair, Tape
from micalign.scene.scene import Change, Scene
from micalign.units import at_hz_range, short_length, show_db, show_length, show_ms, show_ms_known, significant

__all__ = ["mono_sum", "opposite_channels", "tape_disagrees", "too_unsure", "unequal_pair", "uneven_heights"]


def _rows(prediction: Prediction, pair: Pair) -> list[PairSource]:
    return [row for row in prediction.pairs if row.pair == pair.name]


def _own_rows(scene: Scene, prediction: Prediction, pair: Pair) -> list[PairSource]:
    """The rows of what either mic of a pair is on."""
    wanted = {name for mic in pair.mics for name in scene.mic(mic).on}
    return [row for row in _rows(prediction, pair) if row.source in wanted]


def unequal_pair(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The mics of a pair are not equally far from a source that the scene says they should be."""
    for pair in scene.pairs:
        failed = [row for row in _rows(prediction, pair) if row.equal_to and not row.within_tolerance]
        if failed:
            worst = max(failed, key=lambda row: abs(row.difference_s))
            near, far = pair.mics if worst.difference_s > 0 else pair.mics[::-1]
            path = abs(worst.difference_s) * prediction.speed_of_sound_m_s
            late = show_ms_known(abs(worst.difference_s), worst.uncertainty_s)
            yield Finding(
                "pair-equal",
                "warning",
                (pair.name, *(row.source for row in failed)),
                f"'{far}' of '{pair.name}' hears '{worst.source}' {late} after '{near}' "
                f"({show_ms(pair.tolerance_s)} allowed): {short_length(path, scene.length_unit)} farther.",
                f"Let more mics move ('move' or 'reach'), or run 'micalign place': '{far}' is "
                f"{short_length(path, scene.length_unit)} too far from '{worst.source}'.",
                abs(worst.difference_s) / pair.tolerance_s,
                about=(pair.name,),
                propose=partial(_equalled, scene, pair, pair.equal_to),
            )


def _equalled(scene: Scene, pair: Pair, sources: tuple[str, ...]) -> Iterator[Remedy]:
    """One mic put as far from all the sources as its partner, mics that may move first; or both to the mean."""
    points = np.array([scene.source(name).position for name in sources])
    first, second = (scene.mic(name) for name in pair.mics)
    lengths = [np.linalg.norm(np.array(mic.position) - points, axis=1) for mic in (first, second)]
    for mic, wanted in ((first, lengths[1]), (second, lengths[0])):
        unasked = 0.0 if mic.may_move or not (first.may_move or second.may_move) else UNASKED_M
        for place in _reached(scene, mic, points, wanted):
            remedy = at_place(scene, mic, place, towards=sources[0] if len(sources) == 1 else None)
            yield replace(remedy, effort_m=remedy.effort_m + unasked, words=_equal_words(remedy.words, sources))
    mean = (lengths[0] + lengths[1]) / 2
    for one, other in product(_reached(scene, first, points, mean)[:2], _reached(scene, second, points, mean)[:2]):
        remedy = both(scene, first, one, second, other)
        yield replace(remedy, words=_equal_words(remedy.words, sources))


def _equal_words(words: str, sources: tuple[str, ...]) -> str:
    """What a move is for, where that is more than the one source that it names."""
    return words if len(sources) < 2 else f"{words[:-1]} (then equal to {' and '.join(map(repr, sources))})."


def _reached(scene: Scene, mic: Mic, points: Floats, wanted_m: Floats) -> list[Floats]:
    """Allowed places so far from the points, the nearest first, within a metre and a half."""
    here = np.array(mic.position)
    starts = np.concatenate([here[None], places_round(scene, mic, within_m=1.0)])
    equal = equal_places(starts, points, wanted_m)
    equal = equal[np.linalg.norm(equal - here, axis=1) < FARTHEST_M] if len(equal) else equal
    good = nearest_first(equal[allowed(scene, mic, equal)], here) if len(equal) else equal
    return spread(good, here, count=5)


def mono_sum(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Added to mono, a pair cancels a source it is there to take by 6 dB or more; one finding a pair."""
    for pair in scene.pairs:
        own = _own_rows(scene, prediction, pair)
        rows = [row for row in own if _combs(scene, row) and not (row.equal_to and not row.within_tolerance)]
        for row in rows:
            depth = show_db(row.mono_notch_depth_db or 0.0)
            loss = "in full" if depth == "total" else f"by {depth.lstrip('-')}"
            yield Finding(
                "mono-sum",
                "note",
                (pair.name, row.source),
                f"Added to mono, '{pair.name}' cancels '{row.source}' {loss}, first "
                f"{at_hz_range(*first_notch_range_hz(row.difference_s, row.uncertainty_s))}.",
                "Spaced pairs do so: for mono leave one of the two out, or bring the pair into one place.",
                # The lowest notch first, and all of them after what fails.
                -(row.mono_notch_depth_db or 0.0) / 100 - (row.mono_first_notch_hz or 0.0) / 1e6,
                alike=(pair.name,),
                propose=partial(_equalled, scene, pair, tuple(dict.fromkeys((*pair.equal_to, row.source)))),
            )


def _combs(scene: Scene, row: PairSource) -> bool:
    low, high = scene.source(row.source).range_hz or WORKS_HZ
    notch = row.mono_first_notch_hz
    return (row.mono_notch_depth_db or 0.0) <= MONO_NOTCH_DB and notch is not None and low / 2 <= notch <= high


def opposite_channels(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The channels of a pair hear a source it is there to take in opposite polarity."""
    for pair, geometry in zip(scene.pairs, prediction.pair_geometry, strict=True):
        rows = [row for row in _own_rows(scene, prediction, pair) if row.image_percent is None]
        if geometry.kind != "mid-side" and rows:
            worst = min(rows, key=lambda row: row.mono_notch_depth_db or 0.0)
            depth = show_db(worst.mono_notch_depth_db or 0.0)
            late = show_ms_known(abs(worst.difference_s), worst.uncertainty_s)
            loss = "all of its bass" if depth == "total" else f"{depth.lstrip('-')} of its bass"
            yield Finding(
                "pair-polarity",
                "warning",
                (pair.name, worst.source),
                f"The two channels of '{pair.name}' hear '{worst.source}' in opposite polarity, {late} apart: it has "
                f"no place in the image and loses {loss} in mono.",
                f"Its two mics would have to face '{worst.source}' with their front, or it be taken out of the pair.",
                1.0,
                about=(pair.name,),
                propose=partial(_one_polarity, scene, prediction, pair, worst.source),
            )


def _one_polarity(scene: Scene, prediction: Prediction, pair: Pair, source: str) -> Iterator[Remedy]:
    """A flip; the pair turned as a whole, or each mic of it; patterns without a rear lobe."""
    first, second = (scene.mic(name) for name in pair.mics)
    yield from (flipped(mic) for mic in (second, first))
    yield from _pair_turned(scene, prediction, pair, source)
    for pattern in (None, "cardioid"):
        changes = [of_pattern(mic, pattern or mic.pattern, source) for mic in (first, second)]
        words = f"{'Take two cardioids' if pattern else 'Face both'} for '{pair.name}', faced to '{source}'."
        words = words if pattern else f"Face both mics of '{pair.name}' to '{source}'."
        yield Remedy(
            words, tuple(change for one in changes for change in one.changes), FACED_M if pattern is None else LEVEL_M
        )
    for mic, other in ((first, second), (second, first)):
        yield from moves(scene, mic, partial(_as_the_other, scene, mic, other, source))


def _as_the_other(scene: Scene, mic: Mic, other: Mic, source: str, places: Floats) -> Bools:
    """From which places a mic that keeps its aim hears a source in the polarity in which the other one does."""
    at = scene.source(source).position
    wanted = gains_at(scene, other, at, np.array(other.position)[None])[0] * other.polarity * mic.polarity
    return np.asarray(gains_at(scene, mic, at, places) * np.sign(wanted) > CLEARLY)


def _pair_turned(scene: Scene, prediction: Prediction, pair: Pair, source: str) -> Iterator[Remedy]:
    found = prediction.arrivals
    columns = [found.mics.index(name) for name in pair.mics]
    ahead = found.axes[columns].sum(axis=0)
    way = found.source_m[found.sources.index(source)] - found.mic_m[columns].mean(axis=0)
    length = float(np.linalg.norm(ahead) * np.linalg.norm(way))
    if length < 1e-9:
        return
    angle = float(np.arccos(np.clip(ahead @ way / length, -1, 1)))
    axes = [_rotated(axis, np.cross(ahead, way), angle) for axis in found.axes[columns]]
    points = [found.mic_m[column] + AIM_AHEAD_M * axis for column, axis in zip(columns, axes, strict=True)]
    yield Remedy(
        f"Turn '{pair.name}' by {np.degrees(angle):.0f} degrees, to face '{source}'.",
        tuple(
            Change("mic", name, "aim", tuple(round(float(value), 4) for value in point), "m")
            for name, point in zip(pair.mics, points, strict=True)
        ),
        PAIR_TURN_M,
    )


def _rotated(vector: Floats, about: Floats, angle: float) -> Floats:
    """A vector turned about an axis (O. Rodrigues 1840)."""
    unit = about / max(float(np.linalg.norm(about)), 1e-12)
    across, along = np.cross(unit, vector), unit * (unit @ vector)
    return np.asarray(vector * np.cos(angle) + across * np.sin(angle) + along * (1 - np.cos(angle)))


def uneven_heights(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A pair over its sources that nothing asks to be uneven hangs at two heights."""
    for pair, geometry in zip(scene.pairs, prediction.pair_geometry, strict=True):
        first, second = (scene.mic(name) for name in pair.mics)
        allowed_m = max(UNEVEN_M, pair.tolerance_s * prediction.speed_of_sound_m_s)
        higher = first.position[2] - second.position[2]
        stacked = geometry.kind in {"coincident", "mid-side"}
        if pair.equal_to or stacked or abs(higher) <= allowed_m or not _hang_over(scene, first, second):
            continue
        up, down = (first, second) if higher > 0 else (second, first)
        yield Finding(
            "pair-heights",
            "note",
            (pair.name, up.name, down.name),
            f"'{up.name}' of '{pair.name}' hangs {short_length(abs(higher), scene.length_unit)} higher than "
            f"'{down.name}': the image leans to the lower one.",
            "Where both cannot hang level, give the pair an 'equal_to' and run 'micalign place'.",
            -0.2,
            about=(pair.name,),
            propose=partial(_levelled, scene, up, down),
        )


def _hang_over(scene: Scene, first: Mic, second: Mic) -> bool:
    """Whether both are above everything that both take."""
    shared = [scene.source(name).position[2] for name in first.on if name in second.on]
    return bool(shared) and min(first.position[2], second.position[2]) > max(shared) + OVER_M


def _levelled(scene: Scene, up: Mic, down: Mic) -> Iterator[Remedy]:
    middle = (up.position[2] + down.position[2]) / 2
    for mic, height in ((up, down.position[2]), (down, up.position[2])):
        place = np.array((*mic.position[:2], height))
        if allowed(scene, mic, place[None])[0]:
            yield at_place(scene, mic, place)
    yield both(scene, up, np.array((*up.position[:2], middle)), down, np.array((*down.position[:2], middle)))


def too_unsure(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The positions are not known well enough to tell whether a pair keeps its tolerance."""
    for pair in scene.pairs:
        rows = [row for row in _rows(prediction, pair) if row.equal_to and row.uncertainty_s > pair.tolerance_s]
        if rows:
            worst = max(rows, key=lambda row: row.uncertainty_s)
            yield Finding(
                "unsure",
                "note",
                (pair.name, worst.source),
                f"The positions of '{pair.name}' are known to {significant(worst.uncertainty_s * 1e3, 2)} ms against "
                f"'{worst.source}', its tolerance is {show_ms(pair.tolerance_s)}.",
                "Know the air's temperature better, or allow the pair more.",
                -0.3,
                about=(pair.name,),
                propose=partial(_taped, scene, prediction, pair, tuple(row.source for row in rows)),
            )


def _taped(scene: Scene, prediction: Prediction, pair: Pair, sources: tuple[str, ...]) -> Iterator[Remedy]:
    """Both distances to each source measured with a tape, closely enough."""
    needed = pair.tolerance_s * prediction.speed_of_sound_m_s / 2
    found, changes = prediction.arrivals, []
    for source, mic in product(sources, pair.mics):
        between = (source, mic)
        changes += [
            Change("tape", between, "distance", float(found.distance_m[found.cell(*between)]), "m"),
            Change("tape", between, "plus_minus", needed, "m"),
        ]
    to = " and ".join(repr(source) for source in sources)
    yield Remedy(
        f"Measure the distance from each of the two mics to {to} with a tape to "
        f"{short_length(needed, scene.length_unit)} and give them as [[tape]].",
        tuple(changes),
        0.0,
        is_measurement=True,
    )


def tape_disagrees(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A tape and the positions differ by more than 3.5 standard deviations."""
    if unit_by_tapes(scene) is not None:  # that is told once, and not as so many tapes to be read again
        return
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
