"""Which of a scene's own mics does an arrangement mean, and where does it put them?

A pair of the arrangement's name, mics of its names, or two mics that carry the arrangement's word ("overhead") are
taken for it and moved; a space to keep out of that is there already (a head) is not made twice.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from micalign.acoustics.arrangements import Arranged
from micalign.scene.changes import Change
from micalign.scene.model import Mic, Pair, Scene

__all__ = ["reused"]

_SIDE: Final = re.compile(r"\b(left|right|l|r)\b", re.IGNORECASE)
_OVERHEADS: Final = re.compile(r"overhead|\boh\b", re.IGNORECASE)


def reused(scene: Scene, made: Arranged) -> tuple[tuple[Change, ...], Arranged]:
    """What is changed of the scene's own mics, and what is still to be added.

    Examples
    --------
    >>> from micalign.acoustics.arrangements import arranged
    >>> from micalign.scene.model import Source
    >>> mics = (Mic("OH left", (1.0, 1.0, 1.8)), Mic("OH right", (2.0, 1.0, 1.8)))
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=mics)
    >>> _, made = arranged("equal-overheads", scene.sources)
    >>> changes, rest = reused(scene, made)
    >>> sorted({change.name for change in changes}), rest.mics, rest.pairs[0].mics
    (['OH left', 'OH right'], (), ('OH left', 'OH right'))
    """
    own = _own_mics(scene, made)
    changes = [change for mic in made.mics if mic.name in own for change in _changes(own[mic.name], mic)]
    pairs = tuple(_renamed(pair, own) for pair in made.pairs if not _has_pair(scene, _renamed(pair, own)))
    mics = tuple(mic for mic in made.mics if mic.name not in own)
    keepouts = made.keepouts if not any("head" in one.name.casefold() for one in scene.keepouts) else ()
    return tuple(changes), replace(made, mics=mics, pairs=pairs, keepouts=keepouts)


def _own_mics(scene: Scene, made: Arranged) -> Mapping[str, Mic]:
    """The scene's mic for each mic of the arrangement that it has already."""
    named = {mic.name.casefold(): mic for mic in scene.mics}
    own = {mic.name: named[mic.name.casefold()] for mic in made.mics if mic.name.casefold() in named}
    for pair in made.pairs:
        theirs = _own_pair(scene, pair)
        if theirs is not None:
            own.update(dict(zip(pair.mics, theirs, strict=True)))
    return own


def _own_pair(scene: Scene, pair: Pair) -> tuple[Mic, Mic] | None:
    """The two mics of a pair of that name, or the only two that are called overheads where these are asked for."""
    for one in scene.pairs:
        if one.name.casefold() == pair.name.casefold():
            return _in_order(scene.mic(one.mics[0]), scene.mic(one.mics[1]))
    over = [mic for mic in scene.mics if _OVERHEADS.search(mic.name)]
    if _OVERHEADS.search(pair.name) and len(over) == 2:
        return _in_order(over[0], over[1])
    return None


def _in_order(first: Mic, second: Mic) -> tuple[Mic, Mic]:
    """The left one first, where their names say so."""
    side = _SIDE.search(first.name)
    return (second, first) if side and side.group().casefold().startswith("r") else (first, second)


def _changes(own: Mic, made: Mic) -> list[Change]:
    """Place and aim; the pattern stays the user's."""
    x, y, z = made.position
    changes = [Change("mic", own.name, "at", (x, y, z), "m")]
    if made.aim is not None and made.aim != own.aim:
        changes.append(Change("mic", own.name, "aim", made.aim, "" if isinstance(made.aim, str) else "m"))
    return changes


def _renamed(pair: Pair, own: Mapping[str, Mic]) -> Pair:
    first, second = (own[name].name if name in own else name for name in pair.mics)
    return replace(pair, mics=(first, second))


def _has_pair(scene: Scene, pair: Pair) -> bool:
    same = {pair.name.casefold()}
    return any(one.name.casefold() in same or set(one.mics) == set(pair.mics) for one in scene.pairs)
