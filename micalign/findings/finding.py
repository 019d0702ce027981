"""What is a finding, one thing that figures say about a scene or a take, and what is to be minded where work can hurt?

A rule proposes `Remedy` values; only one that was tried on a copy of the scene and held is given (see
`micalign.findings.rules`). Cautions are common sense of the trade; hearing figures are those of NIOSH 98-126 (1998).
Local codes and licensed people decide.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from micalign.findings.tuned import ABOVE_M, OVERHEAD_M
from micalign.scene.changes import Change
from micalign.scene.model import Mic, Scene

__all__ = [
    "SEVERITIES",
    "Finding",
    "Remedy",
    "Severity",
    "cautions",
    "is_wrong",
    "rank",
]

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

    @property
    def kind(self) -> tuple[str, tuple[str, ...]]:
        """Rule and what all findings that are reported as one are about."""
        return self.rule, self.alike or self.key[1]


def is_wrong(found: tuple[Finding, ...]) -> bool:
    """Whether a rule failed: a warning or a problem is there; notes alone are none.

    >>> is_wrong((Finding("air", "note", (), "It is hot.", "Mind it."),))
    False
    """
    return any(one.severity != "note" for one in found)


_DRUMS: Final = re.compile(r"kick|snare|tom|hi-?hat|ride|crash|cymbal|drum|kit", re.IGNORECASE)
_AMPLIFIERS: Final = re.compile(r"\b(amp|amplifier|cab|cabinet)\b", re.IGNORECASE)


def cautions(scene: Scene) -> tuple[str, ...]:
    """Cautions that fit a scene, in sentences.

    >>> from micalign.scene.model import Mic, Source
    >>> kit = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("overhead", (2.0, 2.0, 2.1)),))
    >>> [caution.split(":")[0] for caution in cautions(kit)]
    ['Overhead stands', 'Hearing']
    """
    return tuple(_cautions(scene))


def _hangs_over(scene: Scene, mic: Mic) -> bool:
    """A stand that reaches over people: high, and not merely before the mouth of somebody who stands."""
    if not mic.is_placed or mic.position[2] < OVERHEAD_M:
        return False
    heights = [source.position[2] for source in scene.sources if source.name in mic.on and source.is_placed]
    return not heights or mic.position[2] - min(heights) >= ABOVE_M


def _cautions(scene: Scene) -> Iterator[str]:
    sounds = " ".join([source.name for source in scene.sources] + [source.sound or "" for source in scene.sources])
    if any(_hangs_over(scene, mic) for mic in scene.mics):
        yield (
            "Overhead stands: put a leg under the load, weigh the base down, tighten and tie what hangs over people."
        )
    if _DRUMS.search(sounds):
        yield (
            "Hearing: a kit reaches 100 dBA and more near the player; NIOSH allows 15 minutes a day at that. Wear "
            "protection, and mute monitors and headphones before any gain or cable is touched."
        )
    if _AMPLIFIERS.search(sounds):
        yield (
            "Mains: never lift a protective earth to cure hum, never run a valve amplifier without its loudspeaker or "
            "load; leave its inside to a licensed technician and follow local codes."
        )
