"""What becomes of scenes when every remedy that `check` tells is applied, one at a time."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from random_scenes import KINDS, random_scene

from micalign.acoustics.prediction import predict
from micalign.findings.rules import every_finding, found
from micalign.scene.scene import Scene, changed

__all__ = ["Tally", "study"]

RANK = {"problem": 0, "warning": 1, "note": 2}


@dataclass
class Tally:
    """By kind of finding: how many, how many with a remedy, of those how many cleared and how many brought worse."""

    found: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    cleared: Counter[str] = field(default_factory=Counter)
    worse: Counter[str] = field(default_factory=Counter)
    any_new: Counter[str] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)


def study(seeds: range) -> Tally:
    """Every kind of scene with every seed."""
    tally = Tally()
    for kind in KINDS:
        for seed in seeds:
            _count(tally, random_scene(kind, seed), f"{kind} {seed}")
    return tally


def _count(tally: Tally, scene: Scene, name: str) -> None:
    findings = every_finding(scene, predict(scene))
    before = {(one.rule, one.where): RANK[one.severity] for one in findings}
    for finding in findings:
        tally.found[finding.rule] += 1
        if not finding.changes:
            continue
        tally.told[finding.rule] += 1
        after_scene = changed(scene, finding.changes)
        after = {(one.rule, one.where): RANK[one.severity] for one in found(after_scene, predict(after_scene))}
        gone = (finding.rule, finding.where) not in after
        new = [rank for key, rank in after.items() if rank < before.get(key, 3)]
        tally.cleared[finding.rule] += gone
        tally.worse[finding.rule] += any(rank <= RANK[finding.severity] for rank in new)
        tally.any_new[finding.rule] += bool(new)
        if not gone:
            tally.broken.append(f"{name}: {finding.rule} {finding.where}: {finding.advice}")
