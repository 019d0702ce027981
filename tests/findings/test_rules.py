"""Every rule: silent where all is well, speaks where it is not; and what single rules say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rule_cases import CASES, GOOD, LOW_ROOM, SINGERS, TWO_ON_A_CAB, found_by

from micalign.acoustics.prediction import predict
from micalign.findings import rules
from micalign.findings.finding import SEVERITIES
from micalign.findings.mics import bass_lift_db
from micalign.findings.rules import RULES, cautions, findings, found, is_wrong
from micalign.scene.model import Absorption, Air, Mic, Pair, Room, Source, Tape
from micalign.scene.scene import Scene


def test_a_good_scene_is_told_little() -> None:
    """No warning, no more than seven notes: exit status 0."""
    found = findings(GOOD, predict(GOOD))
    assert not is_wrong(found), [finding.message for finding in found if finding.severity != "note"]
    assert len(found) <= 7


def test_every_rule_has_its_case() -> None:
    """A rule added to the table without a case here fails."""
    missing = set(CASES) ^ {rule.name for rule in RULES}
    assert not missing, f"give {sorted(missing)} a scene in CASES of tests/rule_cases.py"


@pytest.mark.parametrize("rule", CASES)
def test_the_rule_speaks(rule: str) -> None:
    """It names things, gives a figure and one move, and is as severe as the table of cases says."""
    scene, severity = CASES[rule]
    found = found_by(scene, rule)
    assert found, [finding.rule for finding in findings(scene, predict(scene))]
    assert found[0].severity == severity
    assert found[0].advice.endswith(".")
    assert found[0].message[0].isupper() or found[0].message[0] == "'" or found[0].message[0].isdigit()


@pytest.mark.parametrize(
    "rule", sorted(set(CASES) - {"pile-up", "air-range", "transition", "no-task", "air-loss", "keepout"})
)
def test_findings_carry_figures(rule: str) -> None:
    """Message or advice holds a number with its unit."""
    finding = found_by(CASES[rule][0], rule)[0]
    said = finding.message + finding.advice
    assert any(unit in said for unit in (" ms", " dB", " cm", " mm", " m ", "degrees")), said


@pytest.mark.parametrize("rule", sorted(set(CASES) - {"transition", "reflection"}))
def test_the_rule_is_silent_where_all_is_well(rule: str) -> None:
    """The good scene breaks none of these."""
    quiet = replace(GOOD, pairs=(replace(GOOD.pairs[0], tolerance_s=1e-4),))
    assert [finding for finding in found_by(quiet, rule) if finding.severity != "note"] == []
    if rule not in {"three-to-one", "pile-up", "comb", "mono-sum"}:
        assert found_by(quiet, rule) == []


def test_bleed_that_the_room_brings_is_not_mended_by_aim() -> None:
    """Two singers back to back in hard walls: each in the other's null, and no turning of a mic is advised."""
    singers = Scene(
        room=Room((3.5, 3.0, 2.5), Absorption(*[0.08] * 6)),
        sources=(Source("alto", (1.2, 1.5, 1.6)), Source("tenor", (2.4, 1.5, 1.6))),
        mics=(
            Mic("alto mic", (1.5, 1.5, 1.6), aim="alto", pattern="cardioid", on=("alto",)),
            Mic("tenor mic", (2.1, 1.5, 1.6), aim="tenor", pattern="cardioid", on=("tenor",)),
        ),
    )
    assert [finding.rule for finding in found_by(singers, "three-to-one") if finding.severity != "note"] == []
    assert not found_by(singers, "bleed")[0].advice.startswith(("Turn", "Face", "Take"))
    assert "room brings it" not in found_by(SINGERS, "bleed")[0].advice


def test_the_outer_mic_of_an_angled_pair_may_look_past_a_source() -> None:
    """Two cardioids at 110 degrees: each looks past what the other faces, and that is how they work."""
    sources = (Source("violin", (0.5, 4.0, 1.5)), Source("cello", (5.5, 4.0, 1.0)))
    mics = tuple(
        Mic(
            name,
            (3.0 + side * 0.085, 2.0, 1.8),
            aim=(3.0 + side * 1.5, 3.0, 1.8),
            pattern="cardioid",
            on=("violin", "cello"),
        )
        for name, side in (("left", -1), ("right", 1))
    )
    pair = Scene(sources=sources, mics=mics, pairs=(Pair("main", ("left", "right")),))
    assert found_by(pair, "off-axis") == []
    assert found_by(replace(pair, pairs=()), "off-axis")


def test_the_side_of_mid_and_side_is_no_mistake() -> None:
    """A figure-8 with its null to the singer, one with the mid: neither off its axis nor inverted."""
    mics = (
        Mic("mid", (2.0, 2.0, 1.5), aim="voice", pattern="cardioid", on=("voice",)),
        Mic("side", (2.0, 2.0, 1.53), aim=(1.0, 2.0, 1.53), pattern="figure-8", on=("voice",)),
    )
    scene = Scene(sources=(Source("voice", (2.05, 3.0, 1.5)),), mics=mics, pairs=(Pair("ms", ("mid", "side")),))
    assert not is_wrong(findings(scene, predict(scene)))


def test_every_rule_has_a_remedy_or_a_reason() -> None:
    """What proposes nothing is what no change of a scene mends; the table's docstring says why, one by one."""
    without = {
        rule
        for rule in CASES
        if not next(one for one in found(CASES[rule][0], predict(CASES[rule][0])) if one.rule == rule).propose
    }
    assert without == {"near-field", "pile-up", "transition", "air-range", "air-loss", "no-task", "unit"}
    assert all(f"*{rule}*" in (rules.__doc__ or "") for rule in without)


def test_the_heaviest_come_first() -> None:
    """Problems before warnings before notes."""
    scene = replace(CASES["rear-lobe"][0], air=Air(36.0), tapes=(Tape(("snare", "kick mic"), 0.9),))
    order = [SEVERITIES.index(finding.severity) for finding in findings(scene, predict(scene))]
    assert order == sorted(order)
    assert len(set(order)) == 3


def test_one_kind_is_told_three_times_at_most() -> None:
    """Ten mics that look away: three are told, and how many more there are."""
    mics = tuple(
        Mic(f"m{n}", (1.0 + n, 2.0, 1.0), aim=(1.0 + n, 3.0, 1.0), pattern="cardioid", on=("s",)) for n in range(9)
    )
    scene = Scene(sources=(Source("s", (5.0, 1.6, 1.0)),), mics=mics)
    found = found_by(scene, "off-axis")
    assert len(found) == 3
    assert "(6 more of this kind.)" in found[-1].message


def test_lengths_are_said_in_the_users_unit() -> None:
    """Feet and inches for a scene in feet."""
    scene = replace(CASES["pair-equal"][0], length_unit="ft")
    advice = found_by(scene, "pair-equal")[0].advice
    assert " in" in advice
    assert " cm" not in advice


def test_cautions_fit_the_scene() -> None:
    """A kit: hearing; an amplifier: mains; a stand over heads: the stand; a quiet table: none."""
    kinds = [caution.split(":")[0] for caution in cautions(GOOD)]
    assert kinds == ["Hearing"]
    assert [one.split(":")[0] for one in cautions(TWO_ON_A_CAB)] == ["Mains"]
    assert [one.split(":")[0] for one in cautions(GOOD.placed_at({"overhead left": (3.0, 3.2, 2.0)}))] == [
        "Overhead stands",
        "Hearing",
    ]
    assert cautions(SINGERS) == ()
    standing = Scene(sources=(Source("alto", (1.0, 1.0, 1.75)),), mics=(Mic("m", (1.0, 1.2, 1.73), on=("alto",)),))
    assert cautions(standing) == ()


def test_steps_through_the_room_are_round_in_inches_too() -> None:
    """Half a metre, or a foot and a half: not its conversion."""
    assert "at 0.50 m steps" in found_by(LOW_ROOM, "transition")[0].advice
    assert "at 1 ft 6 in steps" in found_by(replace(LOW_ROOM, length_unit="ft"), "transition")[0].advice


def test_the_bass_lift_is_that_of_a_spherical_wave() -> None:
    """A figure-8 at a distance of a wavelength over 2 pi: pressure gradient sqrt(2) times the far one, 3.01 dB."""
    wavelength = 343.0 / 100.0
    assert bass_lift_db("figure-8", wavelength / (2 * np.pi), 100.0, 343.0) == pytest.approx(3.0103, abs=1e-3)
    assert bass_lift_db("cardioid", 0.1, 100.0, 343.0) == pytest.approx(
        20 * np.log10(abs(0.5 + 0.5 * (1 + 1 / (1j * 2 * np.pi * 100 / 343 * 0.1)))), abs=1e-9
    )
