"""A first scene's places are guesses: a kit that stands otherwise is no fault, a cable in the wrong input is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench.delay.realkit_compare import PLACES

from micalign.compare.comparison import Comparison
from micalign.compare.groups import LedGroup
from micalign.compare.priors import beliefs_of
from micalign.compare.run import compared
from micalign.report.firstscene import FirstRequest, first_text
from micalign.scene.model import Room
from micalign.scene.scene import Scene
from micalign.tdoa.delays import Delay

REAL = {
    "kick": "kick R",
    "snare": "snare",
    "floor tom": "tom 3",
    "rack tom": "tom 2",
    # Left is that of who looks at the kit from before it.
    "overhead left": "OHR",
    "overhead right": "OHL",
    "kick mic": "KdrumR",
    "snare mic": "Snare_top",
    "floor tom mic": "Tom3",
    "rack tom mic": "Tom2",
}


@pytest.fixture(scope="module")
def guessed() -> Scene:
    return first_text(FirstRequest("kit", 6, Room((6.0, 5.0, 2.6))))[1]


def heard(scene: Scene, holds: dict[str, str] | None = None) -> Comparison:
    """The take of a kit that stands as the real one, each drum heard by its own mic and the overheads."""
    real = replace(
        scene,
        sources=tuple(replace(one, at=PLACES[REAL[one.name]]) for one in scene.sources),
        mics=tuple(replace(one, at=PLACES[REAL[one.name]]) for one in scene.mics),
    )
    tracks = scene.track_names
    beliefs = beliefs_of(real, tracks)
    arrival, _ = beliefs.linearised(beliefs.mean)
    holds = holds or {}
    groups = []
    for row, source in enumerate(real.sources):
        clear = {f"{source.name} mic", "overhead left", "overhead right"}
        own = tracks.index(f"{source.name} mic")
        at = [tracks.index(holds.get(name, name)) for name in tracks]
        delays = [
            Delay(float(arrival[row, ear] - arrival[row, own]), 3e-5, 1, 0.9, 1.0, tracks[ear] in clear, None)
            for ear in at
        ]
        groups.append(LedGroup(at.index(own), (0.0, 0.5, 1.0), tuple(delays)))
    return compared(scene, tracks, tuple(groups))


def rules(found: Comparison) -> list[str]:
    return [one.rule for one in found.findings if one.severity != "note"]


def test_a_kit_that_stands_otherwise_than_guessed_has_no_fault(guessed):
    """Its drums stand 15 cm from the usual places along each axis, its overheads 40 cm; had all been measured to 1 cm,
    something would be wrong.
    """
    assert rules(heard(guessed)) == []
    sure = replace(
        guessed,
        sources=tuple(replace(one, plus_minus_m=0.01) for one in guessed.sources),
        mics=tuple(replace(one, plus_minus_m=0.01) for one in guessed.mics),
    )
    assert rules(heard(sure)) != []


def test_what_no_guess_can_be_off_by_is_still_told(guessed):
    """The overheads and a drum's mic on each other's inputs."""
    found = heard(guessed, {"overhead left": "kick mic", "kick mic": "overhead left"})
    assert [(one.kind, set(one.names)) for one in found.explanations] == [("swapped", {"overhead left", "kick mic"})]
