"""A simulated take on disk: the audio files its scene names, and the truth beside them as ``truth.json``.

The demonstration is one: its scene travels with the program, and in its take two mistakes are planted.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from importlib.resources import files
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.errors import OutputError
from micalign.files import tuned
from micalign.files.encode import write_audio
from micalign.files.sets import (
    FileSet,
    fault_of,
    finish_killed,
    free_name,
    in_the_way,
    one_name,
    whole_set,
)
from micalign.files.whole import exactly, held, make_folder, refuse_full, refuse_taken, spoken, write_text
from micalign.scene.document import parse_scene
from micalign.scene.model import TrackPlan
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import Faults, Simulation, simulate

__all__ = [
    "FLIPPED",
    "LOWERED",
    "LOWERED_M",
    "SCENE_NAME",
    "begin_demo",
    "planned_tracks",
    "refuse_take",
    "take_folder",
    "whole_folder",
    "write_take",
]

_TRUTH_NAME: Final = "truth.json"

_FORMATS: Final = {".wav": "WAV", ".flac": "FLAC", ".aif": "AIFF", ".aiff": "AIFF"}


def take_folder(scene: Scene, scene_path: str | os.PathLike[str], *, force: bool = True) -> Path:
    """The folder that the scene names for its recording.

    Raises
    ------
    OutputError
        If it names none; or one outside the scene's own folder, where a scene of unknown origin should not write
        unasked, and ``force`` is off.
    """
    if scene.take is None:
        raise OutputError(f"{scene_path} names no folder for a take: say where with --out, or add [take]")
    own = Path(scene_path).parent
    folder = own / scene.take.folder
    if not force and not _is_within(folder, own):
        raise OutputError(
            f"{scene_path} names a take's folder outside its own, {os.path.normpath(folder)}: say so with --out, or "
            "with --force"
        )
    return folder


def _is_within(folder: Path, own: Path) -> bool:
    try:
        return Path(os.path.realpath(folder)).is_relative_to(os.path.realpath(own))
    except ValueError:
        return False


def planned_tracks(scene: Scene) -> tuple[TrackPlan, ...]:
    """File and channel for each mic and DI: as the scene says, else a file by its name.

    >>> from micalign.scene.model import Mic
    >>> [plan.file for plan in planned_tracks(Scene(mics=(Mic("Overhead L/R", (1.0, 1.0, 1.0)),)))]
    ['overhead-l-r.wav']
    """
    plans = {plan.name: plan for plan in (scene.take.tracks if scene.take else ())}
    used = {one_name(plan.file) for plan in plans.values()}
    for name in scene.track_names:
        if name not in plans:
            stem = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-") or "track"
            plans[name] = TrackPlan(name, free_name(stem, ".wav", used))
    return tuple(plans.values())


def refuse_take(scene: Scene, folder: str | os.PathLike[str], *, force: bool = False) -> None:
    """Refuse before the work begins what `write_take` would refuse after it."""
    finish_killed(Path(folder))
    _refuse(Path(folder), _by_file(scene), force=force)


def write_take(
    simulation: Simulation, scene: Scene, folder: str | os.PathLike[str], *, force: bool = False
) -> tuple[Path, ...]:
    """Write a simulated take, all of it or nothing: 24-bit audio files and ``truth.json``.

    Parameters
    ----------
    simulation : Simulation
        What to write.
    scene : Scene
        Names the files.
    folder : path
        Made where it is missing.
    force : bool
        Replace an earlier simulated take: files whose SHA-256 its ``truth.json`` holds. Every other file there may be
        a recording and is never replaced.

    Returns
    -------
    tuple of Path
        The audio files, in the scene's order; the truth comes last.

    Raises
    ------
    OutputError
        If a file exists and ``force`` is off or it may be a recording (all of them named together), a name leads out
        of the folder, or the disk is too full.
    """
    target = Path(folder)
    by_file = _by_file(scene)
    _refuse(target, by_file, force=force)
    refuse_full(target, _wave_bytes(simulation, by_file))
    with whole_set(target, refuse=lambda: _refuse(target, by_file, force=force), head=_TRUTH_NAME) as files:
        for file, plans in by_file.items():
            _write(simulation, target / file, plans, files)
        document = simulation.truth | {"files": files.manifest(_TRUTH_NAME)}
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
        files.write_text(target / _TRUTH_NAME, text + "\n")
    return (*(target / file for file in by_file), target / _TRUTH_NAME)


def _by_file(scene: Scene) -> dict[str, list[TrackPlan]]:
    by_file: dict[str, list[TrackPlan]] = defaultdict(list)
    for plan in planned_tracks(scene):
        by_file[plan.file].append(plan)
    return by_file


def _wave_bytes(simulation: Simulation, by_file: Mapping[str, list[TrackPlan]]) -> int:
    """At most: compressed files become smaller."""
    frames = max(len(samples) for samples in simulation.tracks.values())
    return sum(3 * frames * max(plan.channel or 1 for plan in plans) for plans in by_file.values())


def _write(simulation: Simulation, path: Path, plans: list[TrackPlan], files: FileSet) -> None:
    write_audio(
        path,
        _blocks(simulation, plans),
        sample_rate=simulation.sample_rate,
        format=_FORMATS[path.suffix.lower()],
        channels=max(plan.channel or 1 for plan in plans),
        within=files,
    )


def _blocks(simulation: Simulation, plans: list[TrackPlan]) -> Iterator[Floats]:
    """The channels of a file side by side; those that no track fills are silent."""
    channels = max(plan.channel or 1 for plan in plans)
    frames = len(simulation.tracks[plans[0].name])
    step = max(tuned.SIMULATED_VALUES // channels, 1)
    for start in range(0, frames, step):
        block = np.zeros((min(step, frames - start), channels))
        for plan in plans:
            block[:, (plan.channel or 1) - 1] = simulation.tracks[plan.name][start : start + step]
        yield block


def _refuse(folder: Path, by_file: Mapping[str, list[TrackPlan]], *, force: bool) -> None:
    faults = [*_no_names(by_file), *_shared(by_file)]
    if not faults:
        faults = list(in_the_way(folder, [*by_file, _TRUTH_NAME], _TRUTH_NAME, force=force))
    if faults:
        raise OutputError(faults)


def _shared(by_file: Mapping[str, list[TrackPlan]]) -> Iterator[str]:
    """Two tracks that would be written over each other."""
    first: dict[str, str] = {}
    for file, plans in by_file.items():
        # Names that differ only in case or accents' spelling are one file on many disks.
        other = first.setdefault(one_name(os.path.normpath(file)), file)
        if other != file:
            yield f"[take.tracks] names '{other}' and '{file}', one file on many disks: write its name in one way"
        channels: dict[int, str] = {}
        for plan in plans:
            other = channels.setdefault(plan.channel or 1, plan.name)
            if other != plan.name:
                yield (
                    f"[take.tracks] gives '{other}' and '{plan.name}' the same channel of '{file}': give each its own"
                )


def _no_names(files: Iterable[str]) -> Iterator[str]:
    for file in files:
        parts = {*PurePosixPath(file).parts, *PureWindowsPath(file).parts}
        fault = next((fault for part in PurePosixPath(file).parts if (fault := fault_of(part))), None)
        if ".." in parts or PurePosixPath(file).is_absolute() or PureWindowsPath(file).anchor:
            yield f"[take.tracks] names '{file}', which leads out of the take's folder: name a file in it"
        elif Path(file).suffix.lower() not in _FORMATS:
            yield f"[take.tracks] names '{file}': a take is written as .wav, .flac or .aiff"
        elif fault is not None:
            yield f"[take.tracks] names '{file}', which cannot be copied to every system: {fault}; call it otherwise"


SCENE_NAME: Final = "jazz-kit.toml"
FLIPPED: Final = "kick mic"
LOWERED: Final = "overhead right"
LOWERED_M: Final = 0.12  # metres: a delay of 0.35 ms, which is heard and measured (chosen)


@contextmanager
def whole_folder(folder: str | os.PathLike[str], *, force: bool = False) -> Iterator[Path]:
    """A new folder with all that the block writes into it, or none: what ends the block takes it away again.

    With ``force`` a folder may be there, and stays. `OutputError` where it is there without, or cannot be made.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     with suppress(KeyboardInterrupt), whole_folder(Path(place) / "new" / "demo") as new:
    ...         raise KeyboardInterrupt
    ...     os.listdir(place)
    []
    """
    target = Path(folder)
    missing = [one for one in target.parents if not os.path.lexists(one)]
    is_ours = False
    try:
        make_folder(target.parent)
        # Made by us or not: of two runs at once one is refused, and takes nothing of the other's away.
        with held(), spoken(target), suppress(FileExistsError):
            target.mkdir()
            is_ours = True
        if not is_ours and not force:
            raise OutputError(f"{folder} exists: choose another folder with --out, or write into it with --force")
        yield target
    except BaseException:
        with held():
            if is_ours:
                shutil.rmtree(target, ignore_errors=True)
            for one in missing:
                with suppress(OSError):  # not made, or no longer empty
                    one.rmdir()
        raise


def begin_demo(folder: str | os.PathLike[str], *, seed: int = 1, force: bool = False) -> Path:
    """Write the scene and a take of it, in which one mic is inverted and another stands too low.

    Parameters
    ----------
    folder : path
        As `whole_folder` makes it.
    seed : int
        Of the take.
    force : bool
        Replace what an earlier demonstration wrote there; never an edited scene.

    Returns
    -------
    Path
        The scene file.

    Raises
    ------
    OutputError
        If the scene in it was edited.
    """
    path = Path(folder) / SCENE_NAME
    text = files("micalign.files").joinpath("demo.toml").read_text(encoding="utf-8")
    own = exactly(text.encode(), "the demonstration's own scene, unchanged")
    if os.path.lexists(path):
        refuse_taken(path, force=force, kind=own)
    scene = parse_scene(text, str(path))
    x, y, z = scene.mic(LOWERED).position
    refuse_take(scene, take_folder(scene, path), force=force)
    faults = Faults(flipped=(FLIPPED,), moved={LOWERED: (x, y, z - LOWERED_M)})
    # The scene comes last: where its take cannot be written, nothing is in the way of the next try.
    write_take(simulate(scene, seed=seed, faults=faults), scene, take_folder(scene, path), force=force)
    write_text(path, text, force=force, kind=own)
    return path
