"""Which delays are worth weighing, and what is said for and against each? Hypotheses of a pair of tracks.

A hypothesis is a delay and a kind: the *first* track is the close mic of what it tells, or the *second* is, or one
sound came to both over *one path* (through a filter, a cabinet, an interface). Both close mics are always tried.
Delays are the highest points of the curves of `micalign.tdoa.evidence`; what speaks for each is a row of features, most
of them the curves' own heights there, against their highest and against chance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.tdoa import tuned
from micalign.tdoa.evidence import Curves
from micalign.tdoa.spectra import greatest_near
from micalign.tdoa.strokes import Listened

__all__ = ["ANSWERS_S", "EARLY_S", "FEATURES", "FIRST", "ONE_PATH", "SECOND", "Hypotheses", "hypotheses"]

FIRST, SECOND, ONE_PATH = 0, 1, 2  # kinds of a hypothesis, as columns of arrays

EARLY_S: Final = 1.5e-4  # seconds, 5 cm of way: so little earlier another mic may be than what counts as the close one
_SAME_S: Final = 1.2e-4  # seconds: nearer delays are one hypothesis: six samples
_AROUND_S: Final = 1e-4  # seconds about a delay, within which curves of several bands have their peak
_LOBE_S: Final = 0.00025  # seconds to either side of a peak: its own lobe

ANSWERS_S: Final = 0.03  # seconds: the reflections of a room that are as strong as the direct sound come within it
_SUMS: Final = ("novelties", "stacks")  # curves over all bands
_PEAKS: Final = {"one": 2, "sum": 4, "stretches": 2, "one path": 6}

FEATURES: Final = (*tuned.EVENT_WEIGHTS, "path alike")
"""What is said of a hypothesis: what has a weight, and how alike the tracks are on one path."""

_BRIGHT: Final = {"bright middle": ("novelty0", "stack0"), "bright high": ("novelty2", "novelty4")}
_READ: Final = {name.split()[0] for name in FEATURES}.union(*_BRIGHT.values())  # curves, among others


@dataclass(frozen=True)
class Hypotheses:
    """``lags``: samples, shape (H,), positive when the second track is later; ``kinds``, (H,); ``rows``, (H, F)."""

    lags: Ints
    kinds: Ints
    rows: Floats


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
    one, other = (None if found is None else _named(found) for found in curves)
    told = [(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros((0, len(FEATURES))))]
    for kind, sign, near, own, others in ((FIRST, 1, first, one, other), (SECOND, -1, second, other, one)):
        if own is not None:
            index, rows = _close_mic(near, lags[::sign] * sign, own, others, None if size is None else size[::sign])
            told.append((lags[::sign][index], np.full(len(index), kind), rows))
    if size is not None:
        index, rows = _one_path(lags, size, rate)
        told.append((lags[index], np.full(len(index), ONE_PATH), rows))
    every, kinds, rows = (np.concatenate(column) for column in zip(*told, strict=True))
    keep = (every >= within[0]) & (every <= within[1])
    return Hypotheses(every[keep], kinds[keep], rows[keep])


def _named(curves: Curves) -> dict[str, Floats]:
    """What a close mic's strokes say at each lag, by the names of the features, without what lies below chance."""
    kinds = {"novelty": curves.novelty, "stack": curves.stack}
    names = {f"{kind}{band}": curve for kind, bands in kinds.items() for band, curve in enumerate(bands)}
    names |= {"novelties": curves.novelty.sum(axis=0) / 2, "stacks": curves.stack.sum(axis=0)}
    return {"correlation": np.abs(curves.correlation)} | {name: np.maximum(one, 0) for name, one in names.items()}


def _tops(curve: Floats, count: int, rate: int) -> Ints:
    """The highest local maxima, none within an eighth of a millisecond of a higher one."""
    inside = np.flatnonzero((curve[1:-1] >= curve[:-2]) & (curve[1:-1] > curve[2:]) & (curve[1:-1] > 0)) + 1
    return _none_near(inside[np.argsort(-curve[inside], kind="stable")], count, rate)


def _none_near(ranked: Ints, count: int, rate: int) -> Ints:
    """The first of some places, none so near to one before it that both are one hypothesis."""
    found: list[int] = []
    for index in ranked.tolist():
        if len(found) < count and all(abs(index - other) > _SAME_S * rate for other in found):
            found.append(index)
    return np.array(found, dtype=np.intp)


def _highest(curve: Floats, rate: int) -> Floats:
    """The highest value within a tenth of a millisecond of each place."""
    return greatest_near(curve, round(_AROUND_S * rate))


def _share(curve: Floats, heights: Floats) -> Floats:
    """Heights as a share of a curve's highest point."""
    return heights / max(float(curve.max()), 1e-9)


def _close_mic(
    near: Listened, lags: Ints, own: Mapping[str, Floats], others: Mapping[str, Floats] | None, size: Floats | None
) -> tuple[Ints, Floats]:
    """The candidates of one track as the close mic, in its own sense of lags: positive when the other is later."""
    rate, strokes = near.sample_rate, near.strokes
    stretched = None if size is None else _highest(size, rate)
    index = _candidates(own, stretched, rate)
    heights = {name: _highest(curve, rate)[index] for name, curve in own.items() if name in _READ}
    shares = {name: _share(own[name], height) for name, height in heights.items()}
    features: dict[str, Floats | float] = {f"{name} share": share for name, share in shares.items()}
    features |= {f"{name} height": np.log1p(height) for name, height in heights.items()}
    if others is not None:
        turned = {name: others[name][::-1] for name in _SUMS}
        features |= {f"other side's {name}": _share(one, _highest(one, rate)[index]) for name, one in turned.items()}
    if size is not None and stretched is not None:
        features |= {
            "stretches height": np.log(stretched[index] / (np.sqrt(np.mean(size**2)) + 1e-20) + 1e-9),
            "stretches alike": stretched[index],
        }
    features |= {
        "too early": (lags[index] / rate < -EARLY_S).astype(float),
        "gap": min(strokes.gap_db, 30.0) / 15,
        "close mic": 1.0,
    }
    features |= {name: strokes.brightness * (shares[one] + shares[two]) for name, (one, two) in _BRIGHT.items()}
    return index, _rows(features, len(index))


def _candidates(own: Mapping[str, Floats], stretched: Floats | None, rate: int) -> Ints:
    tops = [_tops(curve, _PEAKS["sum" if name in _SUMS else "one"], rate) for name, curve in own.items()]
    if stretched is not None:
        tops.append(_tops(stretched, _PEAKS["stretches"], rate))
    index = np.unique(np.concatenate(tops))
    total = np.sum([_share(own[name], own[name][index]) for name in _SUMS], axis=0)
    return _none_near(index[np.argsort(-total, kind="stable")], len(index), rate)


def _earlier(curve: Floats, index: Ints, rate: int) -> Floats:
    """The highest of what lies before each index, as far as a room answers, against the height there; 2 at most."""
    gap, span = round(_LOBE_S * rate), round(ANSWERS_S * rate)
    before = [float(curve[max(i - span, 0) : max(i - gap, 0)].max(initial=0.0)) for i in index]
    return np.clip(np.array(before) / np.maximum(curve[index], 1e-9), 0, 2)


def _one_path(lags: Ints, size: Floats, rate: int) -> tuple[Ints, Floats]:
    index = _tops(size, _PEAKS["one path"], rate)
    heights = size[index]
    # A detour only adds to the delay of either sign: earlier is nearer to lag 0.
    forward = _earlier(size, index, rate)
    backward = _earlier(size[::-1], len(size) - 1 - index, rate)
    features: dict[str, Floats | float] = {
        "path earlier": np.where(lags[index] >= 0, forward, backward),
        "path alike": heights,
        "path rival": float(heights[1] / heights[0]) if len(heights) > 1 else 0.0,
        "one path": 1.0,
    }
    return index, _rows(features, len(index))


def _rows(features: Mapping[str, Floats | float], count: int) -> Floats:
    return np.stack([np.broadcast_to(features.get(name, 0.0), count) for name in FEATURES], axis=1)
