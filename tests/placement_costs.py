"""The cost of a layout as the search behind `place` sees it: what its wishes miss, and charges for the forbidden."""

from __future__ import annotations

import numpy as np

from micalign.acoustics.placement_problem import Problem
from micalign.scene.scene import Scene


def placement_cost(scene: Scene, start: Scene | None = None) -> float:
    """Of a scene as it stands; short moves from ``start`` are cheaper than long ones."""
    problem = Problem.of(start or scene)
    places = np.array([scene.mics[index].position for index in problem.limits.free.tolist()]).reshape(-1, 3)
    return float(problem.cost(places[None])[0])
