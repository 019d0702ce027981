"""The room's figures beyond the published ones: strengths, gaps, pile-ups, rooms that do not absorb."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.acoustics.prediction import predict
from micalign.acoustics.room import (
    Mode,
    PileUp,
    critical_distance_m,
    gaps,
    mode_strengths,
    modes,
    pile_ups,
    room_figures,
)
from micalign.scene.model import Absorption, Mic, Room, Source
from micalign.scene.scene import Scene


def test_every_mode_up_to_300_hz_is_there() -> None:
    """As many as a plain triple loop counts, lowest first."""
    size, speed = (6.2, 4.7, 2.5), 343.0
    counted = [
        speed / 2 * np.sqrt((x / size[0]) ** 2 + (y / size[1]) ** 2 + (z / size[2]) ** 2)
        for x in range(20)
        for y in range(20)
        for z in range(20)
        if x + y + z
    ]
    found = [mode.hz for mode in modes(size, speed)]
    assert found == pytest.approx(sorted(hz for hz in counted if hz <= 300))


@pytest.mark.parametrize(("order", "kind"), [((2, 0, 0), "axial"), ((1, 0, 3), "tangential"), ((1, 1, 1), "oblique")])
def test_kinds(order: tuple[int, int, int], kind: str) -> None:
    """Between two, four or six surfaces."""
    assert Mode(50.0, order).kind == kind


def test_strengths_at_corner_middle_and_quarter() -> None:
    """A corner holds every mode in full, the middle none of the odd ones, a quarter of the way 0.707 of the first."""
    size = (6.0, 5.0, 3.0)
    found = modes(size, 343.0)[:6]
    places = np.array([[0, 0, 0], [3.0, 2.5, 1.5], [1.5, 0, 0]])
    strength = mode_strengths(size, found, places)
    assert strength[0] == pytest.approx(1.0)
    odd = [any(n % 2 for n in mode.order) for mode in found]
    assert strength[1][odd] == pytest.approx(0.0, abs=1e-12)
    first = [mode.order for mode in found].index((1, 0, 0))
    assert strength[2][first] == pytest.approx(np.sqrt(0.5))


def test_a_cube_piles_its_modes_up() -> None:
    """Three equal sides: the first three axial modes are one frequency."""
    piles = pile_ups(modes((4.0, 4.0, 4.0), 343.0))
    assert piles[0].hz == pytest.approx(42.875)
    assert set(piles[0].orders) == {(1, 0, 0), (0, 1, 0), (0, 0, 1)}


def test_modes_that_coincide_in_a_crowd_are_borne() -> None:
    """Five and more in a third of an octave: no pile-up is told."""
    alone = (Mode(50.0, (1, 0, 0)), Mode(50.1, (0, 1, 0)))
    crowd = (Mode(48.0, (2, 0, 0)), *alone, Mode(52.0, (1, 1, 0)), Mode(53.0, (0, 0, 1)))
    assert pile_ups(alone) == (PileUp(50.0, ((1, 0, 0), (0, 1, 0))),)
    assert pile_ups(crowd) == ()


def test_gaps_are_wider_than_20_hz() -> None:
    """A small closet has wide gaps; only below the upper limit are they told."""
    found = (Mode(60.0, (1, 0, 0)), Mode(85.0, (0, 1, 0)), Mode(104.0, (1, 1, 0)), Mode(140.0, (2, 0, 0)))
    assert [(gap.from_hz, gap.to_hz) for gap in gaps(found, 300.0)] == [(60.0, 85.0), (104.0, 140.0)]
    assert [(gap.from_hz, gap.to_hz) for gap in gaps(found, 100.0)] == [(60.0, 85.0)]


def test_a_room_that_absorbs_nothing_has_no_reverberation_time() -> None:
    """Nothing is divided by zero: the times are None, the modes are there."""
    found = room_figures(Room((5.0, 4.0, 3.0), Absorption(*[0.0] * 6)), {"m": (1.0, 1.0, 1.0)}, 343.0)
    assert (found.reverberation_s, found.eyring_s, found.transition_hz, found.critical_distance_m) == (None,) * 4
    assert found.modes


def test_a_room_that_absorbs_all_rings_for_no_time() -> None:
    """Eyring gives zero there, Sabine does not: that is where the two part."""
    found = room_figures(Room((5.0, 4.0, 3.0), Absorption(*[1.0] * 6)), {}, 343.0)
    assert found.eyring_s == 0.0
    assert found.reverberation_s == pytest.approx(0.161114 * 60 / 94, rel=1e-4)


@pytest.mark.parametrize(("size", "share", "metres"), [((5, 4, 3), 0.19, 0.596), ((8, 6, 3), 0.36, 1.135)])
def test_critical_distance(size: tuple[float, float, float], share: float, metres: float) -> None:
    """sqrt(A / 16 pi) by hand."""
    assert critical_distance_m(Room(size, Absorption(*[share] * 6))) == pytest.approx(metres, abs=0.0005)


def test_no_room_no_figures() -> None:
    """Without a room there are neither modes nor walls."""
    scene = Scene(sources=(Source("s", (1, 1, 1)),), mics=(Mic("m", (2, 1, 1)),))
    assert predict(scene).room is None
    assert predict(scene).reflections == ()
