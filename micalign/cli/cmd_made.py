"""``micalign draw``, ``plan``, ``report`` and ``simulate``: a scene as figures, as pages, as the take it would give."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from micalign.cli.options import PATH, FiniteRange, file_options, name_of, out_option, page_path, scene_argument
from micalign.cli.output import clean, next_step, note, print_json

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from micalign.acoustics.prediction import Prediction
    from micalign.report.take_page import TakeStudy
    from micalign.scene.scene import Scene

__all__ = ["draw_command", "plan_command", "report_command", "simulate_command"]

KINDS: Final = ("plan", "arrivals", "combs", "map", "take")
# The last row is refused when drawn: a folder called plan.jpg would surprise.
_SINGLE: Final = frozenset(
    {".png", ".svg", ".pdf"} | {".jpg", ".jpeg", ".gif", ".tif", ".tiff", ".bmp", ".webp", ".eps", ".ps"}
)


@click.command("draw")
@scene_argument
@out_option("Folder, or one file in .png, .svg or .pdf.  [default: the scene's name with -figures]")
@click.option(
    "--only", type=click.Choice(KINDS), multiple=True, help="This kind alone; may be repeated.  [default: every kind]"
)
@click.option(
    "--format",
    "kind_of_file",
    type=click.Choice(["png", "svg", "pdf"]),
    default="png",
    show_default=True,
    help="The format of the figures in a folder.",
)
@click.option(
    "--paths",
    "paths_of",
    metavar="SOURCE",
    help="Draw the direct paths of this source, and its arrivals.  [default: no paths]",
)
@click.option(
    "--before", type=PATH, metavar="SCENE", help="A scene with the old places: draw them hollow.  [default: none]"
)
@click.option("--take", "with_take", is_flag=True, help="Also draw the recording that the scene names.")
@file_options
def draw_command(
    scene: Path,
    out: Path | None,
    *,
    only: tuple[str, ...],
    kind_of_file: str,
    paths_of: str | None,
    before: Path | None,
    with_take: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Draw SCENE: plan and views, arrivals, comb curves, the map of equal distance.

    In the plan sources carry letters and mics numbers. The map shows where one mic of a pair may stand so that both
    hear a source at the same moment. With --take also what was recorded: correlation, one hit, the sum's spectrum.

    One file holds the plan, or the first figure of the kind named with --only.

    \b
    Examples:
      micalign draw scenes/jazz-kit.toml -o figures
      micalign draw scenes/jazz-kit.toml -o plan.svg --paths snare
    """
    from micalign.files.sets import write_folder  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.whole import remove_figures, stale_figures  # noqa: PLC0415
    from micalign.units import many  # noqa: PLC0415

    out = out or Path(f"{name_of(scene)}-figures")
    single = out.suffix.lower() in _SINGLE
    if out.suffix and not single and not out.is_dir():
        raise click.UsageError(f"--out '{out}' is no picture: end its name in .png, .svg or .pdf, or name a folder")
    kinds = only or (("plan",) if single else KINDS[:4])
    kinds = (*kinds, "take") if with_take and "take" not in kinds else kinds
    figures = _scene_figures(scene, kinds, before=before, paths_of=paths_of, say=lambda words: note(words, quiet=quiet))
    files = _one_file(figures, out) if single else _many_files(figures, f".{kind_of_file}")
    stale = [] if single or not force else stale_figures(out, files, kinds)
    written = write_folder(out.parent if single else out, files, force=force)
    removed = remove_figures(stale)
    if removed:
        note(f"removed what an earlier drawing left: {', '.join(path.name for path in removed)}", quiet=quiet)
    if as_json:
        print_json({"scene": str(scene), "files": [str(path) for path in written]})
        return 0
    for path in written:
        click.echo(clean(str(path)))
    note(many(len(written), "figure"), quiet=quiet)
    return 0


def _scene_figures(
    scene_path: Path, kinds: Sequence[str], *, before: Path | None, paths_of: str | None, say: Callable[[str], None]
) -> Iterator[tuple[str, Figure]]:
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - as above
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415
    from micalign.figures.gallery import scene_figures  # noqa: PLC0415
    from micalign.files.scenes import read_scene  # noqa: PLC0415

    scene = surveyed(read_scene(scene_path))
    old = surveyed(read_scene(before)) if before is not None else None
    yield from scene_figures(scene, predict(scene), kinds=kinds, before=old, paths_of=paths_of)
    if "take" in kinds:
        yield from _take_figures(scene, scene_path, say)


def _take_figures(scene: Scene, scene_path: Path, say: Callable[[str], None]) -> Iterator[tuple[str, Figure]]:
    from micalign.files.sessions import open_scene  # noqa: PLC0415 - as above
    from micalign.report.take_page import study, take_figures  # noqa: PLC0415 - as above

    opened = open_scene(scene_path)
    for sentence in opened.laid.notes:
        say(sentence)
    drawn = take_figures(study(scene, opened.take, alone=opened.alone, say=say))
    yield from ((f"take-{name}", figure) for name, figure in drawn.items())


def _one_file(figures: Iterator[tuple[str, Figure]], out: Path) -> dict[str, bytes]:
    from micalign.errors import SceneError  # noqa: PLC0415 - as above
    from micalign.figures.style import render  # noqa: PLC0415

    for _, figure in figures:
        return {out.name: render(figure, out.suffix)}
    raise SceneError("the scene gives no figure of this kind: 'combs' needs two mics on a source, 'map' a [[pair]]")


def _many_files(figures: Iterator[tuple[str, Figure]], suffix: str) -> dict[str, bytes]:
    from micalign.figures.style import render  # noqa: PLC0415 - as above

    return {name + suffix: render(figure, suffix) for name, figure in figures}


@click.command("plan")
@scene_argument
@out_option("The page to write.  [default: the scene's name with -plan.html]")
@file_options
def plan_command(scene: Path, out: Path | None, *, force: bool, as_json: bool, quiet: bool) -> int:
    """Make a live plan of SCENE: one page on which mics and sources are moved by hand, and every number follows.

    Open it in any browser; it needs no network. When everything stands well, copy or save the scene from the page: it
    is your own file with only the changed numbers replaced.

    \b
    Example:
      micalign plan scenes/jazz-kit.toml -o plan.html
    """
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.scenes import read_text, scene_pieces  # noqa: PLC0415
    from micalign.files.whole import PAGE, refuse_taken, write_text  # noqa: PLC0415
    from micalign.report.page import plan_page  # noqa: PLC0415
    from micalign.scene.document import parse_scene  # noqa: PLC0415

    target = page_path(out, Path(f"{name_of(scene)}-plan.html"))
    text = read_text(scene)
    planned = surveyed(parse_scene(text, str(scene)))
    refuse_taken(target, force=force, kind=PAGE)
    written = plan_page(planned, scene_pieces(text), name=scene.name)
    write_text(target, written, force=force, kind=PAGE)
    if as_json:
        print_json({"scene": str(scene), "file": str(target)})
    else:
        click.echo(clean(str(target)))
    note(f"{len(written.encode()) / 1e6:.1f} MB, opens in any browser", quiet=quiet)
    return 0


@click.command("report")
@scene_argument
@out_option("The page to write.  [default: the scene's name with .html]")
@click.option(
    "--take/--no-take",
    "with_take",
    default=None,
    help="With or without the recording that the scene names.  [default: with it where its files are there]",
)
@file_options
def report_command(
    scene: Path, out: Path | None, *, with_take: bool | None, force: bool, as_json: bool, quiet: bool
) -> int:
    """Make one self-contained HTML page of SCENE: live plan, findings, figures; with a take what was recorded, to hear.

    The first printed page (A4 or Letter) is the setup sheet: plan, channel list, string lengths. The page needs no
    network and no other file.

    Exit status 1 where a rule failed or a track is not as it should be.

    \b
    Example:
      micalign report scenes/jazz-kit.toml -o jazz-kit.html
    """
    from micalign.acoustics.prediction import predict  # noqa: PLC0415 - so that --help costs only click
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415
    from micalign.files.scenes import read_text, scene_pieces  # noqa: PLC0415
    from micalign.files.whole import PAGE, refuse_taken, write_text  # noqa: PLC0415
    from micalign.findings.rules import findings, is_wrong  # noqa: PLC0415
    from micalign.report.scene_page import report_page  # noqa: PLC0415
    from micalign.report.take_page import opening  # noqa: PLC0415
    from micalign.scene.document import parse_scene  # noqa: PLC0415

    target = page_path(out, Path(f"{name_of(scene)}.html"))
    written = read_text(scene)
    planned = surveyed(parse_scene(written, str(scene)))
    refuse_taken(target, force=force, kind=PAGE)  # before the work, not after it
    prediction = predict(planned)
    found = findings(planned, prediction)
    studied = _study(planned, scene, with_take, lambda words: note(words, quiet=quiet))
    figures = _report_figures(planned, prediction, studied)
    take = _values(studied, prediction)
    pieces = scene_pieces(written)
    text = report_page(
        planned, prediction, found, figures, name=name_of(scene), take=take, written=pieces, file=scene.name
    )
    write_text(target, text, force=force, kind=PAGE)
    if as_json:
        print_json({"scene": str(scene), "file": str(target), "take": studied is not None})
    else:
        click.echo(clean(str(target)))
    note(f"{len(text.encode()) / 1e6:.1f} MB, opens in any browser", quiet=quiet)
    status = int(is_wrong(found) or (studied is not None and not studied.is_sound))
    if status:
        note(f"exit status 1: {opening(found, take)[0][1]}", quiet=quiet)
    return status


def _study(scene: Scene, path: Path, wanted: bool | None, say: Callable[[str], None]) -> TakeStudy | None:
    """The take, where it is wanted; where nothing was said, where all its files are there."""
    if wanted is False or (wanted is None and (scene.take is None or not _is_recorded(scene, path))):
        return None
    from micalign.files.sessions import open_scene  # noqa: PLC0415 - as above
    from micalign.report.take_page import study  # noqa: PLC0415

    opened = open_scene(path)
    for sentence in opened.laid.notes:
        say(sentence)
    return study(scene, opened.take, alone=opened.alone, say=say)


def _is_recorded(scene: Scene, path: Path) -> bool:
    from micalign.files.takes import planned_tracks, take_folder  # noqa: PLC0415 - as above

    folder = take_folder(scene, path)
    return all((folder / plan.file).is_file() for plan in planned_tracks(scene))


def _values(studied: TakeStudy | None, prediction: Prediction) -> dict[str, Any] | None:
    if studied is None:
        return None
    from micalign.report.take_page import take_values  # noqa: PLC0415 - as above

    return take_values(studied, speed_of_sound_m_s=prediction.speed_of_sound_m_s)


def _report_figures(scene: Scene, prediction: Prediction, studied: TakeStudy | None) -> dict[str, str]:
    from micalign.figures.gallery import scene_figures  # noqa: PLC0415 - as above
    from micalign.figures.stage_plan import floor_figure  # noqa: PLC0415
    from micalign.figures.style import inline_svg  # noqa: PLC0415
    from micalign.report.scene_page import sheet_plan_in  # noqa: PLC0415
    from micalign.report.take_page import take_figures  # noqa: PLC0415

    drawn = {"floor": floor_figure(scene, height_in=sheet_plan_in(scene, prediction))}
    drawn |= dict(scene_figures(scene, prediction))
    drawn |= take_figures(studied) if studied is not None else {}
    return {name: inline_svg(figure) for name, figure in drawn.items()}


@click.command("simulate")
@scene_argument
@out_option("Folder for the files.  [default: the scene's own take folder]")
@click.option(
    "--seconds",
    type=float,
    default=20.0,
    show_default=True,
    help="Length of the take in seconds; it is held in memory, some 16 bytes a sample of each source and track.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="A number: another seed, another take."
)
@click.option("--rate", "sample_rate", type=int, default=48000, show_default=True, help="Sample rate in hertz.")
@click.option(
    "--order",
    type=click.IntRange(0, 4),
    default=1,
    show_default=True,
    help="Follow reflections up to so many bounces; 0 for none.",
)
@click.option(
    "--snr",
    "snr_db",
    type=FiniteRange(-60.0, 200.0),
    default=50.0,
    show_default=True,
    help="Level of each track over its noise, in dB.",
)
@file_options
def simulate_command(
    scene: Path,
    out: Path | None,
    *,
    seconds: float,
    seed: int,
    sample_rate: int,
    order: int,
    snr_db: float,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Make the take that SCENE would give, with its true delays.

    Each source plays by itself, then all play together; each mic hears them directly and by way of the walls, each
    DI before the air. Writes the files that the scene's [take] names and truth.json, which holds when every source
    truly arrives in every track. All mics are at one gain, so that distant ones are as soft as they would then be.

    Loud synthetic hits: turn headphones down before you listen.

    Example: micalign simulate scenes/jazz-kit.toml -o jazz-kit-take
    """
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.scenes import read_scene  # noqa: PLC0415
    from micalign.files.takes import refuse_take, take_folder, write_take  # noqa: PLC0415
    from micalign.simulate.virtual_take import simulate  # noqa: PLC0415

    found = surveyed(read_scene(scene))
    folder = out or take_folder(found, scene, force=force)
    refuse_take(found, folder, force=force)  # before the work, not after it
    made = simulate(found, seconds=seconds, seed=seed, sample_rate=sample_rate, order=order, snr_db=snr_db)
    written = write_take(made, found, folder, force=force)
    if as_json:
        print_json({"folder": str(folder), "files": [str(path) for path in written], "truth": made.truth})
        return 0
    for path in written:
        click.echo(clean(os.path.normpath(path)))
    note(
        f"{seconds:g} s of {len(made.tracks)} tracks at {sample_rate} Hz, seed {seed}, one gain for all mics",
        quiet=quiet,
    )
    if out is None and found.take is not None and found.take.tracks:
        next_step("micalign", "levels", "--scene", scene, quiet=quiet)
    return 0
