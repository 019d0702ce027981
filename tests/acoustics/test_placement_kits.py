"""Random kits under low ceilings, held against an exhaustive grid of 2 cm that shares no code with the package."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import micalign
from kits import TOLERANCE_S, Grid, Kit, kit_text

# The written file keeps whole millimetres; its own rounding must not count against it.
ROUNDING_S = 1e-9


def _placed(folder: Path, seed: int) -> tuple[Kit, Kit, dict[str, Any], int]:
    before = Kit(kit_text(np.random.default_rng(seed)))
    path, new = folder / "kit.toml", folder / f"placed-{seed}.toml"
    path.write_text(before.text, encoding="utf-8")
    said = micalign("place", path, "--write", new, "--json", "-q")
    return before, Kit(new.read_text(encoding="utf-8")), said.document, said.status


def _holds_against_the_grid(folder: Path, seed: int) -> bool:
    before, after, document, status = _placed(folder, seed)
    warned, still_warned = (document["wishes"][when]["rules"] for when in ("before", "after"))
    grid, cost = Grid(before), float(str(document["after"])) - still_warned
    assert status == (0 if document["feasible"] else 1)
    assert cost + still_warned <= float(str(document["before"]))
    for name in ("left", "right"):
        assert before.allowed(name, after.mic(name)[None])[0], "a limit is broken in the written file"
    if not document["feasible"]:
        assert not grid.has_solution(), "the grid finds a solution"
        return False
    assert max(map(abs, after.differences_s())) <= TOLERANCE_S + ROUNDING_S
    left, right = after.mic("left"), after.mic("right")
    far = [[np.linalg.norm(mic - before.source(name)) for name in ("snare", "kick")] for mic in (left, right)]
    own = sum(before.own_cost(name, before.mic(name), after.mic(name)[None])[0] for name in ("left", "right"))
    equal = (((np.array(far[0]) - far[1]) / (TOLERANCE_S * 343.984)) ** 2).sum()
    # The speed of sound is known here to six digits; the equality's share of the cost is below 10.
    assert cost == pytest.approx(own + equal + before.narrow_cost(left, right), rel=1e-4)
    saved = max(warned - still_warned, 0.0)
    assert grid.best_below(cost) >= cost / 1.01 - saved, "the grid finds a layout more than 1 % better"
    return True


@pytest.mark.parametrize("seed", [113, 117])
def test_a_kit_is_placed_as_well_as_an_exhaustive_grid_would(seed: int, tmp_path: Path) -> None:
    """Feasible where the grid is, within tolerance in the written file, out of keepouts, never more than 1 % worse.

    The cost holds what `check` warns of: combs by reflections, and nulls of the room's low modes. It may be more than
    the grid's by what a warning weighs that the move takes away.
    """
    assert _holds_against_the_grid(tmp_path, seed) == (seed == 113)


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_a_hundred_kits_are_placed_as_well_as_an_exhaustive_grid_would(tmp_path: Path) -> None:
    """The same for a hundred; at least 90 of them can be solved at all."""
    solved = [_holds_against_the_grid(tmp_path, seed) for seed in range(100, 200)]
    assert sum(solved) >= 90
