"""The ways of sound through a room, against an independent library and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.scene.model import Absorption, Mic, Panel, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import images, ways

SPEED = 343.0


def _key(point: np.ndarray) -> tuple[float, ...]:
    """An image to the millimetre: the library holds them in single precision."""
    return tuple(round(float(value), 3) + 0.0 for value in point)


def test_images_agree_with_an_independent_image_source_model():
    """All 25 images up to order 2, and what their surfaces leave of them, are those of pyroomacoustics."""
    pra = pytest.importorskip("pyroomacoustics")
    size, source = (6.0, 5.0, 2.8), (2.0, 1.5, 1.2)
    absorption = {"left": 0.1, "right": 0.2, "front": 0.3, "back": 0.4, "floor": 0.5, "ceiling": 0.64}
    walls = {"west": "left", "east": "right", "south": "front", "north": "back", "floor": "floor", "ceiling": "ceiling"}
    materials = {wall: pra.Material(absorption[ours]) for wall, ours in walls.items()}
    room = pra.ShoeBox(size, fs=48000, materials=materials, max_order=2)
    room.add_source(source)
    room.add_microphone([4.2, 3.1, 1.6])
    room.image_source_model()
    theirs = {
        _key(point): float(damping)
        for point, damping in zip(room.sources[0].images.T, room.sources[0].damping[0], strict=True)
    }

    points, factors = images(Room(size, Absorption(**absorption)), source, 2)

    ours = {_key(point): factor for point, factor in zip(points, factors, strict=True)}
    assert ours.keys() == theirs.keys()
    for point, factor in ours.items():
        assert factor == pytest.approx(theirs[point], abs=1e-6)


def test_amplitude_falls_with_distance_and_pattern():
    """1/r on the axis of an omni; a figure-8 hears its rear inverted and its side not at all; a cardioid no rear."""
    source = Source("s", (2.0, 2.0, 1.0))
    mics = (
        Mic("near", (3.0, 2.0, 1.0)),
        Mic("far", (6.0, 2.0, 1.0)),
        Mic("rear", (0.0, 2.0, 1.0), aim=(-5.0, 2.0, 1.0), pattern="figure-8"),
        Mic("side", (2.0, 4.0, 1.0), aim=(5.0, 4.0, 1.0), pattern="figure-8"),
        Mic("back", (2.0, 4.0, 1.0), aim=(2.0, 9.0, 1.0), pattern="cardioid"),
    )
    found = ways(Scene(sources=(source,), mics=mics), speed_of_sound_m_s=SPEED, order=0)
    assert found.amplitude[0, :, 0] == pytest.approx([1.0, 0.25, -0.5, 0.0, 0.0], abs=1e-12)
    assert found.arrival_s[0, :, 0] == pytest.approx(np.array([1.0, 4.0, 2.0, 2.0, 2.0]) / SPEED, abs=1e-15)


def test_the_direct_way_comes_first_whatever_the_order():
    """Every order has the direct sound as its first way, and more ways with each order: 1, 7, 25, 63."""
    room = Room((6.0, 5.0, 3.0))
    scene = Scene(room=room, sources=(Source("s", (2.0, 2.0, 1.0)),), mics=(Mic("m", (4.0, 3.0, 1.5)),))
    found = [ways(scene, speed_of_sound_m_s=SPEED, order=order) for order in range(4)]
    assert [one.arrival_s.shape[2] for one in found] == [1, 7, 25, 63]
    for one in found:
        assert one.arrival_s[0, 0, 0] == one.arrival_s[0, 0].min()
        assert one.arrival_s[0, 0, 0] == found[0].arrival_s[0, 0, 0]


def test_a_table_top_reflects_into_the_mic_above_it_only():
    """Equal heights h over a table, d apart: one way more, sqrt(d^2 + 4 h^2) long, where the mic is above it."""
    panel = Panel("table", (2.0, 2.0, 0.7), (0.0, 0.0, 1.0), (1.5, 1.5), absorption=0.19)
    source = Source("s", (1.6, 2.0, 1.0))
    scene = Scene(
        sources=(source,), mics=(Mic("over", (2.4, 2.0, 1.0)), Mic("beside", (6.0, 2.0, 1.0))), panels=(panel,)
    )
    found = ways(scene, speed_of_sound_m_s=SPEED, order=1)
    assert found.arrival_s[0, 0, 1] * SPEED == pytest.approx(1.0)  # sqrt(0.8^2 + 0.6^2)
    assert found.amplitude[0, 0, 1] == pytest.approx(0.9)
    assert found.amplitude[0, 1, 1] == 0.0
