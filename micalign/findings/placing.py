"""Where should the mics that may move stand, so that the rules are content as well?

The search (`micalign.acoustics.placement`) weighs its terms; then what the rules still warn of is tried, move by move,
as `micalign.findings.rules` tries a remedy: here only moves of mics that may move, within the limits of the scene as
it was. What is warned of is charged beside the terms, so that no layout is called better that brings more of it, and
none is called good that a free mic could mend. In a scene of many dozens of mics trials are as few as `check`'s.
"""

from __future__ import annotations

from dataclasses import replace

from micalign.acoustics.placement import Placement, keeps_every_limit, moved_to, searched
from micalign.acoustics.prediction import predict
from micalign.acoustics.tuned import LEAST_GAIN, LEAST_GAIN_SHARE
from micalign.errors import SceneError
from micalign.findings.finding import Finding, Remedy
from micalign.findings.rules import found, tried
from micalign.findings.tuned import CHARGES, MOST_MOVES
from micalign.scene.scene import Scene, changed

__all__ = ["place"]


def place(scene: Scene) -> Placement:
    """Better positions for the mics that may move; the same answer on every run.

    Parameters
    ----------
    scene : Scene
        With every position filled in (`micalign.acoustics.survey.surveyed`).

    Returns
    -------
    Placement
        ``before`` and ``after`` hold the terms, the charges for limits and tolerances, and under ``rules`` those
        for what `check` warns of.

    Raises
    ------
    SceneError
        If a source or a mic has no position yet.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Pair, Source
    >>> from micalign.scene.model import Box
    >>> scene = Scene(
    ...     sources=(Source("oud", (2.0, 2.0, 0.7)),),
    ...     mics=(Mic("left", (1.5, 2.0, 1.7), move=Box((1, 2), (2, 2), (1.7, 1.7))), Mic("right", (2.6, 2.0, 1.7))),
    ...     pairs=(Pair("pair", ("left", "right"), equal_to=("oud",)),),
    ... )
    >>> placed = place(scene)
    >>> placed.feasible, [(move.mic, round(move.to_m[0], 2)) for move in placed.moved]
    (True, [('left', 1.4)])
    """
    by_terms = _charged(searched(scene))
    if not by_terms.feasible or not by_terms.moves:
        return by_terms
    stays = _charged(moved_to(scene, scene))
    mended = [_mended(scene, start) for start in (by_terms, stays)]
    best = min((by_terms, *mended), key=lambda one: one.after)
    gain = stays.after - best.after
    unwarned = stays.after - stays.terms_after["rules"]
    return stays if stays.feasible and gain < max(LEAST_GAIN, LEAST_GAIN_SHARE * unwarned) else best


def _charged(placement: Placement) -> Placement:
    """With the charges for what the rules warn of."""
    before, after = _charge(placement.unmoved), _charge(placement.scene)
    return replace(
        placement,
        before=placement.before + before,
        after=placement.after + after,
        terms_before={**placement.terms_before, "rules": before},
        terms_after={**placement.terms_after, "rules": after},
    )


def _charge(scene: Scene) -> float:
    return sum(CHARGES.get(finding.severity, 0.0) for finding in _found(scene))


def _found(scene: Scene) -> tuple[Finding, ...]:
    return found(scene, predict(scene, tasks_only=True))


def _mended(scene: Scene, start: Placement) -> Placement:
    """From one layout on, each warning that a move of a free mic mends, the heaviest first, as long as that gains."""
    best, fits = start, keeps_every_limit(scene)
    may_move = {mic.name for mic in scene.mics if mic.may_move}
    concerned = may_move | {pair.name for pair in scene.pairs if may_move.intersection(pair.mics)}

    def is_move(remedy: Remedy) -> bool:
        moves = all(change.key == "at" and change.name in may_move for change in remedy.changes)
        try:
            return moves and fits(changed(best.scene, remedy.changes))
        except SceneError:  # a place outside the room is none
            return False

    for _ in range(MOST_MOVES):
        every = [finding for finding in _found(best.scene) if finding.severity in CHARGES]
        warned = [finding for finding in every if concerned.intersection(finding.where)]
        mends = [one.changes for one in tried(best.scene, warned, found, among=is_move) if one.changes]
        further = (_charged(moved_to(scene, changed(best.scene, changes))) for changes in mends)
        better = next((one for one in further if one.feasible and one.after < best.after), None)
        if better is None:
            break
        best = better
    return best
