"""Errors a caller may catch, by whose mistake they are.

Each error holds one or more *faults*: plain sentences that say what was met, where, and how to mend it. Nothing
in the library prints; only the command line turns an error into words on a terminal and an exit status.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

__all__ = ["MicalignError", "OutputError", "SceneError", "TakeError", "named", "nearest", "some", "unknown"]

_MANY_NAMES: Final = 50  # as many are compared letter by letter


class MicalignError(Exception):
    """The root of every error micalign raises on purpose.

    Parameters
    ----------
    faults : str or sequence of str
        One sentence for each fault, with its place and its mend.

    Examples
    --------
    >>> error = SceneError(["barn.toml, mic 'room': 'aim' is missing", "barn.toml, source 'kick': no 'at'"])
    >>> len(error.faults)
    2
    >>> str(SceneError("barn.toml is empty: write at least one source and one mic"))
    'barn.toml is empty: write at least one source and one mic'
    """

    faults: tuple[str, ...]

    def __init__(self, faults: str | Sequence[str]) -> None:
        self.faults = (faults,) if isinstance(faults, str) else tuple(faults)
        super().__init__("\n".join(self.faults))

    def __reduce__(self) -> tuple[type[MicalignError], tuple[tuple[str, ...]]]:
        # The default would hand the joined message to __init__ and lose the list.
        return (type(self), (self.faults,))


class SceneError(MicalignError):
    """The scene (positions, distances, names, keys) cannot be used as it stands."""


class TakeError(MicalignError):
    """A recording cannot be read, or cannot be used with the others."""


class OutputError(MicalignError):
    """A result cannot be written where it was asked for."""


def named(names: Sequence[str]) -> str:
    """Names in a sentence.

    >>> named(["kick", "snare", "tom"])
    "'kick', 'snare' and 'tom'"
    """
    words = [f"'{name}'" for name in names]
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part) if words else ""


def some(words: Sequence[str], most: int) -> str:
    """The first of many words in a sentence, and how many more there are.

    >>> some(["kick", "snare", "tom"], 2)
    'kick, snare and 1 more'
    """
    rest = len(words) - most
    return ", ".join(words[:most]) + (f" and {rest} more" if rest > 0 else "")


def nearest(word: str, known: Iterable[str]) -> str:
    """``"; did you mean 'aim'?"`` for the known word nearest to a wrong one, or nothing.

    >>> nearest("aimm", ["aim", "at"])
    "; did you mean 'aim'?"
    >>> nearest("zzz", ["aim", "at"])
    ''
    """
    import difflib  # noqa: PLC0415 - only a wrong word needs it
    import heapq  # noqa: PLC0415

    by_fold = {name.casefold(): name for name in sorted(known)}
    wrong = word[:80].casefold()
    names = list(by_fold)
    if len(names) > _MANY_NAMES:  # a thousand slips among a thousand names took a minute
        names = heapq.nlargest(_MANY_NAMES, names, key=lambda name: _shared(wrong, name))
    close = difflib.get_close_matches(wrong, names, n=1, cutoff=0.6)
    return f"; did you mean '{by_fold[close[0]]}'?" if close else ""


def unknown(word: object, known: Iterable[str], what: str) -> str:
    """What is said of a word that is none of a few.

    >>> unknown("kardioid", ["omni", "cardioid"], "pattern")
    "'kardioid' is no pattern micalign knows (omni, cardioid); did you mean 'cardioid'?"
    """
    words = list(known)
    hint = nearest(word, words) if isinstance(word, str) else ""
    return f"{word!r} is no {what} micalign knows ({', '.join(words)}){hint}"


def _shared(first: str, second: str) -> int:
    """How many characters two words share at their beginnings and their ends: what most slips leave as it was."""
    count = 0
    for pairs in (zip(first, second, strict=False), zip(reversed(first), reversed(second), strict=False)):
        for one, other in pairs:
            if one != other:
                break
            count += 1
    return count
