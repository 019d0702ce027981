"""How is a first scene written? As the text of a scene file with comments to start from.

From a few answers (`micalign new`), or round the sources of an arrangement. The text is read back before it is
given out. Lengths are written in the unit asked for, to the millimetre.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from micalign.acoustics.arrangements import ARRANGEMENTS, Arranged, moved
from micalign.acoustics.firstscenes import FIRST_SCENES, first_scene, first_sources, rug
from micalign.acoustics.survey import surveyed
from micalign.errors import SceneError
from micalign.files.takes import planned_tracks
from micalign.findings.tuned import OVERHEAD_M
from micalign.scene.document import parse_scene
from micalign.scene.model import Box, Coordinates, Di, Keepout, Mic, Pair, Panel, Room, Source, Tape
from micalign.scene.scene import Scene
from micalign.units import METRES

__all__ = ["FirstRequest", "appended_text", "first_text", "scene_text", "usual_mics", "usual_sources"]

_DECIMALS: Final = {"m": 3, "cm": 1, "mm": 0, "in": 2, "ft": 3}
_MEASURED_M: Final = Source("").plus_minus_m  # what a place without 'plus_minus' is known to
_TAPES_THAT_FIX: Final = 3  # to a mic whose place is not given: with them it is found

_OPENING: Final = (
    "",
    "Places that were not given are usual ones: measure your own, to the middle of what sounds and to the front of",
    "each mic's capsule, and put them in below. 'micalign check' says what they sound like together, 'micalign place'",
    "where the mics that may move should go. 'plus_minus' is how far off a usual place may be: take that line out",
    "where you have measured; such a place counts as known to 1 cm.",
)


def scene_text(name: str, sources: Sequence[Source], made: Arranged, *, room: Room | None, unit: str = "m") -> str:
    """A whole scene file: sources, room and what the arrangement adds.

    >>> from micalign.acoustics.arrangements import arranged
    >>> print(scene_text("di-and-cab", *arranged("di-and-cab", room=None), room=None, unit="cm")[:46])
    # di-and-cab: a DI and a close mic on one cab.
    """
    opening = (
        f"{name}: {ARRANGEMENTS[name].summary}.",
        "",
        "A place to start from: measure your own room and sources, put them in below, then ask 'micalign check' what",
        "it finds and 'micalign place' where the mics that may move should go.",
    )
    return _whole_text(name, opening, sources, made, room=room, unit=unit)


def _whole_text(
    title: str,
    opening: Sequence[str],
    sources: Sequence[Source],
    made: Arranged,
    *,
    room: Room | None,
    unit: str,
    panels: Sequence[Panel] = (),
    tapes: Sequence[Tape] = (),
) -> str:
    """A scene file with its opening as a comment, all lengths in one unit."""
    lines = [
        *(f"# {line}".rstrip() for line in opening),
        "# x to the right, y away from the front wall, z up from the floor, from the front left floor corner.",
        *(f"# {line}" for line in _cautions(made)),
        "",
        f"title = {_text(title)}",
        f'length_unit = "{unit}"              # m, cm, mm, ft, in: for bare numbers',
        "",
        "[air]",
        "temperature_c = 20.0            # read it where the mics stand",
    ]
    if room is not None:
        lines += ["", "[room]", f"size = {_lengths(room.size, unit)}         # width, depth, height"]
    for block in (
        *(_source(source, unit) for source in sources),
        *(_panel(panel, unit) for panel in panels),
    ):
        lines += ["", *block]
    lines += _added(made, unit)
    for tape in tapes:
        lines += ["", *_tape(tape, unit)]
    return "\n".join(lines) + "\n"


def appended_text(name: str, text: str, made: Arranged, *, unit: str) -> str:
    """The text of the user's scene, as it is, with what the arrangement adds at its end."""
    head = ["", f"# --- added: {name}, {ARRANGEMENTS[name].summary} ---", *(f"# {line}" for line in _cautions(made))]
    return text.rstrip("\n") + "\n" + "\n".join([*head, *_added(made, unit)]) + "\n"


def _cautions(made: Arranged) -> Iterator[str]:
    yield from made.remarks
    if any((mic.at[2] or 0.0) >= OVERHEAD_M for mic in made.mics):
        yield "A stand over a person: a leg under the load, weight on its base, everything tightened and tied."


def _added(made: Arranged, unit: str) -> Iterator[str]:
    for mic in made.mics:
        yield from ("", *_mic(mic, unit))
    for di in made.dis:
        yield from ("", *_di(di))
    for pair in made.pairs:
        yield from ("", *_pair(pair, unit))
    for keepout in made.keepouts:
        yield from ("", *_keepout(keepout, unit))


def _source(source: Source, unit: str) -> Iterator[str]:
    yield from ("[[source]]", f"name = {_text(source.name)}", f"at = {_lengths(source.at, unit)}")
    yield from _plus_minus(source, unit)
    if source.range_hz is not None:
        yield f"range_hz = [{source.range_hz[0]:g}, {source.range_hz[1]:g}]     # where its sound matters"


def _mic(mic: Mic, unit: str) -> Iterator[str]:
    yield from ("[[mic]]", f"name = {_text(mic.name)}", _at(mic, unit))
    yield from _plus_minus(mic, unit)
    if mic.aim is not None:
        yield f"aim = {_text(mic.aim) if isinstance(mic.aim, str) else _lengths(mic.aim, unit)}"
    yield f'pattern = "{mic.pattern}"'
    yield f"on = {_texts(mic.on)}"
    if mic.gain_db:
        yield f"gain_db = {mic.gain_db:g}                # its level in the blend"
    if mic.distance_m is not None:
        yield f"distance = {_lengths(mic.distance_m, unit)}    # wanted, to what it is on"
    if mic.reach_m is not None:
        yield f"reach = {_length(mic.reach_m, unit)}             # how far 'place' may move it"
    if isinstance(mic.move, Box):
        ranges = (f"{axis} = {_lengths(getattr(mic.move, axis), unit)}" for axis in "xyz")
        yield f"move = {{ {', '.join(ranges)} }}    # where 'place' may put it"


def _at(mic: Mic, unit: str) -> str:
    if mic.at == (None, None, None):
        return "# no 'at': its tapes below say where it stands"
    return f"at = {_lengths(mic.at, unit)}"


def _plus_minus(thing: Source | Mic, unit: str) -> Iterator[str]:
    if None not in thing.at and thing.plus_minus_m != _MEASURED_M:
        yield f"plus_minus = {_length(thing.plus_minus_m, unit)}"


def _panel(panel: Panel, unit: str) -> Iterator[str]:
    yield from ("[[panel]]", f"name = {_text(panel.name)}", f"centre = {_lengths(panel.centre, unit)}")
    yield f"normal = [{', '.join(f'{value:g}' for value in panel.normal)}]"
    yield f"size = {_lengths(panel.size, unit)}"
    yield f"absorption = {panel.absorption:g}                # share of the energy it takes; a bare floor 0.1"


def _tape(tape: Tape, unit: str) -> Iterator[str]:
    yield from ("[[tape]]", f"between = {_texts(tape.between)}", f"distance = {_length(tape.distance_m, unit)}")


def _di(di: Di) -> Iterator[str]:
    yield from ("[[di]]", f"name = {_text(di.name)}", f"of = {_text(di.of)}")
    yield "latency_ms = 0.0                # what its own converter takes; 0 for a plain box"


def _pair(pair: Pair, unit: str) -> Iterator[str]:
    yield from ("[[pair]]", f"name = {_text(pair.name)}", f"mics = {_texts(pair.mics)}")
    if pair.equal_to:
        yield f"equal_to = {_texts(pair.equal_to)}    # both mics at one distance from each"
        yield f"tolerance_ms = {pair.tolerance_s * 1e3:g}"
    if pair.centre_on is not None:
        yield f"centre_on = {_text(pair.centre_on)}"
    if pair.angle_degrees is not None:
        yield f"angle_degrees = [{pair.angle_degrees[0]:g}, {pair.angle_degrees[1]:g}]"
    if pair.spread_m is not None:
        yield f"spread = {_lengths(pair.spread_m, unit)}"


def _keepout(keepout: Keepout, unit: str) -> Iterator[str]:
    yield from ("[[keepout]]", f"name = {_text(keepout.name)}", f"at = {_lengths(keepout.at, unit)}")
    yield f"radius = {_length(keepout.radius_m or 0.0, unit)}"


def _text(value: str) -> str:
    # A JSON string is a TOML basic string, but for the one control character that JSON leaves bare.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _texts(values: Iterable[str]) -> str:
    return f"[{', '.join(map(_text, values))}]"


def _lengths(values: Iterable[float | None], unit: str) -> str:
    shown = (_text("?") if value is None else _length(value, unit) for value in values)
    return f"[{', '.join(shown)}]"


def _length(metres: float, unit: str) -> str:
    return f"{round(metres / METRES[unit], _DECIMALS[unit]) + 0.0:.10g}"


@dataclass(frozen=True, slots=True)
class FirstRequest:
    """The answers: what is recorded, in which room, on how many inputs, and where things are known to stand.

    ``take`` names the folder of the recording; by what is recorded where it is empty;
    ``without`` names usual sources that are not there.
    """

    what: str
    inputs: int
    room: Room | None
    unit: str = "m"
    title: str = ""
    places: Mapping[str, Coordinates] = field(default_factory=dict)
    tapes: tuple[Tape, ...] = ()
    take: str = ""
    without: tuple[str, ...] = ()


def usual_sources(request: FirstRequest) -> tuple[Source, ...]:
    """Sources where they stand or would stand beside those whose place is known, to ask for each."""
    return first_sources(request.what, request.inputs, request.room, request.places, request.without)


def usual_mics(request: FirstRequest) -> tuple[Mic, ...]:
    """Mics where they would stand round these sources."""
    return first_scene(request.what, request.inputs, request.room, request.places, request.without)[1].mics


def first_text(request: FirstRequest) -> tuple[str, Scene]:
    """The text of the scene, and the scene itself with every place found.

    Raises
    ------
    SceneError
        If a name is none of the scene's, a place lies outside the room, or tapes do not fix a mic.

    Examples
    --------
    >>> text, scene = first_text(FirstRequest("voice", 1, Room((4.0, 3.0, 2.4))))
    >>> scene.mic("voice mic").position
    (1.84, 1.4, 1.55)
    """
    taped = Counter(name for tape in request.tapes for name in tape.between)
    sources, made = first_scene(request.what, request.inputs, request.room, request.places, request.without)
    loose = {name for name, count in taped.items() if count >= _TAPES_THAT_FIX and name not in request.places}
    at_tapes = (replace(mic, at=(None, None, None), move=None) if mic.name in loose else mic for mic in made.mics)
    made = replace(made, mics=tuple(at_tapes))
    _refuse_unknown(request, sources, made)
    text = _text_of(request, sources, made)
    taped_boxes = [mic.name for mic in made.mics if mic.move is not None and None in mic.at]
    if taped_boxes:
        # A box is made round the place of its mic, and tapes say that place only when the scene has been read.
        found = surveyed(parse_scene(text, "the new scene"))
        boxes = {name: moved(found.mic(name), found.mic(name).position, request.room).move for name in taped_boxes}
        mics = tuple(replace(mic, move=boxes.get(mic.name, mic.move)) for mic in made.mics)
        text = _text_of(request, sources, replace(made, mics=mics))
    text += "\n".join(_take(parse_scene(text, "the new scene"), request.take or f"{request.what}-take")) + "\n"
    return text, surveyed(parse_scene(text, "the new scene"))


def _text_of(request: FirstRequest, sources: tuple[Source, ...], made: Arranged) -> str:
    """All but the take."""
    kind = FIRST_SCENES[request.what]
    return _whole_text(
        request.title or kind.summary,
        (f"{kind.summary[0].upper()}{kind.summary[1:]}: a first scene.", *_OPENING),
        sources,
        made,
        room=request.room,
        unit=request.unit,
        panels=[one for one in [rug(sources, request.room)] if one and request.what == "kit"],
        tapes=request.tapes,
    )


def _take(scene: Scene, folder: str) -> Iterator[str]:
    """Where the recording will lie, a file for each track."""
    yield from (
        "",
        "# Where the recording lies; 'micalign simulate' puts one there to try everything before.",
        "[take]",
    )
    yield from (f"folder = {_text(folder)}", "", "[take.tracks]")
    yield from (f"{_text(plan.name)} = {_text(plan.file)}" for plan in planned_tracks(scene))


def _refuse_unknown(request: FirstRequest, sources: tuple[Source, ...], made: Arranged) -> None:
    names = [one.name for one in (*sources, *made.mics)]
    unknown = [name for tape in request.tapes for name in tape.between if name not in names]
    if unknown:
        listed = ", ".join(f"'{name}'" for name in names)
        raise SceneError(f"--tape: '{unknown[0]}' is in no such scene: it has {listed}")
