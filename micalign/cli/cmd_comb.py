"""``micalign comb`` and ``explain``: what do two distances to one sound do to it, on a screen or as a lesson?"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import UNITS, FiniteRange, answer_options, file_options, out_option, spoken_unit, two_lengths
from micalign.cli.output import clean, console, note, print_json

if TYPE_CHECKING:
    from micalign.report.comb_words import TwoPaths
    from micalign.report.lesson import Case

__all__ = ["comb_command", "explain_command"]


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
    from micalign.report.comb_words import comb_document, comb_table, moves  # noqa: PLC0415 - so that --help costs only click

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
    from micalign.report.comb_words import TwoPaths  # noqa: PLC0415 - numpy, which --help must not pay for

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
