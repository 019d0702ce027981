"""What tells the mics over a kit from its close mics and a room's, rule by rule."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from two_drums import RATE, UNTOLD, drum, kit, over, own_times

from micalign.alignment import laid_kit, over_kit
from micalign.alignment.laid_kit import laid_on_strokes
from micalign.alignment.own_strokes import PlacedTrack, laid_by_strokes
from micalign.alignment.tuned import BESIDE_SPAN_S
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, TrackDelay
from micalign.tdoa.strokes import listen

CLICKS = np.where(np.arange(RATE) % 4410 == 2000, 1.0, 0.0)


def told(begins_ms):
    """What is heard by so many tracks, each of which hears all of ten strokes so much after the first."""
    tracks = tuple(listen(Track.from_array(str(k), CLICKS, RATE)) for k in range(len(begins_ms)))
    begins_s = np.array(begins_ms)[:, None] * 1e-3 + np.arange(10.0)
    return over_kit.HeardKit(tracks, np.arange(10.0), np.zeros(begins_s.shape), begins_s, {})


@pytest.mark.parametrize(
    ("others_ms", "drums_ms", "late_ms"),
    [
        ([], [[0.0, 1.0, 3.0, 2.4]], 2.4),  # the earlier of the two counts
        ([], [[0.0, 1.0, 3.0, 2.4], [0.8, 0.0, 2.0, 2.2]], 2.0),  # at the drum where it is least
        ([0.0], [[9.0, 9.0, 3.0, 2.4, 0.0]] * 3 + [[9.0, 9.0, 0.1, 0.2, 0.0]], 2.4),  # one of four may err
        ([], [], 0.0),  # no drum says anything
    ],
)
def test_mics_over_a_kit_are_late_at_every_drum(others_ms, drums_ms, late_ms):
    heard = told([0.0, 0.0, 3.0, 3.0, *others_ms])
    drums = {(0, 1, 4, 5)[k]: 1e-3 * np.array(late) for k, late in enumerate(drums_ms)}
    assert replace(heard, drums=drums).late_s(2, 3) == pytest.approx(1e-3 * late_ms)


def test_an_overhead_that_hears_a_cymbal_first_is_no_drums_mic_but_the_other_head_of_a_snare_is(rng):
    heard = told([0.0, 0.0, 3.0, 3.0])
    for other_ms, late_ms in ((1.2, 1.7), (0.0, 0.5)):
        drums = {0: 1e-3 * np.array([0.0, 1.0, 2.4, 2.4]), 2: 1e-3 * np.array([2.0, 2.0, 0.0, other_ms])}
        assert replace(heard, drums=drums).late_s(2, 3) == pytest.approx(1e-3 * late_ms)


def test_what_is_called_an_overhead_and_leads_at_a_cymbal_is_no_drums_mic():
    heard = told([0.0, 0.0, 3.0, 3.0])
    tracks = tuple(replace(track, name=name) for track, name in zip(heard.tracks, ("1", "2", "3", "oh"), strict=True))
    heard = replace(heard, tracks=tuple(listen(Track.from_array(one.name, CLICKS, RATE)) for one in tracks))
    for kick_ms, is_drums in ((2.4, False), (0.4, True)):
        drums = {0: 1e-3 * np.array([0.0, 1.0, 2.4, kick_ms]), 3: 1e-3 * np.array([2.0, 2.0, 1.2, 0.0])}
        assert laid_kit._is_a_drums("oh", replace(heard, drums=drums)) is is_drums


def test_a_drum_that_an_overhead_hears_before_its_own_mic_says_nothing_of_that_overhead():
    """A cymbal that is struck with the kick, and over the kit, comes before the kick does."""
    heard = told([0.0, 0.0, 3.0])
    tracks = tuple(listen(Track.from_array(name, CLICKS, RATE)) for name in ("snare", "kick", "oh"))
    cymbal = {2: 1e-3 * np.array([0.7, 2.3, 0.0])}
    for late_ms, is_over in (((2.3, -0.7), True), ((2.3, 0.0), True), ((1.2, 0.0), False), ((-0.7, -0.7), False)):
        drums = {k: 1e-3 * np.array([0.0, 0.0, late]) for k, late in enumerate(late_ms)} | cymbal
        assert over_kit.over_by_name(replace(heard, tracks=tracks, drums=drums)) == ["oh"] * is_over, late_ms


def test_a_drums_mic_hears_its_strokes_first_and_an_overhead_does_not(rng):
    tracks = kit(rng)
    names = ("one", "two", "left", "right")
    found = over_kit._drums([listen(tracks[name]) for name in names])
    assert list(found) == [0, 1]
    assert found[0] * RATE == pytest.approx([0, 60, 132, 141], abs=3)


@pytest.mark.parametrize(("mics", "asked"), [(("one",) * 4, 0), (("left", "one", "two"), 1)])
def test_who_hears_the_drums_first_is_asked_only_where_two_mics_may_stand_at_a_drum_each(rng, monkeypatch, mics, asked):
    """Mics at one source are no kit, and the asking costs as much as measuring a pair."""
    tracks, heard_kit, found = kit(rng), over_kit.heard_kit, []
    monkeypatch.setattr(over_kit, "heard_kit", lambda heard: found.append(heard) or heard_kit(heard))
    heard = [listen(replace(tracks[mic], name=f"track {k}")) for k, mic in enumerate(mics)]
    over_kit.reference_for(heard, "track 0")
    assert len(found) == asked


def pairs_by(monkeypatch, heard, **said):
    """The pairs of what is heard, each with evidence as two good overheads have it but for what is said of it."""
    good = {"one": 1.0, "spread": 4.0, "meets": 0.7, "beside": 0.0, "late": 2.3, "far": 0.0}
    rows = {pair: [*(good | changed).values()] for pair, changed in said["pairs"].items()}
    bad = [*(good | {"spread": 30.0, "meets": 0.0}).values()]
    monkeypatch.setattr(over_kit.HeardKit, "evidence", lambda _, one, other: rows.get((one, other), bad))
    monkeypatch.setattr(over_kit.HeardKit, "meets", lambda *_: 0.7)
    return over_kit._pairs(heard)


@pytest.mark.parametrize(
    ("changed", "is_found"),
    [
        ({}, True),
        ({"spread": 15.0}, False),  # a close mic beside an overhead
        ({"meets": 0.4, "spread": 9.0}, False),  # their lows hardly meet: one of them is nearer
        ({"meets": 1.0, "beside": 0.25, "late": 0.0, "spread": 5.0}, False),  # two at one source
        ({"meets": 1.0, "beside": 0.25}, True),  # two that hang side by side
        ({"far": 2.5}, False),  # both in the room
    ],
)
def test_two_mics_over_a_kit_are_told_by_each_kind_of_evidence(monkeypatch, changed, is_found):
    pairs = pairs_by(monkeypatch, told([3.0, 3.0, 0.0, 0.0]), pairs={(0, 1): changed})
    assert (pairs[0].chance >= 0.5) is is_found
    assert not is_found or (pairs[0].first, pairs[0].second) == ("0", "1")


def test_of_two_pairs_that_look_alike_neither_is_sure(monkeypatch):
    pairs = pairs_by(monkeypatch, told([3.0, 3.0, 3.0, 0.0]), pairs={(0, 1): {}, (1, 2): {}})
    assert all(pair.chance < 0.5 for pair in pairs)


def test_of_two_likely_pairs_the_track_that_both_share_is_over_the_kit(monkeypatch):
    """A ride's mic, the ride not struck, beside one overhead: which of them is its mate is in doubt, and it is not."""
    heard = told([3.0, 3.0, 3.0, 0.0])
    pairs_by(monkeypatch, heard, pairs={(0, 1): {}, (1, 2): {}})
    assert over_kit._tracks_over(heard) == ["1"]
    pairs_by(monkeypatch, heard, pairs={(0, 1): {}, (0, 2): {}, (1, 2): {}})
    assert over_kit._tracks_over(heard) == []


def test_of_the_pair_over_a_kit_the_likelier_is_the_first(monkeypatch):
    heard = told([3.0, 3.0, 3.0, 0.0])
    pairs_by(monkeypatch, heard, pairs={(0, 1): {}, (1, 2): {"spread": 6.0}})
    assert over_kit._tracks_over(heard) == ["1", "0"]


def test_the_chances_of_all_pairs_and_of_none_add_up_to_one(monkeypatch):
    pairs = pairs_by(monkeypatch, told([3.0, 3.0, 0.0]), pairs={(0, 1): {}})
    assert 0.0 < 1.0 - sum(pair.chance for pair in pairs) < 0.2
    assert over_kit._pairs(told([3.0])) == []


def test_a_mic_that_surely_hears_the_kit_before_the_reference_is_not_over_it(rng):
    """Its levels are the overhead's own: what tells it apart is that it is 2.3 ms nearer."""
    tracks = kit(rng)
    near = Track.from_array("near", np.roll(tracks["left"].read(), -100), RATE)
    before = Delay(-100 / RATE, 1e-5, 1, 0.8, 0.95, True, None)
    others = [tracks["one"], tracks["two"], tracks["right"], near]
    for delay, stays in ((UNTOLD, True), (before, False)):
        rows = [*(TrackDelay(one.name, UNTOLD) for one in others[:3]), TrackDelay("near", delay)]
        found = laid_on_strokes(tracks["left"], others, rows).rows[-1].delay
        assert ("hears the same kit" in found.reason) is stays


def test_three_strokes_may_not_choose_a_shift_and_four_may(rng):
    tracks = kit(rng)
    times_s = own_times(tracks["one"])
    few, enough = (laid_by_strokes(tracks["one"], times_s[:count], over(tracks)) for count in (3, 4))
    assert few is None
    assert enough.by == "sum"


def test_no_shift_before_the_earliest_is_looked_at(rng):
    """An overhead laid onto the close mic wants to go 3 ms earlier; held, it goes later or nowhere."""
    tracks = kit(rng)
    times_s, rest = own_times(tracks["one"]), [PlacedTrack(tracks["one"])]
    free = laid_by_strokes(tracks["left"], times_s, rest)
    held = laid_by_strokes(tracks["left"], times_s, rest, within_s=(0.0, 10e-3))
    assert free.place.shift_s == pytest.approx(-132 / RATE, abs=1e-4)
    assert held.place.shift_s >= 0.0


def test_a_mics_own_strokes_are_those_it_has_louder_against_the_overhead(rng):
    """Another drum is nearly as loud in it, but then the overhead hears that one 17 dB louder than its own."""
    near, far = (1e-5 * rng.normal(size=12 * RATE) for _ in (0, 1))
    starts = np.arange(RATE // 2, 11 * RATE, RATE // 2)
    for k, start in enumerate(starts):
        hit = drum(rng, 180.0)
        for sound, gains, late in ((near, (1.0, 0.8), 0), (far, (0.1, 0.6), 132)):
            sound[start + late : start + late + len(hit)] += gains[k % 2] * hit
    mic, overhead = (listen(Track.from_array(name, sound, RATE)) for name, sound in (("mic", near), ("over", far)))
    assert len(mic.first_wavefronts) == len(starts)
    assert laid_kit._own_strokes(mic, overhead) == pytest.approx(starts[::2] / RATE, abs=1e-3)


def test_where_the_surest_close_mic_is_laid_says_where_another_may_lie(rng):
    """The second mic's doubtful arrival is 8 ms off: alone it is looked for there, after the first near that one."""
    tracks = kit(rng)

    def row(name, delay_s, confidence):
        return TrackDelay(name, Delay(delay_s, 1e-4, 1, 0.9, confidence, confidence >= 0.9, None))

    others = [tracks[name] for name in ("two", "one", "right")]
    rows = [row("two", -8e-3, 0.5), row("one", -132 / RATE, 0.95), row("right", 0.0, 0.95)]
    laid = {one.track: -one.delay.delay_s for one in laid_on_strokes(tracks["left"], others, rows).rows}
    assert laid["one"] == pytest.approx(132 / RATE, abs=3e-4)
    assert laid["two"] == 0.0 or abs(laid["two"] - laid["one"]) <= 2 * BESIDE_SPAN_S


def test_the_arrival_of_a_mic_and_not_its_best_sum_says_where_others_may_lie(rng, monkeypatch):
    """A hat whose arrival is sure adds up best 1.5 ms off it, turned over: the others lie about its arrival."""
    tracks = kit(rng)
    sure = Delay(-132 / RATE, 1e-5, 1, 1.0, 0.99, True, None)
    off = replace(sure, delay_s=-132 / RATE - 1.5e-3, polarity=-1)
    spans = {}

    def laid(delay, one, _reference, _sums, span):
        spans[one.name] = span
        return (off, "sum") if one.name == "one" else (delay, "recorded")

    monkeypatch.setattr(laid_kit, "_laid", laid)
    rows = [TrackDelay("one", sure), TrackDelay("two", UNTOLD), TrackDelay("right", UNTOLD)]
    laid_on_strokes(tracks["left"], [tracks[row.track] for row in rows], rows)
    assert spans["two"][1] == pytest.approx(132 / RATE)


def test_a_mic_without_strokes_of_its_own_says_nothing_of_where_another_lies(rng):
    """However sure its delay is: it is not laid by it."""
    tracks = kit(rng) | {"mute": Track.from_array("mute", np.zeros(12 * RATE), RATE)}
    sure = Delay(-8e-3, 1e-5, 1, 1.0, 0.99, True, None)
    rows = [TrackDelay("mute", sure), TrackDelay("one", UNTOLD), TrackDelay("right", UNTOLD)]
    laid = laid_on_strokes(tracks["left"], [tracks[row.track] for row in rows], rows)
    assert -laid.rows[1].delay.delay_s == pytest.approx(132 / RATE, abs=3e-4)


@pytest.mark.parametrize(
    ("others", "shift_s"), [((2.0e-3, 2.6e-3), 132 / RATE), ((6.0e-3, 6.6e-3), None), (None, 132 / RATE)]
)
def test_a_mic_whose_arrival_is_not_known_is_laid_near_those_of_the_others(rng, others, shift_s):
    """Its best sum lies 3 ms off; where the others arrive 6 ms before the overheads that is another drum's."""
    tracks = kit(rng)
    heard = {name: listen(track) for name, track in tracks.items()}
    rest = [PlacedTrack(tracks["left"]), PlacedTrack(tracks["right"])]
    span = laid_kit._span(others or ())
    guess = replace(UNTOLD, delay_s=-8.5e-3, confidence=0.4)  # as likely as to look there, were it not for the others
    told = UNTOLD if others is None else guess
    delay, basis = laid_kit._laid(told, heard["one"], heard["left"], (rest, ()), span)
    if shift_s is None:
        assert (basis == "recorded") or -delay.delay_s > 4e-3
    else:
        assert (basis, -delay.delay_s) == ("sum", pytest.approx(shift_s, abs=3e-4))
