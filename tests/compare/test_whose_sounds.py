"""Whose sounds are they? Delays that fit another source's place prove nothing."""

from __future__ import annotations

import pytest

from micalign.compare.comparison import Comparison
from micalign.compare.groups import Group, LedGroup
from micalign.compare.priors import beliefs_of
from micalign.compare.run import compared
from micalign.report.compare_words import summary
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene
from micalign.tdoa.delays import Delay

SCENE = Scene(
    sources=(Source("kick", (1.0, 1.0, 0.3)), Source("tom", (1.6, 1.4, 0.9)), Source("hat", (2.0, 0.8, 1.0))),
    mics=(
        Mic("kick mic", (1.0, 0.9, 0.3), on=("kick",)),
        Mic("tom mic", (1.6, 1.3, 1.0), on=("tom",)),
        Mic("left", (0.9, 1.5, 2.0), on=("kick", "tom", "hat")),
        Mic("right", (2.1, 0.9, 2.1), on=("kick", "tom", "hat")),
        Mic("room", (3.5, 3.0, 1.2), on=("kick", "tom", "hat")),
    ),
)
TRACKS = tuple(mic.name for mic in SCENE.mics)
UNHEARD = Delay(0.0, 0.05, 1, 0.0, 0.0, False, "too soft")


def sounds(kind: type[Group], first: str, source: str, *, late_s: float = 0.0) -> Group:
    """Sounds that one mic hears first, with the delays that the scene gives of a source in the far mics."""
    beliefs = beliefs_of(SCENE, TRACKS)
    arrival, _ = beliefs.linearised(beliefs.mean)
    own = arrival[[one.name for one in SCENE.sources].index(source)]
    at = TRACKS.index(first)
    heard = [Delay(float(one - own[at]) - late_s, 5e-6, 1, 0.9, 1.0, True, None) for one in own]
    heard[:2] = [UNHEARD, UNHEARD]
    heard[at] = Delay(0.0, 0.0, 1, 1.0, 1.0, True, None)
    return kind(at, (0.0, 0.5, 1.0), tuple(heard))


def rows(found: Comparison) -> set[tuple[str, str]]:
    """Source and reference of what was measured."""
    return {(row.source, row.reference) for row in found.rows if row.measured_s is not None}


def rules(found: Comparison) -> set[str]:
    return {one.rule for one in found.findings}


def test_sounds_at_which_a_drums_own_mic_leads_are_that_drums_whatever_their_delays_fit():
    """Where places are guessed, a tom's delays may fit the kick's place to the microsecond."""
    kick = sounds(LedGroup, "kick mic", "kick")
    found = compared(SCENE, TRACKS, (kick, sounds(LedGroup, "tom mic", "kick")))
    assert found.heard_as == ("kick", "tom")
    assert rows(found) == {("kick", "kick mic"), ("tom", "tom mic")}
    assert not found.is_fine
    assert found.unheard == ("hat",)
    assert compared(SCENE, TRACKS, (kick, sounds(LedGroup, "tom mic", "tom"))).is_fine


@pytest.mark.parametrize("source", ["kick", "hat"])
def test_sounds_that_another_drums_mic_hears_first_prove_nothing_of_the_source_that_they_fit(source):
    """The kick has a mic that should hear them sooner; of the hat, which has none, it is the tom's mic, and no tom."""
    found = compared(SCENE, TRACKS, (sounds(Group, "kick mic", "kick"), sounds(Group, "tom mic", source)))
    assert found.heard_as == ("kick", "")
    assert rows(found) == {("kick", "kick mic")}
    assert "not-ascribed" in rules(found)
    said = next(one.message for one in found.findings if one.rule == "not-ascribed")
    assert said.startswith(f"Sounds that 'tom mic' hears first, which is there for another source, fit '{source}' best")
    assert (found.strays, found.sightings) == (3, 6)


def test_a_source_without_a_mic_of_its_own_is_heard_first_by_its_neighbours():
    """Beside the tom's own sounds there is nothing strange in that."""
    every = [sounds(Group, "kick mic", "kick"), sounds(Group, "tom mic", "tom"), sounds(Group, "tom mic", "hat")]
    found = compared(SCENE, TRACKS, tuple(every))
    assert found.heard_as == ("kick", "tom", "hat")
    assert found.is_fine
    assert "not-ascribed" not in rules(found)


def test_inputs_that_are_swapped_are_told_though_the_sounds_are_those_of_whichever_mic_leads():
    """The kick's sounds lie on the tom mic's track and the other way round."""
    swapped = [sounds(LedGroup, "kick mic", "kick"), sounds(LedGroup, "tom mic", "tom")]
    swapped = [
        LedGroup(1 - one.reference, one.moments_s, (*reversed(one.heard[:2]), *one.heard[2:])) for one in swapped
    ]
    found = compared(SCENE, TRACKS, tuple(swapped))
    assert [one.names for one in found.explanations] == [("kick mic", "tom mic")]
    assert found.heard_as == ("kick", "tom")


def test_two_delays_that_are_little_off_send_nobody_to_a_drum():
    """By 0.4 ms, four of their sigmas: that the drum stands elsewhere would be likelier, but not by a factor of 20."""
    kick, tom = sounds(LedGroup, "kick mic", "kick"), sounds(LedGroup, "tom mic", "tom")
    heard = list(tom.heard)
    for far in (3, 4):
        heard[far] = Delay(heard[far].delay_s - 4e-4, 1e-4, 1, 0.9, 1.0, True, None)
    found = compared(SCENE, TRACKS, (kick, LedGroup(1, tom.moments_s, tuple(heard))))
    assert found.explanations == ()
    assert found.is_fine


def test_where_nothing_is_heard_that_alone_is_said():
    silent = Group(0, (0.0, 0.5), (Delay(0.0, 0.0, 1, 1.0, 1.0, True, None), *[UNHEARD] * 4))
    found = compared(SCENE, TRACKS, (silent,))
    assert [one.rule for one in found.findings] == ["nothing-heard"]
    assert list(summary(found)) == ["Nothing to compare: no delay was heard clearly."]
