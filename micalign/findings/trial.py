"""Is a remedy worth giving? It is tried: applied to a copy of the scene, on which every rule is run again.

It holds where its finding is gone, nothing of the finding's rank or worse is new or has grown worse, and no limit of
the scene is broken: `equal_to`, `move` and `reach`, keep-outs, walls. Of several that hold the one with the least
effort is given, those that bring nothing worse than a note before the others. Where none does, the finding says so and
what else there is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import numpy as np

from micalign.acoustics.prediction import Prediction, predict
from micalign.errors import SceneError
from micalign.findings.finding import Finding, Remedy, rank
from micalign.findings.remedies import allowed
from micalign.scene.changes import changed
from micalign.scene.model import Scene

__all__ = ["Run", "holds", "most_trials", "tried"]

Run: TypeAlias = Callable[[Scene, Prediction], tuple[Finding, ...]]
"""All rules on a scene and its figures: every finding, none left out."""

_MOST_OF_ONE: Final = 16
"""So many remedies of one finding are tried, the least effort first."""
_MOST: Final = 150
_FLOOR_M: Final = 0.01
_WORK: Final = 250_000
"""Cells of all trials together: some 300 ms."""


def most_trials(scene: Scene) -> int:
    """How many remedies are tried in a scene of this size: 150 in a band's, a handful in that of 200 mics.

    >>> most_trials(Scene())
    150
    """
    sources, mics = len(scene.sources), len(scene.mics)
    return min(_MOST, _WORK // (300 + 6 * sources * mics + mics * mics))


def tried(
    scene: Scene, found: Iterable[Finding], run: Run, *, among: Callable[[Remedy], bool] | None = None
) -> tuple[Finding, ...]:
    """The findings with what mends them: the first remedy that holds, or what else there is.

    ``run`` finds everything that the rules find in a scene, so that what a remedy brings is seen; ``among`` says
    which remedies are asked for at all.
    """
    findings = tuple(found)
    trials = _Trials(scene, run, most_trials(scene), among or (lambda _: True))
    return tuple(trials.advised(finding) for finding in findings)


def holds(finding: Finding, before: Mapping[object, Finding], after: Mapping[object, Finding]) -> tuple[bool, bool]:
    """Whether a finding is gone with nothing of its rank or worse instead; and whether only notes are new or worse."""
    if finding.key in after:
        return False, False
    worse = [rank(one.severity) for key, one in after.items() if _is_worse(before.get(key), one)]
    return not any(one <= rank(finding.severity) for one in worse), not any(one < rank("note") for one in worse)


def _is_worse(before: Finding | None, after: Finding) -> bool:
    return before is None or rank(after.severity) < rank(before.severity)


@dataclass(slots=True)
class _Trials:
    """The trials of one scene, and how many more it allows."""

    scene: Scene
    run: Run
    left: int
    among: Callable[[Remedy], bool]
    before: Mapping[object, Finding] | None = None

    def advised(self, finding: Finding) -> Finding:
        if finding.propose is None:
            return finding
        if self.left <= 0:
            return replace(finding, advice=f"{finding.advice} (No remedy was tried: the scene is large.)")
        asked = [remedy for remedy in finding.propose() if self.among(remedy)]
        proposed = sorted(asked, key=lambda remedy: remedy.effort_m)[:_MOST_OF_ONE]
        if self.before is None:
            self.before = self._found(self.scene)
        second: Remedy | None = None
        count = 0
        for remedy in proposed:
            if self.left <= 0:
                break
            count += 1
            fits, is_clean = self._holds(finding, remedy)
            if fits and is_clean:
                return _with_remedy(finding, remedy, count)
            second = second or (remedy if fits else None)
        if second is not None:
            return _with_remedy(finding, second, count)
        return replace(finding, advice=f"{_none_holds(count)}{finding.advice}", tried=count)

    def _holds(self, finding: Finding, remedy: Remedy) -> tuple[bool, bool]:
        self.left -= 1
        try:
            after = changed(self.scene, remedy.changes)
        except SceneError:
            return False, False
        if not keeps_limits(self.scene, after) or self.before is None:
            return False, False
        return holds(finding, self.before, self._found(after))

    def _found(self, scene: Scene) -> Mapping[object, Finding]:
        return {finding.key: finding for finding in self.run(scene, predict(scene, tasks_only=True))}


def keeps_limits(before: Scene, after: Scene) -> bool:
    """Whether every mic that has moved stands where it may; one that is laid on the floor keeps all but the walls."""
    return all(
        old.at == new.at
        or bool(allowed(before, old, np.array(new.position)[None], on_floor=new.position[2] < _FLOOR_M)[0])
        for old, new in zip(before.mics, after.mics, strict=True)
    )


def _with_remedy(finding: Finding, remedy: Remedy, count: int) -> Finding:
    return replace(finding, advice=remedy.words, changes=() if remedy.is_measurement else remedy.changes, tried=count)


def _none_holds(count: int) -> str:
    """What is said before the advice where nothing that was tried mends the finding."""
    if count == 0:
        return ""
    return f"No single change mends it ({count} tried). " if count > 1 else "A single change does not mend it. "
