"""``micalign simulate``: the take that a scene would give."""

from __future__ import annotations

import os
from pathlib import Path

import click

from micalign.cli.options import FiniteRange, file_options, out_option, scene_argument

__all__ = ["command"]


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
def command(
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
    from micalign.cli.output import clean, next_step, note, print_json  # noqa: PLC0415
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
