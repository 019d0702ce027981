"""Which stretches of a recording are one source's alone, as a scene or a command line writes them.

A stretch is ``begin-end``; each bound is seconds (``5.2``), ``m:ss`` (``0:05.2``), ``h:mm:ss``, or a count of samples
with the word behind it (``240000-672000 samples``). Times count from the first sample of the reference. What is no
stretch is the folder of a recording that holds that source and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from micalign.errors import SceneError

__all__ = ["AlonePlan", "AloneStretch", "alone_plan", "alone_plans"]

_FORMS: Final = "write seconds or m:ss, as in '0:05-0:14', '5.2-14', or '240000-672000 samples'"
_CLOCK: Final = r"(?:(?:\d{1,3}:)?\d{1,3}:[0-5]?\d|\d{1,9})(?:\.\d{1,9})?"
_STRETCH: Final = re.compile(rf"({_CLOCK})\s*(?:s\s*)?[-\u2013]\s*({_CLOCK})\s*(s|samples)?", re.ASCII)
_LIKE_TIMES: Final = re.compile(
    r"[-+\d.:\s\u2013]*(?:s|samples?|sec|ms|min)?\s*[-+\d.:\s\u2013]*(?:s|samples?|sec|ms|min)?"
)


@dataclass(frozen=True, slots=True)
class AloneStretch:
    """From ``begin`` to ``end``, in seconds or in samples; ``text`` is how it was written."""

    begin: float
    end: float
    is_samples: bool
    text: str

    def seconds(self, sample_rate: int) -> tuple[float, float]:
        """Beginning and end in seconds of a take of that rate."""
        scale = sample_rate if self.is_samples else 1
        return self.begin / scale, self.end / scale

    @classmethod
    def parse(cls, text: str) -> AloneStretch:
        """A stretch from its text; ``ValueError`` with one sentence where it is none.

        >>> AloneStretch.parse("0:05-1:02.5").seconds(48000), AloneStretch.parse("48000-96000 samples").seconds(48000)
        ((5.0, 62.5), (1.0, 2.0))
        """
        found = _STRETCH.fullmatch(text.strip())
        if found is None:
            raise ValueError(f"'{text[:60]}' is no stretch of time: {_FORMS}")
        samples = found.group(3) == "samples"
        if samples and not (found.group(1) + found.group(2)).isdigit():
            raise ValueError(f"'{text[:60]}' counts samples in fractions or minutes: {_FORMS}")
        begin, end = _seconds(found.group(1)), _seconds(found.group(2))
        if end <= begin:
            raise ValueError(f"'{text[:60]}' ends before it begins: write the earlier time first")
        return cls(begin, end, samples, text.strip())


@dataclass(frozen=True, slots=True)
class AlonePlan:
    """Where a source sounds alone: stretches of the take, or the ``folder`` of a recording of its own."""

    source: str
    stretches: tuple[AloneStretch, ...] = ()
    folder: str | None = None


def alone_plan(source: str, written: str | Iterable[str]) -> AlonePlan:
    """What stands behind a source's name: one stretch, several, or a folder; ``ValueError`` where it is neither.

    >>> alone_plan("snare", "linecheck/snare/").folder
    'linecheck/snare/'
    """
    texts = [written] if isinstance(written, str) else list(written)
    folders = [text for text in texts if not _LIKE_TIMES.fullmatch(text.strip())]
    if not texts or not all(text.strip() for text in texts):
        raise ValueError(f"no time stands there: {_FORMS}")
    if folders and len(texts) > 1:
        raise ValueError(f"'{folders[0][:60]}' is no stretch of time: {_FORMS}; a folder stands by itself")
    if folders:
        return AlonePlan(source, folder=folders[0])
    return AlonePlan(source, tuple(AloneStretch.parse(text) for text in texts))


def alone_plans(texts: Iterable[str]) -> tuple[AlonePlan, ...]:
    """What ``--alone "snare=0:05-0:14"`` says, once for each source; stretches of one source are put together.

    Raises
    ------
    SceneError
        With one sentence for each that cannot be read.

    Examples
    --------
    >>> [len(plan.stretches) for plan in alone_plans(["snare=0:05-0:14", "snare=20-25"])]
    [2]
    """
    written: dict[str, list[str]] = {}
    faults = []
    for text in texts:
        name, equals, said = text.partition("=")
        if not equals or not name.strip():
            faults.append(f"--alone '{text[:60]}' names no source: write it as in \"snare=0:05-0:14\"")
            continue
        written.setdefault(name.strip(), []).extend(part.strip() for part in said.split(","))
    plans = []
    for name, parts in written.items():
        try:
            plans.append(alone_plan(name, parts))
        except ValueError as error:
            faults.append(f"--alone '{name}': {error}")
    if faults:
        raise SceneError(faults)
    return tuple(plans)


def _seconds(clock: str) -> float:
    total = 0.0
    for part in clock.split(":"):
        total = 60.0 * total + float(part)
    return total
