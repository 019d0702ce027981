"""Rules on stereo pairs: equal distances, mono sum, opposite polarity, and whether positions are known well enough."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from micalign.acoustics.comb import first_notch_range_hz
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.stereo import PairSource
from micalign.findings.finding import Finding
from micalign.findings.moves import equalling_move, say_length, say_move, stays_inside
from micalign.scene.model import Pair, Scene
from micalign.units import show_db, show_hz_range, show_ms, show_ms_known

__all__ = ["mono_sum", "opposite_channels", "too_unsure", "unequal_pair"]

_HEARD_DB: Final = -6.0


def _rows(prediction: Prediction, pair: Pair) -> list[PairSource]:
    return [row for row in prediction.pairs if row.pair == pair.name]


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
                f"({show_ms(pair.tolerance_s)} allowed): {say_length(path, scene.length_unit)} farther.",
                _equal_advice(scene, pair, near, far, worst.source, path),
                abs(worst.difference_s) / pair.tolerance_s,
            )


def _equal_advice(scene: Scene, pair: Pair, near: str, far: str, source: str, path: float) -> str:
    """The shortest move of one mic that makes it equally far from all wished sources, mics that may move first."""
    points = np.array([scene.source(name).position for name in pair.equal_to])
    moves = []
    for name, partner in ((far, near), (near, far)):
        here = np.array(scene.mic(name).position)
        move = equalling_move(here, np.array(scene.mic(partner).position), points)
        if move is not None and stays_inside(scene, here + move):
            moves.append((not scene.mic(name).may_move, float(np.linalg.norm(move)), name, move))
    if not moves:
        return f"Move '{far}' {say_length(path, scene.length_unit)} nearer to '{source}'."
    _, total, name, move = min(moves, key=lambda one: one[:2])
    others = f" (then equal to {' and '.join(repr(one) for one in pair.equal_to)})" if len(pair.equal_to) > 1 else ""
    return f"Move '{name}' by {say_length(total, scene.length_unit)}: {say_move(move, scene.length_unit)}{others}."


def mono_sum(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """Added to mono, a pair cancels a source it is there to take by 6 dB or more; one finding a pair."""
    for pair in scene.pairs:
        wanted = {name for mic in pair.mics for name in scene.mic(mic).on}
        rows = [
            row
            for row in _rows(prediction, pair)
            if row.source in wanted and _combs(scene, row) and not (row.equal_to and not row.within_tolerance)
        ]
        if rows:
            worst = min(rows, key=lambda row: row.mono_first_notch_hz or 0.0)
            far = pair.mics[1 if worst.difference_s > 0 else 0]
            path = abs(worst.difference_s) * prediction.speed_of_sound_m_s
            depth = show_db(worst.mono_notch_depth_db)
            loss = "in full" if depth == "total" else f"by {depth.lstrip('-')}"
            yield Finding(
                "mono-sum",
                "note",
                (pair.name, worst.source),
                f"Added to mono, '{pair.name}' cancels '{worst.source}' {loss}, first at "
                f"{show_hz_range(*first_notch_range_hz(worst.difference_s, worst.uncertainty_s))}.",
                f"For a mono-safe pair move '{far}' {say_length(path, scene.length_unit)} nearer to '{worst.source}'.",
                -worst.mono_notch_depth_db / 100,
            )


def _combs(scene: Scene, row: PairSource) -> bool:
    low, high = scene.source(row.source).range_hz or (50.0, 10_000.0)
    notch = row.mono_first_notch_hz
    return row.mono_notch_depth_db <= _HEARD_DB and notch is not None and low / 2 <= notch <= high


def opposite_channels(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The channels of a pair hear a source it is there to take in opposite polarity."""
    for pair, geometry in zip(scene.pairs, prediction.pair_geometry, strict=True):
        wanted = {name for mic in pair.mics for name in scene.mic(mic).on}
        rows = [row for row in _rows(prediction, pair) if row.source in wanted and row.image_percent is None]
        if geometry.kind != "mid-side" and rows:
            worst = min(rows, key=lambda row: row.mono_notch_depth_db)
            depth = show_db(worst.mono_notch_depth_db)
            late = show_ms_known(abs(worst.difference_s), worst.uncertainty_s)
            loss = "all of its bass" if depth == "total" else f"{depth.lstrip('-')} of its bass"
            yield Finding(
                "pair-polarity",
                "warning",
                (pair.name, worst.source),
                f"The two channels of '{pair.name}' hear '{worst.source}' in opposite polarity, {late} apart: it has "
                f"no place in the image and loses {loss} in mono.",
                _one_polarity(scene, prediction, pair, worst.source),
                1.0,
            )


def _one_polarity(scene: Scene, prediction: Prediction, pair: Pair, source: str) -> str:
    first, second = (scene.mic(name) for name in pair.mics)
    if first.polarity != second.polarity:
        return f"Flip the polarity of '{second.name}'."
    found = prediction.arrivals
    columns = [found.mics.index(name) for name in pair.mics]
    ahead = found.axes[columns].sum(axis=0)
    way = found.source_m[found.sources.index(source)] - found.mic_m[columns].mean(axis=0)
    cosine = ahead @ way / max(float(np.linalg.norm(ahead) * np.linalg.norm(way)), 1e-9)
    return f"Turn '{pair.name}' by {np.degrees(np.arccos(np.clip(cosine, -1, 1))):.0f} degrees, to face '{source}'."


def too_unsure(scene: Scene, prediction: Prediction) -> Iterator[Finding]:
    """The positions are not known well enough to tell whether a pair keeps its tolerance."""
    for pair in scene.pairs:
        rows = [row for row in _rows(prediction, pair) if row.equal_to and row.uncertainty_s > pair.tolerance_s]
        if rows:
            worst = max(rows, key=lambda row: row.uncertainty_s)
            needed = pair.tolerance_s * prediction.speed_of_sound_m_s / 2
            yield Finding(
                "unsure",
                "note",
                (pair.name, worst.source),
                f"The positions of '{pair.name}' are known to {show_ms(worst.uncertainty_s)} against "
                f"'{worst.source}', its tolerance is {show_ms(pair.tolerance_s)}.",
                f"Measure both distances to '{worst.source}' with a tape to {say_length(needed, scene.length_unit)} "
                "and give them as [[tape]].",
                -0.3,
            )
