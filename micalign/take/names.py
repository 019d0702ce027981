"""What do the names of tracks say: which two are the sides of a pair, which hang over a kit or stand in the room?

Engineers name tracks alike the world over; a name is a hint, which what is heard may contradict.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from itertools import combinations
from typing import Final

__all__ = ["OVER_WORDS", "ROOM_WORDS", "called_after", "is_called", "pairs_by_name"]

OVER_WORDS: Final = frozenset({"overhead", "overheads", "over", "oh", "ohs", "ohl", "ohr"})
"""Words, in small letters, by which engineers call the mics over a kit (common practice, no source)."""

ROOM_WORDS: Final = frozenset({"room", "rooms", "amb", "ambs", "ambience", "ambient"})
"""Words, in small letters, by which engineers call the mics in a room (common practice, no source)."""

_WORD: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")
_SIDES: Final = {"left": "l", "right": "r", "l": "l", "r": "r"}
_CHANNELS: Final = {"1": "l", "2": "r"}  # of a stereo file


def is_called(name: str, words: Collection[str]) -> bool:
    """Whether a track's name holds one of some words, parted by case, digits, or anything else.

    >>> [is_called(name, OVER_WORDS) for name in ("OHL", "kit Overhead-2.wav", "oh_r", "Cohen", "kick")]
    [True, True, True, False, False]
    """
    return any(word.casefold() in words for word in _WORD.findall(name))


def called_after(source: str, names: Sequence[str]) -> str | None:
    """The track that is called as a source is, a file's ending aside, or the one close mic whose name holds its words.

    >>> called_after("Kick", ["kick.wav", "kick out.wav"]), called_after("snare", ["OH snare side.wav", "2 snare.wav"])
    ('kick.wav', '2 snare.wav')
    >>> called_after("snare", ["snare top.wav", "snare bottom.wav"]) is None
    True
    """
    for name in names:
        if source.casefold() in (name.casefold(), name.casefold().rpartition(".")[0]):
            return name
    words = {word.casefold() for word in _WORD.findall(source)}
    holding = [name for name in names if words and words <= {word.casefold() for word in _WORD.findall(name)}]
    close = [name for name in holding if not is_called(name, OVER_WORDS | ROOM_WORDS)]
    return close[0] if len(close) == 1 else None


def pairs_by_name(names: Sequence[str]) -> tuple[tuple[int, int], ...]:
    """The places of tracks whose names differ in left and right alone, or that are one stereo file of a kit or a room.

    A file of more channels is no pair's, wherever it was recorded.

    >>> pairs_by_name(["OHL", "kick", "OHR", "room left.wav", "Room Right.wav", "tom 1.wav", "tom 2.wav"])
    ((0, 2), (3, 4))
    >>> pairs_by_name(["overheads.wav:1", "overheads.wav:2", "desk.wav:1", "desk.wav:2"])
    ((0, 1),)
    """
    wide = {name[:-2] for name in names if name.endswith(":3")}
    found = [_sided(name, may_be_stereo=name[:-2] not in wide) for name in names]
    return tuple(
        (one, other)
        for one, other in combinations(range(len(names)), 2)
        if found[one][0] == found[other][0] and {found[one][1], found[other][1]} == {"l", "r"}
    )


def _sided(name: str, *, may_be_stereo: bool) -> tuple[tuple[str, ...], str]:
    """A name's words without the one that says a side, and which it says; "" for none."""
    file, _, channel = name.rpartition(":")
    if may_be_stereo and channel in _CHANNELS and is_called(file, OVER_WORDS | ROOM_WORDS):
        return (file,), _CHANNELS[channel]
    words = _WORD.findall(name)
    for k, word in reversed(list(enumerate(words))):
        rest, end = (word[:-1], word[-1:]) if word.isupper() or word in {"ohl", "ohr"} else ("", word)
        side = _SIDES.get(word.casefold()) or _SIDES.get(end.casefold())
        if side:
            rest = "" if word.casefold() in _SIDES else rest
            return tuple(one.casefold() for one in (*words[:k], rest, *words[k + 1 :])), side
    return tuple(map(str.casefold, words)), ""
