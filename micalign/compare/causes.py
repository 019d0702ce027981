"""What could be the matter, from the simplest on?

Each cause turns what a scene says into other beliefs. ``log_prior`` is how much less likely it is than that all is
well, before anything is heard (common practice, no source): cables are swapped and stands moved more often than a
thermometer lies or a whole scene is in the wrong unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, product
from typing import Final, Literal, TypeAlias

from micalign.compare.beliefs import Beliefs
from micalign.scene.model import Scene

__all__ = ["Cause", "Kind", "causes_of"]

Kind: TypeAlias = Literal["swapped", "moved", "temperature", "late", "source moved", "units"]

_MOVES_M: Final = (0.05, 0.2)
_TEMPERATURE_C: Final = 10.0
_LATE_S: Final = 3e-3
_LOG_PRIOR: Final = {
    "swapped": -3.0,
    "moved": -2.0,
    "temperature": -2.0,
    "late": -4.0,
    "source moved": -4.0,
    "units": -5.0,
}
_LATE_LINE: Final = 3.0
"""How much likelier a DI is late than a mic: its converter or plug-in delays it, and no reflection can."""

_SCALES: Final = {
    0.3048: "feet, not metres",
    1 / 0.3048: "metres, not feet",
    2.54: "inches, not centimetres",
    1 / 2.54: "centimetres, not inches",
}


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that may be the matter: with which tracks or sources, and what is then believed.

    ``words`` say it where the kind alone does not.
    """

    kind: Kind
    names: tuple[str, ...]
    log_prior: float
    apply: Callable[[Beliefs], Beliefs]
    words: str = ""


def causes_of(scene: Scene, tracks: tuple[str, ...]) -> Iterator[Cause]:
    """Every single cause."""
    yield from _swaps(tracks)
    yield from _moves(scene, tracks)
    yield _temperature(scene)
    yield from _latenesses(scene, tracks)
    yield from _source_moves(scene)
    yield from _units()


def _prior(kind: Kind, among: int) -> float:
    return _LOG_PRIOR[kind] - math.log(max(among, 1))


def _swaps(tracks: tuple[str, ...]) -> Iterator[Cause]:
    pairs = list(combinations(range(len(tracks)), 2))
    for first, second in pairs:
        change = partial(_swapping, first=first, second=second)
        yield Cause("swapped", (tracks[first], tracks[second]), _prior("swapped", len(pairs)), change)


def _moves(scene: Scene, tracks: tuple[str, ...]) -> Iterator[Cause]:
    present = [index for index, mic in enumerate(scene.mics) if mic.name in tracks]
    for index, far_m in product(present, _MOVES_M):
        change = partial(_moving_mic, index=index, far_m=far_m)
        yield Cause("moved", (scene.mics[index].name,), _prior("moved", len(present) * len(_MOVES_M)), change)


def _temperature(scene: Scene) -> Cause:
    share = 0.5 * _TEMPERATURE_C / (273.15 + scene.air.temperature_c)
    return Cause("temperature", (), _prior("temperature", 1), partial(_slowing, share=share))


def _latenesses(scene: Scene, tracks: tuple[str, ...]) -> Iterator[Cause]:
    lines = {di.name for di in scene.dis}
    for index, name in enumerate(tracks):
        log_prior = _prior("late", len(tracks)) + (_LATE_LINE if name in lines else 0.0)
        yield Cause("late", (name,), log_prior, partial(_delaying, index=index))


def _source_moves(scene: Scene) -> Iterator[Cause]:
    for index, source in enumerate(scene.sources):
        change = partial(_moving_source, index=index)
        yield Cause("source moved", (source.name,), _prior("source moved", len(scene.sources)), change)


def _units() -> Iterator[Cause]:
    for scale, words in _SCALES.items():
        yield Cause("units", (), _prior("units", len(_SCALES)), partial(_scaling, scale=scale), words)


def _swapping(beliefs: Beliefs, *, first: int, second: int) -> Beliefs:
    return beliefs.swapping(first, second)


def _moving_mic(beliefs: Beliefs, *, index: int, far_m: float) -> Beliefs:
    return beliefs.doubting(beliefs.layout.mic(index), far_m)


def _moving_source(beliefs: Beliefs, *, index: int) -> Beliefs:
    return beliefs.doubting(beliefs.layout.source(index), _MOVES_M[-1])


def _slowing(beliefs: Beliefs, *, share: float) -> Beliefs:
    return beliefs.doubting(beliefs.layout.slow, share)


def _delaying(beliefs: Beliefs, *, index: int) -> Beliefs:
    return beliefs.doubting(beliefs.layout.late(beliefs.ear_of[index]), _LATE_S)


def _scaling(beliefs: Beliefs, *, scale: float) -> Beliefs:
    return replace(beliefs, scale=scale)
