"""Rules on mics that hear one source: three to one, combs, polarity, late copies, direct lines."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from micalign.acoustics.differences import Difference
from micalign.acoustics.direct import DiDifference
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.spacing import BLEED_DB, CLOSE_M, RATIO, Spacing
from micalign.findings.finding import Finding
from micalign.findings.moves import rounded_up, say_length
from micalign.scene.model import Scene
from micalign.units import show_db, show_hz, show_hz_range, show_ms_known, show_ratio

__all__ = ["direct_line_ahead", "late_copy", "opposite_sides", "three_to_one", "two_mics_comb"]

_UNHEARD_DB: Final = -20.0
_NEAR_M: Final = 1.0
_CLOSE_PAIR_M: Final = 0.3
_COMB_DB: Final = -6.0
_RANGE_HZ: Final = (50.0, 10_000.0)


def _apart(row: Difference | DiDifference) -> str:
    return show_ms_known(abs(row.difference_s), row.uncertainty_s)


def three_to_one(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A close mic and its worst neighbour: a warning where both readings of the rule fail, a note where the mics only
    stand too near for the first and the bleed can still be heard.
    """
    worst: dict[str, Spacing] = {}
    for row in prediction.spacing:
        close = prediction.arrivals.distance_m[prediction.arrivals.cell(row.source, row.mic)] <= CLOSE_M
        if close and not row.passes and row.bleed_db > _UNHEARD_DB:
            kept = worst.setdefault(row.mic, row)
            worst[row.mic] = row if row.bleed_db > kept.bleed_db else kept
    for row in worst.values():
        yield Finding(
            "three-to-one",
            "note" if row.bleed_passes else "warning",
            (row.mic, row.source, row.other_mic),
            _bleed_words(row),
            _come_nearer(scene, prediction, row),
            row.bleed_db + BLEED_DB,
        )


def _bleed_words(row: Spacing) -> str:
    apart = f"the mics stand {show_ratio(row.mic_distance_ratio)} apart (3:1 wanted)"
    if row.bleed_db >= 0:
        louder = f"{show_db(row.bleed_db)} louder than its own '{row.mic}'"
        return f"'{row.source}' reaches '{row.other_mic}' {louder}; {apart}."
    heard = f"{show_db(-row.bleed_db)} below '{row.mic}' ({show_db(BLEED_DB)} wanted)"
    room = f", {show_db(-row.bleed_heard_db)} with the room" if row.bleed_db + 1.0 < row.bleed_heard_db < 0 else ""
    return f"'{row.source}' reaches '{row.other_mic}' {'' if row.bleed_passes else 'only '}{heard}{room}; {apart}."


def _come_nearer(scene: Scene, prediction: Prediction, row: Spacing) -> str:
    """The shortest way along the line to the source after which a reading passes, the mic's aim kept on it."""
    found, unit = prediction.arrivals, scene.length_unit
    source = found.source_m[found.sources.index(row.source)]
    mic, other = (found.mic_m[found.mics.index(name)] for name in (row.mic, row.other_mic))
    share = np.linspace(0.0, 1.0, 1001)[:-1]
    own = (1 - share) * np.linalg.norm(source - mic)
    between = np.linalg.norm(mic + share[:, None] * (source - mic) - other, axis=1)
    passes = between >= RATIO * own
    if not row.bleed_passes:
        passes |= row.bleed_db + 20 * np.log10(1 - share) <= -BLEED_DB
    first = int(np.argmax(passes))
    move = rounded_up(float(own[0] - own[first]), unit)
    if passes[first] and own[0] - move >= 0.03:
        return (
            f"Move '{row.mic}' {say_length(move, unit)} nearer to '{row.source}', to {say_length(own[0] - move, unit)}."
        )
    # The other way round: the neighbour must go so far that its path is three times the own one.
    away = rounded_up(max(own[0] * (RATIO - row.path_ratio), 0.01), unit)
    return f"Move '{row.other_mic}' {say_length(away, unit)} farther from '{row.source}'."


def _shared(scene: Scene, prediction: Prediction) -> Iterator[Difference]:
    """Differences between two mics that are on one source and are no stereo pair."""
    on = {mic.name: mic.on for mic in scene.mics}
    together = {frozenset(pair.mics) for pair in scene.pairs}
    for row in prediction.differences:
        if all(row.source in on[name] for name in row.mics) and frozenset(row.mics) not in together:
            yield row


def _audible(scene: Scene, row: Difference) -> bool:
    """Whether the first notch (of a copy that is not inverted) lies where the source matters."""
    low, high = scene.source(row.source).range_hz or _RANGE_HZ
    return row.first_notch_hz is not None and (row.polarity < 0 or low / 2 <= row.first_notch_hz <= high)


def _angle_at_source(prediction: Prediction, row: Difference) -> float:
    found = prediction.arrivals
    here = found.source_m[found.sources.index(row.source)]
    ways = [found.mic_m[found.mics.index(name)] - here for name in row.mics]
    cosine = ways[0] @ ways[1] / (np.linalg.norm(ways[0]) * np.linalg.norm(ways[1]))
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def two_mics_comb(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Two mics on one source, within 6 dB in the blend, at unequal distances; one finding for two mics."""
    worst: dict[tuple[str, str], Difference] = {}
    for row in _shared(scene, prediction):
        opposite = row.polarity < 0 and _angle_at_source(prediction, row) > 120
        if row.notch_depth_db <= _COMB_DB and _audible(scene, row) and not opposite:
            kept = worst.setdefault(row.mics, row)
            worst[row.mics] = row if row.notch_depth_db < kept.notch_depth_db else kept
    for row in worst.values():
        cells = [prediction.arrivals.cell(row.source, name) for name in row.mics]
        close = all(prediction.arrivals.distance_m[cell] <= _NEAR_M for cell in cells)
        yield Finding(
            "comb",
            "warning" if row.polarity < 0 or close else "note",
            (row.source, *row.mics),
            _comb_words(row),
            _bring_together(scene, prediction, row),
            -row.notch_depth_db,
        )


def _comb_words(row: Difference) -> str:
    depth = show_db(row.notch_depth_db)
    cut = "cancels in full" if depth == "total" else f"falls by {depth.lstrip('-')}"
    where = f"at {show_hz_range(*row.first_notch_range_hz)}" if row.first_notch_range_hz else "in the bass"
    inverted = ", one of them inverted" if row.polarity < 0 else ""
    return (
        f"'{row.source}' arrives at '{row.mics[0]}' and '{row.mics[1]}' {_apart(row)} apart"
        f"{inverted}: their sum {cut}, first {where}."
    )


def _bring_together(scene: Scene, prediction: Prediction, row: Difference) -> str:
    """A flip, a short move of a close mic, or, where the move would give up what the far mic is there for, a shift."""
    first, second = row.mics
    if row.polarity < 0:
        flipped = [name for name in row.mics if scene.mic(name).polarity < 0]
        return f"Flip the polarity of '{flipped[0] if flipped else second}'."
    near, far = (first, second) if row.difference_s > 0 else (second, first)
    path = abs(row.difference_s) * prediction.speed_of_sound_m_s
    far_m = float(prediction.arrivals.distance_m[prediction.arrivals.cell(row.source, far)])
    if far_m > (_CLOSE_PAIR_M if path > far_m / 2 else _NEAR_M):
        return f"Align the tracks: shift '{near}' {_apart(row)} later."
    return f"Move '{far}' {say_length(path, scene.length_unit)} nearer to '{row.source}'."


def opposite_sides(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Two close mics on opposite sides of a source, both of one polarity."""
    for row in _shared(scene, prediction):
        cells = [prediction.arrivals.cell(row.source, name) for name in row.mics]
        near = all(prediction.arrivals.distance_m[cell] <= 0.5 for cell in cells)
        if near and row.polarity > 0 and _angle_at_source(prediction, row) > 120:
            yield Finding(
                "opposite-sides",
                "note",
                (row.source, *row.mics),
                f"'{row.mics[0]}' and '{row.mics[1]}' face '{row.source}' from opposite sides, "
                f"{_angle_at_source(prediction, row):.0f} degrees apart: where its one side pushes the other pulls "
                "(a drum head, an open-backed cabinet).",
                f"Flip the polarity of '{row.mics[1]}' and keep what has more bass.",
            )


def late_copy(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A source comes back from a second mic more than 30 ms later, and less than 10 dB weaker."""
    for row in _shared(scene, prediction):
        if abs(row.difference_s) > 0.030 and abs(row.level_difference_db) < 10:
            near, far = row.mics if row.difference_s > 0 else row.mics[::-1]
            yield Finding(
                "late-copy",
                "warning",
                (row.source, near, far),
                f"'{row.source}' arrives at '{far}' {_apart(row)} after '{near}': heard as a second hit.",
                f"Shift '{near}' {_apart(row)} later.",
                abs(row.difference_s),
            )


def direct_line_ahead(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """A DI runs ahead of (or behind) the mic on its source."""
    for row in prediction.di_differences:
        if row.source in scene.mic(row.mic).on and abs(row.difference_s) > 100e-6:
            where = "in the bass, inverted" if row.polarity < 0 else f"at {show_hz(row.first_notch_hz or 0.0)}"
            early, late = (row.di, row.mic) if row.difference_s > 0 else (row.mic, row.di)
            yield Finding(
                "direct-line",
                "note",
                (row.di, row.mic),
                f"'{early}' is {_apart(row)} ahead of '{late}' on '{row.source}': "
                f"added as they are, they cancel first {where}.",
                f"Shift '{early}' {_apart(row)} later (align measures it on the take, "
                "the cabinet's own delay included).",
                abs(row.difference_s) * 100,
            )
