from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from PIL import Image

FOLDER = Path(__file__).parents[2] / "figures"


def made() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_readme_figures", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKE = made()


def kept(name: str) -> dict[str, Any]:
    with Image.open(FOLDER / f"{name}.png") as image:
        found: dict[str, Any] = json.loads(image.text["Description"])
    return found


@pytest.mark.parametrize("name", MAKE.FIGURES)
def test_figures_of_the_readme_show_what_the_code_draws_today(name: str) -> None:
    drawn = json.loads(json.dumps(MAKE.structure_of(MAKE.FIGURES[name]())))
    assert drawn == kept(name), f"figures/{name}.png is out of date: run 'python figures/make.py'"


def test_every_picture_in_the_folder_is_made_by_the_command() -> None:
    assert {path.stem for path in FOLDER.glob("*.png")} == set(MAKE.FIGURES)
