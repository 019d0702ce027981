"""``micalign demo`` and ``explain``: to learn by, the whole job on a take made on the spot, and a lesson on combs."""

from __future__ import annotations

import io
import json
import math
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from micalign.cli.options import (
    UNITS,
    FiniteRange,
    file_options,
    out_option,
    spoken_unit,
    two_lengths,
)
from micalign.cli.output import clean, note, print_json
from micalign.report.tables import clean_lines

if TYPE_CHECKING:
    from micalign.report.lesson import Case

__all__ = ["demo_command", "explain_command"]

_TOLD: Final = ("check", "measure", "compare")  # what the demo keeps the words of


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
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.files.takes import SCENE_NAME, begin_demo  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.whole import PRINTED, refuse_taken, write_text  # noqa: PLC0415
    from micalign.report.align_words import closing_text, demo_document, remaining  # noqa: PLC0415

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
    if as_json:
        print_json(demo_document(found, sorted(str(path) for path in out.rglob("*") if path.is_file())))
    else:
        click.echo(clean_lines(closing_text(found, str(out))))
    return 0


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
