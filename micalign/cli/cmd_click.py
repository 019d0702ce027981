"""``micalign click``: test signals for a loopback and for a small loudspeaker, and what a recorded sweep says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micalign.cli.options import PATH, FiniteRange, file_options, out_option

if TYPE_CHECKING:
    from micalign.acoustics.prediction import Prediction
    from micalign.take.sweep import Response, Sweep

__all__ = ["command"]

_SWEEP_S = 6.0  # as long as the one that --sweep makes by default


@click.command("click")
@out_option("The sound file to write.  [default: click.wav, or sweep.wav with --sweep]")
@click.option(
    "--sweep",
    "sweep_s",
    type=FiniteRange(min=0.5, max=60.0),
    metavar="SECONDS",
    help="An exponential sweep of so many seconds, 50 hertz to 20 kHz, instead of clicks.  "
    "[default: clicks; 6 with --recorded]",
)
@click.option(
    "--level-dbfs",
    type=FiniteRange(min=-80.0, max=-6.0),
    default=-30.0,
    show_default=True,
    help="Peak of the signal, in dB of full scale.",
)
@click.option(
    "--rate",
    type=click.IntRange(8000, 192000),
    default=48000,
    show_default=True,
    metavar="HZ",
    help="Sample rate of the file, in hertz.",
)
@click.option(
    "--recorded",
    multiple=True,
    metavar="FILE",
    help="What a mic recorded of the sweep from the file's beginning on: read it. May be repeated.  [default: write]",
)
@click.option(
    "--scene", type=PATH, metavar="SCENE", help="Scene file (TOML) whose plan stands beside it.  [default: none]"
)
@click.option("--source", metavar="SOURCE", help="With --scene: where the loudspeaker stands.  [default: none]")
@click.option(
    "--mic", "mics", multiple=True, metavar="MIC", help="With --scene: the mic of each --recorded.  [default: none]"
)
@file_options
def command(
    *,
    out: Path | None,
    sweep_s: float | None,
    level_dbfs: float,
    rate: int,
    recorded: tuple[str, ...],
    scene: Path | None,
    source: str | None,
    mics: tuple[str, ...],
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Make a test signal: clicks for a loopback, or a sweep for a small loudspeaker; or read a recorded sweep.

    CAUTION: turn the monitors down before you play it and come up slowly; take headphones off. A click or a sweep is
    louder than it looks, and a tweeter burns before an ear complains. The file begins at a low level for that reason.

    The clicks are five positive half waves after a second of silence. Through a cable from an output to an input they
    give the latency ('micalign measure click.wav --loopback back.wav'); through a loudspeaker that keeps polarity,
    'micalign linecheck --pop positive' gives each mic's.

    With --recorded a sweep becomes an impulse response: first arrival and polarity in each recording, the first
    reflections, early decay and reverberation; with --scene beside what the scene predicts. All recordings must begin
    with the playback, or all at the same instant.

    \b
    Example:
      micalign click -o click.wav
      micalign click --sweep 6 -o sweep.wav
      micalign click --sweep 6 --recorded overhead-left.wav --recorded overhead-right.wav
    """
    from micalign.report.click_words import CAUTION  # noqa: PLC0415 - so that --help costs only click

    _refuse_mixed(recorded, scene, source, mics)
    from micalign.cli.output import note  # noqa: PLC0415
    from micalign.take.sweep import Sweep, clicks  # noqa: PLC0415

    if recorded:
        return _read(recorded, sweep_s or _SWEEP_S, (scene, source, mics), as_json=as_json)
    note(f"Caution. {CAUTION}", quiet=quiet)
    path = out or Path("sweep.wav" if sweep_s else "click.wav")
    signal = Sweep(sweep_s, rate).file_signal() if sweep_s else clicks(rate)
    _write(path, signal * 10.0 ** (level_dbfs / 20.0), rate, force=force)
    _print_written(path, len(signal) / rate, rate, level_dbfs, sweep_s, as_json=as_json)
    return 0


def _refuse_mixed(recorded: tuple[str, ...], scene: Path | None, source: str | None, mics: tuple[str, ...]) -> None:
    if (scene is None) != (source is None):
        raise click.UsageError("--scene and --source go together: the source is where the loudspeaker stands")
    if scene is not None and not recorded:
        raise click.UsageError("--scene goes with --recorded: it says what the recording should hold")
    if mics and (scene is None or len(mics) != len(recorded)):
        raise click.UsageError("--mic goes with --scene, one for each --recorded and in their order")
    if scene is not None and not mics:
        raise click.UsageError("--scene needs --mic, one for each --recorded and in their order")


def _write(path: Path, samples: object, rate: int, *, force: bool) -> None:
    from micalign.files.whole import SOUND, write_bytes  # noqa: PLC0415
    from micalign.report.sounds import wav_bytes  # noqa: PLC0415

    if path.suffix.casefold() != ".wav":
        raise click.UsageError(f"--out: '{path}' is no name of a sound file: end it in .wav")
    write_bytes(path, wav_bytes(samples, sample_rate=rate), force=force, kind=SOUND)  # type: ignore[arg-type]


def _print_written(
    path: Path, seconds: float, rate: int, level_dbfs: float, sweep_s: float | None, *, as_json: bool
) -> None:
    from micalign.cli.output import console, print_json  # noqa: PLC0415
    from micalign.report.click_words import made_document, made_words  # noqa: PLC0415

    document = made_document(path, seconds, rate, level_dbfs, sweep_s)
    if as_json:
        print_json(document)
        return
    out = console()
    for line in made_words(document):
        out.print(line)


def _read(
    recorded: tuple[str, ...], seconds: float, plan: tuple[Path | None, str | None, tuple[str, ...]], *, as_json: bool
) -> int:
    from micalign.cli.output import console, print_json  # noqa: PLC0415
    from micalign.files.audio import open_tracks  # noqa: PLC0415
    from micalign.report.click_words import Planned, response_document, response_screen  # noqa: PLC0415
    from micalign.take.sweep import Sweep, response  # noqa: PLC0415

    take = open_tracks(recorded)
    sweep: Sweep = Sweep(seconds, take.sample_rate)
    found: tuple[Response, ...] = tuple(response(track, sweep) for track in take.tracks)
    predicted = _predicted(*plan)
    planned = None if predicted is None else Planned(predicted, str(plan[1]), plan[2])
    if as_json:
        print_json(response_document(found, planned))
        return 0
    out = console()
    for block in response_screen(found, planned):
        out.print(block)
    return 0


def _predicted(scene_path: Path | None, source: str | None, mics: tuple[str, ...]) -> Prediction | None:
    if scene_path is None or source is None:
        return None
    from micalign.acoustics.prediction import predict  # noqa: PLC0415
    from micalign.files.scenes import read_scene  # noqa: PLC0415

    scene = read_scene(scene_path)
    scene.source(source)
    for mic in mics:
        scene.mic(mic)
    return predict(scene)
