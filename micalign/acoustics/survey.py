"""Where does everything stand, going by distances measured with a tape?

Known coordinates are the frame and taken as exact; free ones are found by weighted robust least squares, from many
starts, so that mirror solutions are seen; the room and the floor tell them apart. A tape that the others speak
against is named and left out (data snooping: W. Baarda, A testing procedure for use in geodetic networks, 1968).
A residual is the measured distance minus the one between the positions found. ``uncertainty_m`` is the radius that
holds the true place in 68 of 100 cases. The arithmetic is that of `micalign.acoustics.tape_network`, doubt about the
tapes that of `micalign.acoustics.tape_doubt`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from micalign.acoustics.tape_doubt import (
    Slip,
    accused,
    best_next,
    covariance,
    deciding,
    fixing,
    point_covariance,
    radius_68_m,
    spare_tapes,
    unfixed_sentence,
)
from micalign.acoustics.tape_network import (
    Network,
    also_fitting,
    best_starts,
    descend,
    distinct,
    huber,
    in_bounds,
    is_frameless,
    misfit,
    network_of,
    parts,
    settled,
)
from micalign.acoustics.tuned import (
    DISAGREES,
    HANDFUL,
    MOST_CANDIDATES,
    MOST_HELPED,
    MOVED_M,
    ON_PLANE_M,
    OTHER_PLACE_M,
    OTHER_PLACE_RADII,
    UNFIXED_M,
)
from micalign.arrays import Bools, Floats, point_of
from micalign.errors import SceneError
from micalign.scene.model import Coordinates, Point
from micalign.scene.scene import Scene
from micalign.units import Listing, Shown, many, show_centimetres, show_length

__all__ = [
    "NextTape",
    "Survey",
    "SurveyPoint",
    "SurveyTape",
    "WrongTape",
    "axis_sigmas_m",
    "survey",
    "surveyed",
]


@dataclass(frozen=True, slots=True)
class SurveyPoint:
    """A point of which a coordinate was asked for.

    ``at_m`` holds None where the tapes do not fix it; ``other_m`` is a second place that fits as well.
    ``axis_sigma_m`` is one standard deviation of each coordinate, 0 where it was known.
    """

    name: str
    at_m: Coordinates
    uncertainty_m: float | None
    axis_sigma_m: Point
    fixed: bool
    other_m: Point | None = None
    fixed_by: tuple[str, ...] = ()
    """Where it is not fixed, or at two places: the points whose further distances would fix it; empty: none would."""


@dataclass(frozen=True, slots=True)
class SurveyTape:
    """A tape against the positions found; of several suspects the rivals are less likely to be the wrong one."""

    between: tuple[str, str]
    distance_m: float
    residual_m: float
    plus_minus_m: float
    suspect: bool
    rival: bool = False


@dataclass(frozen=True, slots=True)
class NextTape:
    """The further tape that would help most, the point it helps, and that point's uncertainty before and after it.

    ``decides``: it would tell which of several tapes is wrong; ``again``: it is one that was measured already.
    """

    between: tuple[str, str]
    point: str
    before_m: float
    after_m: float
    decides: bool = False
    again: bool = False


@dataclass(frozen=True, slots=True)
class WrongTape:
    """One explanation of tapes that disagree: which is wrong, by how much, and where the points then stand."""

    between: tuple[str, str]
    off_m: float
    probability: float
    places: dict[str, Point]
    next_m: float | None = None
    """What the deciding tape would read."""


@dataclass(frozen=True, repr=False)
class Survey(Shown):
    """What follows from the tapes.

    Attributes
    ----------
    points : tuple of SurveyPoint
        Those of which a coordinate was asked for, in metres.
    tapes : tuple of SurveyTape
        Each with its residual. Of tapes under suspicion the likeliest is left out; that another may be the wrong one
        is in the uncertainties.
    spare : int
        Tapes beyond those needed; without one, nothing checks the tapes.
    next_tape : NextTape or None
        The further tape that would help most.
    wrong : tuple of WrongTape
        Each explanation, the likeliest first, where the tapes cannot decide between them.
    frame : tuple of str
        Where no coordinate was given: the point taken as the origin, one on the x axis, one in the plane z = 0.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> survey(Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("room", (2.0, 3.0, 0.7)),))).points
    ()
    """

    points: tuple[SurveyPoint, ...]
    tapes: tuple[SurveyTape, ...]
    spare: int
    next_tape: NextTape | None
    wrong: tuple[WrongTape, ...] = ()
    frame: tuple[str, ...] = ()

    def _listing(self) -> Listing:
        rows = ((one.name, *_place_words(one)) for one in self.points)
        suspects = f", {len(self.suspects)} of them in doubt" if self.suspects else ""
        title = f"{len(self.points)} found from {many(len(self.tapes), 'tape')}{suspects}"
        return Listing(title, ("name", "at", "+-"), rows, len(self.points), words=2)

    @property
    def unfixed(self) -> tuple[SurveyPoint, ...]:
        """Points that the tapes do not fix."""
        return tuple(point for point in self.points if not point.fixed)

    @property
    def doubtful(self) -> tuple[SurveyPoint, ...]:
        """Points with two possible places."""
        return tuple(point for point in self.points if point.fixed and point.other_m is not None)

    @property
    def suspects(self) -> tuple[SurveyTape, ...]:
        """Tapes that the others speak against, each by itself or as one of several."""
        return tuple(tape for tape in self.tapes if tape.suspect)

    @property
    def rivals(self) -> tuple[SurveyTape, ...]:
        """Tapes that may be wrong instead."""
        return tuple(tape for tape in self.tapes if tape.rival)


def _place_words(point: SurveyPoint) -> tuple[str, str]:
    """Where a point stands, and how surely."""
    at = ", ".join("?" if value is None else show_length(value) for value in point.at_m)
    also = " or elsewhere" if point.other_m is not None else ""
    return f"{at}{also}", "-" if point.uncertainty_m is None else show_centimetres(point.uncertainty_m)


def survey(scene: Scene) -> Survey:
    """Find every unknown coordinate of a scene from its tapes.

    Parameters
    ----------
    scene : Scene
        What it knows, and its tapes.

    Returns
    -------
    Survey
        Also where the tapes do not fix every point: see `Survey.unfixed` and `Survey.doubtful`.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source, Tape
    >>> corners = {"kick": (0.0, 0.0, 0.4), "snare": (1.0, 0.0, 0.7), "tom": (0.0, 1.0, 0.9)}
    >>> scene = Scene(
    ...     sources=tuple(Source(name, at) for name, at in corners.items()),
    ...     mics=(Mic("overhead"),),
    ...     tapes=(
    ...         Tape(("kick", "overhead"), 1.7493),
    ...         Tape(("snare", "overhead"), 1.4799),
    ...         Tape(("tom", "overhead"), 1.3077),
    ...     ),
    ... )
    >>> [round(float(value), 2) for value in survey(scene).points[0].at_m]
    [0.5, 0.5, 2.0]
    """
    net, framed = network_of(scene), is_frameless(scene)
    if not net.unknown_points:
        none = np.zeros(len(net.ends), dtype=bool)
        return Survey((), _tapes(scene, net, np.zeros(0), none, none), 0, None)
    solved = _turned(_solve(net)) if framed else _solve(net)
    points = tuple(_point(scene, solved, point) for point in net.unknown_points)
    if not framed and not solved.doubts:
        points = tuple(_said_how(solved, points))
    wanted = _next(solved, points)
    return Survey(
        points,
        _tapes(scene, net, solved.unknowns, solved.suspects, solved.rivals),
        solved.spare,
        wanted,
        _wrong(scene, solved, wanted),
        net.names[:3] if framed else (),
    )


def _wrong(scene: Scene, solved: _Solved, wanted: NextTape | None) -> tuple[WrongTape, ...]:
    net = solved.net
    made = []
    for slip in solved.doubts:
        at = net.places(slip.unknowns[None])[0]
        moved = set(
            np.flatnonzero(np.linalg.norm(at - net.places(solved.unknowns[None])[0], axis=1) > MOVED_M).tolist()
        )
        ends = set(net.ends[slip.tape].tolist())
        shown = [point for point in net.unknown_points if point in moved | ends]
        places = {net.names[point]: point_of(net.into_room(at[point])) for point in shown}
        off = float(net.distance_m[slip.tape] - net.lengths(slip.unknowns[None])[0, slip.tape])
        span = None
        if wanted is not None:
            a, b = (at[net.names.index(name)] for name in wanted.between)
            span = float(np.linalg.norm(a - b))
        made.append(WrongTape(scene.tapes[slip.tape].between, off, slip.probability, places, span))
    return tuple(made)


def surveyed(scene: Scene) -> Scene:
    """The scene with every position filled in from its tapes; unchanged where none is missing.

    Parameters
    ----------
    scene : Scene

    Raises
    ------
    SceneError
        If the tapes do not fix a point, or leave two places for it: what to measure next.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> whole = Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("room", (2.0, 3.0, 0.7)),))
    >>> surveyed(whole) is whole
    True
    """
    if scene.is_placed:
        return scene
    found = survey(scene)
    faults = [unfixed_sentence(scene, point, found.next_tape) for point in (*found.unfixed, *found.doubtful)]
    if faults:
        raise SceneError(faults)
    return scene.placed_at({point.name: point.at_m for point in found.points}, plus_minus_m=axis_sigmas_m(scene, found))


def axis_sigmas_m(scene: Scene, found: Survey) -> dict[str, float]:
    """One standard deviation of a coordinate of each point found, metres: the ``plus_minus`` of its new position."""
    things = {thing.name: thing for thing in scene.placed()}
    return {
        point.name: _one_sigma(point, things[point.name].at, things[point.name].plus_minus_m) for point in found.points
    }


def _one_sigma(point: SurveyPoint, at: Coordinates, plus_minus_m: float) -> float:
    """One standard deviation for an axis: the mean of the three, known coordinates with their own."""
    axes = [plus_minus_m if known is not None else s for known, s in zip(at, point.axis_sigma_m, strict=True)]
    return float(np.sqrt(np.mean(np.square(axes))))


def _point(scene: Scene, solved: _Solved, point: int) -> SurveyPoint:
    net = solved.net
    part, own = (point_covariance(net, point, each) for each in (solved.whole, solved.whole - solved.spread))
    sigma, radius = np.sqrt(np.diag(part)), radius_68_m(own)
    place = net.into_room(net.places(solved.unknowns[None])[0, point])
    fixed = radius <= UNFIXED_M
    loose = net.free[point] & (np.sqrt(np.diag(own)) > UNFIXED_M / 2)
    x, y, z = (None if not fixed and bad else value for value, bad in zip(place.tolist(), loose, strict=True))
    return SurveyPoint(
        net.names[point],
        (x, y, z),
        radius_68_m(part) if fixed else None,
        (float(sigma[0]), float(sigma[1]), float(sigma[2])),
        fixed,
        _other_place(solved, point, place, radius) if fixed else None,
    )


def _said_how(solved: _Solved, points: tuple[SurveyPoint, ...]) -> Iterator[SurveyPoint]:
    """The points, with what would fix those that are open: distances to points whose places are known."""
    net = solved.net
    open_ = {point.name for point in points if not point.fixed or point.other_m is not None}
    anchors = [index for index, name in enumerate(net.names) if name not in open_]
    places = net.places(solved.unknowns[None])[0]
    helped = 0
    for point in points:
        if point.name not in open_ or helped == MOST_HELPED:
            yield point
            continue
        helped += 1
        by = fixing(net, net.names.index(point.name), anchors, places, within_m=UNFIXED_M)
        yield replace(point, fixed_by=tuple(net.names[index] for index in by))


def _other_place(solved: _Solved, point: int, place: Floats, radius: float) -> Point | None:
    for other in (*(slip.unknowns for slip in solved.doubts), *solved.others):
        there = solved.net.places(other[None])[0, point]
        if np.linalg.norm(there - place) > max(OTHER_PLACE_M, OTHER_PLACE_RADII * radius):
            return point_of(solved.net.into_room(there))
    return None


def _tapes(scene: Scene, net: Network, unknowns: Floats, suspects: Bools, rivals: Bools) -> tuple[SurveyTape, ...]:
    length, slopes = net.lengths_and_slopes(unknowns[None])
    off = (net.distance_m - length[0]).tolist()
    return tuple(
        SurveyTape(
            tape.between,
            tape.distance_m,
            off[row],
            tape.plus_minus_m,
            bool(suspects[row])
            or (not np.any(slopes[0, row]) and _disagrees(scene, tape.between, off[row], tape.plus_minus_m)),
            bool(rivals[row]),
        )
        for row, tape in enumerate(scene.tapes)
    )


def _disagrees(scene: Scene, between: tuple[str, str], residual_m: float, plus_minus_m: float) -> bool:
    """Whether a tape between two known places speaks against them: more than 3.5 sigmas of all three."""
    sigmas = [thing.plus_minus_m for thing in scene.placed() if thing.name in between]
    return abs(residual_m) > DISAGREES * float(np.linalg.norm([plus_minus_m, *sigmas]))


def _next(solved: _Solved, points: tuple[SurveyPoint, ...]) -> NextTape | None:
    if solved.doubts:
        return _decisive(solved)
    doubtful = any(point.other_m is not None for point in points)
    other = solved.farthest if doubtful else None
    found = best_next(solved.net, solved.unknowns, solved.whole, other)
    if found is None:
        return None
    point, partner, before, after = found
    names = solved.net.names
    return NextTape((names[point], names[partner]), names[point], before, after)


def _decisive(solved: _Solved) -> NextTape:
    net = solved.net
    point, partner = deciding(net, solved.doubts)
    before, after = (
        radius_68_m(point_covariance(net, point, each)) for each in (solved.whole, solved.whole - solved.spread)
    )
    again = frozenset((point, partner)) in {frozenset(pair) for pair in net.ends.tolist()}
    names = (net.names[point], net.names[partner])
    return NextTape(names, names[0], before, after, decides=True, again=again)


@dataclass(frozen=True, eq=False)
class _Solved:
    """A network and what fits it: unknowns (n,), their covariance ``whole`` (n, n), of which ``spread`` (n, n) is what
    doubt about the tapes adds, weights, suspects and rivals (T,), ``others`` that fit as well (K, n), how many tapes
    are to ``spare``, and between which wrong tapes these cannot tell.
    """

    net: Network
    unknowns: Floats
    whole: Floats
    spread: Floats
    weights: Floats
    suspects: Bools
    rivals: Bools
    others: Floats
    spare: int
    doubts: tuple[Slip, ...] = ()

    @property
    def farthest(self) -> Floats:
        """Of the other solutions the one that differs most, (n,)."""
        apart = np.max(np.abs(self.others - self.unknowns), axis=1)
        other: Floats = self.others[int(np.argmax(apart))]
        return other


def _solve(net: Network) -> _Solved:
    """Group by group, put together."""
    count, tapes = int(net.free.sum()), len(net.ends)
    unknowns, whole, weights = np.zeros(count), np.zeros((count, count)), 1.0 / net.sigma_m
    spread = np.zeros_like(whole)
    suspects, rivals = np.zeros(tapes, dtype=bool), np.zeros(tapes, dtype=bool)
    found = [(part, _solve_part(part.net)) for part in parts(net)]
    for part, one in found:
        unknowns[part.unknowns], whole[np.ix_(part.unknowns, part.unknowns)] = one.unknowns, one.whole
        spread[np.ix_(part.unknowns, part.unknowns)] = one.spread
        weights[part.tapes], suspects[part.tapes], rivals[part.tapes] = one.weights, one.suspects, one.rivals
    others = np.array([part.put(unknowns, other) for part, one in found for other in one.others]).reshape(-1, count)
    doubts = tuple(
        Slip(int(part.tapes[slip.tape]), slip.probability, part.put(unknowns, slip.unknowns))
        for part, one in found
        for slip in one.doubts
    )
    spare = sum(one.spare for _, one in found)
    return _Solved(net, unknowns, whole, spread, weights, suspects, rivals, others, spare, doubts)


def _solve_part(net: Network) -> _Solved:
    weights = 1.0 / net.sigma_m
    starts = best_starts(net, weights)
    every = np.tile(weights, (len(starts), 1))
    found = descend(net, starts, every)
    inside = in_bounds(net, found)
    kept = found[inside] if inside.any() else found
    candidates = distinct(net, kept, misfit(net, kept, every[: len(kept)]))[:MOST_CANDIDATES]
    if len(net.unknown_points) > HANDFUL:
        candidates = np.concatenate([settled(net, candidates[0], weights)[None], candidates])
    blame = accused(net, candidates, weights)
    best = huber(net, blame.unknowns[None], blame.weights[None])[0]
    whole = covariance(net, best, blame.weights) + blame.spread
    others = also_fitting(net, candidates, best, blame.weights)
    spare = spare_tapes(net, best, blame.weights)
    return _Solved(
        net, best, whole, blame.spread, blame.weights, blame.suspects, blame.rivals, others, spare, blame.doubts
    )


def _turned(solved: _Solved) -> _Solved:
    """In a frame of its own a survey and its mirror images are one: x of the second, y of the third point and z of the
    first beyond their plane are taken as positive.
    """
    sides = np.ones(3)
    places = solved.net.places(solved.unknowns[None])[0]
    for axis, values in ((0, places[1:2, 0]), (1, places[2:3, 1]), (2, places[3:, 2])):
        off = values[np.abs(values) > ON_PLANE_M]
        sides[axis] = -1.0 if len(off) and off[0] < 0 else 1.0
    signs = np.broadcast_to(sides, solved.net.at_m.shape)[solved.net.free]
    turned = solved.unknowns * signs
    mirrors = np.abs(np.abs(solved.others) - np.abs(turned)).max(axis=1, initial=0.0) < 3 * ON_PLANE_M
    return replace(
        solved,
        unknowns=turned,
        whole=solved.whole * np.outer(signs, signs),
        spread=solved.spread * np.outer(signs, signs),
        others=solved.others[~mirrors],
        doubts=tuple(replace(slip, unknowns=slip.unknowns * signs) for slip in solved.doubts),
    )
