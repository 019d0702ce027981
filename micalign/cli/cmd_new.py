"""``micalign new``, ``schema`` and ``demo``: a first scene, the keys of one, and the whole job on one to look at first.

Questions are asked one thing at a time, on standard error; return keeps what stands in brackets.
"""

from __future__ import annotations

import io
import json
import shlex
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from micalign.cli.options import UNITS, a_place, a_room, a_tape, file_options, lengths_of, out_option, quiet_option
from micalign.cli.output import clean, note, print_json
from micalign.errors import SceneError
from micalign.report.tables import clean_lines

if TYPE_CHECKING:
    from micalign.report.firstscene import FirstRequest
    from micalign.scene.model import Coordinates, Mic

__all__ = ["demo_command", "new_command", "schema_command"]

WHAT: Final = ("kit", "cab-and-di", "voice", "acoustic-guitar", "piano", "several")
_USUAL_INPUTS: Final = {"kit": 4, "cab-and-di": 2, "voice": 1, "acoustic-guitar": 2, "piano": 2, "several": 2}
_WAYS: Final = ("usual", "coordinates", "tape")
_TOLD: Final = ("check", "measure", "compare")  # what the demo keeps the words of


@click.command("new")
@click.option("--what", type=click.Choice(WHAT), metavar="WHAT", help=f"One of: {', '.join(WHAT)}.  [default: asked]")
@click.option("--room", metavar="W,D,H", help="The room's width, depth, height, or 'none'.  [default: asked]")
@click.option("--inputs", type=click.IntRange(1, 64), help="A number: tracks recorded at once.  [default: asked]")
@click.option(
    "--without",
    multiple=True,
    metavar="NAME",
    help="A usual source that is not there, as 'rack tom'; may be repeated.  [default: none]",
)
@click.option(
    "--at",
    multiple=True,
    metavar="NAME=X,Y,Z",
    help="Where a source or mic stands; '?' for what is not known; may be repeated.  [default: usual places]",
)
@click.option(
    "--tape",
    "tapes",
    multiple=True,
    metavar="NAME,NAME=LENGTH",
    help="A distance between two things; three of them fix a mic; may be repeated.  [default: none]",
)
@click.option("--unit", type=click.Choice(UNITS), help="The unit of bare numbers and of the scene.  [default: m]")
@click.option("--title", metavar="TEXT", help="What the scene is called.  [default: by what is recorded]")
@click.option("--usual", is_flag=True, help="Ask nothing: the usual answer to all that is not given.")
@out_option("The scene file to write.  [default: named after what is recorded]")
@file_options
def new_command(*, out: Path | None, force: bool, as_json: bool, quiet: bool, **said: Any) -> int:
    """Make a first scene without an editor: a few questions, or their answers as options.

    The scene has comments to go on from and passes 'micalign check' where the usual places are kept. These are written
    with the plus_minus of a guess, 10 to 30 cm; a place that is given counts as known to 1 cm. Lengths carry their
    unit ('3 ft 5 in', 62cm) or are in --unit. Given --what, --room and --inputs, or --usual, it asks nothing; in
    a pipe it needs one of the two.

    \b
    Examples:
      micalign new
      micalign new --what kit --room 6.2,4.7,2.5 --inputs 4 -o band.toml
      micalign new --what cab-and-di --usual
    """
    missing = _missing(said)
    asks = bool(missing) and not said["usual"] and sys.stdin is not None and sys.stdin.isatty()
    if not asks:
        _refuse_silence(said, missing)
    else:
        said = _ask(said)
    target = out or Path(f"{said['what']}.toml")
    request = _request(said, take=f"{target.stem}-take")
    from micalign.files.whole import SCENE, refuse_taken, write_text  # noqa: PLC0415
    from micalign.findings.odd_unit import unit_words  # noqa: PLC0415
    from micalign.report.firstscene import first_text  # noqa: PLC0415
    from micalign.units import many  # noqa: PLC0415

    refuse_taken(target, force=force, kind=SCENE)
    text, scene = first_text(request)
    write_text(target, text, force=force, kind=SCENE)
    if as_json:
        print_json({"scene": str(target), "what": request.what, "tracks": list(scene.track_names)})
    else:
        click.echo(clean(str(target)))
    free = request.inputs - len(scene.track_names)
    if free > 0:
        note(f"{many(free, 'input')} not used", quiet=quiet)
    note(f"{many(len(scene.track_names), 'track')}: {', '.join(scene.track_names)}", quiet=quiet)
    if doubt := unit_words(scene):
        note(doubt, quiet=quiet)
    note(f"next: {shlex.join(['micalign', 'check', str(target)])}", quiet=quiet)
    return 0


def _missing(said: dict[str, Any]) -> list[str]:
    """The options without which there is something to ask."""
    return [f"--{name}" for name in ("what", "room", "inputs") if said[name] is None]


def _refuse_silence(said: dict[str, Any], missing: list[str]) -> None:
    """Without a terminal every question needs its option, or the usual answer to all."""
    if said["usual"]:
        said["what"] = said["what"] or "kit"
        return
    if missing:
        words = f"no terminal to ask on: give {', '.join(missing)}, or --usual for the usual answers"
        raise click.UsageError(f"{words} (--what is one of {', '.join(WHAT)})")


def _request(said: dict[str, Any], take: str) -> FirstRequest:
    from micalign.acoustics.arrangements import USUAL_ROOM  # noqa: PLC0415 - numpy, which --help must not pay for
    from micalign.report.firstscene import FirstRequest  # noqa: PLC0415

    unit = said["unit"] or "m"
    return FirstRequest(
        said["what"],
        said["inputs"] or _USUAL_INPUTS[said["what"]],
        USUAL_ROOM if said["room"] is None else a_room(said["room"], unit),
        unit=unit,
        title=said["title"] or "",
        places=_places(said["at"], unit),
        tapes=tuple(a_tape(text, unit) for text in said["tapes"]),
        take=take,
        without=tuple(said["without"]),
    )


def _places(given: Sequence[str], unit: str) -> dict[str, Coordinates]:
    places: dict[str, Coordinates] = {}
    for name, at in (a_place(text, unit) for text in given):
        if name in places:
            raise click.UsageError(f"--at places '{name}' twice: leave one of them out")
        places[name] = at
    return places


@click.command("schema")
@click.option("--explain", is_flag=True, help="Print every key and term in words, with an example, instead.")
@quiet_option
def schema_command(*, explain: bool, quiet: bool) -> int:
    """Print the JSON Schema of the scene file, for editors that check while you type.

    \b
    Examples:
      micalign schema > scene.schema.json
      micalign schema --explain | less
    """
    from micalign.files.scenes import scene_reference  # noqa: PLC0415 - pydantic costs what --help must not pay
    from micalign.scene.document import scene_schema  # noqa: PLC0415

    if explain:
        click.echo(scene_reference(), nl=False)
    else:
        print_json(scene_schema())
    return 0


def _ask(said: Mapping[str, Any]) -> dict[str, Any]:
    """The answers, those that were given as options not asked again."""
    from micalign.acoustics.firstscenes import FIRST_SCENES  # noqa: PLC0415 - numpy, which --help must not pay for
    from micalign.units import METRES  # noqa: PLC0415

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
        answers["inputs"] = _prompt("How many inputs?", _USUAL_INPUTS[answers["what"]], click.IntRange(1, 64))
    if not answers["at"] and not answers["tapes"]:
        _say("Where do things stand? 'usual' now and measured later, by 'coordinates', or by 'tape' to each mic")
        way = _prompt("Places", "usual", click.Choice(_WAYS))
        if way != "usual":
            answers |= _asked_places(answers, unit, by_tape=way == "tape")
    return answers


def _asked_places(answers: Mapping[str, Any], unit: str, *, by_tape: bool) -> dict[str, Any]:
    from micalign.report.firstscene import FirstRequest, usual_sources  # noqa: PLC0415 - as above

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
    from micalign.report.firstscene import usual_mics, usual_sources  # noqa: PLC0415

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
    from micalign.report.firstscene import usual_sources  # noqa: PLC0415

    if answer.strip().casefold() != "none" or request.what == "several":
        return lengths_of(answer, "place", request.unit)
    usual_sources(replace(request, without=(*request.without, name)))
    return None


def _place(name: str, at: Coordinates, unit: str, read: Callable[[str], object]) -> str:
    usual = ",".join(_shown(value or 0.0, unit) for value in at)
    return _checked(f"  {name}", usual, read)


def _length(words: str, usual_m: float, unit: str) -> str:
    from micalign.scene.quantities import parse_length  # noqa: PLC0415

    return _checked(words, _shown(usual_m, unit), lambda text: parse_length(text, unit))


def _shown(metres: float, unit: str) -> str:
    from micalign.units import METRES  # noqa: PLC0415

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
    """An answer of a kind; else what it is not, in the words of everything else here, and the question again."""
    while True:
        answer: str = click.prompt(words, default=str(usual), type=click.STRING, err=True)
        try:
            return kind.convert(answer, None, None)
        except click.UsageError as error:
            _say(f"  {error.message.rstrip('.')}")


def _say(words: str) -> None:
    click.echo(words, err=True)


@click.command("demo")
@out_option("Folder for everything; it must be new.", default="micalign-demo")
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="A number: another seed, another take."
)
@file_options
def demo_command(out: Path, *, seed: int, force: bool, as_json: bool, quiet: bool) -> int:
    """Do the whole job in a new folder: scene, take, check, measure, compare, align, two figures and a page to hear.

    The take is made on the spot from a kit's scene, and two mistakes are planted in it for the commands to find. Each
    command is shown as you would give it; what it prints lies in the folder.

    Turn headphones down before you listen: the hits are sudden.

    \b
    Example:
      micalign demo -o first-look
    """
    from micalign.files.takes import whole_folder  # noqa: PLC0415 - so that --help costs only click
    from micalign.report.align_words import closing_text, demo_document  # noqa: PLC0415

    with whole_folder(out, force=force):
        found = _demonstrate(out, seed=seed, force=force, quiet=quiet)
    if as_json:
        print_json(demo_document(found, sorted(str(path) for path in out.rglob("*") if path.is_file())))
    else:
        click.echo(clean_lines(closing_text(found, str(out))))
    return 0


def _demonstrate(out: Path, *, seed: int, force: bool, quiet: bool) -> Any:
    """Everything into the folder; what remains of the snare between two mics, before and after."""
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.files.takes import SCENE_NAME, begin_demo  # noqa: PLC0415
    from micalign.files.whole import PRINTED, refuse_taken, write_text  # noqa: PLC0415
    from micalign.report.align_words import remaining  # noqa: PLC0415

    for name in _TOLD:
        if (out / f"{name}.txt").exists():
            refuse_taken(out / f"{name}.txt", force=force, kind=PRINTED)
    note(f"making a scene and its take in {out}", quiet=quiet)
    scene_path = begin_demo(out, seed=seed, force=force)
    replace = ["--force"] if force else []
    for name, arguments in (
        ("check", [str(scene_path)]),
        ("measure", ["--scene", str(scene_path), "-q"]),
        ("compare", [str(scene_path)]),
    ):
        said = f"$ micalign {name} {SCENE_NAME if name != 'measure' else f'--scene {SCENE_NAME}'}\n"
        text = said + _printed([name, *arguments], quiet=quiet)
        write_text(out / f"{name}.txt", text, force=force, kind=PRINTED)
    _printed(["draw", str(scene_path), "-o", str(out / "floor-plan.png"), "-q", *replace], quiet=quiet)
    align = ["align", "--scene", str(scene_path), "-o", str(out / "aligned"), "-q", *replace]
    aligned: dict[str, Any] = json.loads(_printed([*align, "--json"], quiet=quiet))
    found = remaining(read_scene(scene_path), aligned, "snare", "snare mic")
    _draw_comb(found, scene_path, aligned, out / "comb.png", force=force)
    _printed(["report", str(scene_path), "-o", str(out / "report.html"), "-q", *replace], quiet=quiet)
    return found


def _printed(arguments: list[str], *, quiet: bool) -> str:
    """What a command prints, announced as the user would give it; its refusal goes on to them."""
    from micalign.cli.main import main  # noqa: PLC0415 - which loads this module

    said = [word for word in arguments if word not in {"-q", "--json"}]
    note(f"$ micalign {clean(' '.join(said))}", quiet=quiet)
    with redirect_stdout(io.StringIO()) as caught:
        main.main(args=arguments, prog_name="micalign", standalone_mode=False)
    return caught.getvalue()


def _draw_comb(found: Any, scene_path: Path, aligned: dict[str, Any], path: Path, *, force: bool) -> None:
    from micalign.figures.late_copies import Copy, Recorded, recorded_combs_figure  # noqa: PLC0415 - matplotlib costs 400 ms
    from micalign.figures.style import render  # noqa: PLC0415
    from micalign.files.audio import open_take, open_track  # noqa: PLC0415
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.files.whole import FIGURE, write_bytes  # noqa: PLC0415
    from micalign.report.align_words import recorded_sum  # noqa: PLC0415
    from micalign.units import show_ms  # noqa: PLC0415

    scene = read_scene(scene_path)
    take = open_take(scene, scene_path)
    files = {row["track"]: Path(row["file"]) for row in aligned["tracks"]}
    loud_db, late_db = (scene.mic(track).gain_db for track in found.tracks)
    rows = []
    for name, late_s, tracks in (
        ("before", found.before_s, [take.track(track) for track in found.tracks]),
        ("after alignment", found.after_s, [open_track(files[track], name=track) for track in found.tracks]),
    ):
        predicted = Copy(late_s, found.level_difference_db, label=f"predicted: {show_ms(late_s)} late")
        rows.append((name, predicted, Recorded(*recorded_sum(*tracks, gain_db=late_db - loud_db))))
    title = f"{found.source}: {found.tracks[0]} and {found.tracks[1]} added, against {found.tracks[0]} alone"
    figure = recorded_combs_figure(rows, title=title)
    write_bytes(path, render(figure, path.suffix), force=force, kind=FIGURE)
