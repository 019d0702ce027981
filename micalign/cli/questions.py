"""What ``micalign new`` asks, one thing at a time, on standard error; return keeps what stands in brackets."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, Final

import click

from micalign.acoustics.firstscenes import FIRST_SCENES
from micalign.cli.options import UNITS, a_room, lengths_of
from micalign.errors import SceneError
from micalign.report.firstscene import FirstRequest, usual_mics, usual_sources
from micalign.scene.model import Mic
from micalign.scene.quantities import parse_length
from micalign.scene.surroundings import Coordinates
from micalign.units import METRES

__all__ = ["ask"]

_WAYS: Final = ("usual", "coordinates", "tape")


def ask(said: Mapping[str, Any], usual_inputs: Mapping[str, int]) -> dict[str, Any]:
    """The answers, those that were given as options not asked again."""
    answers = dict(said)
    if answers["what"] is None:
        for name, kind in FIRST_SCENES.items():
            _say(f"  {name:<16} {kind.summary}")
        answers["what"] = _prompt("What is recorded?", "kit", click.Choice(list(FIRST_SCENES)))
    if answers["unit"] is None:
        answers["unit"] = _prompt(f"Unit of lengths given without one ({', '.join(UNITS)})", "m", click.Choice(UNITS))
    unit = answers["unit"]
    if answers["room"] is None:
        usual = ",".join(f"{round(value / METRES[unit], 2):g}" for value in (6.0, 5.0, 2.6))
        answers["room"] = _checked(
            "Room: width, depth, height ('none' outdoors)", usual, lambda text: a_room(text, unit)
        )
    if answers["inputs"] is None:
        answers["inputs"] = _prompt("How many inputs?", usual_inputs[answers["what"]], click.IntRange(1, 64))
    if not answers["at"] and not answers["tapes"]:
        _say("Where do things stand? 'usual' now and measured later, by 'coordinates', or by 'tape' to each mic")
        way = _prompt("Places", "usual", click.Choice(_WAYS))
        if way != "usual":
            answers |= _places(answers, unit, by_tape=way == "tape")
    return answers


def _places(answers: Mapping[str, Any], unit: str, *, by_tape: bool) -> dict[str, Any]:
    room = a_room(answers["room"], unit)
    request = FirstRequest(answers["what"], answers["inputs"], room, unit=unit, without=tuple(answers["without"]))
    absent = "" if request.what == "several" else " ('none': it is not there)"
    _say(f"From the left wall, from the front wall, above the floor{absent}:")
    request, at, mics = _sources(request)
    sources = usual_sources(request)
    tapes: list[str] = []
    for mic in mics:
        # Two tapes and a height leave two mirror images, three tapes as well: the height and three tapes fix a mic.
        if not by_tape or len(sources) < 3:
            at.append(f"{mic.name}={_place(mic.name, mic.at, unit, partial(lengths_of, option='place', unit=unit))}")
            continue
        height = _length(f"{mic.name}: above the floor", mic.position[2], unit)
        at.append(f"{mic.name}=?,?,{height}")
        for source in sources[:3]:
            apart = sum((a - b) ** 2 for a, b in zip(mic.position, source.position, strict=True)) ** 0.5
            tapes.append(f"{mic.name},{source.name}={_length(f'  to {source.name}', apart, unit)}")
    return {"at": at, "tapes": tapes, "without": request.without}


def _sources(request: FirstRequest) -> tuple[FirstRequest, list[str], tuple[Mic, ...]]:
    """Where each source stands, what is offered next following what was given, and the usual mics round them."""
    given: dict[str, Coordinates] = {one.name: (None, None, None) for one in usual_sources(request)}
    while True:
        at: list[str] = []
        for name in list(given):
            request = replace(request, places=given)
            usual = next(one.at for one in usual_sources(request) if one.name == name)
            answer = _place(name, usual, request.unit, partial(_source_place, request, name))
            place = _source_place(request, name, answer)
            if place is None:
                request = replace(request, without=(*request.without, name))
                del given[name]
            else:
                given[name] = place
                at.append(f"{name}={answer}")
        request = replace(request, places=given)
        try:
            return request, at, usual_mics(request)
        except SceneError as error:
            _say(f"  {error}")


def _source_place(request: FirstRequest, name: str, answer: str) -> Coordinates | None:
    """Where it stands; None where it is not there, which one source at least must be."""
    if answer.strip().casefold() != "none" or request.what == "several":
        return lengths_of(answer, "place", request.unit)
    usual_sources(replace(request, without=(*request.without, name)))
    return None


def _place(name: str, at: Coordinates, unit: str, read: Callable[[str], object]) -> str:
    usual = ",".join(_shown(value or 0.0, unit) for value in at)
    return _checked(f"  {name}", usual, read)


def _length(words: str, usual_m: float, unit: str) -> str:
    return _checked(words, _shown(usual_m, unit), lambda text: parse_length(text, unit))


def _shown(metres: float, unit: str) -> str:
    return f"{round(metres / METRES[unit], 0 if unit in {'mm', 'cm'} else 2):g}"


def _checked(words: str, usual: str, read: Callable[[str], object]) -> str:
    """An answer that can be read; else the reason, and the question again."""
    while True:
        answer: str = _prompt(words, usual, click.STRING)
        try:
            read(answer)
        except (SceneError, ValueError) as error:
            _say(f"  {error}")
        else:
            return answer


def _prompt(words: str, usual: Any, kind: click.ParamType[Any]) -> Any:
    return click.prompt(words, default=usual, type=kind, err=True, show_choices=False)


def _say(words: str) -> None:
    click.echo(words, err=True)
