"""A finding: one thing that figures say about a scene or a take, and what mends it.

A rule proposes `Remedy` values; only one that was tried on a copy of the scene and held is given (see
`micalign.findings.trial`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from micalign.scene.changes import Change

__all__ = ["SEVERITIES", "Finding", "Remedy", "Severity", "is_wrong", "rank"]

Severity: TypeAlias = Literal["note", "warning", "problem"]

SEVERITIES: Final[tuple[Severity, ...]] = ("problem", "warning", "note")
"""From the heaviest: a *problem* spoils the take, a *warning* is a failed rule, a *note* is worth knowing."""


def rank(severity: Severity) -> int:
    """0 for the heaviest.

    >>> rank("problem"), rank("note")
    (0, 2)
    """
    return SEVERITIES.index(severity)


@dataclass(frozen=True, slots=True)
class Remedy:
    """What may be done: in words, and as changes of the scene.

    ``effort_m`` orders remedies: the metres that stands are carried, and for what is no move the length that common
    practice would rather carry one. ``is_measurement``: the changes hold what is to be measured first, so they are
    tried but not handed out.
    """

    words: str
    changes: tuple[Change, ...]
    effort_m: float
    is_measurement: bool = False


Propose: TypeAlias = Callable[[], Iterable[Remedy]]


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found, where, and what to do about it.

    ``where`` names the mics, sources and surfaces; ``weight`` orders findings of one severity, the heaviest first.
    ``advice`` is what helps where no change of the scene does; once a remedy has held, ``advice`` is its words and
    ``changes`` what a script can apply. ``tried`` counts the remedies that were tried on a copy of the scene.
    """

    rule: str
    severity: Severity
    where: tuple[str, ...]
    message: str
    advice: str
    weight: float = 0.0
    changes: tuple[Change, ...] = ()
    tried: int = 0
    about: tuple[str, ...] = ()
    """What makes it the same finding in another scene; empty: ``where``."""
    alike: tuple[str, ...] = ()
    """Findings of one rule that are alike are reported as one, the heaviest; empty: none is."""
    propose: Propose | None = field(default=None, compare=False, repr=False)

    @property
    def key(self) -> tuple[str, tuple[str, ...]]:
        """Rule and what it is about: the same before and after a change."""
        return self.rule, self.about or self.where


def is_wrong(found: tuple[Finding, ...]) -> bool:
    """Whether a rule failed: a warning or a problem is there; notes alone are none.

    >>> is_wrong((Finding("air", "note", (), "It is hot.", "Mind it."),))
    False
    """
    return any(one.severity != "note" for one in found)
