"""What a scene asks of a take and what its sources answer together: expectations worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from micalign.alignment import session
from micalign.alignment.network import Constraints, HeardSource, Link
from micalign.alignment.pairings import Measured
from micalign.alignment.session import (
    constraints_of,
    default_reference,
    links_of,
    measured_scene,
    planned,
    wanted_of,
)
from micalign.errors import SceneError, TakeError
from micalign.scene.model import Air, Di, Mic, Pair, Source
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import PairDelay, SourceDelays, TrackDelay
from micalign.tdoa.measure import Candidate, Delay

SPEED = 343.98  # Cramer 1993 at 20 C, 50 %
SCENE = Scene(
    sources=(Source("kick", (1.0, 1.0, 0.3), plus_minus_m=0.02), Source("snare", (2.0, 1.0, 0.7))),
    mics=(
        Mic("room", (1.0, 5.0, 1.3), on=("kick", "snare")),
        Mic("kick mic", (1.0, 0.7, 0.3), on=("kick",), plus_minus_m=0.03),
        Mic("left", (1.0, 1.0, 2.3), on=("snare",)),
        Mic("right", (2.0, 1.0, 2.3), on=("snare",)),
    ),
    dis=(Di("trigger", "kick", latency_s=0.0015),),
    pairs=(Pair("overheads", ("left", "right")),),
    air=Air(),
)
NAMES = ("room", "kick mic", "left", "right", "trigger")


def told(delay_ms: float, *, reliable=True, polarity=1, confidence=0.9, margin=0.5, reason=None, sigma_s=1e-6):
    return Delay(delay_ms / 1e3, sigma_s, polarity, margin, confidence, reliable, reason)


def source(name: str, reference: str, pairs: dict[tuple[str, str], Delay], amplitudes=None) -> SourceDelays:
    rows = tuple(PairDelay(a, b, delay) for (a, b), delay in pairs.items())
    return SourceDelays(name, reference, rows, amplitudes or {}, 5)


def test_a_source_expects_its_tracks_nearest_first_after_its_wire():
    kick, snare = wanted_of(SCENE, NAMES)
    # Its own and the room mic are there to take the kick; the overheads are not, however near.
    assert kick.tracks == ("trigger", "kick mic", "room", "left", "right")
    assert kick.close == "trigger"
    assert snare.tracks == ("right", "left", "room", "kick mic")
    assert snare.close == "right"  # the nearest of the two that take the snare alone
    assert (kick.source, snare.source) == ("kick", "snare")


def test_arcandidates_are_distances_over_the_speed_of_sound_with_what_the_tape_leaves_open():
    kick, _ = wanted_of(SCENE, NAMES)
    distance = math.sqrt(16.0 + 1.0)
    assert kick.expected["room"].arrival_s == pytest.approx(distance / SPEED, rel=1e-4)
    assert kick.expected["kick mic"].arrival_s == pytest.approx(0.3 / SPEED, rel=1e-4)
    # 2 and 3 cm of tape, a tenth of a millisecond for the capsule; 0.3 m of air add nothing to speak of.
    sigma = math.hypot(math.hypot(0.02, 0.03) / SPEED, 1e-4)
    assert kick.expected["kick mic"].sigma_s == pytest.approx(sigma, rel=2e-3)
    # Far away the air counts: the room's sigma is larger than its tape's alone, by some thousandths of the time.
    tape = math.hypot(math.hypot(0.02, 0.01) / SPEED, 1e-4)
    assert tape * 1.005 < kick.expected["room"].sigma_s < math.hypot(tape, 0.01 * distance / SPEED)
    assert kick.expected["trigger"].arrival_s == 0.0015
    assert kick.expected["trigger"].sigma_s == 0.002
    assert "trigger" not in wanted_of(SCENE, NAMES)[1].expected


def test_without_places_nothing_is_expected_and_the_order_is_the_scenes():
    scene = Scene(
        sources=(Source("voice"),), mics=(Mic("b", (1.0, 1.0, 1.0)), Mic("a", (1.0, 1.0, 2.0), on=("voice",)))
    )
    (voice,) = wanted_of(scene, ["a", "b", "c"])
    assert voice.expected == {}
    assert voice.tracks == ("a", "b")
    assert voice.close == "a"
    halfway = Scene(sources=(Source("voice", (1.0, 1.0, 1.0)),), mics=(Mic("a", (1.0, 1.0, 2.0)), Mic("b")))
    assert wanted_of(halfway, ["a", "b"])[0].expected == {}


def test_tracks_that_were_not_recorded_are_not_wanted():
    kick, snare = wanted_of(SCENE, ["left", "room"])
    assert kick.tracks == ("room", "left")
    assert kick.close is None
    assert snare.tracks == ("left", "room")


def test_the_reference_is_a_pairs_first_mic_or_the_one_that_takes_most():
    assert default_reference(SCENE, NAMES) == "left"
    assert default_reference(SCENE, ["trigger", "kick mic", "room", "right"]) == "room"
    assert default_reference(SCENE, ["kick mic", "right"]) == "kick mic"
    free = Scene(sources=SCENE.sources, mics=(Mic("one", (1, 1, 1), on=("kick",)), Mic("all", (1, 2, 1))))
    assert default_reference(free, ["one", "all"]) == "all"


def test_wishes_are_the_scenes():
    limits = constraints_of(SCENE, NAMES, reference="room", for_source="kick", max_shift_s=0.01)
    assert (limits.reference, limits.together) == ("room", (("left", "right"),))
    assert (limits.for_source, limits.max_shift_s) == ("kick", 0.01)
    assert limits.on == {
        "room": ("kick", "snare"),
        "kick mic": ("kick",),
        "left": ("snare",),
        "right": ("snare",),
        "trigger": ("kick",),
    }
    # A close mic hears the other drum as faint bleed, a trigger not at all.
    assert limits.hearing == {"kick": frozenset(NAMES), "snare": frozenset({"room", "left", "right"})}
    assert limits.inverted == frozenset()
    assert constraints_of(SCENE, NAMES, reference="room", split_pairs=True).together == ()
    assert constraints_of(SCENE, ["room", "left"], reference="room").together == ()
    with pytest.raises(SceneError, match="no source is called 'gong'"):
        constraints_of(SCENE, NAMES, reference="room", for_source="gong")


def test_links_are_the_reliable_pairs():
    one = source(
        "kick",
        "kick mic",
        {
            ("kick mic", "left"): told(4.0, polarity=-1, sigma_s=2e-6),
            ("kick mic", "room"): told(9.0, reliable=False),
            ("left", "right"): told(0.5),
        },
    )
    assert links_of(one) == (
        Link("kick mic", "left", 0.004, 2e-6, -1, clear=0.5),
        Link("left", "right", 0.0005, 1e-6, clear=0.5),
    )


@pytest.fixture
def answer(monkeypatch):
    """The session's answer for a track against ``left``, the sources having told what is given."""

    def answer(sources, track, *, reference="left", scene=None) -> Delay:
        monkeypatch.setattr(session, "measure_sources", lambda *_, **__: tuple(sources))
        names = ["left", "right", "room", "kick mic"]
        free = Scene(sources=SCENE.sources, mics=tuple(Mic(name, (1.0, 1.0, 1.0)) for name in names))
        take = Take(tuple(Track.from_array(name, [0.0] * 10, 48000) for name in names))
        found = measured_scene(scene or free, take, reference=reference)
        assert (found.reference, found.sample_rate, found.sources) == (reference, 48000, tuple(sources))
        assert [row.track for row in found.tracks] == [name for name in names if name != reference]
        return next(row.delay for row in found.tracks if row.track == track)

    return answer


def test_the_source_that_adds_up_most_answers_and_the_others_are_named(answer):
    kick = source("kick", "kick mic", {("kick mic", "left"): told(4.0)}, {"kick mic": 1.0, "left": 0.3})
    snare = source("snare", "left", {("left", "kick mic"): told(2.5)}, {"kick mic": 0.2, "left": 1.0})
    # The amplitudes at both ends decide, 0.3 against 0.2.
    best = answer([snare, kick], "kick mic")
    assert best.delay_s == pytest.approx(-0.004)
    assert best.reliable
    assert best.reason == "by kick; other sources differ: snare +2.50 ms"
    louder = source("snare", "left", {("left", "kick mic"): told(2.5)}, {"kick mic": 0.4, "left": 1.0})
    assert answer([louder, kick], "kick mic").delay_s == pytest.approx(0.0025)


def test_a_source_counts_where_both_tracks_are_there_to_take_it(answer):
    kick = source("kick", "kick mic", {("kick mic", "left"): told(4.0)}, {"kick mic": 1.0, "left": 1.0})
    snare = source("snare", "left", {("left", "kick mic"): told(2.5)}, {"kick mic": 0.1, "left": 0.1})
    on = {"left": ("snare",), "kick mic": ("snare",), "right": (), "room": ()}
    mics = tuple(Mic(name, (1.0, 1.0, 1.0), on=sources) for name, sources in on.items())
    assert answer([kick, snare], "kick mic").delay_s == pytest.approx(-0.004)
    scene = Scene(sources=SCENE.sources, mics=mics)
    assert answer([kick, snare], "kick mic", scene=scene).delay_s == pytest.approx(0.0025)


def test_a_track_that_shares_no_source_with_the_reference_is_not_acted_on(answer):
    """Two close mics alone hear of each other by bleed: a number is told, and that it is not to be used."""
    mics = (
        Mic("left", (2.0, 1.05, 0.7), on=("snare",)),
        Mic("kick mic", (1.0, 0.95, 0.3), on=("kick",)),
        Mic("right", (2.0, 1.06, 0.7), on=("snare",)),
        Mic("room", (1.0, 0.94, 0.3), on=("kick",)),
    )
    scene = Scene(sources=SCENE.sources, mics=mics)
    heard = source("snare", "left", {("left", "kick mic"): told(3.0), ("left", "right"): told(0.1)}, {"left": 1.0})
    found = answer([heard], "kick mic", scene=scene)
    assert found.delay_s == 0.003
    assert not found.reliable
    assert found.confidence == 0.2
    assert found.reason == "it shares no source with 'left': what both hear is faint bleed"
    assert answer([heard], "right", scene=scene).reliable


CLOSE = Scene(
    sources=SCENE.sources,
    mics=(
        Mic("left", (1.5, 1.0, 2.0), on=("kick", "snare")),
        Mic("right", (1.6, 1.0, 2.0), on=("kick", "snare")),
        Mic("room", (1.5, 5.0, 1.0), on=("kick", "snare")),
        Mic("kick mic", (1.0, 0.9, 0.3), on=("kick",)),
    ),
)


def test_the_bleed_of_another_drum_does_not_answer_for_a_close_mic(answer):
    """`agreed` would not move it by that either; the number is its own drum's, in doubt as it is."""
    kick = source("kick", "kick mic", {("kick mic", "left"): told(4.0, reliable=False, confidence=0.3, reason="why")})
    bleed = source("snare", "left", {("left", "kick mic"): told(1.4, confidence=0.9), ("left", "right"): told(0.1)})
    found = answer([kick, bleed], "kick mic", scene=CLOSE)
    assert (found.delay_s, found.reliable, found.reason) == (-0.004, False, "why")
    assert answer([kick, bleed], "right", scene=CLOSE).reliable
    heard = [HeardSource(one.source, links_of(one), one.amplitudes) for one in (kick, bleed)]
    names = [mic.name for mic in CLOSE.mics]
    offsets = session.agreed(names, heard, constraints_of(CLOSE, names, reference="left"), sample_rate=48000)
    assert not offsets.shift("kick mic").applied
    assert offsets.shift("right").applied


def test_a_close_mic_whose_drum_is_nowhere_measured_tells_what_its_bleed_says_and_not_to_act_on_it(answer):
    bleed = source("snare", "left", {("left", "kick mic"): told(1.4, confidence=0.9)})
    found = answer([bleed], "kick mic", scene=CLOSE)
    assert (found.delay_s, found.reliable, found.confidence) == (0.0014, False, 0.2)
    assert found.reason == "what it and 'left' both hear is faint bleed of 'snare'"


def test_bleed_is_named_beside_a_close_mics_own_drum(answer):
    kick = source("kick", "kick mic", {("kick mic", "left"): told(4.0)}, {"kick mic": 0.1, "left": 0.1})
    bleed = source("snare", "left", {("left", "kick mic"): told(1.4)}, {"left": 1.0, "kick mic": 1.0})
    found = answer([bleed, kick], "kick mic", scene=CLOSE)
    assert (found.delay_s, found.reliable) == (pytest.approx(-0.004), True)
    assert found.reason == "by kick; other sources differ: snare +1.40 ms"


def test_a_track_that_several_sources_join_over_others_answers_as_it_would_be_moved(answer):
    """The kick joins its mic to the right overhead alone, the snare the right one to the left."""
    kick = source(
        "kick",
        "kick mic",
        {
            ("kick mic", "right"): told(4.0, polarity=-1, confidence=0.7),
            ("kick mic", "left"): told(9.0, reliable=False),
        },
    )
    snare = source("snare", "left", {("left", "right"): told(0.5, confidence=0.6)})
    # The overheads are not there for all that sounds, so that they may move apart.
    scene = replace(CLOSE, sources=(*CLOSE.sources, Source("gong", (3.0, 2.0, 1.0))))
    found = answer([kick, snare], "kick mic", scene=scene)
    assert found.delay_s == pytest.approx(0.0005 - 0.004, abs=1e-9)
    assert (found.polarity, found.reliable, found.confidence) == (-1, True, 0.7)
    assert found.reason == "by way of other tracks, which several sources join"
    names = [mic.name for mic in CLOSE.mics]
    offsets = planned(
        Measured("left", 48000, tuple(TrackDelay(n, found) for n in names[1:]), (kick, snare)),
        constraints_of(scene, names, reference="left"),
    )
    assert offsets.shift("kick mic").shift_s == pytest.approx(-found.delay_s)
    assert offsets.shift("kick mic").polarity_flip


def test_what_keeps_a_pair_together_is_no_measurement(answer):
    """`align` leaves the right overhead beside the left one; between the two nothing was measured to rely on."""
    scene = Scene(sources=CLOSE.sources, mics=CLOSE.mics, pairs=(Pair("overheads", ("left", "right")),))
    snare = source("snare", "left", {("left", "right"): told(0.5, reliable=False, reason="why")})
    assert not answer([snare], "right", scene=scene).reliable


def test_sources_that_agree_within_a_tenth_of_a_millisecond_are_not_spoken_of(answer):
    kick = source("kick", "left", {("left", "right"): told(4.0)}, {"left": 1.0, "right": 1.0})
    near = source("snare", "left", {("left", "right"): told(4.09)}, {"left": 0.5, "right": 0.5})
    assert answer([kick, near], "right").reason is None
    far = source("snare", "left", {("left", "right"): told(4.11)}, {"left": 0.5, "right": 0.5})
    assert "snare +4.11 ms" in (answer([kick, far], "right").reason or "")


def test_a_delay_goes_round_by_the_tracks_that_join_two(answer):
    one = source(
        "kick",
        "kick mic",
        {
            ("kick mic", "left"): told(4.0, polarity=-1, confidence=0.8, sigma_s=3e-6),
            ("kick mic", "right"): told(5.5, confidence=0.6, sigma_s=4e-6),
            ("left", "right"): told(7.0, reliable=False),
        },
    )
    found = answer([one], "right")
    assert found.delay_s == pytest.approx(0.0015, abs=1e-12)
    assert found.uncertainty_s == pytest.approx(5e-6, rel=1e-6)  # 3, 4, 5
    assert (found.polarity, found.reliable, found.reason) == (-1, True, None)
    assert (found.confidence, found.polarity_margin) == (0.6, 0.5)  # the weakest of the way
    direct = answer([one], "left", reference="kick mic")
    assert (direct.confidence, direct.polarity_margin, direct.polarity) == (0.8, 0.5, -1)


def test_a_word_of_the_pair_itself_is_passed_on(answer):
    one = source("kick", "left", {("left", "right"): told(1.0, reason="was something moved?")})
    assert answer([one], "right").reason == "was something moved?"


def test_where_nothing_is_reliable_the_most_confident_doubt_is_told_the_right_way_round(answer):
    candidates = (Candidate(0.002, -1, 0.5),)
    faint = source("snare", "left", {("left", "right"): told(1.0, reliable=False, confidence=0.1, reason="faint")})
    turned = Delay(0.003, 1e-5, -1, 0.2, 0.3, False, "echoes", candidates, 12.0)
    other = source("kick", "right", {("right", "left"): turned})
    found = answer([faint, other], "right")
    assert found == Delay(-0.003, 1e-5, -1, 0.2, 0.3, False, "echoes", (Candidate(-0.002, -1, 0.5),), -12.0)
    assert answer([faint], "right").reason == "faint"
    plain = source("kick", "right", {("right", "left"): told(0.0, reliable=False, reason="quiet")})
    kept = answer([plain], "right")
    assert kept.drift_ppm is None
    assert math.copysign(1.0, kept.delay_s) == 1.0  # 0 and never -0


def test_two_tracks_that_no_source_joins_say_so(answer):
    found = answer([source("kick", "left", {("left", "right"): told(1.0)})], "room")
    assert found == Delay(0.0, 0.0, 1, 0.0, 0.0, False, "no source is heard both in it and in 'left'")


def test_without_sources_every_track_is_laid_by_its_own_delay():
    rows = (
        TrackDelay("b", Delay(0.004, 1e-6, -1, 0.9, 0.9, True, "a word", (), 20.0)),
        TrackDelay("c", told(2.0, reliable=False, polarity=-1, reason="noise")),
        TrackDelay("d", told(30.0)),
    )
    offsets = planned(Measured("a", 44100, rows), Constraints("a", max_shift_s=0.02))
    assert (offsets.reference, offsets.sample_rate) == ("a", 44100)
    b, c, d = (offsets.shift(name) for name in "bcd")
    assert (b.delay_s, b.shift_s, b.uncertainty_s, b.polarity_flip) == (0.004, -0.004, 1e-6, True)
    assert (b.reliable, b.applied, b.reason, b.drift_ppm) == (True, True, "a word", 20.0)
    assert (c.shift_s, c.polarity_flip, c.reliable, c.applied, c.reason) == (0.0, False, False, False, "noise")
    assert (d.shift_s, d.applied) == (0.0, False)


def test_a_polarity_in_doubt_turns_nothing_over():
    """The track is moved, keeps its polarity, and says so; a clear one is turned."""
    rows = tuple(TrackDelay(f"{margin}", told(2.0, polarity=-1, margin=margin)) for margin in (0.1, 0.9))
    doubt, clear = (planned(Measured("a", 44100, rows), Constraints("a")).shift(name) for name in ("0.1", "0.9"))
    assert (doubt.applied, doubt.shift_s, doubt.polarity_flip) == (True, -2e-3, False)
    assert doubt.reason == "its polarity is in doubt, and kept"
    assert (clear.polarity_flip, clear.reason) == (True, None)


def test_gains_weigh_the_sources_of_a_plan():
    """Raising a source's tracks by 20 dB makes its wish count, and the shift moves to it."""
    tracks = {"left": 1.0, "right": 1.0}
    kick = source("kick", "left", {("left", "right"): told(1.0)}, tracks)
    snare = source("snare", "left", {("left", "right"): told(2.0)}, {"left": 1.0, "right": 0.5})
    found = Measured("left", 48000, (TrackDelay("right", told(1.0)),), (kick, snare))
    even = planned(found, Constraints("left")).shift("right")
    assert even.shift_s == pytest.approx(-(1.0 * 1.0 + 0.5 * 2.0) / 1.5 / 1e3)
    louder = planned(found, Constraints("left"), gains_db={"right": 20.0}).shift("right")
    assert louder.shift_s == pytest.approx(even.shift_s)  # the same in every source: nothing changes between them
    third = source("tom", "left", {("left", "room"): told(3.0)}, {"left": 0.1, "room": 0.1})
    joined = Measured("left", 48000, (TrackDelay("right", told(1.0)), TrackDelay("room", told(3.0))), (kick, third))
    assert planned(joined, Constraints("left")).shift("room").shift_s == pytest.approx(-0.003)


def test_a_take_of_one_track_and_an_unknown_reference_are_refused():
    one = Track.from_array("left", [0.0] * 100, 48000)
    with pytest.raises(SceneError, match="one track only: a delay needs two"):
        measured_scene(SCENE, Take((one,)))
    with pytest.raises(TakeError, match="gong"):
        measured_scene(SCENE, Take((one, Track.from_array("right", [0.0] * 100, 48000))), reference="gong")


def test_gains_count_by_the_product_of_both_ends():
    """Three sources join three tracks two by two and disagree: the shifts solve the weighed equations, solved here."""
    ways = {"kick": ("left", "right", 1.0), "snare": ("room", "right", 0.0), "tom": ("left", "room", 2.0)}
    sources = tuple(
        source(name, a, {(a, b): told(late)}, {"left": 1.0, "right": 1.0, "room": 1.0})
        for name, (a, b, late) in ways.items()
    )
    rows = tuple(TrackDelay(name, told(0.0)) for name in ("right", "room"))
    gains = {"room": 6.0, "right": -3.0}
    g = {"left": 1.0, "right": 10**-0.15, "room": 10**0.3}
    offsets = planned(Measured("left", 48000, rows, sources), Constraints("left"), gains_db=gains)
    weight = np.sqrt([g[a] * g[b] for a, b, _ in ways.values()])
    design = np.array([[1.0, 0.0], [1.0, -1.0], [0.0, 1.0]])  # shifts of right and room
    late = np.array([-1.0, 0.0, -2.0]) / 1e3
    right, room = np.linalg.lstsq(design * weight[:, None], late * weight, rcond=None)[0]
    assert offsets.shift("right").shift_s == pytest.approx(right, abs=1e-12)
    assert offsets.shift("room").shift_s == pytest.approx(room, abs=1e-12)
    assert {remain.source for remain in offsets.remains} == set(ways)


def test_an_inversion_that_the_scene_predicts_is_given_a_word():
    """The back of a figure-8 hears the snare inverted: no fault of a cable. The front's inversion gets no such word."""
    back = Mic("right", (2.0, 2.0, 0.7), aim=(2.0, 3.0, 0.7), pattern="figure-8")
    front = Mic("room", (2.0, 2.0, 0.7), aim=(2.0, 0.0, 0.7), pattern="figure-8")
    mics = (Mic("left", (2.0, 0.9, 0.7)), back, front, Mic("kick mic", (1.0, 0.9, 0.3)))
    scene = Scene(sources=SCENE.sources, mics=mics)

    def word(track: str, delay: Delay) -> str | None:
        mics_only = source("snare", "left", {("left", track): delay}, {"left": 1.0, track: 1.0})
        made: list[SourceDelays] = []
        take = Take(tuple(Track.from_array(mic.name, [0.0] * 10, 48000) for mic in mics))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(session, "measure_sources", lambda *_, **__: (mics_only,))
            made += measured_scene(scene, take, reference="left").sources or ()
        return made[0].pairs[0].delay.reason

    said = word("right", told(3.0, polarity=-1))
    assert said is not None
    assert word("room", told(3.0, polarity=-1)) is None
    assert word("right", told(3.0, polarity=1)) is None
    assert word("right", told(3.0, polarity=-1, reason="a word")) == "a word"
    assert word("right", told(3.0, polarity=-1, reliable=False)) is None
