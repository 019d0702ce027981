"""The demonstration: its scene, which travels with the program, and its take, in which two mistakes are planted."""

from __future__ import annotations

import os
from importlib.resources import files
from pathlib import Path
from typing import Final

from micalign.errors import OutputError
from micalign.files.kinds import exactly
from micalign.files.scenes import read_scene
from micalign.files.takes import refuse_take, take_folder, write_take
from micalign.files.whole import make_folder, write_text
from micalign.simulate.virtual_take import Faults, simulate

__all__ = ["FLIPPED", "LOWERED", "LOWERED_M", "SCENE_NAME", "begin_demo"]

SCENE_NAME: Final = "jazz-kit.toml"
FLIPPED: Final = "kick mic"
LOWERED: Final = "overhead right"
LOWERED_M: Final = 0.12


def begin_demo(folder: str | os.PathLike[str], *, seed: int = 1, force: bool = False) -> Path:
    """Write the scene and a take of it, in which one mic is inverted and another stands too low.

    Parameters
    ----------
    folder : path
        Made new.
    seed : int
        Of the take.
    force : bool
        Use a folder that exists, and replace what an earlier demonstration wrote there; never an edited scene.

    Returns
    -------
    Path
        The scene file.

    Raises
    ------
    OutputError
        If the folder exists and ``force`` is off, or the scene in it was edited.
    """
    if os.path.lexists(folder) and not force:
        raise OutputError(f"{folder} exists: choose another folder with --out, or write into it with --force")
    path = make_folder(folder) / SCENE_NAME
    text = files("micalign.files").joinpath("demo.toml").read_text(encoding="utf-8")
    write_text(path, text, force=force, kind=exactly(text.encode(), "the demonstration's own scene, unchanged"))
    scene = read_scene(path)
    x, y, z = scene.mic(LOWERED).position
    refuse_take(scene, take_folder(scene, path), force=force)
    faults = Faults(flipped=(FLIPPED,), moved={LOWERED: (x, y, z - LOWERED_M)})
    write_take(simulate(scene, seed=seed, faults=faults), scene, take_folder(scene, path), force=force)
    return path
