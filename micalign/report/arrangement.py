"""How is an arrangement told? As the text of a scene file with comments to start from.

Lengths are written in the scene's own unit, to the millimetre.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from micalign.acoustics.arrangements import ARRANGEMENTS, Arranged
from micalign.scene.model import Box, Di, Keepout, Mic, Pair, Room, Source
from micalign.units import METRES

__all__ = ["appended_text", "scene_text"]

_DECIMALS: Final = {"m": 3, "cm": 1, "mm": 0, "in": 2, "ft": 3}
_OVERHEAD_M: Final = 1.7


def scene_text(name: str, sources: Sequence[Source], made: Arranged, *, room: Room | None, unit: str = "m") -> str:
    """A whole scene file: sources, room and what the arrangement adds.

    >>> from micalign.acoustics.arrangements import arranged
    >>> print(scene_text("di-and-cab", *arranged("di-and-cab", room=None), room=None, unit="cm")[:46])
    # di-and-cab: a DI and a close mic on one cab.
    """
    lines = [
        f"# {name}: {ARRANGEMENTS[name].summary}.",
        "#",
        "# A place to start from: measure your own room and sources, put them in below, then ask 'micalign check' what",
        "# it finds and 'micalign place' where the mics that may move should go.",
        "# x to the right, y away from the front wall, z up from the floor, from the front left floor corner.",
        *(f"# {line}" for line in _cautions(made)),
        "",
        f'title = "{name}"',
        f'length_unit = "{unit}"              # m, cm, mm, ft, in: for bare numbers',
        "",
        "[air]",
        "temperature_c = 20.0            # read it where the mics stand",
    ]
    if room is not None:
        lines += ["", "[room]", f"size = {_lengths(room.size, unit)}         # width, depth, height"]
    for source in sources:
        lines += ["", *_source(source, unit)]
    return "\n".join([*lines, *_added(made, unit)]) + "\n"


def appended_text(name: str, text: str, made: Arranged, *, unit: str) -> str:
    """The text of the user's scene, as it is, with what the arrangement adds at its end."""
    head = ["", f"# --- added: {name}, {ARRANGEMENTS[name].summary} ---", *(f"# {line}" for line in _cautions(made))]
    return text.rstrip("\n") + "\n" + "\n".join([*head, *_added(made, unit)]) + "\n"


def _cautions(made: Arranged) -> Iterator[str]:
    yield from made.remarks
    if any(mic.position[2] >= _OVERHEAD_M for mic in made.mics):
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
    yield from ("[[source]]", f"name = {_text(source.name)}", f"at = {_lengths(source.position, unit)}")
    if source.range_hz is not None:
        yield f"range_hz = [{source.range_hz[0]:g}, {source.range_hz[1]:g}]     # where its sound matters"


def _mic(mic: Mic, unit: str) -> Iterator[str]:
    yield from ("[[mic]]", f"name = {_text(mic.name)}", f"at = {_lengths(mic.position, unit)}")
    if mic.aim is not None:
        yield f"aim = {_text(mic.aim) if isinstance(mic.aim, str) else _lengths(mic.aim, unit)}"
    yield f'pattern = "{mic.pattern}"'
    yield f"on = {_texts(mic.on)}"
    if mic.distance_m is not None:
        yield f"distance = {_lengths(mic.distance_m, unit)}    # wanted, to what it is on"
    if mic.reach_m is not None:
        yield f"reach = {_length(mic.reach_m, unit)}             # how far 'place' may move it"
    if isinstance(mic.move, Box):
        ranges = (f"{axis} = {_lengths(getattr(mic.move, axis), unit)}" for axis in "xyz")
        yield f"move = {{ {', '.join(ranges)} }}    # where 'place' may put it"


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
    return f"[{', '.join(_length(value or 0.0, unit) for value in values)}]"


def _length(metres: float, unit: str) -> str:
    return f"{round(metres / METRES[unit], _DECIMALS[unit]) + 0.0:.10g}"
