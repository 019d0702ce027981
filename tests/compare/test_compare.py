"""What is the matter with a take? Answers on arrivals worked out here, and on takes with one planted mistake."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from planted_kits import kinds, kit
from rich.console import Console

from micalign.compare.comparison import Comparison, Explanation, Flips
from micalign.compare.groups import Group, group_alone, groups_by_place
from micalign.compare.priors import beliefs_of, causes_of
from micalign.compare.run import _advice, compare, compared, findings_of, left_or_put_back
from micalign.compare.tuned import BLEED_S
from micalign.errors import TakeError
from micalign.report.compare_words import _heard, comparison_table, summary, to_do
from micalign.scene.model import Air, Di, Mic, Pair, Source
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track
from micalign.tdoa.alone import heard_alone
from micalign.tdoa.delays import Alone, Delay, Wanted

SPEED_20C = 343.98  # Cramer 1993 at 20 C, 50 %


def groups(
    scene: Scene,
    *,
    places: Mapping[str, object] | None = None,
    holds: Mapping[str, str] | None = None,
    late_s: Mapping[str, float] | None = None,
    inverted: tuple[str, ...] = (),
    speed: float = SPEED_20C,
    scale: float = 1.0,
    strays: Mapping[tuple[str, str], float] | None = None,
    seed: int = 1,
) -> tuple[Group, ...]:
    """Groups of sounds as an exact ear would have them, 3 us give or take."""
    rng = np.random.default_rng(seed)
    at = {thing.name: np.array(thing.position, dtype=float) for thing in scene.placed()}
    at |= {name: np.asarray(place, dtype=float) for name, place in (places or {}).items()}
    tracks = [mic.name for mic in scene.mics]
    out = []
    for source in scene.sources:
        arrival, sign = [], []
        for track in tracks:
            mic = (holds or {}).get(track, track)
            distance = scale * np.linalg.norm(at[source.name] - at[mic])
            extra = (late_s or {}).get(track, 0.0) + (strays or {}).get((source.name, track), 0.0)
            arrival.append(distance / speed + extra + rng.normal(0.0, 3e-6))
            sign.append(-1 if track in inverted else 1)
        first = int(np.argmin(arrival))
        heard = tuple(
            Delay(value - arrival[first], 3e-6, one * sign[first], 0.9, 1.0, True, None)
            for value, one in zip(arrival, sign, strict=True)
        )
        out.append(Group(first, (0.0, 0.5, 1.0), heard))
    return tuple(out)


_KIT = kit(np.random.default_rng(41))
_NAMES = ("snare mic", "kick mic", "overhead left", "overhead right", "room")
SCENE = Scene(
    room=_KIT.room,
    sources=tuple(source for source in _KIT.sources if source.name != "rack tom"),
    mics=tuple(replace(_KIT.mic(name), on=()) for name in _NAMES),
    air=Air(),
)
TRACKS = tuple(mic.name for mic in SCENE.mics)


def answer(heard: tuple[Group, ...], scene: Scene = SCENE) -> Comparison:
    return compared(scene, tuple(mic.name for mic in scene.mics), heard)


def test_all_as_planned():
    """Nothing is claimed, every |z| is small, and there is nothing to do."""
    found = answer(groups(SCENE))
    assert found.is_fine
    assert found.strays == 0
    assert max(abs(row.z) for row in found.rows if row.z is not None) < 1.0
    assert [one.rule for one in found.findings] == ["as-planned"]


def test_every_row_is_the_difference_against_the_sources_nearest_mic():
    """Predicted times are distances over the speed of sound, measured ones what was heard: to 1 us and 15 us."""
    found = answer(groups(SCENE))
    assert len(found.rows) == len(SCENE.sources) * (len(SCENE.mics) - 1)
    for row in found.rows:
        source = np.array(SCENE.source(row.source).position)
        near, far = (np.linalg.norm(source - np.array(SCENE.mic(n).position)) for n in (row.reference, row.track))
        assert row.predicted_s == pytest.approx((far - near) / SPEED_20C, abs=1e-6)
        assert row.predicted_s >= 0
        assert row.measured_s == pytest.approx(row.predicted_s, abs=15e-6)
        assert row.difference_s == row.measured_s - row.predicted_s


@pytest.mark.parametrize("pair", [(0, 1), (0, 3), (2, 3)])
def test_swapped_inputs_are_told(pair: tuple[int, int]):
    """Any two inputs: close and close, close and far, the overheads."""
    first, second = TRACKS[pair[0]], TRACKS[pair[1]]
    found = answer(groups(SCENE, holds={first: second, second: first}))
    assert kinds(found) == [("swapped", frozenset({first, second}))]
    assert found.explained
    assert found.findings[0].rule == "swapped"
    assert first in found.findings[0].advice


@pytest.mark.parametrize("track", [0, -1])
def test_a_flipped_track_is_told_and_nothing_else(track: int):
    """One inverted track, the reference of its own source or not."""
    found = answer(groups(SCENE, inverted=(TRACKS[track],)))
    assert found.flips.tracks == (TRACKS[track],)
    assert found.flips.instead == ()
    assert not found.explanations
    assert [one.rule for one in found.findings] == ["flipped"]


def test_a_polarity_that_the_scene_knows_of_is_no_flip():
    """``polarity = -1`` in the scene is as planned."""
    mics = tuple(
        Mic(m.name, m.at, aim=m.aim, pattern=m.pattern, polarity=-1 if i == 1 else 1) for i, m in enumerate(SCENE.mics)
    )
    scene = Scene(sources=SCENE.sources, mics=mics)
    assert answer(groups(scene, inverted=(TRACKS[1],)), scene).is_fine


def test_a_moved_mic_is_told_with_where_to():
    """9 cm lower: the mic, the way and how far, to 2 cm."""
    x, y, z = SCENE.mic("overhead right").position
    found = answer(groups(SCENE, places={"overhead right": (x, y, z - 0.09)}))
    assert kinds(found) == [("moved", frozenset({"overhead right"}))]
    assert np.array(found.explanations[0].moved_m) == pytest.approx([0.0, 0.0, -0.09], abs=0.02)
    assert "lower than planned" in found.findings[0].message
    assert "up" in found.findings[0].advice


def test_advice_on_a_moved_mic_is_tried_on_the_scene():
    """Where no rule minds the new place it may stay, as a change for a script; an equal pair's mic must go back."""
    x, y, z = SCENE.mic("overhead right").position
    heard = groups(SCENE, places={"overhead right": (x, y, z - 0.09)})
    [stays] = answer(heard).findings
    assert stays.advice.startswith("Leave 'overhead right'")
    [change] = stays.changes
    assert (change.table, change.name, change.key) == ("mic", "overhead right", "at")
    assert change.value == pytest.approx((x, y, z - 0.09), abs=0.02)
    snare = SCENE.sources[0].name
    tolerance_s = abs(np.subtract(*_arrivals_s(snare, "overhead left", "overhead right"))) + 20e-6
    pair = Pair("overheads", ("overhead left", "overhead right"), (snare,), tolerance_s)
    [back] = answer(heard, replace(SCENE, pairs=(pair,))).findings
    assert back.advice.startswith("Move 'overhead right'")
    assert back.changes == ()


def test_a_move_that_is_told_less_exactly_than_it_is_long_is_measured_and_not_undone():
    sure = Explanation("moved", ("room",), 9.0, "'room' stands elsewhere", (), (0.0, 0.0, -0.18), 0.17)
    vague = replace(sure, moved_sigma_m=0.19)
    assert [words.split()[0] for words in map(_advice, (sure, vague))] == ["Move", "Measure"]
    assert (len(list(left_or_put_back(SCENE, sure))), list(left_or_put_back(SCENE, vague))) == (2, [])


def _arrivals_s(source: str, *mics: str) -> list[float]:
    at = np.array(SCENE.source(source).position)
    return [float(np.linalg.norm(np.array(SCENE.mic(name).position) - at)) / SPEED_20C for name in mics]


def test_where_few_sources_leave_two_places_both_are_told():
    """Three sources in a plane, a mic beyond it: its mirror place fits as well, and a tape is asked for."""
    sources = tuple(
        Source(name, at) for name, at in {"a": (1.0, 1.0, 1.0), "b": (3.0, 1.0, 1.0), "c": (2.0, 3.0, 1.0)}.items()
    )
    near = [Mic(f"{one.name} mic", (one.at[0] + 0.1, one.at[1], 1.05)) for one in sources]  # type: ignore[operator]
    scene = Scene(sources=sources, mics=(*near, Mic("far", (2.2, 1.6, 1.05))))
    found = answer(groups(scene, places={"far": (2.5, 1.35, 1.4)}), scene)
    (moved,) = found.explanations
    assert moved.names == ("far",)
    assert moved.other_m is not None
    heights = sorted((moved.moved_m[2], moved.other_m[2]))  # type: ignore[index]
    assert heights == pytest.approx([-0.45, 0.35], abs=0.06)
    assert "probable" in found.findings[0].message
    assert "tape" in found.findings[0].advice


def _with_bleed(scene: Scene, heard: tuple[Group, ...]) -> tuple[Group, ...]:
    """The same where close mics hear other drums as bleed alone, and the far ones theirs to 0.07 ms."""
    far = [len(mic.on) != 1 for mic in scene.mics]
    return tuple(
        replace(
            group,
            heard=tuple(
                replace(one, uncertainty_s=0.07e-3 if far[k] or k == group.reference else BLEED_S)
                for k, one in enumerate(group.heard)
            ),
        )
        for group in heard
    )


def test_a_late_close_mic_is_told_apart_from_a_moved_one_by_what_bleeds_into_it():
    """By its own drum any place so much further off would do; but it hears every drum as late, and no place near its
    own lies so much further from all of them.
    """
    scene = kit(np.random.default_rng(5))
    late = {"snare mic": 64 / 48000}
    found = answer(_with_bleed(scene, groups(scene, late_s=late)), scene)
    assert kinds(found) == [("late", frozenset(late))]
    assert found.explanations[0].late_s == pytest.approx(64 / 48000, abs=0.1e-3)
    at = np.array(scene.mic("snare mic").position)
    way = at - scene.source("snare").position
    moved = groups(scene, places={"snare mic": at + 0.15 * way / np.linalg.norm(way)})
    assert kinds(answer(_with_bleed(scene, moved), scene)) == [("moved", frozenset(late))]


def test_a_close_mic_put_elsewhere_still_stands_near_what_it_is_there_for():
    """One belief goes with its distance; a mic that is there for several may be carried 20 cm."""
    scene = kit(np.random.default_rng(5))
    names = tuple(mic.name for mic in scene.mics)
    planned = beliefs_of(scene, names)
    wide = {}
    for cause in causes_of(scene, names):
        if cause.kind == "moved":
            where = planned.layout.mic(names.index(cause.names[0]))
            wide.setdefault(cause.names[0], []).append(float(cause.apply(planned).sigma[where][0]))
    near_m = np.linalg.norm(np.subtract(scene.mic("snare mic").position, scene.source("snare").position))
    assert 0.05 < near_m < 0.2
    assert wide["snare mic"] == pytest.approx([0.05, near_m], rel=0.05)
    assert wide["room"] == pytest.approx([0.05, 0.2], rel=0.05)


def test_bleed_into_a_close_mic_is_known_to_a_near_field_and_votes_for_no_polarity():
    """Eight hits heard 1 ms later by a mic that is there for them, or for another drum."""
    rng = np.random.default_rng(3)
    hits = np.zeros((2, 5 * 48000))
    for at in np.arange(0.5, 4.5, 0.5) * 48000:
        hit = 0.5 * rng.normal(size=2000) * np.exp(-np.arange(2000) / 300)
        for k, late in enumerate((0, 48)):
            hits[k, int(at) + late : int(at) + late + 2000] += (1.0, 0.1)[k] * hit
    hits += 1e-4 * rng.normal(size=hits.shape)
    names = ("own", "other")
    tracks = tuple(Track.from_array(name, one, 48000) for name, one in zip(names, hits, strict=True))
    heard = heard_alone(Alone("drum", tracks, ((0.0, 5.0),)), Wanted("drum", names, "own"))
    shared, bleed = (group_alone(heard, names, hearing).heard[1] for hearing in (["other"], []))
    assert shared.delay_s == bleed.delay_s == pytest.approx(1e-3, abs=0.1e-3)
    assert shared.reliable
    assert bleed.reliable
    assert shared.uncertainty_s < 0.2e-3
    assert bleed.uncertainty_s == pytest.approx(np.hypot(shared.uncertainty_s, BLEED_S))
    assert shared.polarity_margin > 0.5
    assert bleed.polarity_margin == 0.0


def test_a_temperature_that_cannot_be_seen_is_not_called_right():
    """Two mics side by side: no path differs, so nothing is said for the thermometer."""
    sources = (Source("a", (1.0, 1.0, 1.0)), Source("b", (3.0, 1.0, 1.0)))
    scene = Scene(sources=sources, mics=(Mic("one", (2.0, 2.0, 1.2)), Mic("two", (2.1, 2.0, 1.2))))
    found = answer(groups(scene, speed=335.0), scene)
    assert found.is_fine
    assert "temperature" in found.findings[0].message


def test_a_moved_source_is_told_apart_from_a_moved_mic():
    """A ride cymbal that stands 25 cm away makes every mic's delay of it wrong, and of nothing else."""
    x, y, z = SCENE.source("ride").position
    found = answer(groups(SCENE, places={"ride": (x + 0.15, y - 0.2, z)}))
    assert kinds(found) == [("source moved", frozenset({"ride"}))]


@pytest.mark.parametrize("samples", [64, -200])
def test_a_late_track_is_told_with_how_late(samples: int):
    """A constant on one track, either way: to 0.1 ms."""
    found = answer(groups(SCENE, late_s={"overhead left": samples / 48000}))
    assert kinds(found) == [("late", frozenset({"overhead left"}))]
    assert found.explanations[0].late_s == pytest.approx(samples / 48000, abs=1e-4)


def test_another_temperature_is_told():
    """15 C warmer than the scene says: 2.5 % less on every difference, to 5 C (places known to a centimetre)."""
    found = answer(groups(SCENE, speed=SPEED_20C * np.sqrt(308.15 / 293.15)))
    assert kinds(found) == [("temperature", frozenset())]
    assert found.explanations[0].temperature_c == pytest.approx(35.0, abs=5.0)


def test_a_scene_in_feet_read_as_metres_is_told():
    """Every difference 0.3048 of what was predicted."""
    found = answer(groups(SCENE, scale=0.3048))
    assert [one.kind for one in found.explanations] == ["units"]
    assert "feet" in found.findings[0].message


def test_strays_do_not_hide_that_all_is_well():
    """Two of twenty delays are reflections taken for the direct sound: as planned, and the strays are counted."""
    strays = {("kick", "room"): 2e-3, ("ride", "overhead left"): 4.2e-3}
    found = answer(groups(SCENE, strays=strays))
    assert found.is_fine
    assert found.strays == 2
    marked = {(row.source, row.track) for row in found.rows if row.explains}
    assert marked <= set(strays) | {(row.source, row.track) for row in found.rows if abs(row.z or 0) > 3}


def test_a_take_of_which_most_cannot_be_placed_is_not_called_good():
    """The same verdict with 13 of 24 delays placed nowhere: no 'nothing to do', but how to find out."""
    clear, hazy = (findings_of((), Flips(), explained=True, unheard=(), heard=(strays, 24)) for strays in (12, 13))
    assert [one.rule for one in clear] == ["as-planned"]
    assert [one.rule for one in hazy] == ["hazy"]
    assert hazy[0].message.startswith("13 of 24 delays fit no source")


def test_two_mistakes_are_told_together():
    """A flip and a moved stand."""
    x, y, z = SCENE.mic("overhead right").position
    found = answer(groups(SCENE, places={"overhead right": (x, y, z - 0.2)}, inverted=("kick mic",)))
    assert kinds(found) == [("moved", frozenset({"overhead right"}))]
    assert found.flips.tracks == ("kick mic",)
    assert [one.rule for one in found.findings] == ["flipped", "moved"]


def test_what_nothing_explains_is_told():
    """Places thrown about at random: not explained, no invented cause is called the reason or advised on."""
    rng = np.random.default_rng(3)
    places = {thing.name: rng.uniform([0, 0, 0], [8, 6, 3]) for thing in SCENE.placed()}
    found = answer(groups(SCENE, places=places))
    assert not found.explained
    assert found.findings[0].rule == "unexplained"
    assert {one.rule for one in found.findings} <= {"unexplained", "unheard"}


def test_with_two_tracks_nobody_can_tell_which_is_inverted():
    """One source, two mics, one flip: both are named."""
    scene = Scene(sources=(Source("cab", (1, 1, 0.5)),), mics=(Mic("a", (1, 1.1, 0.5)), Mic("b", (1, 1.8, 0.6))))
    found = answer(groups(scene, inverted=("b",)), scene)
    assert {*found.flips.tracks, *found.flips.instead} == {"a", "b"}
    assert "cannot tell which" in found.findings[0].message


def test_a_di_counts_with_its_latency_and_only_for_its_own_source():
    """The line is 0.8 ms late, the mic half a metre: as planned; two further milliseconds are told."""
    scene = Scene(
        sources=(Source("bass", (2, 2, 0.7)), Source("clap", (4, 2, 1))),
        mics=(Mic("mic", (2.2, 1.6, 0.6)), Mic("far", (3.2, 1.2, 1.2))),
        dis=(Di("line", "bass", latency_s=0.8e-3),),
    )

    def heard(late_s: float) -> tuple[Group, ...]:
        out = []
        for source in scene.sources:
            ways = [np.linalg.norm(np.subtract(source.position, m.position)) / SPEED_20C for m in scene.mics]
            is_own = source.name == "bass"
            delays = [way - ways[0] for way in ways] + [0.8e-3 + late_s - ways[0] if is_own else 0.0]
            rows = [Delay(value, 3e-6, 1, 0.9, 1.0, is_own or index < 2, None) for index, value in enumerate(delays)]
            out.append(Group(0, (0.0, 0.5), tuple(rows)))
        return tuple(out)

    tracks = ("mic", "far", "line")
    assert compared(scene, tracks, heard(0.0)).is_fine
    found = compared(scene, tracks, heard(2e-3))
    assert kinds(found)[:1] == [("late", frozenset({"line"}))]


def test_takes_that_cannot_be_compared_are_refused_in_words():
    """One track; tracks in which nothing is heard."""
    track = Track.from_array("a", np.zeros(48000), 48000)
    with pytest.raises(TakeError, match="one track has no other"):
        compare(SCENE, Take((track,)))
    with pytest.raises(TakeError, match="no sound was found"):
        compare(SCENE, Take((track, Track.from_array("b", np.zeros(48000), 48000))))


def test_an_inversion_is_not_told_on_polarities_in_doubt():
    """A kick's mics that say otherwise with margins of 0.4 turn nothing over; with 0.9 they do."""

    def told(margin: float) -> tuple[str, ...]:
        turned = groups(SCENE, inverted=("kick mic",))
        heard = tuple(
            replace(one, heard=tuple(replace(each, polarity_margin=margin) for each in one.heard)) for one in turned
        )
        return answer(heard).flips.tracks

    assert told(0.9) == ("kick mic",)
    assert told(0.4) == ()


def test_groups_that_few_tracks_hear_clearly_are_no_places(monkeypatch: pytest.MonkeyPatch):
    """In a groove what is grouped by place is chance; single hits in a room are places."""
    clear = groups(SCENE)
    muddy = tuple(
        replace(one, heard=tuple(replace(each, reliable=k in (one.reference, 0)) for k, each in enumerate(one.heard)))
        for one in clear
    )
    take = Take((Track.from_array("a", np.zeros(48000), 48000), Track.from_array("b", np.zeros(48000), 48000)))
    for heard, places in ((clear, clear), (muddy, ())):
        monkeypatch.setattr("micalign.compare.groups.groups_of", lambda _take, heard=heard: heard)
        assert groups_by_place(take) == places


def test_a_track_without_a_clear_delay_is_said_to_be_unknown():
    """A room mic that hears nothing clearly may stand anywhere: as planned is said of the others alone."""
    deaf = TRACKS.index("room")
    heard = tuple(
        replace(
            one, heard=tuple(replace(each, reliable=each.reliable and k != deaf) for k, each in enumerate(one.heard))
        )
        for one in groups(SCENE)
    )
    found = answer(heard)
    assert [(one.rule, one.where) for one in found.findings] == [("as-planned", ()), ("not-heard", ("room",))]
    assert found.is_fine


def test_a_row_that_does_not_count_says_so_and_the_words_agree() -> None:
    """One sound of fifteen is a reflection, 4 ms late: its row, the verdict and what to do say one thing."""
    found = compared(SCENE, _NAMES, groups(SCENE, strays={("snare", "room"): 4e-3}))
    assert found.is_fine
    row = next(row for row in found.rows if (row.source, row.track) == ("snare", "room"))
    assert row.is_stray
    out = io.StringIO()
    Console(file=out, width=200).print(comparison_table(found))
    told = next(line for line in out.getvalue().splitlines() if "not counted" in line)
    assert "!" not in out.getvalue()
    assert "(+4.0" in told
    assert "as planned" not in told
    Console(file=(advised := io.StringIO()), width=200).print(to_do(found))
    said = " ".join([*summary(found), advised.getvalue()])
    assert "No |z| that counts is above 3." in said
    assert f"but for 1 of {found.sightings} delays" in said
    assert "record" not in said  # it is recorded already


def test_where_the_nearest_mic_heard_nothing_clearly_rows_are_against_the_nearest_that_did() -> None:
    """What was heard is shown: four delays of each source, three of the one whose nearest mic is deaf to it."""
    heard = list(groups(SCENE))
    deaf = heard[0]
    blind = replace(deaf.heard[deaf.reference], reliable=False)
    others = [track for track in range(len(_NAMES)) if track != deaf.reference]
    onto = min(others, key=lambda track: deaf.heard[track].delay_s)
    delays = [replace(one, delay_s=one.delay_s - deaf.heard[onto].delay_s) for one in deaf.heard]
    delays[deaf.reference] = replace(blind, delay_s=-deaf.heard[onto].delay_s)
    heard[0] = Group(onto, deaf.moments_s, tuple(delays))
    found = answer(tuple(heard))
    rows = [row for row in found.rows if row.source == SCENE.sources[0].name]
    assert {row.reference for row in rows} == {_NAMES[onto]}
    assert [row.track for row in rows if row.measured_s is None] == [_NAMES[deaf.reference]]
    assert all(abs(row.z) < 1.0 for row in rows if row.z is not None)
    assert f"{len(found.rows) - 1} delays heard, and all of them fit" in " ".join(summary(found))


def test_one_delay_is_one() -> None:
    assert _heard(1, 0, 1) == "1 delay heard, and it fits"
    assert _heard(1, 1, 1) == "1 delay heard, and nothing explains it"
    assert _heard(2, 0, 2) == "2 delays heard, and all of them fit"


def test_of_a_source_that_is_heard_at_two_places_the_words_say_what_the_table_shows() -> None:
    heard = groups(SCENE)
    found = answer((*heard, replace(heard[0], moments_s=(2.0, 2.5))))
    assert found.sightings == len(found.rows) + 4
    said = " ".join(summary(found))
    assert f"{found.sightings} delays heard, {len(found.rows)} of them shown above, and all of them fit" in said
