"""What joins the tracks of a take: what a scene asks of their shifts, and which times and polarities fit all pairs?

Delays and shifts are seconds, positive later; amplitudes are relative. Decibels are against what the mic takes itself,
distance and pattern included; how loud a source plays is not known.

Which sources tracks share is read off the scene alone. A mic hears every source, whatever stands in its ``on``, but for
a close mic (within `CLOSE_M` of a source of its own): what keeps the three-to-one rule there is faint bleed, which says
nothing about where its track belongs. Measured levels are of no use here: a track's own voice hides in them. A DI hears
its source alone.

Every pair of tracks gives one delay, a link; the way round any triangle must sum to zero. `arrival_times` finds the
times that fit all pairs by weighted robust least squares (iteratively reweighted with Huber's weights), so that one
wrong pair does not spoil the others, and is no surer of them than the pairs agree; `best_polarity` finds the flips that
agree with the most evidence, exactly.

Sources: P. J. Huber, *Robust Statistics*, Wiley 1981, ch. 7 (reweighting); R. T. Birge, "The calculation of errors by
the method of least squares", Physical Review 40, 207, 1932 (scatter that is wider than stated); the best assignment of
signs is the maximum cut of the graph whose edges are the pairs of opposite polarity.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from micalign.acoustics.arrivals import is_close, mic_gain, speed_of_sound_in, speed_uncertainty_m_s
from micalign.acoustics.tuned import BLEED_DB
from micalign.alignment.tuned import BESIDE_THE_POINT, DI_SIGMA_S, FLOOR_S, HUBER, LEAST_GAIN
from micalign.arrays import Bools, Floats
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene
from micalign.tdoa.delays import Expected
from micalign.tdoa.tuned import CAPSULE_SIGMA_S

__all__ = [
    "Constraints",
    "HeardSource",
    "Link",
    "LinkedTimes",
    "arrival_times",
    "arrivals_of",
    "best_polarity",
    "connected",
    "inverted_lobes",
    "levels_db",
    "own_tracks",
    "well_heard",
]

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


def well_heard(scene: Scene, names: Sequence[str]) -> dict[str, frozenset[str]]:
    """For each source the tracks that take it and those in which, by the scene, it is no faint bleed.

    Where a position is not known yet, the track counts as hearing it.

    Parameters
    ----------
    scene : Scene
    names : sequence of str
        The tracks asked about.

    Examples
    --------
    >>> singers = Source("alto", (0.0, 0.0, 1.5)), Source("tenor", (2.0, 0.0, 1.5))
    >>> mics = (Mic("a", (0.0, 0.2, 1.5), on=("alto",)), Mic("t", (2.0, 0.2, 1.5), on=("tenor",)),
    ...     Mic("both", (1.0, 2.0, 1.5), on=("alto",)))
    >>> [sorted(tracks) for tracks in well_heard(Scene(sources=singers, mics=mics), ["a", "t", "both"]).values()]
    [['a', 'both'], ['both', 't']]
    """
    heard = {source.name: {di.name for di in scene.dis if di.of == source.name} for source in scene.sources}
    for mic in scene.mics:
        levels = levels_db(scene, mic) if is_close(mic, scene.sources) else {}
        for source, tracks in heard.items():
            if source in mic.on or levels.get(source, 0.0) > 1e-9 - BLEED_DB:
                tracks.add(mic.name)
    return {source: frozenset(tracks & set(names)) for source, tracks in heard.items()}


def levels_db(scene: Scene, mic: Mic) -> dict[str, float]:
    """The level of each placed source in a mic against the loudest that it takes; empty where that is not known."""
    amplitudes = _amplitudes(scene, mic)
    own = max((abs(amplitudes[name]) for name in mic.on or amplitudes if name in amplitudes), default=0.0)
    if own <= 0.0:
        return {}
    return {name: 20.0 * float(np.log10(max(abs(value), 1e-12) / own)) for name, value in amplitudes.items()}


def inverted_lobes(scene: Scene) -> frozenset[tuple[str, str]]:
    """Every (source, mic) where the mic hears the source with the other polarity than what it is there to take.

    The side that looks at what it takes counts as a mic's front. Where it takes sources with both sides, the front is
    the side that its aim says.
    """
    found: set[tuple[str, str]] = set()
    for mic in scene.mics:
        amplitudes = _amplitudes(scene, mic)
        taken = [np.sign(amplitudes[name]) for name in mic.on if name in amplitudes]
        front = -1.0 if taken and max(taken) < 0 else 1.0
        found |= {(name, mic.name) for name, value in amplitudes.items() if value * front < 0}
    return frozenset(found)


def _amplitudes(scene: Scene, mic: Mic) -> Mapping[str, float]:
    """Signed amplitude of each placed source, 1 for 1 m on the axis; nothing where the mic's place is unknown."""
    if not mic.is_placed or (isinstance(mic.aim, str) and not scene.source(mic.aim).is_placed):
        return {}
    return {source.name: _amplitude(scene, mic, source) for source in scene.sources if source.is_placed}


def _amplitude(scene: Scene, mic: Mic, source: Source) -> float:
    gain = mic_gain(scene, mic, source.position)
    size = max(abs(gain), LEAST_GAIN)  # a null is never perfect
    return float(np.copysign(size, gain)) / max(mic.metres_to(source), 1e-3)


def arrivals_of(scene: Scene, source: Source) -> dict[str, Expected]:
    """When and how loud the source should arrive at each mic and DI; nothing where a position is not known."""
    if not source.is_placed or not all(mic.is_placed for mic in scene.mics):
        return {}
    speed, speed_sigma = speed_of_sound_in(scene.air), speed_uncertainty_m_s(scene.air)
    found = {di.name: Expected(di.latency_s, DI_SIGMA_S) for di in scene.dis if di.of == source.name}
    for mic in scene.mics:
        away_m = float(np.linalg.norm(np.subtract(mic.position, source.position)))
        sigma_m = float(np.hypot(mic.plus_minus_m, source.plus_minus_m))
        sigma_s = float(np.sqrt((sigma_m / speed) ** 2 + (away_m * speed_sigma / speed**2) ** 2 + CAPSULE_SIGMA_S**2))
        found[mic.name] = Expected(away_m / speed, sigma_s, levels_db(scene, mic).get(source.name, 0.0))
    return found


def own_tracks(scene: Scene, names: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """The tracks that are there for one source alone, by source: mics first, then DIs."""
    mics = [(mic.on[0], mic.name) for mic in scene.mics if len(mic.on) == 1]
    lines = [*mics, *((di.of, di.name) for di in scene.dis)]
    sources = [source.name for source in scene.sources]
    return {one: tuple(name for of, name in lines if of == one and name in names) for one in sources}


@dataclass(frozen=True)
class HeardSource:
    """When and how one source arrives in the tracks that reliable pairs join; amplitudes are relative."""

    source: str
    links: tuple[Link, ...]
    amplitudes: Mapping[str, float] = field(default_factory=dict)

    def amplitude(self, track: str) -> float:
        """The source's amplitude in a track; 1 where levels are not known."""
        return self.amplitudes.get(track, 1.0)


@dataclass(frozen=True)
class Constraints:
    """What the engineer asks of the compromise.

    ``together`` names tracks that move as one (a stereo pair's image stays); ``on`` says which sources a track is
    there to take (no entry: all of them). ``hearing`` says which tracks hear a source as more than faint bleed (no
    entry: all of them). ``inverted`` holds every (source, track) whose polarity the scene itself turns over, as the
    rear of a figure-8 does: that is no fault of a cable. ``expected`` says when the scene has a source, by name,
    arrive at each mic and DI; nothing where a place is not known. Where the scene leaves open what mics are there to
    take (`micalign.alignment.unsaid`), ``beside`` are those that move with a group and onto which nothing is laid,
    ``own`` the source that a mic is at, by its place, and ``left`` why a mic stays as recorded.
    """

    reference: str
    together: tuple[tuple[str, ...], ...] = ()
    on: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    for_source: str | None = None
    max_shift_s: float | None = None
    hearing: Mapping[str, frozenset[str]] = field(default_factory=dict)
    inverted: frozenset[tuple[str, str]] = frozenset()
    expected: Mapping[str, Mapping[str, Expected]] = field(default_factory=dict)
    beside: frozenset[str] = frozenset()
    own: Mapping[str, str] = field(default_factory=dict)
    left: Mapping[str, str] = field(default_factory=dict)

    def joins(self, source: str, a: str, b: str) -> bool:
        """Whether a source may bring two tracks together: both hear it as more than faint bleed."""
        return source not in self.hearing or {a, b} <= self.hearing[source]

    def within_reach(self, tracks: Sequence[str], start: str) -> tuple[str, ...]:
        """The tracks that shared sources or pairs could join to ``start``, whatever can be measured.

        >>> hearing = {"snare": frozenset({"left", "snare mic"}), "voice": frozenset({"vocal"})}
        >>> limits = Constraints("left", hearing=hearing)
        >>> limits.within_reach(["left", "snare mic", "vocal"], "left")
        ('left', 'snare mic')
        """
        groups = [*self.together, *self.hearing.values()] if self.hearing else [tracks]
        links = [Link(a, b, 0.0, 0.0) for group in groups for a, b in pairwise(sorted(group))]
        return connected(tracks, links, start)

    def takes(self, source: str, track: str) -> bool:
        """Whether a track is there to take a source."""
        wanted = self.on.get(track, ())
        return not wanted or source in wanted

    def pulls(self, track: str) -> bool:
        """Whether others may be laid onto a track, or it onto them."""
        return track not in self.beside and track not in self.left

    def counts(self, source: str, track: str) -> float:
        """How much a source counts in a track."""
        here = self.takes(source, track)
        chosen = self.for_source is None or source == self.for_source
        return (1.0 if here else BESIDE_THE_POINT) * (1.0 if chosen else BESIDE_THE_POINT)

    def follows(self, track: str) -> bool:
        """Whether a track is laid onto the others and pulls none of them, as a room mic is beside close mics."""
        stays = track == self.reference or any(track in group for group in self.together)
        return len(self.on.get(track, ())) > 1 and not stays

    def leader(self, track: str) -> str:
        """The track whose shift this one shares."""
        for group in self.together:
            if track in group:
                return self.reference if self.reference in group else group[0]
        return track

    def anchor(self, island: Sequence[str], late_s: Mapping[str, float]) -> str:
        """The track of an island that stays: the reference, a track of a pair, the one of most sources, the latest."""
        if self.reference in island:
            return self.reference
        paired = {name for group in self.together for name in group}
        rank = {name: (name in paired, len(self.on.get(name, ())), late_s.get(name, 0.0)) for name in island}
        return self.leader(max(island, key=lambda name: rank[name]))
