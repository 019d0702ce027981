"""What `check` warns of and a free mic could mend is not left by `place`, and never called good."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from random_scenes import KINDS, random_scene

from micalign.acoustics.prediction import predict
from micalign.findings.finding import Finding
from micalign.findings.placing import place
from micalign.findings.rules import every_finding, found
from micalign.report.place_words import summary
from micalign.scene.model import Absorption, Box, Mic, Pair, Room, Source, Tape
from micalign.scene.scene import Change, Scene

FAILED = {"problem", "warning"}


def _freed(scene: Scene, rng: np.random.Generator) -> Scene:
    """The same with a reach for most mics, and some aims anywhere in the room."""
    size = np.array(scene.room.size) - 0.05 if scene.room else np.full(3, 9.0)
    mics = []
    for mic in scene.mics:
        if not mic.may_move and rng.random() < 0.6:
            mic = replace(mic, reach_m=float(rng.choice([0.2, 0.4, 0.7])))  # noqa: PLW2901
        if mic.pattern != "omni" and rng.random() < 0.4:
            point = np.clip(np.array(mic.position) + 0.6 * rng.normal(size=3), 0.05, size).round(3)
            mic = replace(mic, aim=tuple(point.tolist()))  # noqa: PLW2901
        mics.append(mic)
    return replace(scene, mics=tuple(mics))


def _late(rng: np.random.Generator) -> Scene:
    """A hall: a mic far off, nearly as loud in the blend as the one that is near."""
    near = Mic("near", (3.3, 1.5 + 2 * rng.random(), 1.2), aim="drum", pattern="cardioid", on=("drum",), gain_db=-14.0)
    far = Mic("far", (3.0, 12.3 + 0.8 * rng.random(), 1.8), on=("drum",), reach_m=float(rng.choice([0.5, 1.0, 2.0])))
    room = Room((7.0, 15.0, 4.0), Absorption(*[0.3] * 6))
    return Scene(room=room, sources=(Source("drum", (3.0, 1.5, 0.8), range_hz=(60, 9000)),), mics=(near, far))


def _scene(kind: str, seed: int) -> Scene:
    rng = np.random.default_rng([seed, 22])
    return _late(rng) if kind == "late" else _freed(random_scene(kind, seed), rng)


def _failed(scene: Scene) -> list[Finding]:
    return [one for one in found(scene, predict(scene)) if one.severity in FAILED]


def _mendable(scene: Scene) -> list[Finding]:
    """What `check` warns of and says to mend by moving mics that may move, and nothing else."""
    free = {mic.name for mic in scene.mics if mic.may_move}
    return [
        one
        for one in every_finding(scene, predict(scene))
        if one.severity in FAILED and one.changes and all(c.key == "at" and c.name in free for c in one.changes)
    ]


def _left(seeds: range) -> tuple[Counter[str], list[str], list[Scene]]:
    """Counts, what is left in scenes that `place` leaves as they are, and the scenes that it has mended."""
    counts: Counter[str] = Counter()
    nothing: list[str] = []
    mended: list[Scene] = []
    for kind in (*KINDS, "late"):
        for seed in seeds:
            scene = _scene(kind, seed)
            placed = place(scene)
            counts["scenes"] += 1
            counts["warnings before"] += len(_failed(scene))
            counts["warnings after"] += len(_failed(placed.scene))
            if placed.moved:
                mended.append(placed.scene)
            else:
                nothing += [f"{kind} {seed}: {one.message} {one.advice}" for one in _mendable(scene)]
    return counts, nothing, mended


def test_nothing_to_improve_is_said_of_nothing_that_a_free_mic_could_mend() -> None:
    """One scene of each kind here, twenty where it is slow."""
    counts, nothing, _ = _left(range(1))
    assert nothing == []
    assert counts["warnings after"] < counts["warnings before"]


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_nothing_to_improve_of_many_scenes() -> None:
    """Sixty scenes of six kinds."""
    counts, nothing, mended = _left(range(100, 110))
    left = sum(len(_mendable(scene)) for scene in mended)
    print({**counts, "moved": len(mended), "left after a move": left})
    assert nothing == []
    assert left <= 0.02 * counts["warnings before"]


def test_a_mic_that_looks_past_its_source_is_moved_before_it() -> None:
    """A cardioid aimed at a point that looks 101 degrees past the voice: 6 dB and more off its axis, until it moves."""
    voice = Source("voice", (2.0, 2.0, 1.6))
    mic = Mic("m", (2.0, 2.4, 1.6), aim=(1.0, 2.6, 1.6), pattern="cardioid", on=("voice",), reach_m=0.6)
    scene = Scene(sources=(voice,), mics=(mic,))
    assert {one.rule for one in _failed(scene)} == {"off-axis"}
    placed = place(scene)
    assert placed.moved
    assert not _failed(placed.scene)


def test_a_pair_in_opposite_polarity_is_moved_into_one() -> None:
    """Two figure-8 mics, the voice behind the one and before the other; either may move round it."""
    voice = Source("voice", (2.0, 2.0, 1.6))
    aim = (2.0, 1.0, 1.6)
    mics = (
        Mic("a", (1.6, 2.4, 1.6), aim=aim, pattern="figure-8", on=("voice",)),
        Mic("b", (2.4, 1.8, 1.6), aim=aim, pattern="figure-8", on=("voice",), reach_m=0.6),
    )
    scene = Scene(sources=(voice,), mics=mics, pairs=(Pair("two", ("a", "b")),))
    assert "pair-polarity" in {one.rule for one in _failed(scene)}
    assert "pair-polarity" not in {one.rule for one in _failed(place(scene).scene)}


def test_a_note_that_a_free_mic_could_mend_is_named() -> None:
    """`check` tells a move in a note where `place` finds none worth a stand: place says so, and does not deny it."""
    voice = Source("voice", (2.0, 2.0, 1.6))
    scene = Scene(sources=(voice,), mics=(Mic("m", (2.0, 2.4, 1.6), on=("voice",), reach_m=0.5),))
    change = Change("mic", "m", "at", (2.0, 2.3, 1.6), "m")
    note = Finding("bleed", "note", ("m",), "Heard.", "Move it.", changes=(change,))
    [without], [told] = summary(place(scene), scene), summary(place(scene), scene, [note])
    assert told.startswith(without)
    assert "A note names a move in 'micalign check'" in told


def test_a_moved_mics_tapes_are_charged_at_their_new_lengths() -> None:
    """As in the scene written: a string that was right before the move is no warning after it."""
    snare, kick = Source("snare", (2.0, 2.0, 0.7)), Source("kick", (1.9, 1.4, 0.3))
    free = Mic("left", (1.6, 2.0, 1.7), on=("snare",), move=Box((1.0, 2.0), (1.5, 2.5), (1.5, 2.1)))
    scene = Scene(
        sources=(snare, kick),
        mics=(free, Mic("right", (2.6, 2.1, 1.9), on=("snare",))),
        pairs=(Pair("overheads", ("left", "right"), equal_to=("snare", "kick")),),
    )
    taped = replace(
        scene, tapes=tuple(Tape(("left", one.name), scene.metres_between("left", one.name)) for one in (snare, kick))
    )
    placed = place(taped)
    assert [move.mic for move in placed.moved] == ["left"]
    assert [one.rule for one in _failed(placed.scene) if "tape" in one.rule] == []
    assert {frozenset(one.between): one.distance_m for one in placed.scene.tapes} == placed.tapes_m


def test_what_is_charged_is_told() -> None:
    """Ten for a warning, in the cost and by itself; never more after than before."""
    for kind in KINDS:
        scene = _scene(kind, 7)
        placed = place(scene)
        assert placed.terms_before["rules"] == 10.0 * sum(one.severity == "warning" for one in _failed(scene)) + (
            100.0 * sum(one.severity == "problem" for one in _failed(scene))
        )
        assert placed.after <= placed.before
