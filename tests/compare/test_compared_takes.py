"""A whole take compared with its scene: grooves, takes rendered in rooms, and kits with planted faults."""

from __future__ import annotations

import numpy as np
import pytest
from planted_kits import KINDS, kinds, planted

from micalign.compare.comparison import Comparison
from micalign.compare.groups import groups_by_source
from micalign.compare.run import compare
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track

SPEED_20C = 343.98  # Cramer 1993 at 20 C, 50 %


def test_in_a_groove_each_source_is_heard_on_its_own_strokes():
    """Two sources struck apart, each with a mic of its own and one between them: two groups, delays by the ways."""
    rng = np.random.default_rng(5)
    rate, late = 48000, {"drum": 96, "bell": 240}
    sounds = {name: np.zeros(10 * rate) + 1e-5 * rng.normal(size=10 * rate) for name in ("drum", "bell", "over")}
    for number in range(24):
        source = ("drum", "bell")[number % 2]
        start = round((0.3 + 0.37 * number) * rate)
        hit = rng.normal(size=4000) * np.exp(-np.arange(4000) / 600)
        sounds[source][start : start + 4000] += hit
        sounds["over"][start + late[source] : start + late[source] + 4000] += 0.3 * hit
    scene = Scene(
        sources=(Source("snare", (1.0, 1.0, 0.7)), Source("hat", (2.0, 1.0, 0.9))),
        mics=(
            Mic("drum", (1.0, 1.1, 0.8), on=("snare",)),
            Mic("bell", (2.0, 1.1, 1.0), on=("hat",)),
            Mic("over", (1.5, 1.0, 1.8), on=("snare", "hat")),
        ),
    )
    take = Take(tuple(Track.from_array(name, sound, rate) for name, sound in sounds.items()))
    found = groups_by_source(scene, take)
    assert [one.reference for one in found] == [0, 1]
    for one, source in zip(found, ("drum", "bell"), strict=True):
        assert one.heard[2].reliable
        assert abs(one.heard[2].delay_s - late[source] / rate) < 1e-4  # half a tenth of a kit's own windows
        assert not one.heard[1 - one.reference].reliable


def verdict(found: Comparison) -> list[tuple[str, frozenset[str]]]:
    flips = [("flipped", frozenset(found.flips.tracks))] if found.flips.tracks else []
    return kinds(found) + flips


def expected(kind: str, names: frozenset[str]) -> list[tuple[str, frozenset[str]]]:
    return [] if kind == "none" else [(kind, names)]


@pytest.mark.parametrize(("kind", "seed"), [("none", 7000), ("swapped", 7001)])
def test_a_take_in_a_room_is_heard_rightly(kind: str, seed: int):
    """Six sources, eight mics or so, walls that answer, 30 dB over the noise: the planted mistake and no other."""
    made = planted(kind, np.random.default_rng(seed))
    found = compare(made.scene, made.take(seed, seconds=10.0))
    assert verdict(found) == expected(kind, made.names)
    assert found.explained


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_two_hundred_kits_meet_the_bar():
    """The right explanation in 95 % of 200 kits with one planted mistake each, and at most 2 % false alarms."""
    right: dict[str, list[bool]] = {kind: [] for kind in KINDS}
    for seed in range(200):
        made = planted(KINDS[seed % len(KINDS)], np.random.default_rng(7000 + seed))
        found = compare(made.scene, made.take(seed))
        right[made.kind].append(found.explained and verdict(found) == expected(made.kind, made.names))
    counts = {kind: f"{sum(one)} of {len(one)}" for kind, one in right.items()}
    total = sum(map(sum, right.values()))
    print(f"\ncompare: {total} of 200 right: {counts}")
    assert total >= 190
    assert right["none"].count(False) <= 0.02 * len(right["none"])
