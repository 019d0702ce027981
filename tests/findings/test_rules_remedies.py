"""A remedy is tried before it is told: applied, it clears its finding and brings nothing as bad."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from random_scenes import KINDS, random_scene
from remedy_study import RANK, study

from micalign.acoustics.prediction import predict
from micalign.errors import SceneError
from micalign.findings.finding import Finding, Remedy
from micalign.findings.rules import every_finding, findings, found, most_trials, tried
from micalign.scene.model import Box, Keepout, Mic, Pair, Room, Source, Tape
from micalign.scene.scene import Change, Scene, changed


def test_every_remedy_of_random_scenes_clears_and_brings_nothing_as_bad() -> None:
    """One scene of each kind (the bench takes forty): all clear, none brings a finding of equal or worse rank."""
    tally = study(range(100, 101))
    assert sum(tally.told.values()) > 15
    assert tally.cleared == tally.told, tally.broken
    assert not sum(tally.worse.values())


def _overheads(**more: object) -> Scene:
    """A pair made equal to two drums, with what is asked of its mics."""
    snare, kick = np.array((2.0, 2.0, 0.7)), np.array((1.8, 1.4, 0.35))
    left = np.array((1.5, 2.1, 1.7))
    # Mirrored at the plane that holds both drums and the vertical: as far from both.
    across = np.cross(kick - snare, (0, 0, 1.0))
    across /= np.linalg.norm(across)
    right = left - 2 * ((left - snare) @ across) * across
    mics = tuple(
        Mic(name, tuple(at.tolist()), on=("snare", "kick"), aim="snare", pattern="cardioid", **more)  # type: ignore[arg-type]
        for name, at in (("left", left), ("right", right))
    )
    sources = (Source("snare", tuple(snare.tolist())), Source("kick", tuple(kick.tolist())))
    return Scene(sources=sources, mics=mics, pairs=(Pair("overheads", ("left", "right"), ("snare", "kick")),))


def test_no_remedy_moves_a_pair_apart_that_is_equal() -> None:
    """In 30 rooms of low ceilings: whatever is told, the pair stays within its tolerance."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        size = tuple(rng.uniform((3.4, 3.4, 2.0), (4.5, 4.5, 2.4)).tolist())
        scene = replace(_overheads(), room=Room(size))  # type: ignore[arg-type]
        assert not [one for one in found(scene, predict(scene)) if one.rule == "pair-equal"]
        for finding in every_finding(scene, predict(scene)):
            after = changed(scene, finding.changes)
            assert not [one for one in found(after, predict(after)) if one.rule == "pair-equal"], finding.advice


def test_an_overhead_in_the_players_head_does_not_make_the_other_one_move_alone() -> None:
    """The one that stands in the way moves, and the pair is equal after it."""
    scene = _overheads()
    left = scene.mic("left").position
    blocked = replace(scene, keepouts=(Keepout("head", left, radius_m=0.15),))
    finding = findings(blocked, predict(blocked))[0]
    assert finding.rule == "keepout"
    assert "left" in {change.name for change in finding.changes}
    after = changed(blocked, finding.changes)
    assert not [one for one in found(after, predict(after)) if one.rule in {"keepout", "pair-equal"}]


@pytest.mark.parametrize("limit", [{"reach_m": 0.1}, {"move": Box((1.4, 1.6), (2.0, 2.2), (1.65, 1.75))}])
def test_no_remedy_breaks_move_or_reach(limit: dict[str, object]) -> None:
    """What a change puts elsewhere lies in the mic's own box or reach."""
    scene = replace(_overheads(), room=Room((4.0, 4.0, 2.2)))
    left = replace(scene.mic("left"), at=(1.52, 2.13, 1.72), **limit)  # type: ignore[arg-type]
    scene = replace(scene, mics=(left, scene.mics[1]))
    for finding in every_finding(scene, predict(scene)):
        at = changed(scene, finding.changes).mic("left").position
        if "reach_m" in limit:
            assert np.linalg.norm(np.subtract(at, left.position)) <= 0.1 + 1e-6
        else:
            assert all(
                low - 1e-6 <= value <= high + 1e-6
                for value, low, high in zip(at, (1.4, 2.0, 1.65), (1.6, 2.2, 1.75), strict=True)
            )


def _rule(scene: Scene, brings: str | None) -> tuple[Finding, ...]:
    """A rule of two mics on one side: 'm' must stand right of 1 m; where it does, another finding may come."""
    x = scene.mic("m").position[0]
    if x <= 1.0:
        return (Finding("left", "warning", ("m",), "Left.", "Stay.", propose=_two_moves),)
    return (Finding("right", brings, ("m",), "Right.", "Stay."),) if brings and x < 2.0 else ()  # type: ignore[arg-type]


def _two_moves() -> tuple[Remedy, ...]:
    return tuple(
        Remedy(f"Move to {x}.", (Change("mic", "m", "at", (x, 1.0, 1.0), "m"),), effort)
        for x, effort in ((2.5, 2.0), (1.5, 1.0))
    )


@pytest.mark.parametrize(("brings", "advice"), [(None, "1.5"), ("note", "1.5"), ("warning", "2.5"), ("problem", "2.5")])
def test_the_shortest_that_holds_is_told(brings: str | None, advice: str) -> None:
    """The shorter move where it brings nothing as bad, the longer one where it does."""
    scene = Scene(sources=(Source("s", (5.0, 5.0, 1.0)),), mics=(Mic("m", (0.5, 1.0, 1.0)),))
    [told] = tried(scene, _rule(scene, brings), lambda one, _: _rule(one, brings))
    assert told.advice == f"Move to {advice}."


def test_where_nothing_holds_it_is_said() -> None:
    """A wall where the moves would lead: no change is handed out, and the other advice stands."""
    scene = Scene(
        room=Room((1.2, 6.0, 3.0)), sources=(Source("s", (1.0, 5.0, 1.0)),), mics=(Mic("m", (0.5, 1.0, 1.0)),)
    )
    [told] = tried(scene, _rule(scene, None), lambda one, _: _rule(one, None))
    assert told.advice == "No single change mends it (2 tried). Stay."
    assert told.changes == ()


def test_a_large_scene_says_what_was_not_tried() -> None:
    """140 mics and 10 sources: a handful of trials, and the rest says so."""
    sources = tuple(Source(f"s{n}", (1.0 + n, 1.0, 1.0), range_hz=(50, 9000)) for n in range(10))
    mics = tuple(Mic(f"m{n}", (1.0 + n / 20, 3.0, 1.0), on=(f"s{n % 10}",)) for n in range(140))
    scene = Scene(room=Room((14.0, 8.0, 3.0)), sources=sources, mics=mics)
    assert 0 < most_trials(scene) < 10
    advice = [one.advice for one in every_finding(scene, predict(scene))]
    assert any(words.endswith("(No remedy was tried: the scene is large.)") for words in advice)


def test_two_tapes_settle_an_unsure_pair() -> None:
    """The tapes that the advice asks for, given as it says, clear the finding; without them it stays."""
    scene = _overheads(plus_minus_m=0.02)
    unsure = [one for one in findings(scene, predict(scene)) if one.rule == "unsure"]
    assert "with a tape to 9 mm" in unsure[0].advice
    assert unsure[0].changes == ()  # what is not measured yet cannot be written
    at = {thing.name: np.array(thing.position) for thing in scene.placed()}
    tapes = tuple(
        Tape((source, mic), float(np.linalg.norm(at[source] - at[mic])), 0.008)
        for source in ("snare", "kick")
        for mic in ("left", "right")
    )
    taped = replace(scene, tapes=tapes)
    assert not [one for one in findings(taped, predict(taped)) if one.rule == "unsure"]


def test_tapes_tell_how_far_apart_a_pair_hears() -> None:
    """Tapes 3 cm different to two mics whose positions say equal: 30 mm / c, and the pair fails."""
    scene = _overheads()
    at = {thing.name: np.array(thing.position) for thing in scene.placed()}
    tapes = tuple(
        Tape(("snare", mic), float(np.linalg.norm(at["snare"] - at[mic])) + more, 0.002)
        for mic, more in (("left", 0.0), ("right", 0.03))
    )
    prediction = predict(replace(scene, tapes=tapes))
    row = next(row for row in prediction.pairs if row.source == "snare")
    assert row.difference_s == pytest.approx(0.03 / prediction.speed_of_sound_m_s, abs=1e-7)
    assert row.uncertainty_s == pytest.approx(np.hypot(0.002, 0.002) / prediction.speed_of_sound_m_s, rel=0.01)
    assert not row.within_tolerance


def test_a_mic_on_the_floor_clears() -> None:
    """Its first notch lies beyond what matters of the source: the floor is not told again."""
    room = Room((6.0, 6.0, 3.0))
    scene = Scene(
        room=room,
        sources=(Source("cello", (2.0, 3.0, 0.5), range_hz=(60, 8000)),),
        mics=(Mic("far", (4.5, 3.0, 0.005), on=("cello",)),),
    )
    assert not [one for one in found(scene, predict(scene)) if "floor" in one.where]


def test_changes_move_tapes_along() -> None:
    """A mic that moves: the tape that ends at it takes its new length, the scene before stays as it was."""
    scene = Scene(
        sources=(Source("s", (0.0, 0.0, 0.0)),),
        mics=(Mic("m", (1.0, 0.0, 0.0)),),
        tapes=(Tape(("s", "m"), 1.0, 0.003),),
    )
    after = changed(scene, [Change("mic", "m", "at", (0.0, 2.0, 0.0), "m")])
    assert after.tapes == (Tape(("s", "m"), 2.0, 0.003),)
    assert scene.tapes[0].distance_m == 1.0


def test_all_kinds_are_in_the_study() -> None:
    """Five kinds, each a scene of its own for each seed."""
    assert len(KINDS) == 5
    assert random_scene("kit", 1) == random_scene("kit", 1) != random_scene("kit", 2)
    assert set(RANK) == {"problem", "warning", "note"}


def test_a_fault_in_what_is_changed_is_told() -> None:
    """A change of a mic that is not there, or of a key that no remedy sets, is refused."""
    scene = Scene(sources=(Source("s", (0.0, 0.0, 0.0)),))
    with pytest.raises(SceneError, match="no mic is called 'm'"):
        changed(scene, [Change("mic", "m", "polarity", -1)])
    with pytest.raises(SceneError, match="'colour' of a mic"):
        Change("mic", "m", "colour", "red")
