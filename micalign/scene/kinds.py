"""How loud is a thing, where the scene does not say? Kinds of source by their level at 1 m.

Sound pressure levels while played, in dB at 1 m, A-weighting or not set aside: what counts is how they stand to each
other. A sung voice lies between loud and shouted speech (75 and 82 dB at 1 m: ANSI S3.5-1997, from memory); the rest
is common practice, no source: a player's touch makes 10 dB either way, so tell ``level_db`` where it matters.
"""

from __future__ import annotations

from typing import Final

__all__ = ["KINDS", "kind_of"]

KINDS: Final = {
    "snare": 104.0,
    "kick": 102.0,
    "tom": 102.0,
    "hi-hat": 93.0,
    "cymbal": 98.0,
    "guitar cab": 100.0,
    "bass cab": 98.0,
    "voice": 80.0,
    "acoustic guitar": 75.0,
    "double bass": 76.0,
    "piano": 86.0,
    "brass": 95.0,
    "woodwind": 82.0,
    "strings": 78.0,
}
"""Level of each kind at 1 m, dB."""

_HINTS: Final = {
    "hi-hat": ("hi-hat", "hihat", "hat", "hh"),
    "kick": ("kick", "bass drum"),
    "snare": ("snare",),
    "tom": ("tom",),
    "cymbal": ("cymbal", "ride", "crash", "splash", "china"),
    "bass cab": ("bass cab", "bass amp"),
    "guitar cab": ("cab", "amp", "electric guitar"),
    "acoustic guitar": ("acoustic guitar", "guitar"),
    "double bass": ("upright bass", "double bass", "bass"),
    "piano": ("piano",),
    "brass": ("trumpet", "trombone", "horn", "tuba", "cornet"),
    "woodwind": ("sax", "saxophone", "flute", "clarinet", "oboe", "bassoon"),
    "voice": ("voice", "vocal", "vox", "singer", "alto", "tenor", "soprano"),
    "strings": ("violin", "viola", "cello", "fiddle"),
}
"""Words of a source's name that give its kind away, the more telling ones first."""


def kind_of(name: str) -> str | None:
    """The kind that a source's name gives away; None where it gives none.

    >>> kind_of("floor tom"), kind_of("bass cab"), kind_of("hat stand 2"), kind_of("the chat"), kind_of("left")
    ('tom', 'bass cab', 'hi-hat', None, None)
    >>> kind_of("alto"), kind_of("alto sax")
    ('voice', 'woodwind')
    """
    said = f" {' '.join(name.casefold().replace('_', ' ').split())} "
    for kind, hints in _HINTS.items():
        if any(f" {hint} " in said for hint in hints):
            return kind
    return None
