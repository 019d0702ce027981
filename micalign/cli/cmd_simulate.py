"""``micalign simulate`` and ``demo``: the take that a scene would give, and the whole job on one made on the spot."""

from __future__ import annotations

import io
import json
import os
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, Final

import click

from micalign.cli.options import FiniteRange, file_options, out_option, scene_argument
from micalign.cli.output import clean, next_step, note, print_json
from micalign.report.tables import clean_lines

__all__ = ["demo_command", "simulate_command"]


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


_TOLD: Final = ("check", "measure", "compare")


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
    from micalign.figures.comb_curves import Copy, Recorded, recorded_combs_figure  # noqa: PLC0415 - matplotlib costs 400 ms
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
