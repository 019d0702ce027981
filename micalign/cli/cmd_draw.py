"""``micalign draw``: a scene, and its take, as figures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from micalign.cli.options import PATH, file_options, name_of, out_option, scene_argument

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from micalign.scene.model import Scene

__all__ = ["command"]

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
def command(
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
    from micalign.cli.output import clean, note, print_json  # noqa: PLC0415 - so that --help costs only click
    from micalign.files.sets import write_folder  # noqa: PLC0415
    from micalign.files.whole import remove_figures, stale_figures  # noqa: PLC0415
    from micalign.units import many  # noqa: PLC0415

    out = out or Path(f"{name_of(scene)}-figures")
    single = out.suffix.lower() in _SINGLE
    kinds = only or (("plan",) if single else KINDS[:4])
    kinds = (*kinds, "take") if with_take and "take" not in kinds else kinds
    figures = _figures(scene, kinds, before=before, paths_of=paths_of, say=lambda words: note(words, quiet=quiet))
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


def _figures(
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
