"""The live plan: a scene as the values that the page's own arithmetic works on, and the page round it.

`scene_values` gives the numbers of a scene whose positions are known; ``arithmetic.js`` makes of them what
`micalign.acoustics` makes of the scene. Metres, seconds, decibels; names stand once, references are numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from micalign.acoustics.air import speed_of_sound_in, speed_uncertainty_m_s
from micalign.acoustics.reflections import panel_frame
from micalign.files.scenes import Slot
from micalign.report.page import HEARING_WORDS, page
from micalign.scene.model import PATTERNS, SURFACES, Keepout, Mic, Panel, Scene

__all__ = ["plan_page", "plan_values", "scene_values"]


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
        "keepouts": [_keepout(keepout) for keepout in scene.keepouts],
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


def _keepout(keepout: Keepout) -> dict[str, Any]:
    return {**asdict(keepout), "shape": keepout.shape}


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
