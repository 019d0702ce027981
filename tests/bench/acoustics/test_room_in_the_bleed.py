"""How well the bleed with the room in it agrees with rendering the room by images.

``simulate --order 4`` stops after four bounces, so in a hard room it holds less than the room does. Two comparisons are
like with like: four bounces rendered against the field cut off after four, and fourteen, after which little is left,
against the whole field.
"""

from __future__ import annotations

import numpy as np
import pytest
import small_rooms

from micalign.acoustics.arrivals import arrivals
from micalign.acoustics.prediction import heard, predict
from micalign.acoustics.room import bounces
from micalign.scene.scene import Scene

pytestmark = pytest.mark.bench

ROOMS = 30
KINDS = {"untreated (absorption 0.03 to 0.3)": (0.03, 0.3), "furnished (absorption 0.05 to 0.5)": (0.05, 0.5)}


@pytest.mark.parametrize("kind", KINDS)
def test_the_room_in_the_bleed(kind: str) -> None:
    rng = np.random.default_rng(22)
    scenes = [small_rooms.small_room(rng, absorption=KINDS[kind]) for _ in range(ROOMS)]
    rows = [predict(scene).spacing for scene in scenes]
    cut = np.array([_of_bounces(scene, 4) for scene in scenes])
    with_room = np.array([[row.bleed_heard_db for row in pair] for pair in rows])
    direct = np.array([[row.bleed_db for row in pair] for pair in rows])
    print(f"\n{kind}: {ROOMS} rooms, {with_room.size} bleeds")
    for order in (4, 14):
        rendered = np.array([small_rooms.rendered_bleed_db(scene, order=order) for scene in scenes])
        for what, told in (("with the room", with_room), ("cut off after 4", cut), ("direct sound alone", direct)):
            off = told - rendered
            print(
                f"  against {order:2d} bounces rendered, {what:18s}: median {np.median(off):+6.2f} dB, "
                f"of the size {np.median(np.abs(off)):5.2f} dB, 90 % within {np.quantile(np.abs(off), 0.9):5.2f} dB"
            )


def _of_bounces(scene: Scene, count: int) -> list[float]:
    found = arrivals(scene)
    level = heard(scene, found, bounces(scene, found, order=1), bounces=count).level_db
    return [level[0, 1] - level[0, 0], level[1, 0] - level[1, 1]]
