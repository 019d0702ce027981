"""Every rule: silent where all is well, speaks where it is not, and its one move mends what it found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.acoustics.prediction import predict
from micalign.files.scenes import changes_text
from micalign.findings import rules
from micalign.findings.cautions import cautions
from micalign.findings.finding import SEVERITIES, Finding, is_wrong
from micalign.findings.remedies import equal_places
from micalign.findings.rooms import bass_lift_db
from micalign.findings.rules import RULES, findings, found
from micalign.scene.changes import changed
from micalign.scene.model import (
    Absorption,
    Air,
    Di,
    Keepout,
    Mic,
    Pair,
    Room,
    Scene,
    Source,
    Tape,
)


def _found(scene: Scene, rule: str) -> list[Finding]:
    return [finding for finding in findings(scene, predict(scene)) if finding.rule == rule]


GOOD = Scene(
    title="a kit that stands well",
    room=Room((7.0, 5.5, 3.4), Absorption(0.35, 0.35, 0.3, 0.3, 0.3, 0.3)),
    sources=(
        Source("kick", (3.2, 2.6, 0.4), range_hz=(40, 5000)),
        Source("snare", (3.5, 2.9, 0.75), range_hz=(120, 9000)),
    ),
    mics=(
        Mic("kick mic", (3.2, 2.5, 0.4), aim="kick", pattern="cardioid", on=("kick",)),
        Mic("snare mic", (3.53, 2.98, 0.80), aim="snare", pattern="hypercardioid", on=("snare",)),
        Mic("overhead left", (3.005, 3.2, 1.6), aim="snare", pattern="cardioid", on=("snare",), plus_minus_m=0.003),
        Mic("overhead right", (3.995, 3.2, 1.6), aim="snare", pattern="cardioid", on=("snare",), plus_minus_m=0.003),
    ),
    pairs=(Pair("overheads", ("overhead left", "overhead right"), ("snare",)),),
)


def test_a_good_scene_is_told_little() -> None:
    """No warning, no more than seven notes: exit status 0."""
    found = findings(GOOD, predict(GOOD))
    assert not is_wrong(found), [finding.message for finding in found if finding.severity != "note"]
    assert len(found) <= 7


def _with_mic(**changes: object) -> Scene:
    """The good scene with its snare mic changed."""
    mics = tuple(replace(mic, **changes) if mic.name == "snare mic" else mic for mic in GOOD.mics)  # type: ignore[arg-type]
    return replace(GOOD, mics=mics)


TWO_ON_A_CAB = Scene(
    sources=(Source("cab", (2.0, 1.0, 0.5)),),
    mics=(
        Mic("centre", (2.0, 1.1, 0.5), aim="cab", pattern="cardioid", on=("cab",)),
        Mic("edge", (2.15, 1.15, 0.5), aim="cab", pattern="cardioid", on=("cab",), gain_db=6.4),
    ),
)

SINGERS = Scene(
    sources=(Source("alto", (1.0, 1.0, 1.2)), Source("tenor", (2.0, 1.0, 1.2))),
    mics=(Mic("alto mic", (1.0, 1.5, 1.2), on=("alto",)), Mic("tenor mic", (2.0, 1.2, 1.2), on=("tenor",))),
)

LOW_ROOM = Scene(
    room=Room((5.0, 4.0, 2.4), Absorption(*[0.1] * 6)),
    sources=(Source("voice", (2.0, 2.0, 1.5), range_hz=(30, 9000)),),
    mics=(Mic("mic", (3.5, 2.0, 1.6), on=("voice",)),),
)

CASES: dict[str, tuple[Scene, str]] = {
    "keepout": (replace(GOOD, keepouts=(Keepout("drummer's head", (3.5, 3.0, 0.8), radius_m=0.3),)), "problem"),
    "rear-lobe": (_with_mic(aim=(3.6, 3.4, 1.2)), "problem"),
    "off-axis": (_with_mic(aim=(3.63, 2.96, 0.8), pattern="cardioid"), "warning"),
    "three-to-one": (SINGERS, "warning"),
    "bleed": (SINGERS, "note"),
    "near-field": (replace(TWO_ON_A_CAB, sources=(Source("cab", (2.0, 1.0, 0.5), size_m=0.3),)), "note"),
    "comb": (TWO_ON_A_CAB, "warning"),
    "opposite-sides": (
        Scene(
            sources=(Source("snare", (2.0, 2.0, 0.7)),),
            mics=(Mic("top", (2.0, 2.0, 0.85), on=("snare",)), Mic("bottom", (2.0, 2.0, 0.5), on=("snare",))),
        ),
        "note",
    ),
    "late-copy": (
        Scene(
            sources=(Source("choir", (2.0, 2.0, 1.5)),),
            mics=(Mic("front", (2.0, 4.0, 1.5), on=("choir",)), Mic("hall", (2.0, 18, 1.5), gain_db=12, on=("choir",))),
        ),
        "warning",
    ),
    "direct-line": (
        Scene(
            sources=(Source("bass", (2.0, 2.0, 0.5)),),
            mics=(Mic("bass mic", (2.0, 2.3, 0.5), on=("bass",)),),
            dis=(Di("bass di", "bass"),),
        ),
        "note",
    ),
    "pair-equal": (GOOD.placed_at({"overhead left": (2.9, 3.1, 1.6)}), "warning"),
    "pair-polarity": (
        replace(GOOD, mics=tuple(replace(m, polarity=-1) if m.name == "overhead left" else m for m in GOOD.mics)),
        "warning",
    ),
    "mono-sum": (
        replace(
            GOOD.placed_at({"overhead left": (2.8, 3.0, 1.6)}),
            pairs=(Pair("overheads", ("overhead left", "overhead right")),),
        ),
        "note",
    ),
    "unsure": (
        replace(GOOD, mics=tuple(replace(mic, plus_minus_m=0.03) for mic in GOOD.mics)),
        "note",
    ),
    "reflection": (LOW_ROOM, "warning"),
    "mode-null": (LOW_ROOM.placed_at({"voice": (0.3, 0.3, 1.5), "mic": (2.5, 0.3, 1.5)}), "warning"),
    "pile-up": (replace(LOW_ROOM, room=Room((4.0, 4.0, 4.0), Absorption(*[0.1] * 6))), "note"),
    "transition": (LOW_ROOM, "note"),
    "tape": (replace(GOOD, tapes=(Tape(("snare", "kick mic"), 0.9),)), "warning"),
    "air-range": (replace(GOOD, air=Air(temperature_c=36.0)), "note"),
    "air-loss": (
        Scene(sources=(Source("horn", (2.0, 2.0, 1.5)),), mics=(Mic("far", (2.0, 22.0, 1.5), on=("horn",)),)),
        "note",
    ),
    "pair-heights": (
        Scene(
            sources=(Source("piano", (2.0, 2.0, 1.0)),),
            mics=(Mic("low", (1.6, 2.0, 1.6), on=("piano",)), Mic("high", (2.4, 2.0, 1.72), on=("piano",))),
            pairs=(Pair("strings", ("low", "high")),),
        ),
        "note",
    ),
    "near-surface": (
        Scene(
            room=Room((6.0, 5.0, 2.4), Absorption(0.9, 0.6, 0.9, 0.9, 0.9, 0.9)),
            sources=(Source("viola", (3.0, 2.5, 1.0), range_hz=(130, 9000)),),
            mics=(Mic("over", (3.0, 2.5, 2.1), pattern="subcardioid", aim="viola", on=("viola",)),),
        ),
        "note",
    ),
    "bass-lift": (
        Scene(
            sources=(Source("singer", (2.0, 2.0, 1.6)),),
            mics=(Mic("voice mic", (2.0, 2.08, 1.6), aim="singer", pattern="cardioid", on=("singer",)),),
        ),
        "note",
    ),
    "room-mic": (
        Scene(
            room=Room((6.0, 5.0, 3.0), Absorption(*[0.4] * 6)),
            sources=(Source("flute", (2.0, 2.0, 1.5)),),
            mics=(Mic("room", (2.6, 2.0, 1.5), on=("flute",)),),
        ),
        "note",
    ),
    "null": (
        Scene(
            sources=(
                Source("snare", (2.0, 2.0, 0.7), level_db=100.0),
                Source("hi-hat", (2.439, 1.949, 0.84), level_db=100.0),
            ),
            mics=(
                Mic("snare mic", (2.08, 2.12, 0.8), aim="snare", pattern="supercardioid", on=("snare",)),
                Mic("hat mic", (2.45, 2.0, 0.97), aim="hi-hat", pattern="cardioid", on=("hi-hat",)),
            ),
        ),
        "note",
    ),
    "no-task": (Scene(sources=(Source("horn", (2.0, 2.0, 1.5)),), mics=(Mic("lone", (2.0, 3.0, 1.5)),)), "note"),
}


def test_every_rule_has_its_case() -> None:
    """A rule added to the table without a case here fails."""
    assert set(CASES) == {rule.name for rule in RULES}


@pytest.mark.parametrize("rule", CASES)
def test_the_rule_speaks(rule: str) -> None:
    """It names things, gives a figure and one move, and is as severe as the table of cases says."""
    scene, severity = CASES[rule]
    found = _found(scene, rule)
    assert found, [finding.rule for finding in findings(scene, predict(scene))]
    assert found[0].severity == severity
    assert found[0].advice.endswith(".")
    assert found[0].message[0].isupper() or found[0].message[0] == "'" or found[0].message[0].isdigit()


@pytest.mark.parametrize(
    "rule", sorted(set(CASES) - {"pile-up", "air-range", "transition", "no-task", "air-loss", "keepout"})
)
def test_findings_carry_figures(rule: str) -> None:
    """Message or advice holds a number with its unit."""
    finding = _found(CASES[rule][0], rule)[0]
    said = finding.message + finding.advice
    assert any(unit in said for unit in (" ms", " dB", " cm", " mm", " m ", "degrees")), said


@pytest.mark.parametrize("rule", sorted(set(CASES) - {"transition", "reflection"}))
def test_the_rule_is_silent_where_all_is_well(rule: str) -> None:
    """The good scene breaks none of these."""
    quiet = replace(GOOD, pairs=(replace(GOOD.pairs[0], tolerance_s=1e-4),))
    assert [finding for finding in _found(quiet, rule) if finding.severity != "note"] == []
    if rule not in {"three-to-one", "pile-up", "comb", "mono-sum"}:
        assert _found(quiet, rule) == []


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
    assert [finding.rule for finding in _found(singers, "three-to-one") if finding.severity != "note"] == []
    assert not _found(singers, "bleed")[0].advice.startswith(("Turn", "Face", "Take"))
    assert "room brings it" not in _found(SINGERS, "bleed")[0].advice


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
    assert _found(pair, "off-axis") == []
    assert _found(replace(pair, pairs=()), "off-axis")


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
    assert without == {"near-field", "pile-up", "transition", "air-range", "air-loss", "no-task"}
    assert all(f"*{rule}*" in (rules.__doc__ or "") for rule in without)


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_direct_line_that_is_delayed_as_told_is_met(polarity: int) -> None:
    """30 cm of air is 0.87 ms; the change is the channel's delay, and a flip where the line is inverted."""
    scene = replace(CASES["direct-line"][0], dis=(Di("bass di", "bass", polarity=polarity),))
    [finding] = list(_found(scene, "direct-line"))
    assert {change.key: change.value for change in finding.changes}["latency_ms"] == pytest.approx(0.87, abs=0.005)
    assert ("polarity" in {change.key for change in finding.changes}) == (polarity < 0)
    assert not _found(changed(scene, finding.changes), "direct-line")
    text = 'title = "x"\n[[di]]\nname = "bass di"\nof = "bass"  # active\n'
    assert "latency_ms = 0.87\n" in changes_text(text, finding.changes)


def test_a_direct_line_is_laid_to_one_mic() -> None:
    """A second mic on the source, farther off: one finding, of the nearer one, and no advice against it."""
    scene = CASES["direct-line"][0]
    far = Mic("far mic", (2.0, 3.1, 0.5), on=("bass",))
    found_two = _found(replace(scene, mics=(*scene.mics, far)), "direct-line")
    assert [one.where for one in found_two] == [("bass di", "bass mic")]


def test_a_direct_line_inverted_without_delay_is_told() -> None:
    """Met to the hundredth of a millisecond and inverted: the two cancel, and a flip mends it."""
    scene = replace(CASES["direct-line"][0], dis=(Di("bass di", "bass", latency_s=0.872e-3, polarity=-1),))
    [finding] = _found(scene, "direct-line")
    assert "inverted" in finding.message
    assert [(change.key, change.value) for change in finding.changes] == [("polarity", 1)]


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
    found = _found(scene, "off-axis")
    assert len(found) == 3
    assert "(6 more of this kind.)" in found[-1].message


def test_equal_distances_are_reached_by_the_shortest_move() -> None:
    """From each start a place as far from every source as asked; for one source straight along the line to it."""
    one = equal_places(np.array([[1.0, 0.0, 2.0]]), np.array([[0.0, 0.0, 0.7]]), np.array([np.hypot(1.5, 1.5)]))
    wanted = np.hypot(1.5, 1.5) - np.hypot(1.0, 1.3)
    assert np.linalg.norm(one[0] - (1.0, 0.0, 2.0)) == pytest.approx(wanted, abs=1e-4)
    two = np.array([[0.0, 0.0, 0.7], [0.5, 0.6, 0.4]])
    reached = equal_places(np.array([[1.0, 0.0, 2.0]]), two, np.array([1.6, 1.9]))
    assert np.linalg.norm(reached[0] - two, axis=1) == pytest.approx([1.6, 1.9], abs=1e-4)


def test_no_place_is_told_where_there_is_none() -> None:
    """Two sources so far apart that no place is equal to both of the partner's distances."""
    sources = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0]])
    assert len(equal_places(np.array([[5.0, 1.0, 0.0]]), sources, np.array([2.0, 2.0]))) == 0


def test_moving_nearer_as_told_meets_the_three_to_one_rule() -> None:
    """The alto's mic moved by the distance told: one of the readings passes."""
    finding = _found(SINGERS, "three-to-one")[0]
    assert finding.where[:2] == ("alto mic", "alto")
    centimetres = float(finding.advice.split(" cm nearer")[0].split()[-1])
    moved = SINGERS.placed_at({"alto mic": (1.0, 1.5 - centimetres / 100, 1.2)})
    assert not [
        one for one in _found(moved, "three-to-one") if one.where[0] == "alto mic" and one.severity == "warning"
    ]


def test_moving_as_told_meets_the_comb_rule() -> None:
    """One mic moved as the change says: both are equally far, and no comb is left in the band."""
    finding = _found(TWO_ON_A_CAB, "comb")[0]
    moved = changed(TWO_ON_A_CAB, finding.changes)
    path = predict(moved).differences[0].difference_s * predict(moved).speed_of_sound_m_s
    assert abs(path) <= 0.005


def test_a_far_mic_is_not_sent_up_to_the_close_one() -> None:
    """A mic a metre off a cab is there for its distance: its track is aligned, the stand stays."""
    far = Mic("edge", (2.3, 1.8, 0.7), aim="cab", pattern="figure-8", on=("cab",), gain_db=15.0)
    finding = _found(replace(TWO_ON_A_CAB, mics=(TWO_ON_A_CAB.mics[0], far)), "comb")[0]
    assert finding.advice.startswith("Align the tracks: shift 'centre' 2.")


def test_the_way_out_of_a_keepout_leads_out() -> None:
    """For each shape the mic stands outside after the move; the shortest way is told."""
    for keepout in (
        Keepout("ball", (2.0, 2.0, 1.0), radius_m=0.3),
        Keepout("post", (2.0, 2.0, 1.0), radius_m=0.3, height_m=1.0),
        Keepout("box", (2.0, 2.0, 1.0), size_m=(0.6, 0.6, 0.6)),
    ):
        scene = Scene(
            sources=(Source("s", (3.0, 2.0, 1.0)),), mics=(Mic("m", (2.2, 2.0, 1.0), on=("s",)),), keepouts=(keepout,)
        )
        finding = _found(scene, "keepout")[0]
        assert finding.advice == "Move 'm' 12 cm nearer to 's', to 68 cm."
        outside = scene.placed_at({"m": (2.2 + 0.12, 2.0, 1.0)})
        assert _found(outside, "keepout") == []


def _hall(mic: Mic, source: Source, *more: Mic, deaf: str = "ceiling front back left right") -> Scene:
    """A large room of which all surfaces but one absorb."""
    hard = {name: 0.9 if name in deaf else 0.0 for name in ("floor", "ceiling", "front", "back", "left", "right")}
    return Scene(room=Room((12.0, 8.0, 6.0), Absorption(**hard)), sources=(source,), mics=(mic, *more))


CELLO = Source("cello", (2.0, 4.0, 0.5), range_hz=(60, 5000))


def test_a_rug_is_advised_where_the_notch_is_high_enough_for_it() -> None:
    """A mic far off over a hard floor, its first notch at 1.4 kHz or at 2.2: absorber or rug, where the sound bounces.

    Both 4 m apart: extra path sqrt(16 + 4 h^2) - 4, first notch at half a wavelength of it.
    """
    for height, notch_hz, up, cover in (
        (0.5, 1397.0, 62.7, "an absorber 5 cm thick, 25 cm across,"),
        (0.39, 2283.0, 70.0, "a thick rug, 16 cm across,"),
    ):
        source = replace(CELLO, at=(2.0, 4.0, height))
        # A figure-8 that looks up, its null near the bounce: 6 and 7 dB down, where a rug's 48 % (1.4 kHz) are too
        # little for 10 dB and its 61 % (2.3 kHz) enough.
        aim = (6.0 - np.cos(np.radians(up)), 4.0, height + np.sin(np.radians(up)))
        scene = _hall(
            Mic("far mic", (6.0, 4.0, height), on=("cello",), reach_m=0.01, pattern="figure-8", aim=aim), source
        )
        finding = _found(scene, "reflection")[0]
        assert f"first notch at {notch_hz / 1e3:.2f} kHz" in finding.message
        assert finding.advice == f"Lay {cover} where it bounces: 4.00 m from the left, 4.00 m from the front."


def test_no_cover_is_laid_where_the_floor_takes_as_much_already() -> None:
    """A floor that is carpeted (60 %) and still too loud: a rug adds nothing."""
    scene = _hall(Mic("far mic", (6.0, 4.0, 0.39), on=("cello",), reach_m=0.01), replace(CELLO, at=(2.0, 4.0, 0.39)))
    carpeted = replace(scene, room=replace(scene.room, absorption=replace(scene.room.absorption, floor=0.6)))
    finding = _found(carpeted, "reflection")[0]
    assert "rug" not in finding.advice


def test_no_cover_is_laid_where_something_stands() -> None:
    """A bass drum where the sound bounces: nobody lays an absorber there."""
    scene = _hall(Mic("far mic", (6.0, 4.0, 0.5), on=("cello",), reach_m=0.01), CELLO)
    drum = replace(scene, sources=(*scene.sources, Source("bass drum", (4.1, 4.0, 0.35))))
    assert _found(scene, "reflection")[0].advice.startswith("Lay an absorber")
    assert "Lay an absorber" not in _found(drum, "reflection")[0].advice


def test_a_mic_that_is_there_for_the_distance_is_not_called_nearer() -> None:
    """With a close mic on the source too, the far one keeps its place: a pattern mends the wall behind it."""
    close = Mic("close mic", (2.4, 4.0, 0.6), aim="cello", pattern="cardioid", on=("cello",))
    far = Mic("far mic", (9.7, 4.0, 1.5), on=("cello",))
    deaf = "floor ceiling front back left"
    alone = _hall(far, replace(CELLO, at=(7.2, 4.0, 0.5)), deaf=deaf)
    assert _found(alone, "reflection")[0].advice.startswith("Move 'far mic' ")
    both = _found(_hall(far, CELLO, close, deaf=deaf), "reflection")
    advice = next(one.advice for one in both if "far mic" in one.where)
    assert advice.startswith("Take a cardioid for 'far mic', faced to 'cello': the bounce falls to -")
    turned = _hall(replace(far, pattern="cardioid", aim="cello"), CELLO, close, deaf=deaf)
    assert [one for one in _found(turned, "reflection") if "far mic" in one.where] == []


def test_a_floor_that_no_cover_mends_takes_the_mic_itself() -> None:
    """A low notch from the floor: on the floor both ways are one, and the reflection is no later than the sound."""
    high = Source("cello", (4.0, 4.0, 1.2))
    scene = _hall(Mic("far mic", (6.0, 4.0, 1.6), on=("cello",)), high, Mic("close", (4.2, 4.0, 1.2), on=("cello",)))
    assert "on the floor" in next(one.advice for one in _found(scene, "reflection") if "far mic" in one.where)
    laid = scene.placed_at({"far mic": (6.0, 4.0, 0.01)})
    assert (
        max(row.delay_s for row in predict(laid).reflections if row.mic == "far mic" and row.surface == "floor") < 5e-5
    )


def test_lengths_are_said_in_the_users_unit() -> None:
    """Feet and inches for a scene in feet."""
    scene = replace(CASES["pair-equal"][0], length_unit="ft")
    advice = _found(scene, "pair-equal")[0].advice
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
    assert "at 0.50 m steps" in _found(LOW_ROOM, "transition")[0].advice
    assert "at 1 ft 6 in steps" in _found(replace(LOW_ROOM, length_unit="ft"), "transition")[0].advice


def test_the_bass_lift_is_that_of_a_spherical_wave() -> None:
    """A figure-8 at a distance of a wavelength over 2 pi: pressure gradient sqrt(2) times the far one, 3.01 dB."""
    wavelength = 343.0 / 100.0
    assert bass_lift_db("figure-8", wavelength / (2 * np.pi), 100.0, 343.0) == pytest.approx(3.0103, abs=1e-3)
    assert bass_lift_db("cardioid", 0.1, 100.0, 343.0) == pytest.approx(
        20 * np.log10(abs(0.5 + 0.5 * (1 + 1 / (1j * 2 * np.pi * 100 / 343 * 0.1)))), abs=1e-9
    )


@pytest.mark.parametrize("rule", ["pair-heights", "near-surface", "bass-lift", "room-mic", "null"])
def test_what_an_engineer_would_say_comes_with_a_change_that_mends_it(rule: str) -> None:
    """Applied, the finding is gone."""
    scene, _ = CASES[rule]
    finding = _found(scene, rule)[0]
    assert finding.changes, finding.advice
    assert _found(changed(scene, finding.changes), rule) == []


def test_the_null_tip_lays_the_null_on_the_hi_hat() -> None:
    """After the turn the hi-hat lies within 3 degrees of the supercardioid's null at 126 degrees."""
    scene, _ = CASES["null"]
    after = changed(scene, _found(scene, "null")[0].changes)
    mic = after.mic("snare mic")
    axis = np.subtract(mic.aim, mic.position)  # type: ignore[arg-type]
    way = np.subtract(after.source("hi-hat").position, mic.position)
    angle = np.degrees(np.arccos(axis @ way / np.linalg.norm(axis) / np.linalg.norm(way)))
    assert angle == pytest.approx(np.degrees(np.arccos(-0.37 / 0.63)), abs=3.0)
