"""``micalign check``, ``comb``, ``explain``: what is predicted of a scene, of two distances, and a lesson on that."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from micalign.cli.options import (
    PATH,
    UNITS,
    FiniteRange,
    answer_options,
    file_options,
    name_of,
    out_option,
    spoken_unit,
    two_lengths,
    write_option,
)
from micalign.cli.output import clean, console, next_step, note, print_json

if TYPE_CHECKING:
    from micalign.acoustics.prediction import Prediction
    from micalign.findings.finding import Finding
    from micalign.report.check_words import TwoPaths
    from micalign.report.lesson import Case
    from micalign.scene.scene import Scene

__all__ = ["check_command", "comb_command", "explain_command"]

_MOST_DIFFERENCES: Final = 20_000  # 15 MB of JSON, a second's work; a scene of 60 mics and 10 sources has 18 000

SHOWN: Final = ("findings", "arrivals", "sums", "spacing", "bleed", "reflections", "pairs", "direct", "room")


def _sections(_context: click.Context, _parameter: click.Parameter, asked: str | None) -> tuple[str, ...]:
    """The names that ``--show`` gives, each one of those there are."""
    names = tuple(name.strip() for name in (asked or "").split(",") if name.strip())
    unknown = [name for name in names if name not in SHOWN]
    if unknown:
        raise click.BadParameter(f"there is no table '{unknown[0]}': {', '.join(SHOWN)}")
    return names


@click.command("check")
@click.argument("scene", type=PATH, required=False, metavar="SCENE")
@click.option(
    "--order", type=click.IntRange(1, 3), default=1, show_default=True, help="Follow reflections up to so many bounces."
)
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Every row of every table, or of those that --show names; with --json also of very large scenes.",
)
@click.option(
    "--show",
    callback=_sections,
    metavar="NAMES",
    help=f"Tables, with commas between: {', '.join(SHOWN)}.  [default: the first screen]",
)
@click.option("--tapes", is_flag=True, help="Only the distances that are still to be measured; all with --all.")
@click.option("--rules", is_flag=True, help="Only the list of rules; needs no SCENE.")
@click.option(
    "--mend",
    type=click.IntRange(min=1),
    metavar="N",
    help="A number from the list of findings: its remedy is applied to a copy.  [default: nothing]",
)
@write_option("Where --mend writes the new scene; your comments are kept.  [default: nothing]")
@file_options
def check_command(
    scene: Path | None,
    *,
    rules: bool,
    order: int,
    everything: bool,
    show: tuple[str, ...],
    tapes: bool,
    mend: int | None,
    write: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Arrival times, comb notches, spacing rule, reflections and room of a scene.

    First what is wrong, how much, and what mends it, on one screen; --show gives the tables. Each remedy was tried
    on a copy of the scene, and is given only where the finding is then gone with nothing as bad instead. Exit status 1
    where a rule failed (a warning or a problem); notes alone give 0.

    \b
    Examples:
      micalign check scenes/jazz-kit.toml
      micalign check scenes/jazz-kit.toml --show sums,room
      micalign check scenes/jazz-kit.toml --tapes
      micalign check scenes/jazz-kit.toml --mend 1 --write mended.toml
    """
    if rules:
        return _print_rules(as_json=as_json)
    if scene is None:
        raise click.UsageError(
            "Missing argument 'SCENE', the file that says where things are: 'micalign new' makes one"
        )
    if (mend is None) != (write is None):
        raise click.UsageError("--mend N and --write NEW.toml go together: which finding, and where to write")
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.scenes import read_scene  # noqa: PLC0415

    planned = _placed(read_scene(scene), quiet=quiet)
    if tapes:
        _print_tapes(planned, as_json=as_json, everything=everything)
        return 0
    many = 0 if everything or mend is not None else _left_out(planned)
    predicted = predict(planned, order=order, tasks_only=many > 0)
    if many:
        note(f"{many} differences of mics that are not both on the source are left out: --all adds them.", quiet=quiet)
    if mend is not None and write is not None:
        return _mend(scene, planned, predicted, (mend, write), force=force, as_json=as_json, quiet=quiet)
    from micalign.findings.rules import cautions, every_finding, found, is_wrong  # noqa: PLC0415

    minded, name = cautions(planned), planned.title or name_of(scene)
    if as_json:
        from micalign.report.check_words import check_document  # noqa: PLC0415

        every = every_finding(planned, predicted)
        print_json(check_document(name, predicted, every, cautions=minded) | {"differences_left_out": many})
    else:
        every = found(planned, predicted)
        _print_words(planned, predicted, every, minded, wanted=show, everything=everything, name=name)
        _tell_next(scene, planned, every, quiet=quiet)
    return int(is_wrong(every))


def _placed(planned: Scene, *, quiet: bool) -> Scene:
    """The scene with the places that its tapes give; what they say, and what is known badly, is told."""
    from micalign.report.positions import rough_words  # noqa: PLC0415 - so that --help costs only click

    if not planned.is_placed:
        from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - only tapes need the solver
        from micalign.findings.odd_unit import unit_words  # noqa: PLC0415 - as above

        if doubt := unit_words(planned):
            note(doubt, quiet=quiet)  # first: in a wrong unit the tapes may fix nothing
        planned = surveyed(planned)
        note("Positions left out here are found from the tapes; 'micalign survey' says how surely.", quiet=quiet)
    if rough := rough_words(planned):
        note(rough, quiet=quiet)
    return planned


def _print_rules(*, as_json: bool) -> int:
    from micalign.report.check_words import rule_rows, rule_table  # noqa: PLC0415 - so that --help costs only click

    if as_json:
        print_json({"rules": rule_rows()})
    else:
        console().print(rule_table())
    return 0


def _mend(
    path: Path,
    planned: Scene,
    predicted: Prediction,
    what: tuple[int, Path],
    *,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Apply one finding's remedy, write the new scene, and report what was changed."""
    from micalign.errors import SceneError  # noqa: PLC0415 - as above
    from micalign.files.scenes import write_changes  # noqa: PLC0415
    from micalign.files.whole import SCENE, refuse_taken  # noqa: PLC0415
    from micalign.findings.rules import found, mended  # noqa: PLC0415
    from micalign.report.check_words import finding_rows  # noqa: PLC0415
    from micalign.scene.scene import changed, tape_lengths_m  # noqa: PLC0415

    number, out = what
    refuse_taken(out, force=force, kind=SCENE)
    every = found(planned, predicted)
    if number > len(every):
        raise SceneError(f"{path}: there is no finding {number}: 'micalign check' numbers {len(every)} of them")
    finding = mended(planned, every[number - 1])
    if not finding.changes:
        raise SceneError(f"{path}: no change of the scene mends finding {number}: {finding.advice}")
    after = changed(planned, finding.changes)
    write_changes(path, out, finding.changes, force=force, tapes_m=tape_lengths_m(planned, after))
    note(f"written: {out}", quiet=quiet)
    if as_json:
        print_json({"scene": planned.title or path.name, "written": str(out), "findings": finding_rows([finding])})
    else:
        console().print(f"{clean(finding.message)}\n-> {clean(finding.advice)}")
    return 0


def _tell_next(path: Path, scene: Scene, every: tuple[Finding, ...], *, quiet: bool) -> None:
    """Where something is wrong and mics may move, let them be moved; else a take."""
    from micalign.findings.rules import is_wrong  # noqa: PLC0415 - as above

    if is_wrong(every) and any(mic.move is not None or mic.reach_m is not None for mic in scene.mics):
        next_step("micalign", "place", path, "--write", f"{name_of(path)}-placed.toml", quiet=quiet)
    elif scene.take is not None:
        next_step("micalign", "simulate", path, quiet=quiet)
    else:
        next_step("micalign", "draw", path, quiet=quiet)


def _left_out(scene: Scene) -> int:
    """How many differences a scene of very many has beyond those of mics that are both on the source; else none."""
    mics = len(scene.mics)
    every = len(scene.sources) * mics * (mics - 1) // 2
    if every <= _MOST_DIFFERENCES:
        return 0
    on = [sum(source.name in mic.on for mic in scene.mics) for source in scene.sources]
    return every - sum(count * (count - 1) // 2 for count in on)


def _print_tapes(scene: Scene, *, as_json: bool, everything: bool) -> None:
    from micalign.acoustics.prediction import predict  # noqa: PLC0415
    from micalign.report import positions  # noqa: PLC0415

    needed = positions.needed_tapes(scene, predict(scene))
    if as_json:
        print_json(positions.tape_document(scene, needed))
        return
    _print_blocks(*positions.tape_tables(scene, needed, everything=everything))


def _print_words(
    scene: Scene,
    predicted: Prediction,
    every: tuple[Finding, ...],
    minded: tuple[str, ...],
    *,
    wanted: tuple[str, ...],
    everything: bool,
    name: str,
) -> None:
    from micalign.findings.rules import reported, with_remedies  # noqa: PLC0415
    from micalign.report.check_words import SECTIONS, first_screen, sections, verdict  # noqa: PLC0415

    out, numbers = console(), {finding.key: number for number, finding in enumerate(every, start=1)}
    heads = reported(every)
    out.print(verdict(name, every, heads, everything=everything), style="bold")
    if not (wanted or everything):
        shown = with_remedies(scene, heads)
        _print_blocks(*first_screen(out, scene, predicted, shown, numbers, minded))
        return
    asked = wanted or tuple(SECTIONS)
    shown = with_remedies(scene, every if everything else heads) if "findings" in asked else ()
    found = (shown, numbers, minded)
    _print_blocks(*sections(scene, predicted, found, asked, everything=everything, width=out.width))


def _print_blocks(*blocks: Any) -> None:
    """Tables and sentences with a line between them; what is None or empty is left out."""
    out = console()
    for block in blocks:
        if block:
            out.print(block)
            out.print()


@click.command("comb")
@click.argument("distances", nargs=-1, metavar="[NEAR FAR]")
@click.option(
    "--ms",
    "--delay-ms",
    "delay_ms",
    type=FiniteRange(0.0, 1000.0, min_open=True),
    help="A delay in ms instead of two distances.  [default: none]",
)
@click.option(
    "--level-difference",
    "level_db",
    type=FiniteRange(-100.0, 100.0),
    metavar="DB",
    help="How much softer the later one is, in dB.  [default: as the distances make it; 0 with --ms]",
)
@click.option("--unit", type=click.Choice(UNITS), help="The unit of lengths.  [default: as the distances say]")
@answer_options
def comb_command(
    distances: tuple[str, ...],
    *,
    delay_ms: float | None,
    level_db: float | None,
    unit: str | None,
    as_json: bool,
    quiet: bool,
) -> int:
    """Two mics at two distances from one sound: delay, level, notches, their depth, and what to move.

    No scene is needed. Distances carry their unit: 30cm, '3 ft 5 in', 0.3m. With -q only the figures.

    \b
    Examples:
      micalign comb 30cm 95cm
      micalign comb --ms 1.2 --level-difference 6
    """
    if delay_ms is not None and distances:
        raise click.UsageError("give two distances or --ms, not both")
    if delay_ms is None and len(distances) != 2:
        raise click.UsageError("give two distances to one sound, such as 'micalign comb 30cm 95cm', or --ms 1.2")
    paths = _two_paths(distances, delay_ms, level_db, unit)
    from micalign.report.check_words import comb_document, comb_table, moves  # noqa: PLC0415 - so that --help costs only click

    if as_json:
        print_json(comb_document(paths))
        return 0
    shown = spoken_unit(distances, unit)
    out = console()
    out.print(comb_table(paths, shown))
    if not quiet:
        out.print("")
        for line in moves(paths, shown):
            out.print(line)
    return 0


def _two_paths(
    distances: tuple[str, ...], delay_ms: float | None, level_db: float | None, unit: str | None
) -> TwoPaths:
    from micalign.report.check_words import TwoPaths  # noqa: PLC0415 - numpy, which --help must not pay for

    if delay_ms is not None:
        return TwoPaths(delay_ms / 1e3, level_db or 0.0)
    first, second = two_lengths(distances, unit, "NEAR FAR")
    return TwoPaths.of_distances(first, second, level_db)


@click.command("explain")
@out_option("Folder for the lesson.", default="lesson")
@click.option(
    "--distances",
    type=(str, str),
    metavar="A B",
    help="Your own case: two distances from one source, as '30 cm' '95 cm' or in --unit.  [default: none]",
)
@click.option(
    "--delay-ms",
    "--ms",
    "delay_ms",
    type=FiniteRange(0.0, 1000.0, min_open=True),
    help="Or the delay of your own copy, in ms.  [default: 1 ms]",
)
@click.option("--unit", type=click.Choice(UNITS), help="The unit of lengths.  [default: that of --distances, else cm]")
@click.option(
    "--questions",
    "count",
    type=click.IntRange(1, 200),
    help="Also write so many questions and answers.  [default: none]",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="A number: another seed, other questions."
)
@file_options
def explain_command(
    out: Path,
    *,
    distances: tuple[str, str] | None,
    delay_ms: float | None,
    unit: str | None,
    count: int | None,
    seed: int,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Make a lesson on comb filtering: a page with two mics to drag, its figures and sounds.

    Open index.html in a browser; it needs no network. With --distances or --delay-ms the lesson begins with your own
    case, worked out. With --questions it also writes questions.html and answers.html, ready to print.

    Turn the volume down before you listen, above all in headphones: the clicks reach -3 dB of full scale.

    \b
    Examples:
      micalign explain -o lesson
      micalign explain -o lesson --distances "30 cm" "95 cm" --questions 10
    """
    if distances is not None and delay_ms is not None:
        raise click.UsageError("give --distances or --delay-ms, not both")
    if out.suffix.casefold() in {".html", ".htm", ".pdf"} and not out.is_dir():
        raise click.UsageError(
            f"--out: '{out}' is the name of a file, and the lesson is a folder: leave its ending away"
        )
    case = _case(distances, delay_ms, unit)
    from micalign.files.sets import write_folder  # noqa: PLC0415 - so that --help costs only click

    used = unit or (case.unit if case else "cm")
    files = _lesson(case, used, seed) | _sheets(count, seed, used)
    written = write_folder(out, files, force=force)
    if as_json:
        from micalign.report.lesson import case_document  # noqa: PLC0415 - as above

        document = {"folder": str(out), "files": [str(path) for path in written]}
        print_json(document | {"case": case_document(case) if case else None})
        return 0
    click.echo(clean(str(out / "index.html")))
    note(f"open it in a browser; {len(written)} files in {out}", quiet=quiet)
    return 0


def _case(distances: tuple[str, str] | None, delay_ms: float | None, unit: str | None) -> Case | None:
    from micalign.report.lesson import Case  # noqa: PLC0415 - so that --help costs only click

    if delay_ms is not None:
        if not math.isfinite(delay_ms):
            raise click.UsageError("--delay-ms: give a number of milliseconds")
        return Case(delay_ms / 1e3, unit=unit or "cm")
    if distances is None:
        return None
    shown = spoken_unit(distances, unit)
    first, second = two_lengths(distances, unit, "--distances")
    return Case.from_distances(first, second, unit=shown)


def _lesson(case: Case | None, unit: str, seed: int) -> dict[str, bytes]:
    from micalign.figures.lesson_pictures import lesson_figures, sketches  # noqa: PLC0415
    from micalign.figures.style import inline_svg, render  # noqa: PLC0415
    from micalign.report.lesson import lesson_page  # noqa: PLC0415
    from micalign.report.sounds import lesson_sounds, wav_bytes  # noqa: PLC0415

    drawn = lesson_figures(case.copy if case else None) | sketches(unit)
    sounds = lesson_sounds(own_delay_s=case.delay_s, own_level_db=case.level_difference_db) if case else lesson_sounds()
    inline = {name: inline_svg(figure) for name, figure in drawn.items()}
    text = lesson_page(inline, sounds, case=case, unit=unit, seed=seed)
    files = {"index.html": text.encode("utf-8")}
    files |= {f"figures/{name}.svg": render(figure, ".svg") for name, figure in drawn.items()}
    return files | {f"sounds/{sound.name}.wav": wav_bytes(sound.samples) for sound in sounds}


def _sheets(count: int | None, seed: int, unit: str) -> dict[str, bytes]:
    if count is None:
        return {}
    from micalign.report.lesson import question_page, questions  # noqa: PLC0415 - as above

    asked = questions(count, seed=seed, unit=unit)
    return {
        "questions.html": question_page(asked, answers=False, seed=seed, unit=unit).encode("utf-8"),
        "answers.html": question_page(asked, answers=True, seed=seed, unit=unit).encode("utf-8"),
    }
