"""Which arrival times and polarities fit a network of measured pairs best?

Every pair of tracks gives one delay; the way round any triangle must sum to zero. `arrival_times` finds the times
that fit all pairs by weighted robust least squares (iteratively reweighted with Huber's weights), so that one wrong
pair does not spoil the others, and is no surer of them than the pairs agree; `best_polarity` finds the flips that agree
with the most evidence, exactly. Times in seconds; a link's ``delay_s`` is positive when the event comes later in
``track`` than in ``reference``.

Sources: P. J. Huber, *Robust Statistics*, Wiley 1981, ch. 7 (reweighting); R. T. Birge, "The calculation of errors by
the method of least squares", Physical Review 40, 207, 1932 (scatter that is wider than stated); the best assignment of
signs is the maximum cut of the graph whose edges are the pairs of opposite polarity.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from micalign.alignment.tuned import FLOOR_S, HUBER
from micalign.arrays import Bools, Floats

__all__ = ["Link", "LinkedTimes", "arrival_times", "best_polarity", "connected"]

_ROUNDS: Final = 50  # times that weights are renewed at the most (chosen, no source)
_EXACT_UP_TO: Final = 16  # tracks: 32,768 assignments are tried in a few milliseconds


@dataclass(frozen=True, slots=True)
class Link:
    """One reliable measurement between two tracks; ``clear``, 0 or more, is how much is to be given on its polarity."""

    reference: str
    track: str
    delay_s: float
    uncertainty_s: float
    polarity: int = 1
    clear: float = 1.0

    @property
    def sigma_s(self) -> float:
        """The uncertainty, never zero."""
        return max(self.uncertainty_s, FLOOR_S)


@dataclass(frozen=True)
class LinkedTimes:
    """Arrival times that fit the links, with one standard deviation; the first track of each connected part is at 0."""

    times_s: Mapping[str, float]
    sigmas_s: Mapping[str, float]


def connected(tracks: Sequence[str], links: Sequence[Link], start: str) -> tuple[str, ...]:
    """The tracks that links join to ``start``, in the order of ``tracks``.

    >>> connected(["a", "b", "c"], [Link("a", "c", 0.001, 1e-6)], "a")
    ('a', 'c')
    """
    found, before = {start}, 0
    while len(found) > before:
        before = len(found)
        for link in links:
            if link.reference in found or link.track in found:
                found |= {link.reference, link.track}
    return tuple(track for track in tracks if track in found)


def arrival_times(tracks: Sequence[str], links: Sequence[Link]) -> LinkedTimes:
    """When one event arrives in each track, from all links at once.

    Parameters
    ----------
    tracks : sequence of str
        Their order decides which track of a connected part is at 0.
    links : sequence of Link
        Reliable measurements of one source.

    Returns
    -------
    LinkedTimes
        Only tracks that a link reaches have a time.

    Examples
    --------
    >>> links = [Link("a", "b", 0.003, 1e-5), Link("b", "c", 0.001, 1e-5), Link("a", "c", 0.004, 1e-5)]
    >>> times = arrival_times(["a", "b", "c"], links).times_s
    >>> [round(times[name], 6) for name in "abc"]
    [0.0, 0.003, 0.004]
    """
    reached = [track for track in tracks if any(track in (link.reference, link.track) for link in links)]
    if not links:
        return LinkedTimes({}, {})
    design, anchors = _design(reached, links)
    delays = np.array([link.delay_s for link in links])
    sigma = np.array([link.sigma_s for link in links])
    base = 1.0 / sigma**2
    trust = np.ones(len(links))
    times = _solve(design, delays, base)
    for _ in range(_ROUNDS):
        renewed = _huber((delays - design @ times) / sigma)
        if np.allclose(renewed, trust, atol=1e-6):
            break
        trust = renewed
        times = _solve(design, delays, base * trust)
    missed = (delays - design @ times) / sigma
    spread = _spread(design, base * trust, anchors) * _wider(missed, trust, int(np.sum(~anchors)))
    every = (dict(zip(reached, values.tolist(), strict=True)) for values in (times, spread))
    return LinkedTimes(*every)


def _design(tracks: Sequence[str], links: Sequence[Link]) -> tuple[Floats, Bools]:
    """Rows +1/-1 for each link; the anchor columns (first track of each part) stay zero."""
    index = {track: position for position, track in enumerate(tracks)}
    design = np.zeros((len(links), len(tracks)))
    for row, link in enumerate(links):
        design[row, index[link.track]] += 1.0
        design[row, index[link.reference]] -= 1.0
    anchors = np.zeros(len(tracks), dtype=np.bool_)
    seen: set[str] = set()
    for track in tracks:
        if track not in seen:
            anchors[index[track]] = True
            seen |= set(connected(tracks, links, track))
    design[:, anchors] = 0.0
    return design, anchors


def _solve(design: Floats, delays: Floats, weights: Floats) -> Floats:
    root = np.sqrt(weights / weights.max())
    solution: Floats = np.linalg.lstsq(design * root[:, None], delays * root, rcond=1e-12)[0]
    return solution


def _huber(scaled: Floats) -> Floats:
    size = np.maximum(np.abs(scaled), 1e-12)
    weight: Floats = np.minimum(1.0, HUBER / size)
    return weight


def _wider(scaled: Floats, trust: Floats, unknowns: int) -> float:
    """How much wider than stated the times scatter, 1 at least: by what the links miss the solution by in sigmas.

    A wrong link counts as `HUBER` sigmas, so that it does not widen what the others agree on.
    """
    free = len(scaled) - unknowns
    return max(1.0, float(np.sqrt(((trust * scaled) ** 2).sum() / free))) if free > 0 else 1.0


def _spread(design: Floats, weights: Floats, anchors: Bools) -> Floats:
    """One standard deviation of each time against its anchor."""
    spread = np.zeros(design.shape[1])
    free = ~anchors
    if free.any():
        information = design[:, free].T @ (design[:, free] * weights[:, None])
        spread[free] = np.sqrt(np.maximum(np.diag(np.linalg.pinv(information)), 0.0))
    return spread


def best_polarity(tracks: Sequence[str], links: Sequence[Link]) -> dict[str, int]:
    """The polarity of every track against the first, +1 or -1, that agrees with the most of the links.

    A link counts by its ``clear``: one in doubt gives way to a clear one of another way or source.
    Exact for up to 16 tracks, and for any number where the links contradict each other nowhere; beyond that, the
    best of a spectral start and improvement by single and double flips.

    Examples
    --------
    >>> best_polarity(["a", "b", "c"], [Link("a", "b", 0, 1e-6, -1), Link("b", "c", 0, 1e-6, -1)])
    {'a': 1, 'b': -1, 'c': 1}
    """
    index = {track: position for position, track in enumerate(tracks)}
    evidence = np.zeros((len(tracks), len(tracks)))
    for link in links:
        a, b = index[link.reference], index[link.track]
        for one, other in ((a, b), (b, a)):
            evidence[one, other] += link.clear * link.polarity
    signs = _walked(evidence)
    if _agreement(evidence, signs) < np.abs(evidence).sum() - 1e-12:
        signs = _enumerated(evidence) if len(tracks) <= _EXACT_UP_TO else _improved(evidence, signs)
    return {track: int(signs[position]) for track, position in index.items()}


def _agreement(evidence: Floats, signs: Floats) -> float:
    return float(signs @ evidence @ signs)


def _walked(evidence: Floats) -> Floats:
    """Signs along the strongest tree: the exact answer wherever no loop contradicts itself."""
    count = len(evidence)
    signs = np.zeros(count)
    while not signs.all():
        reach = np.abs(evidence) * (signs != 0)[:, None] * (signs == 0)[None, :]
        if reach.max(initial=0.0) <= 0:
            signs[int(np.flatnonzero(signs == 0)[0])] = 1.0
            continue
        a, b = np.unravel_index(int(np.argmax(reach)), reach.shape)
        signs[b] = signs[a] * np.sign(evidence[a, b])
    return signs


def _enumerated(evidence: Floats) -> Floats:
    """Every assignment with the first track at +1."""
    free = len(evidence) - 1
    codes = np.arange(1 << free)
    bits = (codes[:, None] >> np.arange(free)[None, :]) & 1
    signs = np.hstack([np.ones((len(codes), 1)), 1.0 - 2.0 * bits])
    scores = np.einsum("ij,ij->i", signs @ evidence, signs)
    best: Floats = signs[int(np.argmax(scores))]
    return best


def _improved(evidence: Floats, walked: Floats) -> Floats:
    spectral = np.where(np.linalg.eigh(evidence)[1][:, -1] >= 0, 1.0, -1.0)
    best = max((_climbed(evidence, start) for start in (walked, spectral)), key=lambda s: _agreement(evidence, s))
    anchored: Floats = best * best[0]
    return anchored


def _climbed(evidence: Floats, start: Floats) -> Floats:
    """Flip one track, or two together, while that gains agreement."""
    signs = start.copy()
    for _ in range(len(signs) ** 2):
        single = -signs * (evidence @ signs)
        double = single[:, None] + single[None, :] + 2.0 * evidence * np.outer(signs, signs)
        np.fill_diagonal(double, single)
        a, b = np.unravel_index(int(np.argmax(double)), double.shape)
        if double[a, b] <= 1e-12:
            break
        signs[list({int(a), int(b)})] *= -1.0
    return signs
