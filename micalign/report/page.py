"""What are all pages made of? Templates that escape every name, sounds, a word on hearing, the plan that can be moved.

A page is one file. Its figures are ``<svg>`` elements whose colours follow the page; its scripts and styles are in it,
and a content policy forbids it to ask any other place for anything. On each page with sound stands for how long an ear
may be exposed to a level: 85 dBA for 8 hours, and half the time for each 3 dB more (NIOSH, Criteria for a Recommended
Standard: Occupational Noise Exposure, Publication 98-126, 1998). A guide for healthy adults at work, no promise; local
codes may be stricter.

The live plan: `scene_values` gives the numbers of a scene whose positions are known; ``arithmetic.js`` makes of them
what `micalign.acoustics` makes of the scene. Metres, seconds, decibels; names stand once, references are numbers.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import cache
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from micalign import __version__
from micalign.acoustics.arrivals import speed_of_sound_in, speed_uncertainty_m_s
from micalign.acoustics.room import panel_frame
from micalign.figures.style import COLOURS, DARK
from micalign.files.scenes import Slot
from micalign.scene.model import PATTERNS, SURFACES, Mic, Panel
from micalign.scene.scene import Scene

__all__ = [
    "HEARING_WORDS",
    "allowed_minutes",
    "audio_address",
    "page",
    "plan_page",
    "plan_values",
    "scene_values",
    "show_minutes",
]

_LIMIT_DBA: Final = 85.0  # NIOSH 98-126, as are the next two
_WHOLE_DAY_MINUTES: Final = 480.0  # a working day, at that level
_EXCHANGE_DB: Final = 3.0  # more halve the time


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("micalign.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(light=_variables(COLOURS), dark=_variables(DARK), version=__version__)
    return made


def _variables(colours: Mapping[str, str]) -> Markup:
    """The palette as CSS variables.

    >>> _variables({"ink": "#000000"})
    Markup('--ink: #000000;')
    """
    return Markup(" ".join(f"--{name}: {colour};" for name, colour in colours.items()))


def page(template: str, values: Mapping[str, Any]) -> str:
    """A page from a template of ours; every value in it is escaped unless it is our own markup.

    Parameters
    ----------
    template : str
        A file of ``micalign/report/templates``.
    values : mapping
        What the template asks for; a missing value is a defect and raises.
    """
    return _environment().get_template(template).render(values)


def audio_address(data: bytes, kind: str = "audio/wav") -> str:
    """The bytes of a sound as an address that a page can hold.

    >>> audio_address(b"RIFF")
    'data:audio/wav;base64,UklGRg=='
    """
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


_HOUR: Final = 60  # minutes


def allowed_minutes(level_dba: float) -> float:
    """Minutes a day at a level: 480 / 2^((L - 85) / 3).

    >>> allowed_minutes(85.0), allowed_minutes(100.0)
    (480.0, 15.0)
    """
    return float(_WHOLE_DAY_MINUTES / 2.0 ** ((level_dba - _LIMIT_DBA) / _EXCHANGE_DB))


def show_minutes(minutes: float) -> str:
    """A time as a table writes it.

    >>> [show_minutes(value) for value in (480.0, 120.0, 15.0, 1.875, 0.46875)]
    ['8 h', '2 h', '15 min', '1 min 53 s', '28 s']
    """
    if minutes >= _HOUR:
        return f"{minutes / 60:g} h"
    whole, seconds = divmod(math.floor(minutes * 60 + 0.5), 60)
    return " ".join([f"{whole} min"] * bool(whole) + [f"{seconds} s"] * bool(seconds))


HEARING_WORDS: Final = (
    f"NIOSH (98-126, 1998) recommends at most 85 dBA for {show_minutes(allowed_minutes(85))} a day, and half the time "
    f"for each 3 dB more: {show_minutes(allowed_minutes(94))} at 94 dBA, {show_minutes(allowed_minutes(100))} at "
    f"100 dBA, {show_minutes(allowed_minutes(109))} at 109 dBA. A kit played hard reaches such levels at the "
    "player's ear; so do headphones. Wear protection beside a kit, and follow local codes where they ask for more."
)
"""The caution that pages print, with the figures worked out."""


def scene_values(scene: Scene) -> dict[str, Any]:
    """What ``arithmetic.js`` reads of a scene, JSON-ready.

    >>> from micalign.scene.model import Source
    >>> scene = Scene(sources=(Source("kick", (2.0, 2.0, 0.3)),), mics=(Mic("in", (2.0, 1.5, 0.3), on=("kick",)),))
    >>> scene_values(scene)["mics"][0]["on"]
    [0]
    """
    sources = {source.name: number for number, source in enumerate(scene.sources)}
    mics = {mic.name: number for number, mic in enumerate(scene.mics)}
    return {
        "speed_m_s": speed_of_sound_in(scene.air),
        "speed_sigma_m_s": speed_uncertainty_m_s(scene.air),
        "sources": [
            {"name": one.name, "at": list(one.position), "sigma_m": one.plus_minus_m, "size_m": one.size_m}
            for one in scene.sources
        ],
        "mics": [_mic(scene, mic, sources) for mic in scene.mics],
        "dis": [
            {"name": di.name, "of": sources[di.of], "latency_s": di.latency_s, "polarity": di.polarity}
            for di in scene.dis
        ],
        "pairs": [
            {
                "name": pair.name,
                "mics": [mics[name] for name in pair.mics],
                "equal_to": [sources[name] for name in pair.equal_to],
                "tolerance_s": pair.tolerance_s,
            }
            for pair in scene.pairs
        ],
        "room": _room(scene),
        "panels": [_panel(panel) for panel in scene.panels],
        "keepouts": [{**asdict(keepout), "shape": keepout.shape} for keepout in scene.keepouts],
    }


def _mic(scene: Scene, mic: Mic, sources: dict[str, int]) -> dict[str, Any]:
    aim: dict[str, Any] | None = None
    if isinstance(mic.aim, str):
        aim = {"source": sources[mic.aim]}
    elif mic.aim is not None:
        aim = {"point": list(mic.aim)}
    return {
        "name": mic.name,
        "at": list(mic.position),
        "sigma_m": mic.plus_minus_m,
        "aim": aim,
        "pattern": mic.pattern,
        "omni_share": PATTERNS[mic.pattern],
        "rejection_db": mic.rejection_db,
        "gain_db": mic.gain_db,
        "polarity": mic.polarity,
        "on": [sources[name] for name in mic.on],
        "move": None if mic.move is None else {"low": list(mic.move.low), "high": list(mic.move.high)},
        "reach_m": mic.reach_m,
        "may_move": mic.may_move,
    }


def _room(scene: Scene) -> dict[str, Any] | None:
    if scene.room is None:
        return None
    return {
        "size": list(scene.room.size),
        "absorption": [scene.room.absorption.of(surface) for surface in SURFACES],
        "margin_m": scene.place.wall_margin_m,
    }


def _panel(panel: Panel) -> dict[str, Any]:
    frame = panel_frame(panel)
    vectors = {key: getattr(frame, key).tolist() for key in ("centre", "normal", "across", "along", "half")}
    return {"name": panel.name, "absorption": panel.absorption, **vectors}


def plan_values(scene: Scene, written: Sequence[str | Slot] | None, *, name: str) -> dict[str, Any]:
    """Everything a page's live plan reads, JSON-ready.

    Parameters
    ----------
    scene : Scene
        With every position known.
    written : sequence of str and Slot, optional
        The scene file's text as `files.scene_slots.scene_pieces` cuts it; None where it cannot be cut.
    name : str
        The scene file's name, for the copy that the page saves.
    """
    ends = [(*_end(scene, one.between[0]), *_end(scene, one.between[1])) for one in scene.tapes]
    return {
        "title": scene.title or name,
        "file": name,
        "length_unit": scene.length_unit,
        "scene": scene_values(scene),
        "tapes": [{"from": [a, b], "to": [c, d]} for a, b, c, d in ends],
        "pieces": None if written is None else [one if isinstance(one, str) else asdict(one) for one in written],
    }


def _end(scene: Scene, name: str) -> tuple[str, int]:
    for number, source in enumerate(scene.sources):
        if source.name == name:
            return "sources", number
    return "mics", [mic.name for mic in scene.mics].index(name)


def plan_page(scene: Scene, written: Sequence[str | Slot] | None, *, name: str) -> str:
    """The live plan as one HTML page.

    Parameters
    ----------
    scene, written, name
        As in `plan_values`.
    """
    values = plan_values(scene, written, name=name)
    return page("plan.html.j2", {"title": values["title"], "plan": values, "hearing": HEARING_WORDS})
