"""A simulated take on disk: the audio files its scene names, and the truth beside them as ``truth.json``."""

from __future__ import annotations

import json
import os
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.errors import OutputError
from micalign.files.audio import write_audio
from micalign.files.whole import make_folder, write_text
from micalign.scene.model import Scene, TrackPlan
from micalign.simulate.take import Simulation

__all__ = ["TRUTH_NAME", "planned_tracks", "take_folder", "write_take"]

TRUTH_NAME: Final = "truth.json"

_BLOCK_SAMPLES: Final = 1 << 20
_FORMATS: Final = {".wav": "WAV", ".flac": "FLAC", ".aif": "AIFF", ".aiff": "AIFF"}


def take_folder(scene: Scene, scene_path: str | os.PathLike[str]) -> Path:
    """The folder that the scene names for its recording; `OutputError` where it names none."""
    if scene.take is None:
        raise OutputError(f"{scene_path} names no folder for a take: say where with --out, or add [take]")
    return Path(scene_path).parent / scene.take.folder


def planned_tracks(scene: Scene) -> tuple[TrackPlan, ...]:
    """File and channel for each mic and DI: as the scene says, else a file by its name.

    >>> from micalign.scene.model import Mic
    >>> [plan.file for plan in planned_tracks(Scene(mics=(Mic("Overhead L/R", (1.0, 1.0, 1.0)),)))]
    ['overhead-l-r.wav']
    """
    plans = {plan.name: plan for plan in (scene.take.tracks if scene.take else ())}
    used = {plan.file for plan in plans.values()}
    for name in scene.track_names:
        if name not in plans:
            plans[name] = TrackPlan(name, _free_name(name, used))
            used.add(plans[name].file)
    return tuple(plans.values())


def _free_name(name: str, used: set[str]) -> str:
    stem = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-") or "track"
    number, file = 1, f"{stem}.wav"
    while file in used:
        number += 1
        file = f"{stem}-{number}.wav"
    return file


def write_take(
    simulation: Simulation, scene: Scene, folder: str | os.PathLike[str], *, force: bool = False
) -> tuple[Path, ...]:
    """Write a simulated take: 24-bit audio files and ``truth.json``.

    Parameters
    ----------
    simulation : Simulation
        What to write.
    scene : Scene
        Names the files.
    folder : path
        Made where it is missing.
    force : bool
        Replace an earlier simulated take; audio with no ``truth.json`` beside it is a recording and never replaced.

    Returns
    -------
    tuple of Path
        The audio files, in the scene's order; the truth comes last.

    Raises
    ------
    OutputError
        If a file exists and ``force`` is off or it is a recording (all of them told together), or a name leads out
        of the folder.
    """
    target = Path(folder)
    by_file: dict[str, list[TrackPlan]] = defaultdict(list)
    for plan in planned_tracks(scene):
        by_file[plan.file].append(plan)
    _refuse(target, by_file, force=force)
    make_folder(target)
    # The truth comes first: it marks the folder as simulated, so that a run cut short can be made again.
    text = json.dumps(simulation.truth, indent=2, ensure_ascii=False, allow_nan=False)
    write_text(target / TRUTH_NAME, text + "\n", force=force)
    written = [_write(simulation, target / file, plans, force=force) for file, plans in by_file.items()]
    return (*written, target / TRUTH_NAME)


def _write(simulation: Simulation, path: Path, plans: list[TrackPlan], *, force: bool) -> Path:
    if path.parent != path:
        make_folder(path.parent)
    write_audio(
        path,
        _blocks(simulation, plans),
        sample_rate=simulation.sample_rate,
        format=_FORMATS[path.suffix.lower()],
        channels=max(plan.channel or 1 for plan in plans),
        force=force,
    )
    return path


def _blocks(simulation: Simulation, plans: list[TrackPlan]) -> Iterator[Floats]:
    """The channels of a file side by side; those that no track fills are silent."""
    channels = max(plan.channel or 1 for plan in plans)
    frames = len(simulation.tracks[plans[0].name])
    step = max(_BLOCK_SAMPLES // channels, 1)
    for start in range(0, frames, step):
        block = np.zeros((min(step, frames - start), channels))
        for plan in plans:
            block[:, (plan.channel or 1) - 1] = simulation.tracks[plan.name][start : start + step]
        yield block


def _refuse(folder: Path, by_file: Mapping[str, list[TrackPlan]], *, force: bool) -> None:
    faults = [*_out_of_place(folder, by_file, force=force), *_shared(by_file)]
    if not force and os.path.lexists(folder / TRUTH_NAME):
        faults.append(_exists(folder / TRUTH_NAME))
    if faults:
        raise OutputError(faults)


def _exists(path: Path) -> str:
    return f"{path} exists: choose another place with --out, or replace it with --force"


def _is_recording(path: Path) -> str:
    return f"{path} may be a recording (no {TRUTH_NAME} beside it) and is not replaced: choose another place with --out"


def _shared(by_file: Mapping[str, list[TrackPlan]]) -> Iterator[str]:
    """Two tracks that would be written over each other."""
    first: dict[str, str] = {}
    for file, plans in by_file.items():
        # Names that differ only in case or accents' spelling are one file on many disks.
        other = first.setdefault(unicodedata.normalize("NFC", os.path.normpath(file)).casefold(), file)
        if other != file:
            yield f"[take.tracks] names '{other}' and '{file}', one file on many disks: write its name in one way"
        channels: dict[int, str] = {}
        for plan in plans:
            other = channels.setdefault(plan.channel or 1, plan.name)
            if other != plan.name:
                yield (
                    f"[take.tracks] gives '{other}' and '{plan.name}' the same channel of '{file}': give each its own"
                )


def _out_of_place(folder: Path, files: Iterable[str], *, force: bool) -> Iterator[str]:
    simulated = os.path.lexists(folder / TRUTH_NAME)
    for file in files:
        parts = {*PurePosixPath(file).parts, *PureWindowsPath(file).parts}
        if ".." in parts or PurePosixPath(file).is_absolute() or PureWindowsPath(file).anchor:
            yield (f"[take.tracks] names '{file}', which leads out of the take's folder: name a file in it")
        elif Path(file).suffix.lower() not in _FORMATS:
            yield f"[take.tracks] names '{file}': a take is written as .wav, .flac or .aiff"
        elif os.path.lexists(folder / file) and not simulated:
            yield _is_recording(folder / file)
        elif os.path.lexists(folder / file) and not force:
            yield _exists(folder / file)
