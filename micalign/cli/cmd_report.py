"""``micalign report``: one self-contained page of a scene, and of its take."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from micalign.cli.options import file_options, name_of, out_option, page_path, scene_argument

if TYPE_CHECKING:
    from micalign.acoustics.prediction import Prediction
    from micalign.report.take_page import TakeStudy
    from micalign.scene.model import Scene

__all__ = ["command"]


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
def command(scene: Path, out: Path | None, *, with_take: bool | None, force: bool, as_json: bool, quiet: bool) -> int:
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
    from micalign.cli.output import clean, note, print_json  # noqa: PLC0415
    from micalign.files.scenes import read_text, scene_pieces  # noqa: PLC0415
    from micalign.files.whole import PAGE, refuse_taken, write_text  # noqa: PLC0415
    from micalign.findings.finding import is_wrong  # noqa: PLC0415
    from micalign.findings.rules import findings  # noqa: PLC0415
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
    figures = _figures(planned, prediction, studied)
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


def _figures(scene: Scene, prediction: Prediction, studied: TakeStudy | None) -> dict[str, str]:
    from micalign.figures.gallery import scene_figures  # noqa: PLC0415 - as above
    from micalign.figures.stage_plan import floor_figure  # noqa: PLC0415
    from micalign.figures.style import inline_svg  # noqa: PLC0415
    from micalign.report.scene_page import sheet_plan_in  # noqa: PLC0415
    from micalign.report.take_page import take_figures  # noqa: PLC0415

    drawn = {"floor": floor_figure(scene, height_in=sheet_plan_in(scene, prediction))}
    drawn |= dict(scene_figures(scene, prediction))
    drawn |= take_figures(studied) if studied is not None else {}
    return {name: inline_svg(figure) for name, figure in drawn.items()}
