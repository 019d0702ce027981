"""A finding: one thing that figures say about a scene or a take, and one move that mends it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

__all__ = ["SEVERITIES", "Finding", "Severity", "is_wrong"]

Severity: TypeAlias = Literal["note", "warning", "problem"]

SEVERITIES: Final[tuple[Severity, ...]] = ("problem", "warning", "note")
"""From the heaviest: a *problem* spoils the take, a *warning* is a failed rule, a *note* is worth knowing."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found, where, and what to do about it.

    ``where`` names the mics, sources and surfaces; ``weight`` orders findings of one severity, the heaviest first.
    """

    rule: str
    severity: Severity
    where: tuple[str, ...]
    message: str
    advice: str
    weight: float = 0.0


def is_wrong(found: tuple[Finding, ...]) -> bool:
    """Whether a rule failed: a warning or a problem is there; notes alone are none.

    >>> is_wrong((Finding("air", "note", (), "It is hot.", "Mind it."),))
    False
    """
    return any(one.severity != "note" for one in found)
