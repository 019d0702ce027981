"""Hits that a rough plan swaps, a hit that one mic hears late, points that stand elsewhere: right, or told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hit_stages import exact_hits

from micalign.compare import location
from micalign.compare.groups import Group
from micalign.compare.labelling import labellings, merged, one_step_off
from micalign.compare.location import Location, located
from micalign.scene.model import Mic, Room, Source
from micalign.scene.scene import Scene

_POINTS = {
    "kick": (1.95, 1.30, 0.30),
    "snare": (2.15, 1.85, 0.66),
    "rack tom": (1.88, 1.60, 0.84),
    "floor tom": (1.45, 1.90, 0.58),
    "hi-hat": (2.52, 1.78, 0.92),
    "crash": (2.45, 1.40, 1.25),
    "mark A": (0.60, 0.60, 0.0),
    "mark B": (3.50, 3.00, 1.0),
    "mark C": (0.60, 2.90, 1.7),
}
_MICS = np.array([(1.73, 2.14, 1.87), (2.62, 1.81, 1.88), (3.80, 0.40, 1.20), (2.19, 1.79, 0.71)])
_PLAN = ((1.91, 2.16, 1.72), (2.44, 1.72, 1.92), (3.60, 0.36, 1.17), (2.30, 1.83, 0.78))  # 14 to 24 cm off
_SCENE = Scene(
    room=Room((4.10, 3.40, 2.38)),
    sources=tuple(Source(name, at) for name, at in _POINTS.items()),
    mics=tuple(Mic(f"mic {index}", at, plus_minus_m=0.3) for index, at in enumerate(_PLAN)),
)
_HEARD_S = 10e-6


def _hits(mics: np.ndarray = _MICS) -> list[Group]:
    return exact_hits(np.array(list(_POINTS.values())), mics, sigma_s=_HEARD_S)


def _late(group: Group, mic: int, by_s: float) -> Group:
    heard = list(group.heard)
    heard[mic] = replace(heard[mic], delay_s=heard[mic].delay_s + by_s)
    return replace(group, heard=tuple(heard))


def _worst_m(found: Location) -> float:
    return max(float(np.linalg.norm(np.array(mic.at_m) - true)) for mic, true in zip(found.mics, _MICS, strict=True))


def test_two_hits_that_a_rough_plan_swaps_are_told_apart() -> None:
    """Of the crash's turn one hit was heard: the plan has it for the mark's, whose arrivals are alike from it."""
    groups = _hits()
    groups[5] = replace(groups[5], moments_s=(5.0, 20.0))
    groups[3] = replace(groups[3], moments_s=(3.0, 3.4, 19.0, 21.0))
    found = located(_SCENE, _SCENE.mics, groups, starts=8)
    assert [one.source for one in found.hits] == list(_POINTS)
    assert found.is_reliable
    assert _worst_m(found) < 0.01


def test_the_order_and_the_plan_together_pass_over_what_is_no_turn() -> None:
    """A sound of no source between two turns, a turn of which one hit was heard: no order, no plan alone."""
    groups = _hits()
    groups[5] = replace(groups[5], moments_s=(5.0, 20.0))
    groups[3] = replace(groups[3], moments_s=(3.0, 3.4, 19.0, 21.0))
    between = replace(_late(groups[0], 1, 9e-3), moments_s=(2.7, 19.5))
    found = labellings(_SCENE, _SCENE.mics, [between, *groups])
    assert [*zip(_POINTS, groups, strict=True)] in found


def test_steps_lead_out_of_a_wrong_labelling(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing but the swapped labelling is proposed, the steps from it find the right one."""
    groups = _hits()
    swapped = dict(zip(_POINTS, groups, strict=True))
    swapped["crash"], swapped["mark B"] = swapped["mark B"], swapped["crash"]
    monkeypatch.setattr(location, "labellings", lambda *_: [list(swapped.items())])
    found = located(_SCENE, _SCENE.mics, groups, starts=8)
    assert found.is_reliable
    assert _worst_m(found) < 0.01


def test_an_arrival_that_bends_the_places_is_left_out() -> None:
    """A reflection, 0.36 ms late, taken for the direct sound: what hardly anything checks leaves little over itself."""
    groups = _hits()
    groups[7] = _late(groups[7], 2, 0.36e-3)
    found = located(_SCENE, _SCENE.mics, [*groups[:5], *groups[6:]], starts=8)
    assert {one.source: one.strays for one in found.hits}["mark B"] == 1
    assert found.is_reliable
    assert _worst_m(found) < 0.01


def test_what_is_left_over_takes_the_verdict_away() -> None:
    """Points measured 4 cm off that are said to be known to one: the places are off, and none is called reliable."""
    rng = np.random.default_rng(4)
    told = 0
    for _ in range(2):
        off = rng.normal(0.0, 0.04, (len(_POINTS), 3))
        sources = tuple(
            replace(source, at=tuple(np.clip(np.array(source.position) + by, 0.0, (4.1, 3.4, 2.38)).tolist()))
            for source, by in zip(_SCENE.sources, off, strict=True)
        )
        found = located(replace(_SCENE, sources=sources), _SCENE.mics, _hits(), starts=4)
        reasons = [str(mic.reason) for mic in found.mics]
        told += all("what is left over is" in one for one in reasons)
        assert not any(mic.reliable for mic in found.mics)
        assert any(f"'{name}'" in reasons[0] for name in _POINTS) or "left out" in reasons[0]
    assert told


def test_uncertainty_grows_with_what_is_left_over() -> None:
    """The same mics by points that are off: what is left over is in the stated uncertainty."""
    exact = located(_SCENE, _SCENE.mics, _hits(), starts=4)
    off = np.random.default_rng(5).normal(0.0, 0.03, (len(_POINTS), 3))
    sources = tuple(
        replace(source, at=tuple(np.clip(np.array(source.position) + by, 0.0, (4.1, 3.4, 2.38)).tolist()))
        for source, by in zip(_SCENE.sources, off, strict=True)
    )
    bent = located(replace(_SCENE, sources=sources), _SCENE.mics, _hits(), starts=4)
    assert all(two.uncertainty_m > 1.5 * one.uncertainty_m for one, two in zip(exact.mics, bent.mics, strict=True))


def test_a_mic_beyond_the_wall_by_less_than_it_may_be_off_is_at_the_wall() -> None:
    """A mic on the floor: noise puts it under the floor in one of two takes, and no place is told there."""
    mics = _MICS.copy()
    mics[2, 2] = 0.005
    rng = np.random.default_rng(6)
    under = 0
    for _ in range(4):
        groups = [_late(group, 2, float(rng.normal(0.0, 30e-6))) for group in _hits(mics)]
        planned = (*_SCENE.mics[:2], replace(_SCENE.mics[2], at=tuple(mics[2])), _SCENE.mics[3])
        found = located(replace(_SCENE, mics=planned), planned, groups, starts=4)
        assert found.mics[2].at_m[2] >= 0.0
        under += found.mics[2].at_m[2] == 0.0
    assert under


def test_hits_of_one_place_are_one_group() -> None:
    """Three tracks that tell two groups alike: one place; two tracks do from everywhere on a hyperboloid."""
    first, second = _hits()[:2]
    again = replace(first, moments_s=(9.0,))
    one, other = merged([again, second, first])
    assert {one.moments_s, other.moments_s} == {(0.0, 0.4, 9.0), second.moments_s}
    short = [replace(group, heard=group.heard[:2]) for group in (first, again)]
    assert len(merged(short)) == 2


def test_every_step_is_one_change() -> None:
    """Swaps, other groups and none: no group is given twice."""
    groups = _hits()
    used = list(zip(_POINTS, groups[:8], strict=False))
    steps = list(one_step_off(_SCENE, groups, used))
    assert len(steps) == 28 + 8 + 9 + 8
    for step in steps:
        given = [groups.index(group) for _, group in step]
        assert len(set(given)) == len(given)
    assert [*zip(_POINTS, groups, strict=True)] in steps
