"""What the real bench asks its questions of: the engines by name, and two textbook answers beside them.

An estimator is a callable of (tracks as (name, samples), rate, pair) that gives an `Answer`. One that carries fitted
weights may also offer ``leaving_out(style=..., drum=...)``, which gives itself fitted without them.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Tracks = Sequence[tuple[str, np.ndarray]]
REACH_S = 0.05
ENGINES = {
    "new": "micalign.tdoa.measure:measure_pair",
    "new group": "micalign.tdoa.measure:measure_many",
}
"""``measure_pair(reference, track)``, or ``measure_many(reference, tracks)``, which may hear the whole take."""


@dataclass(frozen=True)
class Answer:
    """Seconds, one standard deviation in seconds, +1 or -1, a probability, and whether to act on it."""

    delay_s: float
    sigma_s: float = float("nan")
    polarity: int = 1
    confidence: float = float("nan")
    reliable: bool = False


Estimator = Callable[[Tracks, int, tuple[str, str]], Answer]


def engine_function(spec: str) -> Callable:
    """The package's function of an engine by its name in `ENGINES`, or of any ``module:function``."""
    module, name = ENGINES.get(spec, spec).split(":")
    return getattr(importlib.import_module(module), name)


class Engine:
    """A function of the package as an estimator."""

    def __init__(self, spec: str) -> None:
        self._function = engine_function(spec)
        self._is_group = self._function.__name__ == "measure_many"
        self._heard: Tracks = ()
        self._kept: dict[str, dict[str, Answer]] = {}  # of the take heard last, by reference

    def __call__(self, tracks: Tracks, rate: int, pair: tuple[str, str]) -> Answer:
        from micalign.take.tracks import Track

        made = {name: Track.from_array(name, sound, rate) for name, sound in tracks}
        if not self._is_group:
            return self._answer(self._function(made[pair[0]], made[pair[1]]))
        if tracks is not self._heard:
            self._heard, self._kept = tracks, {}
        if pair[0] not in self._kept:
            others = [track for name, track in made.items() if name != pair[0]]
            found = self._function(made[pair[0]], others)
            self._kept[pair[0]] = {track.name: self._answer(one) for track, one in zip(others, found, strict=True)}
        return self._kept[pair[0]][pair[1]]

    @staticmethod
    def _answer(found) -> Answer:
        return Answer(found.delay_s, found.uncertainty_s, found.polarity, found.confidence, found.reliable)


def plain_correlation(tracks: Tracks, rate: int, pair: tuple[str, str]) -> Answer:
    """The largest magnitude of the whole files' correlation, by scipy."""
    from scipy.signal import correlate

    first, second = (dict(tracks)[name] for name in pair)
    # scipy's lag of correlate(second, first) is positive where the second is later.
    values = correlate(second, first, method="fft")[len(first) - 1 - int(REACH_S * rate) :][
        : 2 * int(REACH_S * rate) + 1
    ]
    best = int(np.argmax(np.abs(values)))
    return Answer((best - int(REACH_S * rate)) / rate, polarity=1 if values[best] > 0 else -1)


def phase_transform(tracks: Tracks, rate: int, pair: tuple[str, str]) -> Answer:
    """GCC-PHAT over the whole files (Knapp and Carter 1976)."""
    first, second = (dict(tracks)[name] for name in pair)
    size = 1 << int(np.ceil(np.log2(len(first) + len(second))))
    cross = np.conj(np.fft.rfft(first, size)) * np.fft.rfft(second, size)
    values = np.fft.irfft(cross / np.maximum(np.abs(cross), 1e-12 * np.abs(cross).max()), size)
    lags = np.arange(-int(REACH_S * rate), int(REACH_S * rate) + 1)
    best = lags[np.argmax(np.abs(values[lags]))]
    return Answer(best / rate, polarity=1 if values[best] > 0 else -1)


BASELINES: dict[str, Estimator] = {"correlation": plain_correlation, "PHAT": phase_transform}


def estimator(spec: str) -> Estimator:
    """An engine by its name in `ENGINES`, a baseline by its own, or any ``module:function`` like an engine's."""
    return BASELINES[spec] if spec in BASELINES else Engine(spec)
