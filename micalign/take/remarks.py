"""What is said of a track, and what to do about it: the words for every fault and every note.

A problem spoils the track or its place in the mix; a note is advice. The limits are common practice without a source,
each beside its name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

__all__ = ["EARTH", "Remark", "Severity", "clock"]

Severity: TypeAlias = Literal["note", "problem"]

EARTH: Final = (
    "Never lift or cut a protective earth to be rid of hum: it keeps people alive. Local electrical codes come first, "
    "and wiring is for a licensed electrician."
)


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing worth saying.

    Parameters
    ----------
    rule : str
        Its short name: ``clipped``, ``hum``, ``double`` ...
    severity : str
        ``problem`` or ``note``.
    message, advice : str
        What was found, and what to do.
    caution : str
        What keeps people safe while doing it.
    """

    rule: str
    severity: Severity
    message: str
    advice: str = ""
    caution: str = ""


def clock(seconds: float) -> str:
    """A place in a track in minutes and seconds.

    >>> clock(0.25), clock(83.456), clock(3675.0)
    ('0:00.250', '1:23.456', '61:15.000')
    """
    thousandths = round(seconds * 1000)
    return f"{thousandths // 60000}:{thousandths // 1000 % 60:02d}.{thousandths % 1000:03d}"
