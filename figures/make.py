"""Draws the figures of the README: ``python figures/make.py``.

Each PNG carries the structure of what was drawn (axes, labels, limits, curves in a few figures), so that a test can
notice a figure that the code would draw differently today.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.acoustics.prediction import predict
from micalign.acoustics.survey import surveyed
from micalign.figures.late_copies import Copy, comb_figure
from micalign.figures.stage_plan import plan_figure
from micalign.figures.style import render
from micalign.files.scenes import read_scene
from micalign.files.whole import write_bytes
from micalign.scene.scene import Scene
from micalign.units import show_ms_known

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FIGURES", "structure_of"]

HERE: Final = Path(__file__).parent
SCENE: Final = HERE.parent / "scenes" / "jazz-kit.toml"


def _scene() -> Scene:
    return surveyed(read_scene(SCENE))


def _plan() -> Figure:
    return plan_figure(_scene(), paths_of="snare")


def _comb() -> Figure:
    """The snare in the overheads as the scene has it, and with both equally far."""
    pair = _scene().pairs[0]
    row = next(r for r in predict(_scene()).differences if r.source == pair.equal_to[0] and r.mics == pair.mics)
    before = Copy(
        row.difference_s,
        row.level_difference_db,
        row.polarity,
        row.uncertainty_s,
        f"as the scene has it: {show_ms_known(abs(row.difference_s), row.uncertainty_s)} apart",
    )
    after = Copy(0.0, 0.0, row.polarity, label="both equally far")
    return comb_figure(before, after, title=f"{row.source}: {row.mics[0]} with {row.mics[1]}")


FIGURES: Final[Mapping[str, Callable[[], Figure]]] = {
    "plan": _plan,
    "comb": _comb,
}


def structure_of(figure: Figure) -> dict[str, Any]:
    """What a figure shows, in words and figures, with nothing of how it is painted."""
    return {
        "size_in": [round(float(value), 2) for value in figure.get_size_inches()],
        "texts": [text.get_text() for text in figure.texts],
        "axes": [
            {
                "title": axes.get_title(loc="left"),
                "x": [axes.get_xlabel(), *_figures(axes.get_xlim())],
                "y": [axes.get_ylabel(), *_figures(axes.get_ylim())],
                "texts": sorted(text.get_text() for text in axes.texts),
                "curves": [_curve(line) for line in axes.lines],
                "areas": len(axes.collections) + len(axes.patches),
            }
            for axes in figure.axes
        ],
    }


def _curve(line: Any) -> list[Any]:
    values = np.concatenate([np.asarray(part, dtype=float).ravel() for part in line.get_data()])
    label = str(line.get_label())
    known = values[np.isfinite(values)]
    found = _figures([known.min(), known.max(), known.mean()]) if len(known) else []
    return ["" if label.startswith("_") else label, len(values), *found]


def _figures(values: Any) -> list[float]:
    return [float(f"{float(value):.4g}") for value in values]


def main() -> None:
    """Draw and write them all."""
    for name, draw in FIGURES.items():
        figure = draw()
        text = json.dumps(structure_of(figure), ensure_ascii=True)
        write_bytes(HERE / f"{name}.png", render(figure, ".png", description=text), force=True)
        print(HERE / f"{name}.png")


if __name__ == "__main__":
    main()
