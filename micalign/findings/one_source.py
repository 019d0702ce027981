"""Rules on mics that hear one source: three to one, combs, polarity, late copies, direct lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from micalign.acoustics.comb import DiDifference, Difference
from micalign.acoustics.prediction import Prediction, Spacing
from micalign.acoustics.tuned import BLEED_DB, BODY_M, CLOSE_M, LATE_S, RATIO, SECOND_HIT_DB, SHARED_M, WORKS_HZ
from micalign.arrays import Bools, Floats
from micalign.findings.finding import (
    Finding,
    Remedy,
    allowed,
    at_place,
    equal_places,
    flipped,
    moves,
    nearest_first,
    of_pattern,
    pair_of,
    places_round,
    quieter,
    rounded_up,
    spread,
    towards,
)
from micalign.findings.tuned import (
    BLEND_CLEARED_DB,
    BROUGHT_UP_M,
    COMB_DB,
    DI_APART_S,
    LINE_STEPS,
    MOST_LOWER_DB,
    OPPOSITE_DEGREES,
    OPPOSITE_M,
    OTHER_WITHIN_M,
    SOON_ENOUGH,
    UNHEARD_DB,
)
from micalign.scene.model import DIRECTIONAL, Mic
from micalign.scene.scene import Change, Scene
from micalign.units import at_hz_range, show_db, show_hz, show_ms_known, show_ratio

__all__ = ["direct_line_ahead", "late_copy", "opposite_sides", "three_to_one", "two_mics_comb"]


def _apart(row: Difference | DiDifference) -> str:
    return show_ms_known(abs(row.difference_s), row.uncertainty_s)


def three_to_one(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A close mic and its worst neighbour: a warning where both readings of the rule fail, a note where the mics only
    stand too near for the first and the bleed can still be heard.
    """
    for row in prediction.spacing:
        close = prediction.arrivals.distance_m[prediction.arrivals.cell(row.source, row.mic)] <= CLOSE_M
        if close and not row.passes and row.bleed_db > UNHEARD_DB:
            yield Finding(
                "three-to-one",
                "note" if row.bleed_passes else "warning",
                (row.mic, row.source, row.other_mic),
                _bleed_words(row),
                "Judge the two together by ear, or put something that absorbs between them.",
                row.bleed_db + BLEED_DB,
                alike=(row.mic,),
                propose=partial(_kept_apart, scene, prediction, row),
            )


def _bleed_words(row: Spacing) -> str:
    apart = f"the mics stand {show_ratio(row.mic_distance_ratio)} apart (3:1 wanted)"
    if row.bleed_db >= 0:
        louder = f"{show_db(row.bleed_db)} louder than its own '{row.mic}'"
        return f"'{row.source}' reaches '{row.other_mic}' {louder}; {apart}."
    heard = f"{show_db(-row.bleed_db)} below '{row.mic}' ({show_db(BLEED_DB)} wanted)"
    room = f", {show_db(-row.bleed_heard_db)} with the room" if row.bleed_db + 1.0 < row.bleed_heard_db < 0 else ""
    return f"'{row.source}' reaches '{row.other_mic}' {'' if row.bleed_passes else 'only '}{heard}{room}; {apart}."


def _kept_apart(scene: Scene, prediction: Prediction, row: Spacing) -> Iterator[Remedy]:
    """The mic nearer to its source, the other one farther from it or looking away, a pattern that hears it less."""
    mic, other, unit = scene.mic(row.mic), scene.mic(row.other_mic), scene.length_unit
    source = np.array(scene.source(row.source).position)
    here, there = np.array(mic.position), np.array(other.position)
    own = float(np.linalg.norm(source - here))
    steps = rounded_up(0.001, unit) * np.arange(1.0, LINE_STEPS + 1.0)
    nearer = towards(here, source, steps[steps <= own - BODY_M])
    for place in spread(nearer[allowed(scene, mic, nearer) & _passes(nearer, source, there, row, own)], here, count=4):
        yield at_place(scene, mic, place, towards=row.source)
    yield from moves(
        scene, other, lambda places: _other_passes(places, source, here, row, own), within_m=OTHER_WITHIN_M
    )
    for pattern in DIRECTIONAL:
        for name in other.on[:1]:
            if pattern != other.pattern or other.aim != name:
                yield of_pattern(other, pattern, name)


def _passes(places: Floats, source: Floats, other: Floats, row: Spacing, own_m: float) -> Bools:
    """Where either reading of the rule passes; where the bleed passes already, only that of the mics does."""
    own = np.linalg.norm(source - places, axis=1)
    passes = np.linalg.norm(places - other, axis=1) >= RATIO * own
    wanted = UNHEARD_DB if row.bleed_passes else -BLEED_DB
    return np.asarray(passes | (row.bleed_db + 20 * np.log10(np.maximum(own, 1e-3) / own_m) <= wanted))


def _other_passes(places: Floats, source: Floats, mic: Floats, row: Spacing, own_m: float) -> Bools:
    far = np.linalg.norm(places - source, axis=1)
    passes = np.linalg.norm(places - mic, axis=1) >= RATIO * own_m
    wanted = UNHEARD_DB if row.bleed_passes else -BLEED_DB
    level = row.bleed_db - 20 * np.log10(far / max(own_m * row.path_ratio, 1e-3))
    return np.asarray(passes | (level <= wanted))


def _shared(scene: Scene, prediction: Prediction) -> Iterator[Difference]:
    """Differences between two mics that are on one source and are no stereo pair."""
    on = {mic.name: mic.on for mic in scene.mics}
    together = {frozenset(pair.mics) for pair in scene.pairs}
    for row in prediction.differences:
        if all(row.source in on[name] for name in row.mics) and frozenset(row.mics) not in together:
            yield row


def _audible(scene: Scene, row: Difference) -> bool:
    """Whether the first notch (of a copy that is not inverted) lies where the source matters."""
    low, high = scene.source(row.source).range_hz or WORKS_HZ
    return row.first_notch_hz is not None and (row.polarity < 0 or low / 2 <= row.first_notch_hz <= high)


def _angle_at_source(prediction: Prediction, row: Difference) -> float:
    found = prediction.arrivals
    here = found.source_m[found.sources.index(row.source)]
    ways = [found.mic_m[found.mics.index(name)] - here for name in row.mics]
    cosine = ways[0] @ ways[1] / (np.linalg.norm(ways[0]) * np.linalg.norm(ways[1]))
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def _face_each_other(prediction: Prediction, row: Difference) -> bool:
    """Whether two mics look at a source from its two sides: inverted ones at any distance, others close by."""
    cells = [prediction.arrivals.cell(row.source, name) for name in row.mics]
    near = row.polarity < 0 or all(prediction.arrivals.distance_m[cell] <= OPPOSITE_M for cell in cells)
    return near and _angle_at_source(prediction, row) > OPPOSITE_DEGREES


def two_mics_comb(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Two mics on one source, within 6 dB in the blend, at unequal distances; one finding for two mics."""
    for row in _shared(scene, prediction):
        # Of two sides of one drum head one is flipped and shifted, as said there; nobody moves a mic for that.
        opposite = _face_each_other(prediction, row)
        depth_db = row.notch_depth_db or 0.0
        if depth_db <= COMB_DB and _audible(scene, row) and not opposite:
            cells = [prediction.arrivals.cell(row.source, name) for name in row.mics]
            close = all(prediction.arrivals.distance_m[cell] <= SHARED_M for cell in cells)
            yield Finding(
                "comb",
                "warning" if row.polarity < 0 or close else "note",
                (row.source, *row.mics),
                _comb_words(row),
                _align_words(scene, row),
                -depth_db,
                alike=row.mics,
                propose=partial(_brought_together, scene, prediction, row),
            )


def _comb_words(row: Difference) -> str:
    depth = show_db(row.notch_depth_db or 0.0)
    cut = "cancels in full" if depth == "total" else f"falls by {depth.lstrip('-')}"
    where = at_hz_range(*row.first_notch_range_hz) if row.first_notch_range_hz else "in the bass"
    inverted = ", one of them inverted" if row.polarity < 0 else ""
    return (
        f"'{row.source}' arrives at '{row.mics[0]}' and '{row.mics[1]}' {_apart(row)} apart"
        f"{inverted}: their sum {cut}, first {where}."
    )


def _align_words(scene: Scene, row: Difference) -> str:
    """What helps where no move does: the tracks are shifted after the take, but no mic out of its pair.

    A room's mic stays as well, as `align` leaves it: what suits one source sets another one apart.
    """
    near, far = row.mics if row.difference_s > 0 else row.mics[::-1]
    paired = {name for pair in scene.pairs for name in pair.mics}
    alone = near in paired and far not in paired
    if alone and row.polarity > 0 and len(scene.mic(far).on) > 1:
        return f"Leave '{far}' its distance, which is its sound, and blend it lower: no one shift suits all it hears."
    shift = f"shift '{far}' {_apart(row)} earlier" if alone else f"shift '{near}' {_apart(row)} later"
    if row.polarity < 0:
        return f"Flip the polarity of '{row.mics[1]}', then align the tracks: {shift}."
    return f"Align the tracks: {shift}."


def _brought_together(scene: Scene, prediction: Prediction, row: Difference) -> Iterator[Remedy]:
    """A flip, or a short move of a close mic; a mic that is there for its distance stays where it is."""
    if row.polarity < 0:
        yield from (flipped(scene.mic(name)) for name in sorted(row.mics, key=lambda n: scene.mic(n).polarity))
    for mine, its in (row.mics, row.mics[::-1]):
        mic, other = scene.mic(mine), scene.mic(its)
        if _is_there_for_distance(prediction, row, mine, its):
            continue
        for names in dict.fromkeys(((row.source,), tuple(name for name in mic.on if name in other.on))):
            yield from _equalled(scene, mic, other, names)
        if row.polarity > 0:
            yield from _lower(row, mic, other)


def _equalled(scene: Scene, mic: Mic, other: Mic, names: tuple[str, ...]) -> Iterator[Remedy]:
    points = np.array([scene.source(name).position for name in names])
    here = np.array(mic.position)
    if pair_of(scene, mic) is not None or len(points) > 3:
        return
    starts = np.concatenate([here[None], places_round(scene, mic, within_m=0.5)])
    equal = equal_places(starts, points, np.linalg.norm(np.array(other.position) - points, axis=1))
    good = nearest_first(equal[allowed(scene, mic, equal)], here) if len(equal) else equal
    for place in spread(good, here, count=4):
        yield at_place(scene, mic, place, towards=names[0])


def _lower(row: Difference, mic: Mic, other: Mic) -> Iterator[Remedy]:
    """A few decibels less of the weaker one, where that takes the two apart by 6 dB."""
    short = BLEND_CLEARED_DB - 20 * float(np.log10(1 - 10 ** (COMB_DB / 20))) - abs(row.level_difference_db)
    weaker = row.mics[0] if row.level_difference_db > 0 else row.mics[1]
    if mic.name == weaker and 0 < short <= MOST_LOWER_DB:
        yield quieter(mic, short, why=f"its sum with '{other.name}' then falls by less than 6 dB")


def _is_there_for_distance(prediction: Prediction, row: Difference, mic: str, other: str) -> bool:
    """A far mic, to be brought up to a close one by a large part of its way."""
    far, near = (prediction.arrivals.distance_m[prediction.arrivals.cell(row.source, name)] for name in (mic, other))
    path = abs(float(far - near))
    return bool(max(far, near) > (BROUGHT_UP_M if path > max(far, near) / 2 else SHARED_M))


def opposite_sides(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Two close mics on opposite sides of a source, both of one polarity."""
    for row in _shared(scene, prediction):
        if row.polarity > 0 and _face_each_other(prediction, row):
            yield Finding(
                "opposite-sides",
                "note",
                (row.source, *row.mics),
                f"'{row.mics[0]}' and '{row.mics[1]}' face '{row.source}' from opposite sides, "
                f"{_angle_at_source(prediction, row):.0f} degrees apart: where its one side pushes the other pulls "
                "(a drum head, an open-backed cabinet).",
                f"Try the polarity of '{row.mics[1]}' both ways and keep what has more bass{_then_shift(scene, row)}.",
                propose=partial(_either_flipped, scene, row),
            )


def _either_flipped(scene: Scene, row: Difference) -> Iterator[Remedy]:
    for name in row.mics[::-1]:
        remedy = flipped(scene.mic(name))
        yield replace(remedy, words=f"{remedy.words[:-1]} and keep what has more bass{_then_shift(scene, row)}.")


def _then_shift(scene: Scene, row: Difference) -> str:
    """The second half of the cure, where the one side is heard late enough to be."""
    if (row.notch_depth_db or 0.0) > COMB_DB or not _audible(scene, row):
        return ""
    near = row.mics[0] if row.difference_s > 0 else row.mics[1]
    return f"; on the take, shift '{near}' {_apart(row)} later"


def late_copy(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A source comes back from a second mic more than 30 ms later, and less than 10 dB weaker."""
    for row in _shared(scene, prediction):
        if abs(row.difference_s) > LATE_S and abs(row.level_difference_db) < SECOND_HIT_DB:
            near, far = row.mics if row.difference_s > 0 else row.mics[::-1]
            yield Finding(
                "late-copy",
                "warning",
                (row.source, near, far),
                f"'{row.source}' arrives at '{far}' {_apart(row)} after '{near}': heard as a second hit.",
                f"Shift '{near}' {_apart(row)} later.",
                abs(row.difference_s),
                propose=partial(_no_second_hit, scene, prediction, row, far),
            )


def _no_second_hit(scene: Scene, prediction: Prediction, row: Difference, far: str) -> Iterator[Remedy]:
    """The far mic less loud, or nearer; the other one farther."""
    short = SECOND_HIT_DB + BLEND_CLEARED_DB - abs(row.level_difference_db)
    if short <= MOST_LOWER_DB and (row.level_difference_db > 0) == (far == row.mics[0]):
        yield quieter(scene.mic(far), short, why="10 dB weaker, its late copy hides behind the first")
    for mine, its in (row.mics, row.mics[::-1]):
        other = np.array(scene.mic(its).position)
        yield from moves(scene, scene.mic(mine), partial(_soon_enough, scene, prediction, row.source, other))


def _soon_enough(scene: Scene, prediction: Prediction, source: str, other: Floats, places: Floats) -> Bools:
    """From which places a source is heard within 30 ms of where the other mic hears it."""
    at = np.array(scene.source(source).position)
    way = np.abs(np.linalg.norm(places - at, axis=1) - float(np.linalg.norm(other - at)))
    return np.asarray(way < SOON_ENOUGH * LATE_S * prediction.speed_of_sound_m_s)


def direct_line_ahead(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A DI runs ahead of (or behind) the mic on its source, or is inverted against it: of several mics the one that it
    is nearest to in time, since it can be laid to one alone.
    """
    own = [row for row in prediction.di_differences if row.source in scene.mic(row.mic).on]
    nearest = {row.di: row for row in sorted(own, key=lambda row: -abs(row.difference_s))}
    for row in nearest.values():
        late = abs(row.difference_s) > DI_APART_S
        if late or row.polarity < 0:
            yield Finding(
                "direct-line",
                "note",
                (row.di, row.mic),
                _di_words(row, late=late),
                _di_shift(row) if late else f"Flip the polarity of '{row.di}'.",
                abs(row.difference_s) * 100,
                propose=partial(_di_met, scene, row),
            )


def _di_words(row: DiDifference, *, late: bool) -> str:
    if not late:
        return f"'{row.di}' takes '{row.source}' inverted against '{row.mic}': added as they are, they cancel."
    where = "in the bass, inverted" if row.polarity < 0 else f"at {show_hz(row.first_notch_hz or 0.0)}"
    early, other = (row.di, row.mic) if row.difference_s > 0 else (row.mic, row.di)
    return (
        f"'{early}' is {_apart(row)} ahead of '{other}' on '{row.source}': "
        f"added as they are, they cancel first {where}."
    )


def _di_shift(row: DiDifference) -> str:
    early = row.di if row.difference_s > 0 else row.mic
    return f"Shift '{early}' {_apart(row)} later (align measures it on the take, the cabinet's own delay included)."


def _di_met(scene: Scene, row: DiDifference) -> Iterator[Remedy]:
    """The DI delayed in its channel until it meets the mic, flipped where it is inverted."""
    di = next(one for one in scene.dis if one.name == row.di)
    changes = [Change("di", di.name, "polarity", -di.polarity)] if row.polarity < 0 else []
    if abs(row.difference_s) <= DI_APART_S:
        yield Remedy(f"Flip the polarity of '{di.name}'.", tuple(changes), 0.0)
    elif row.difference_s > 0:
        met_ms = round((di.latency_s + row.difference_s) * 1e3, 2)
        changes.append(Change("di", di.name, "latency_ms", met_ms, "ms"))
        do = f"Flip the polarity of '{di.name}' and shift it" if row.polarity < 0 else f"Shift '{di.name}'"
        yield Remedy(
            f"{do} {_apart(row)} later (align measures it on the take, the cabinet's own delay included). If its "
            f"channel delays it so already, write latency_ms = {met_ms:g}.",
            tuple(changes),
            0.0,
        )
