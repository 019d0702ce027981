"""Which delays are worth weighing, and what is said for and against each? Hypotheses of a pair of tracks.

A hypothesis is a delay and a kind: the *first* track is the close mic of what it tells, or the *second* is, or one
sound came to both over *one path* (through a filter, a cabinet, an interface). Both close mics are always tried.
Delays are the highest points of the curves of `micalign.tdoa.evidence`; what speaks for each is a row of features, most
of them the curves' own heights there, against their highest and against chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.tdoa import tuned
from micalign.tdoa.evidence import Curves
from micalign.tdoa.spectra import greatest_near
from micalign.tdoa.strokes import Listened

__all__ = ["AROUND_S", "FEATURES", "FIRST", "ONE_PATH", "SECOND", "Hypotheses", "hypotheses"]

FIRST, SECOND, ONE_PATH = 0, 1, 2  # kinds of a hypothesis, as columns of arrays

_SAME_S: Final = 1.2e-4  # seconds: nearer delays are one hypothesis: six samples
AROUND_S: Final = 1e-4  # seconds about a delay, within which curves of several bands have their peak
_EARLIER_S: Final = (0.00025, 0.008)
"""Seconds before a delay: from beyond its own lobe to where the ear takes an echo for one (precedence)."""

_ROOM_S: Final = 0.03  # the reflections of a room that are as strong as the direct sound come within it
_BANDS: Final = 5  # curves of each kind: four bands and the difference of samples
_PEAKS: Final = {"one": 2, "sum": 4, "stretches": 2, "one path": 6}

FEATURES: Final = (*tuned.EVENT_WEIGHTS, "path height", "path alike")
"""What is said of a hypothesis: what has a weight, and two that only speak where an event begins."""


@dataclass(frozen=True)
class Hypotheses:
    """``lags``: samples, shape (H,), positive when the second track is later; ``kinds``, (H,); ``rows``, (H, F)."""

    lags: Ints
    kinds: Ints
    rows: Floats


@dataclass(frozen=True)
class _CloseMic:
    """One track as the close mic, in its own sense of lags: positive when the other is later."""

    near: Listened
    lags: Ints
    names: dict[str, Floats]
    highest: dict[str, Floats]


def hypotheses(
    first: Listened,
    second: Listened,
    lags: Ints,
    curves: tuple[Curves | None, Curves | None],
    whole: Floats | None,
    within: tuple[int, int],
) -> Hypotheses:
    """All hypotheses of a pair.

    Parameters
    ----------
    first, second : Listened
    lags : int, shape (L,)
        Consecutive samples on which the curves lie; the second of ``curves`` lies on ``-lags[::-1]``.
    curves : pair of Curves or None
        With the first and with the second as the close mic.
    whole : float, shape (L,), or None
        On ``lags``.
    within : pair of int
        Only lags from the first to the second of these are hypotheses.
    """
    rate = first.sample_rate
    size = None if whole is None else np.abs(whole)
    sides = [
        None if one is None else _side(near, on, one, rate)
        for near, on, one in zip((first, second), (lags, -lags[::-1]), curves, strict=True)
    ]
    found_lags, kinds, rows = [], [], []
    for kind, side, other in ((FIRST, sides[0], sides[1]), (SECOND, sides[1], sides[0])):
        if side is None:
            continue
        sign = 1 if kind == FIRST else -1
        index, row = _close_mic(side, other, size if size is None else size[::sign], rate)
        found_lags.append(sign * side.lags[index])
        rows.append(row)
        kinds.append(np.full(len(index), kind))
    if whole is not None and size is not None:
        index, row = _one_path(lags, size, rate)
        found_lags.append(lags[index])
        rows.append(row)
        kinds.append(np.full(len(index), ONE_PATH))
    if not rows:
        return Hypotheses(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros((0, len(FEATURES))))
    all_lags = np.concatenate(found_lags).astype(np.intp)
    keep = (all_lags >= within[0]) & (all_lags <= within[1])
    return Hypotheses(all_lags[keep], np.concatenate(kinds)[keep], np.concatenate(rows)[keep])


def _side(near: Listened, lags: Ints, curves: Curves, rate: int) -> _CloseMic:
    names = {}
    for band in range(_BANDS):
        names[f"novelty{band}"] = np.maximum(curves.novelty[band], 0)
        names[f"stack{band}"] = np.maximum(curves.stack[band], 0)
    names["correlation"] = np.abs(curves.correlation)
    names["novelties"] = np.maximum(curves.novelty.sum(axis=0) / 2, 0)
    names["stacks"] = np.maximum(curves.stack.sum(axis=0), 0)
    highest = {name: _around(curve, rate) for name, curve in names.items()}
    return _CloseMic(near, lags, names, highest)


def _around(curve: Floats, rate: int) -> Floats:
    """The highest value within a tenth of a millisecond of each lag."""
    return greatest_near(curve, round(AROUND_S * rate))


def _tops(curve: Floats, count: int, rate: int) -> list[int]:
    """The highest local maxima, none within an eighth of a millisecond of a higher one."""
    inside = np.flatnonzero((curve[1:-1] >= curve[:-2]) & (curve[1:-1] > curve[2:]) & (curve[1:-1] > 0)) + 1
    return _none_near(inside[np.argsort(-curve[inside], kind="stable")], count, rate)


def _none_near(ranked: Ints, count: int, rate: int) -> list[int]:
    """The first of some places, none so near to one before it that both are one hypothesis."""
    found: list[int] = []
    for index in ranked.tolist():
        if len(found) < count and all(abs(index - other) > _SAME_S * rate for other in found):
            found.append(index)
    return found


def _close_mic(side: _CloseMic, other: _CloseMic | None, size: Floats | None, rate: int) -> tuple[Ints, Floats]:
    stretched = None if size is None else _around(size, rate)
    index = _candidates(side, stretched, rate)
    tops = {name: max(float(curve.max()), 1e-9) for name, curve in side.highest.items()}
    shares = {name: curve[index] / tops[name] for name, curve in side.highest.items()}
    heights = {name: np.log1p(curve[index]) for name, curve in side.highest.items()}
    features = {f"{name} share": shares[name] for name in shares} | {f"{name} height": heights[name] for name in shares}
    for name in ("novelties", "stacks"):
        features[f"earlier {name}"] = _earlier(side.highest[name], index, rate)
        mirrored = None if other is None else other.highest[name][::-1]
        features[f"other side's {name}"] = (
            np.zeros(len(index)) if mirrored is None else mirrored[index] / max(float(mirrored.max()), 1e-9)
        )
    if size is not None and stretched is not None:
        noise = float(np.sqrt(np.mean(size**2))) + 1e-20
        features["stretches share"] = stretched[index] / max(float(stretched.max()), 1e-20)
        features["stretches height"] = np.log(stretched[index] / noise + 1e-9)
        features["stretches alike"] = stretched[index]
    strokes, at_s = side.near.strokes, side.lags[index] / rate
    own = strokes.weight > 0
    same = np.ones(len(index))
    features["too early"] = (at_s < -0.15e-3).astype(float)
    features["far"] = np.minimum(np.abs(at_s) / 0.01, 3.0)
    features["strokes"] = same * np.log(own.sum())
    features["gap"] = same * min(strokes.gap_db, 30.0) / 15
    features["own strokes"] = same * own.sum() / len(own)
    features["close mic"] = same
    features["bright middle"] = strokes.brightness * (shares["novelty0"] + shares["stack0"])
    features["bright high"] = strokes.brightness * (shares["novelty2"] + shares["novelty4"])
    return index, _rows(features, len(index))


def _candidates(side: _CloseMic, stretched: Floats | None, rate: int) -> Ints:
    found: set[int] = set()
    for name, curve in side.names.items():
        found.update(_tops(curve, _PEAKS["sum" if name in ("novelties", "stacks") else "one"], rate))
    if stretched is not None:
        found.update(_tops(stretched, _PEAKS["stretches"], rate))
    index = np.array(sorted(found), dtype=np.intp)
    total = sum(side.names[name][index] / max(float(side.names[name].max()), 1e-9) for name in ("novelties", "stacks"))
    ranked = index[np.argsort(-np.asarray(total), kind="stable")]
    return np.array(_none_near(ranked, len(ranked), rate), dtype=np.intp)


def _earlier(curve: Floats, index: Ints, rate: int, *, span_s: float = _EARLIER_S[1]) -> Floats:
    """The highest of the 8 ms before each index, against the height there; 2 at most."""
    gap, span = round(_EARLIER_S[0] * rate), round(span_s * rate)
    before = [float(curve[max(i - span, 0) : max(i - gap, 0)].max(initial=0.0)) for i in index]
    return np.clip(np.array(before) / np.maximum(curve[index], 1e-9), 0, 2)


def _one_path(lags: Ints, size: Floats, rate: int) -> tuple[Ints, Floats]:
    noise = float(np.sqrt(np.mean(size**2))) + 1e-20
    index = np.array(_tops(size, _PEAKS["one path"], rate), dtype=np.intp)
    heights = size[index]
    # A detour only adds to the delay of either sign: earlier is nearer to lag 0.
    forward = _earlier(size, index, rate, span_s=_ROOM_S)
    backward = _earlier(size[::-1], len(size) - 1 - index, rate, span_s=_ROOM_S)
    top = heights.max(initial=1e-20)
    same = np.ones(len(index))
    features = {
        "path height": np.log(heights / noise + 1e-9),
        "path earlier": np.where(lags[index] >= 0, forward, backward),
        "path alike": heights,
        "path rival": same * (heights[1] / top if len(heights) > 1 else 0.0),
        "one path": same,
    }
    return index, _rows(features, len(index))


def _rows(features: dict[str, Floats], count: int) -> Floats:
    rows = np.zeros((count, len(FEATURES)))
    for column, name in enumerate(FEATURES):
        rows[:, column] = features.get(name, 0.0)
    return rows
