"""What does `micalign new` write? A whole scene file with comments, from a few answers.

The text is read back before it is told. Lengths in metres; the text is in the unit asked for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from micalign.acoustics.arrangements import Arranged
from micalign.acoustics.firstscenes import FIRST_SCENES, first_scene, rug
from micalign.acoustics.survey import surveyed
from micalign.errors import SceneError
from micalign.report.arrangement import whole_text
from micalign.scene.document import parse_scene
from micalign.scene.model import Coordinates, Mic, Room, Scene, Source, Tape

__all__ = ["FirstWish", "first_text", "usual_things"]

_TAPES_THAT_FIX: Final = 3
_OPENING: Final = (
    "",
    "Places that were not given are usual ones: measure your own, to the middle of what sounds and to the front of",
    "each mic's capsule, and put them in below. 'micalign check' says what they sound like together, 'micalign place'",
    "where the mics that may move should go.",
)


@dataclass(frozen=True, slots=True)
class FirstWish:
    """The answers: what is recorded, in which room, on how many inputs, and where things are known to stand."""

    what: str
    inputs: int
    room: Room | None
    unit: str = "m"
    title: str = ""
    places: Mapping[str, Coordinates] = field(default_factory=dict)
    tapes: tuple[Tape, ...] = ()


def usual_things(wish: FirstWish) -> tuple[tuple[Source, ...], tuple[Mic, ...]]:
    """Sources and mics where they would stand, to ask for each."""
    sources, made = first_scene(wish.what, wish.inputs, wish.room, wish.places)
    return sources, made.mics


def first_text(wish: FirstWish) -> tuple[str, Scene]:
    """The text of the scene, and the scene itself with every place found.

    Raises
    ------
    SceneError
        If a name is none of the scene's, a place lies outside the room, or tapes do not fix a mic.

    Examples
    --------
    >>> text, scene = first_text(FirstWish("voice", 1, Room((4.0, 3.0, 2.4))))
    >>> scene.mic("voice mic").position
    (1.84, 1.4, 1.55)
    """
    taped = Counter(name for tape in wish.tapes for name in tape.between)
    sources, made = first_scene(wish.what, wish.inputs, wish.room, wish.places)
    loose = {name for name, count in taped.items() if count >= _TAPES_THAT_FIX and name not in wish.places}
    made = replace(made, mics=tuple(_at_its_tapes(mic) if mic.name in loose else mic for mic in made.mics))
    kind = FIRST_SCENES[wish.what]
    text = whole_text(
        wish.title or kind.summary,
        (f"{kind.summary[0].upper()}{kind.summary[1:]}: a first scene.", *_OPENING),
        sources,
        made,
        room=wish.room,
        unit=wish.unit,
        panels=[one for one in [rug(sources, wish.room)] if one and wish.what == "kit"],
        tapes=wish.tapes,
    )
    _refuse_unknown(wish, sources, made)
    return text, surveyed(parse_scene(text, "the new scene"))


def _at_its_tapes(mic: Mic) -> Mic:
    return replace(mic, at=(None, None, None), move=None)


def _refuse_unknown(wish: FirstWish, sources: tuple[Source, ...], made: Arranged) -> None:
    names = [one.name for one in (*sources, *made.mics)]
    unknown = [name for tape in wish.tapes for name in tape.between if name not in names]
    if unknown:
        listed = ", ".join(f"'{name}'" for name in names)
        raise SceneError(f"--tape: '{unknown[0]}' is in no such scene: it has {listed}")
