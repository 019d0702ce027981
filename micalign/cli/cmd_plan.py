"""``micalign plan``: a scene as a page whose mics and sources can be moved by hand."""

from __future__ import annotations

from pathlib import Path

import click

from micalign.cli.options import file_options, name_of, out_option, page_path, scene_argument

__all__ = ["command"]


@click.command("plan")
@scene_argument
@out_option("The page to write.  [default: the scene's name with -plan.html]")
@file_options
def command(scene: Path, out: Path | None, *, force: bool, as_json: bool, quiet: bool) -> int:
    """Make a live plan of SCENE: one page on which mics and sources are moved by hand, and every number follows.

    Open it in any browser; it needs no network. When everything stands well, copy or save the scene from the page: it
    is your own file with only the changed numbers replaced.

    \b
    Example:
      micalign plan scenes/jazz-kit.toml -o plan.html
    """
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - so that --help costs only click
    from micalign.cli.output import clean, note, print_json  # noqa: PLC0415
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
