"""What stands over a kit and how its close mics are laid where no scene says anything, on kits of two drums."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from two_drums import RATE, UNTOLD, called, kit, onto, roomy

from micalign.alignment import laid_kit, over_kit
from micalign.alignment.laid_kit import LaidKit, laid_on_strokes
from micalign.alignment.network import Constraints
from micalign.alignment.own_strokes import Place
from micalign.alignment.pairings import Measured, measured
from micalign.alignment.session import planned
from micalign.report.measure_words import kit_lines
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, TrackDelay, doubted
from micalign.tdoa.strokes import listen


def test_two_mics_over_a_kit_hear_it_alike_and_a_close_mic_does_not(rng):
    heard = {name: listen(track) for name, track in kit(rng).items()}
    spread_db = over_kit.level_spread_db
    assert spread_db(heard["left"], heard["right"]) < 8
    assert spread_db(heard["left"], heard["one"]) > 12
    assert spread_db(heard["left"], heard["one"]) == pytest.approx(spread_db(heard["one"], heard["left"]))


def test_the_pair_stays_and_close_mics_are_laid_on_their_strokes(rng):
    tracks = kit(rng)
    names = ("one", "two", "right")
    rows = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names]).rows
    told = {row.track: row.delay for row in rows}
    assert (told["right"].delay_s, told["right"].reliable) == (0.0, True)
    assert "pair stays" in told["right"].reason
    # A shift is what alignment applies, a delay its opposite.
    assert -142 / RATE < told["one"].delay_s < -131 / RATE
    assert -191 / RATE < told["two"].delay_s < -159 / RATE
    assert all("best sum on" in told[name].reason for name in ("one", "two"))


def test_a_track_that_surely_comes_much_later_is_no_track_of_the_kit(rng):
    tracks = kit(rng)
    far = Delay(0.4, 1e-6, 1, 1.0, 1.0, True, None)
    names = ("one", "two", "right")
    rows = [TrackDelay(n, far if n == "two" else UNTOLD) for n in names]
    told = {row.track: row.delay for row in laid_on_strokes(tracks["left"], [tracks[n] for n in names], rows).rows}
    assert told["two"] is far
    assert "best sum on" in told["one"].reason


def test_without_a_kit_nothing_is_changed(rng):
    sound = rng.normal(size=4 * RATE)
    tracks = [Track.from_array(name, np.roll(sound, k), RATE) for k, name in enumerate(("a", "b"))]
    rows = (TrackDelay("b", UNTOLD),)
    assert laid_on_strokes(tracks[0], tracks[1:], rows) == LaidKit(rows, {})


def test_an_inverted_mic_of_the_pair_over_a_kit_is_turned_and_stays(rng):
    tracks = kit(rng)
    tracks["right"] = Track.from_array("right", -tracks["right"].read(), RATE)
    names = ("one", "two", "right")
    rows = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names]).rows
    told = {row.track: row.delay for row in rows}
    assert (told["right"].delay_s, told["right"].polarity, told["right"].reliable) == (0.0, -1, True)
    assert "its lows cancel those of 'left'" in told["right"].reason
    # What says the polarity is clear enough that it is acted upon, however doubtful it was before.
    found = planned(Measured("left", RATE, rows, None), Constraints("left"))
    assert found.shift("right").polarity_flip
    assert -142 / RATE < told["one"].delay_s < -131 / RATE
    assert told["one"].polarity == 1


@pytest.mark.parametrize("of", ["left", "right"])
def test_how_the_other_mic_of_the_pair_is_wired_says_nothing_of_a_close_mic(rng, of):
    """As recorded an inverted mic takes much of the sum away, its exact inverse all of it: no level to lay a mic at."""
    tracks = kit(rng)
    laid = []
    for polarity in (1, -1):
        right = Track.from_array("overhead right", polarity * tracks[of].read(), RATE)
        left = Track.from_array("overhead left", tracks["left"].read(), RATE)
        rows = [TrackDelay(name, UNTOLD) for name in ("one", "two", right.name)]
        rows = laid_on_strokes(left, [tracks["one"], tracks["two"], right], rows).rows
        assert rows[2].delay.polarity == polarity
        laid.append([(row.delay.delay_s, row.delay.polarity, row.delay.reason) for row in rows[:2]])
    assert laid[0] == laid[1]
    assert "best sum" in laid[0][0][2]


def test_copies_of_one_sound_at_other_delays_are_no_kit(rng):
    """However much earlier some of them are, every one is laid by its own delay."""
    sound = sum(kit(rng)[name].read() for name in ("left", "right"))
    tracks = [Track.from_array(f"at {k}", np.roll(sound, k), RATE) for k in (200, 0, 90, 210)]
    rows = tuple(
        TrackDelay(track.name, Delay((k - 200) / RATE, 1e-6, 1, 1.0, 1.0, True, None))
        for track, k in zip(tracks[1:], (0, 90, 210), strict=True)
    )
    assert laid_on_strokes(tracks[0], tracks[1:], rows) == LaidKit(rows, {})


@pytest.mark.parametrize(
    ("order", "found"), [(("one", "two", "left", "right"), "left"), (("right", "two", "left", "one"), "right")]
)
def test_what_stands_over_a_kit_is_known_by_its_sound(rng, order, found):
    """Of the two, that which was named first."""
    assert onto(kit(rng), *order) == found


@pytest.mark.parametrize("first", ["one", "far left"])
def test_overheads_go_before_a_rooms_pair(rng, first):
    tracks = called(roomy(kit(rng)), **{"room left": "far left", "room right": "far right"})
    rest = [name for name in ("one", "far left", "far right", "two", "right", "left") if name != first]
    assert onto(tracks, first, *rest) in ("left", "right")


def test_what_is_called_a_room_mic_stands_over_no_kit(rng):
    """Two mics that look like overheads in all but their name: nothing else stands over the kit, so nothing moves."""
    tracks = called(kit(rng), left="amb left", right="amb right")
    found = measured(
        tracks["one"], [tracks[k] for k in ("two", "amb left", "amb right")], on_strokes=True, over_kit=True
    )
    assert set(found.basis.values()) == {"recorded"}


@pytest.mark.parametrize("words", ["overhead", "room"])
@pytest.mark.parametrize("polarity", [1, -1])
def test_mics_over_a_kit_or_in_its_room_stay_where_no_close_mic_is_among_them(rng, words, polarity):
    """Moved by one drum's delay the other drums would come from elsewhere; lows that cancel are turned."""
    tracks = kit(rng)
    pair = [Track.from_array(f"{words} {side}", tracks[side].read(), RATE) for side in ("left", "right")]
    pair[1] = Track.from_array(pair[1].name, polarity * pair[1].read(), RATE)
    offsets = planned(measured(pair[0], pair[1:], on_strokes=True, over_kit=True), Constraints(pair[0].name))
    stays = offsets.shifts[1]
    assert (stays.shift_s, stays.delay_s, stays.uncertainty_s, stays.basis) == (0.0, 0.0, 0.0, "recorded")
    assert (stays.applied, stays.polarity_flip) == (True, polarity < 0)
    assert ("--reference" in stays.reason, "lows cancel" in stays.reason) == (polarity > 0, polarity < 0)
    assert "stays as recorded" in offsets.compromise
    # Who names the reference means it.
    named = measured(pair[0], pair[1:], on_strokes=True).tracks[0].delay
    assert abs(named.delay_s * RATE) > 5


def test_an_overhead_that_is_later_than_any_kit_is_wide_is_laid_by_its_own_delay_and_a_silent_one_is_told(rng):
    """A recorder that began later, and a mic that was off."""
    tracks = kit(rng)
    late = np.roll(tracks["right"].read(), 900)
    others = [Track.from_array("oh 2", late, RATE), Track.from_array("oh 3", np.zeros(len(late)), RATE)]
    found = measured(Track.from_array("oh 1", tracks["left"].read(), RATE), others, on_strokes=True, over_kit=True)
    far, silent = (row.delay for row in found.tracks)
    assert 860 < far.delay_s * RATE < 920
    assert not silent.reliable
    assert found.basis == {}


def test_three_mics_at_one_source_are_no_kit_whatever_one_is_called(rng):
    """Each is laid by its own delay, though one is called an overhead."""
    noise = rng.normal(size=6 * RATE)
    steps = np.arange(6 * RATE)
    sound = 0.2 * np.where(steps % (RATE // 2) < RATE // 5, noise, 0.0) * np.exp(-(steps % (RATE // 2)) / (0.1 * RATE))
    late = {"close": 0, "body": 15, "overhead": 150}
    tracks = {
        name: Track.from_array(name, np.roll(sound, shift) + 1e-4 * rng.normal(size=len(sound)), RATE)
        for name, shift in late.items()
    }
    found = measured(tracks["close"], [tracks["body"], tracks["overhead"]], on_strokes=True, over_kit=True)
    told = {row.track: row.delay for row in found.tracks}
    assert all(told[name].reliable for name in ("body", "overhead"))
    assert {name: one.delay_s * RATE for name, one in told.items()} == pytest.approx(
        {"body": 15, "overhead": 150}, abs=0.5
    )


@pytest.mark.parametrize("surely", [UNTOLD, Delay(-102 / RATE, 1e-5, 1, 1.0, 0.99, True, None)])
@pytest.mark.parametrize(("parted_db", "stays"), [(30.0, True), (1.0, False)])
def test_a_mic_whose_drum_is_not_struck_stays(rng, monkeypatch, parted_db, stays, surely):
    """It hears the first drum 0.7 ms after that drum's own two mics, surely or not, and nothing before others.

    Unless its strokes stand out so much that they are likely its own.
    """
    monkeypatch.setattr(laid_kit, "PARTED_DB", parted_db)
    monkeypatch.setattr(laid_kit, "_led", lambda *_: {})
    tracks = kit(rng)
    quiet = 1e-5 * rng.normal(size=12 * RATE)
    heard = 0.1 * np.roll(tracks["one"].read(), 30) + 0.02 * np.roll(tracks["two"].read(), 44)
    tracks["tom"] = Track.from_array("tom", heard + quiet, RATE)
    tracks["other head"] = Track.from_array("other head", -np.roll(tracks["one"].read(), 4), RATE)
    names = ("one", "two", "right", "other head", "tom")
    rows = [TrackDelay(n, surely if n == "tom" else UNTOLD) for n in names]
    found = laid_on_strokes(tracks["left"], [tracks[n] for n in names], rows)
    tom = found.rows[-1].delay
    assert (tom.delay_s == 0.0, found.basis["tom"] == "recorded") == (stays, stays)
    assert ("its strokes hardly stand out" in tom.reason) is stays
    assert found.basis["one"] == "sum"


@pytest.mark.parametrize("led_s", [0.3e-3, 1.0])
def test_a_mic_whose_strokes_another_hears_first_and_as_loud_as_its_own_stays(rng, monkeypatch, led_s):
    """It stands out of its bleed and hears the first drum 0.7 ms after that drum's own mic, and the second one less."""
    monkeypatch.setattr(laid_kit, "LED_S", led_s)
    monkeypatch.setattr(laid_kit, "_bleed", lambda *_: [])
    tracks = kit(rng)
    heard = 0.1 * np.roll(tracks["one"].read(), 30) + 0.03 * np.roll(tracks["two"].read(), 44)
    tracks["tom"] = Track.from_array("tom", heard + 1e-5 * rng.normal(size=12 * RATE), RATE)
    names = ("one", "two", "right", "tom")
    found = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names])
    tom, stays = found.rows[-1].delay, led_s < 0.7e-3
    assert (tom.delay_s == 0.0, found.basis["tom"] == "recorded") == (stays, stays)
    assert ("its drum is not struck, as 'one' hears its strokes first" in tom.reason) is stays
    assert (found.basis["one"], found.basis["two"]) == ("sum", "sum")


@pytest.mark.parametrize(("well_db", "by"), [(laid_kit.PARTED_WELL_DB, {}), (99.0, {"one outside": "one"})])
def test_the_farther_of_two_mics_at_one_drum_is_no_unstruck_one(rng, monkeypatch, well_db, by):
    """Outside a kick it hears that 1.5 ms after the mic inside, 20 dB softer, and the other drum hardly."""
    monkeypatch.setattr(laid_kit, "PARTED_WELL_DB", well_db)
    tracks = kit(rng)
    tracks["one outside"] = Track.from_array("one outside", 0.1 * np.roll(tracks["one"].read(), 66), RATE)
    heard = {name: listen(track) for name, track in tracks.items()}
    close = {name: heard[name] for name in ("one", "two", "one outside")}
    assert laid_kit._led([heard["left"], heard["right"]], close) == by


def test_the_only_mic_at_a_drum_is_no_unstruck_one_though_another_drums_hears_it_first(rng):
    """That hears the drum 0.5 ms before it, 10 dB softer, and its own far louder."""
    tracks = kit(rng)
    heard = 0.1 * np.roll(tracks["one"].read(), 84) + 0.03 * np.roll(tracks["two"].read(), 44)
    tracks["tom"] = Track.from_array("tom", heard + 1e-5 * rng.normal(size=12 * RATE), RATE)
    told = {name: listen(track) for name, track in tracks.items()}
    over = [told["left"], told["right"]]
    assert laid_kit._led(over, {name: told[name] for name in ("two", "tom")}) == {}
    assert laid_kit._led(over, {name: told[name] for name in ("one", "two", "tom")}) == {"tom": "one"}


@pytest.mark.parametrize("gain", [1.0, 0.03])
def test_it_is_said_who_of_all_hears_a_mics_strokes_first_whatever_the_gains(rng, gain):
    """Both heads of one drum do, the struck one before the other."""
    tracks = kit(rng)
    one = tracks["one"].read()
    sounds = {"tom": 0.1 * np.roll(one, 30) + 0.03 * np.roll(tracks["two"].read(), 44)}
    sounds |= {"one": gain * one, "other head": -gain * np.roll(one, 4)}
    tracks |= {name: Track.from_array(name, x + 1e-5 * rng.normal(size=12 * RATE), RATE) for name, x in sounds.items()}
    told = {name: listen(track) for name, track in tracks.items()}
    close = {name: told[name] for name in ("other head", "one", "two", "tom")}
    assert laid_kit._led([told["left"], told["right"]], close) == {"tom": "one"}


def test_mics_that_are_never_recorded_at_once_say_nothing_of_each_other(rng):
    tracks = kit(rng)
    heard = 0.1 * np.roll(tracks["one"].read(), 66) + 0.03 * np.roll(tracks["two"].read(), 66)
    heard[: 7 * RATE] = 0.0
    tracks["tom"] = Track.from_array("tom", heard + 1e-5 * rng.normal(size=12 * RATE), RATE)
    tracks["one"] = Track.from_array("one", tracks["one"].read(0, 5 * RATE), RATE)
    told = {name: listen(track) for name, track in tracks.items()}
    assert laid_kit._led([told["left"], told["right"]], {name: told[name] for name in ("one", "tom")}) == {}


@pytest.mark.parametrize(("late", "early", "by"), [(66, 0, {"tom": "one"}), (66, 150, {"tom": "one"}), (250, 0, {})])
def test_a_mic_that_hears_its_strokes_well_after_the_overheads_began_at_another_time(rng, late, early, by):
    """After both: one overhead alone may hang nearer to the drum than the mic stands."""
    tracks = kit(rng)
    tracks["right"] = Track.from_array("right", np.roll(tracks["right"].read(), -early), RATE)
    heard = 0.1 * np.roll(tracks["one"].read(), late) + 0.03 * np.roll(tracks["two"].read(), late)
    tracks["tom"] = Track.from_array("tom", heard + 1e-5 * rng.normal(size=12 * RATE), RATE)
    told = {name: listen(track) for name, track in tracks.items()}
    close = {name: told[name] for name in ("one", "two", "tom")}
    assert laid_kit._led([told["left"], told["right"]], close) == by


def test_a_mic_far_louder_than_the_overheads_is_at_a_drum_that_is_struck(rng, monkeypatch):
    """However little its strokes stand out, and whoever hears them first: bleed is no louder than the overheads."""
    monkeypatch.setattr(laid_kit, "PARTED_DB", 99.0)
    tracks = kit(rng)
    heard = 0.1 * np.roll(tracks["one"].read(), 30) + 0.02 * np.roll(tracks["two"].read(), 44)
    listened = {name: listen(track) for name, track in tracks.items()}
    told, over = over_kit.heard_kit(list(listened.values())), [listened["left"], listened["right"]]
    for gain, is_bleed in ((1.0, True), (100.0, False)):
        tom = listen(Track.from_array("tom", gain * heard + 1e-5 * rng.normal(size=12 * RATE), RATE))
        assert (laid_kit._bleed(told, over, {"tom": tom}) == ["tom"]) is is_bleed


@pytest.mark.parametrize("known", [UNTOLD, Delay(-132 / RATE, 1e-5, -1, 0.0, 1.0, True, None)])
def test_where_the_arrival_does_not_tell_the_polarity_the_sum_does_and_that_is_said(rng, known):
    """What its strokes gain is told of the polarity in which the mic is written."""
    tracks = kit(rng, polarity=-1)
    names = ("one", "two", "right")
    rows = [TrackDelay(n, known if n == "one" else UNTOLD) for n in names]
    one = laid_on_strokes(tracks["left"], [tracks[n] for n in names], rows).rows[0].delay
    assert (one.polarity, one.is_polarity_clear, one.reason.split("; ")[-1]) == (
        -1,
        True,
        "its polarity is told by this sum, not by its arrival",
    )


@pytest.mark.parametrize(("gain", "stays"), [(0.04, True), (0.12, False)])
def test_a_mic_that_is_far_softer_than_the_overheads_stays(rng, gain, stays):
    """It hears the first drum even before that drum's own mic, 17 and 7 dB under what the overheads hear."""
    tracks = kit(rng)
    soft = gain * np.roll(tracks["one"].read(), -20) + 1e-6 * rng.normal(size=12 * RATE)
    tracks["tom"] = Track.from_array("tom", soft, RATE)
    names = ("one", "two", "right", "tom")
    found = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names])
    tom = found.rows[-1].delay
    assert (tom.delay_s == 0.0, "far softer than 'left'" in tom.reason) == (stays, stays)


def test_one_overhead_is_found_as_well(rng):
    assert onto(kit(rng), "one", "two", "left") == "left"


class Counted:
    """Samples that remember which of the long blocks were read in which a track is listened to."""

    def __init__(self, samples):
        self.samples, self.starts = samples, []

    def read(self, start, frames):
        if frames > RATE:
            self.starts.append(start)
        return self.samples.read(start, frames)


@pytest.mark.parametrize("options", [{}, {"on_strokes": True}, {"on_strokes": True, "over_kit": True}])
def test_each_track_is_listened_to_once_whatever_is_asked_of_it(rng, options):
    tracks = kit(rng)
    counted = [replace(tracks[name], samples=Counted(tracks[name].samples)) for name in ("one", "two", "left", "right")]
    found = measured(counted[0], counted[1:], **options)
    assert found.named == ("one" if "over_kit" in options else None)
    for track in counted:
        assert len(track.samples.starts) == len(set(track.samples.starts)) > 1


def test_copies_of_one_mic_are_no_kit_and_the_first_of_them_stays_the_reference(rng):
    tracks = kit(rng)
    copies = {name: Track.from_array(name, tracks["left"].read(), RATE) for name in ("a", "b", "c", "d")}
    assert onto(copies, *copies) == "a"


def test_what_a_shift_follows_from_is_told(rng):
    """A track that stays has a delay by the shifts alone: it is not to be taken for a measured one."""
    tracks = roomy(kit(rng))
    names = ("one", "two", "left", "right", "room left")
    found = measured(tracks["one"], [tracks[name] for name in names[1:]], on_strokes=True, over_kit=True)
    offsets = planned(found, Constraints("one"))
    assert {one.track: one.basis for one in offsets.shifts} == {
        "one": "arrival", "two": "arrival", "left": "reference", "right": "recorded", "room left": "recorded"
    }  # fmt: skip
    assert offsets.shift("right").delay_s == offsets.shift("one").shift_s > 0


def test_a_close_mic_that_happens_to_be_first_moves_nothing_where_no_track_is_surely_over_the_kit(rng):
    """One that was named with --reference does: that was meant."""
    tracks = kit(rng)
    first, *others = (tracks[name] for name in ("one", "two", "right"))
    others[1] = Track.from_array("near", np.roll(tracks["one"].read(), 20), RATE)
    found = measured(first, others, on_strokes=True, over_kit=True)
    assert [(row.delay.delay_s, row.delay.reliable) for row in found.tracks] == [(0.0, False)] * 2
    assert all("name it by --reference" in row.delay.reason for row in found.tracks)
    assert all("where none does, leave them so" in row.delay.reason for row in found.tracks)
    assert measured(first, others, on_strokes=True).tracks != found.tracks
    # It is done, and what that is worth is said; of one that stands over the kit nothing is to be said.
    found = measured(first, others, on_strokes=True, over_kit=True, stays=True)
    meant = planned(found, Constraints("one"))
    assert "over which 'one' does not stand" in meant.compromise
    assert "may add up to less" in meant.compromise
    # Where nothing is sure nothing is laid.
    unsure = tuple(TrackDelay(row.track, doubted(row.delay, "not clear")) for row in found.tracks)
    assert "may add up to less" not in planned(replace(found, tracks=unsure), Constraints("one")).compromise
    told = kit(rng)
    over = [told[name] for name in ("one", "two", "right")]
    meant = planned(measured(told["left"], over, on_strokes=True, over_kit=True, stays=True), Constraints("left"))
    assert "may add up to less" not in meant.compromise


def test_room_mics_stay_and_say_why(rng):
    tracks = roomy(kit(rng))
    names = ("one", "two", "right", "room left", "room right")
    rows = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names]).rows
    told = {row.track: row.delay for row in rows}
    assert all((told[name].delay_s, told[name].reliable) == (0.0, True) for name in ("room left", "room right"))
    assert "as a mic in the room or one whose drum is not struck" in told["room left"].reason
    assert "best sum on" in told["one"].reason


def test_with_a_close_mic_first_the_pair_stays_all_the_same(rng):
    """Delays are told against the track that was named; what is written is as with an overhead first, but for that."""
    tracks = kit(rng)
    names = ("one", "two", "right", "left")
    found = measured(tracks["one"], [tracks[n] for n in names[1:]], on_strokes=True, over_kit=True)
    assert (found.reference in ("left", "right"), found.named) == (True, "one")
    offsets = planned(found, Constraints("one"))
    assert (offsets.reference, offsets.onto) == ("one", found.reference)
    shifts = {one.track: one.shift_s for one in offsets.shifts}
    assert shifts["left"] == shifts["right"] == 0.0
    assert 131 / RATE < shifts["one"] < 142 / RATE
    for one in offsets.shifts:
        assert one.delay_s + one.shift_s - shifts["one"] == pytest.approx(0.0, abs=1e-12)
    sigmas_s = {one.track: one.uncertainty_s for one in offsets.shifts}
    laid = {row.track: row.delay.uncertainty_s for row in found.tracks}
    assert (sigmas_s["one"], sigmas_s[offsets.onto]) == (0.0, laid["one"])
    assert sigmas_s["two"] == pytest.approx(np.hypot(laid["one"], laid["two"]))
    named = measured(tracks["one"], [tracks[n] for n in names[1:]], on_strokes=True)
    assert (named.reference, named.named) == ("one", None)


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_close_mic_that_is_meant_stays_and_the_kit_moves_as_one(rng, polarity):
    """Its places against each other are those of the kit laid onto its overheads; so are its room mics."""
    tracks = roomy(kit(rng, polarity=polarity))
    first, *others = (tracks[name] for name in ("one", "two", "left", "right", "room left", "room right"))
    plain = planned(measured(first, others, on_strokes=True, over_kit=True), Constraints("one"))
    meant = planned(measured(first, others, on_strokes=True, over_kit=True, stays=True), Constraints("one"))
    assert (meant.reference, meant.onto, meant.shift("one").basis) == ("one", None, "reference")
    by, turned = plain.shift("one").shift_s, plain.shift("one").polarity_flip
    assert (by > 2e-3, turned) == (True, polarity < 0)
    for one, other in ((meant.shift(name), plain.shift(name)) for name in tracks):
        assert one.shift_s == pytest.approx(other.shift_s - by)
        assert one.polarity_flip is (other.polarity_flip != turned)
        assert one.delay_s + one.shift_s == pytest.approx(0.0, abs=1e-12)
    assert meant.shift("right").reason.startswith("moves with 'left'")
    assert meant.shift("left").basis == plain.shift("one").basis
    # No further than is allowed, as everywhere.
    held = measured(first, others, on_strokes=True, over_kit=True, stays=True)
    assert not planned(held, Constraints("one", max_shift_s=1e-3)).shift("left").applied


@pytest.mark.parametrize("named", ["right", "room left"])
def test_a_mic_that_is_meant_and_is_at_no_drum_stays_and_moves_nothing_else(rng, named):
    tracks = roomy(kit(rng))
    others = [track for name, track in tracks.items() if name != named]
    meant = planned(measured(tracks[named], others, on_strokes=True, over_kit=True, stays=True), Constraints(named))
    assert [meant.shift(name).shift_s for name in ("left", "right", "room left")] == [0.0] * 3
    assert meant.reference == named
    assert 131 / RATE < meant.shift("one").shift_s < 142 / RATE


def test_the_mic_of_a_drums_other_head_is_laid_by_arrival_and_turned(rng):
    """Where nothing stands over the kit, a drum's own mic that is named is no such mic either."""
    tracks = kit(rng)
    other = Track.from_array("other head", -np.roll(tracks["one"].read(), 3) + 1e-5 * rng.normal(size=12 * RATE), RATE)
    found = measured(tracks["one"], [other, tracks["two"]], on_strokes=True, over_kit=True, stays=True)
    head = planned(found, Constraints("one")).shift("other head")
    assert (head.polarity_flip, head.basis) == (True, "arrival")
    assert head.shift_s * RATE == pytest.approx(-3, abs=0.1)


@pytest.mark.parametrize(
    ("names", "better", "said"),
    [
        (("one", "two", "left", "right"), "left", "Against 'left', which stands over it, each close mic's is its own"),
        (("left", "one", "two", "right"), None, ""),
        (("one", "two", "left"), "left", "--reference left."),
        (("one", "left"), None, ""),
    ],
)
def test_measured_against_one_drums_mic_a_kit_is_said_to_have_as_many_delays_as_drums(rng, names, better, said):
    tracks = kit(rng)
    first, *others = (tracks[name] for name in names)
    found = measured(first, others)
    assert (found.reference, found.better, found.of_a_kit) == (names[0], better, better is not None)
    lines = list(kit_lines(found))
    assert len(lines) == bool(said)
    assert all(f"over which '{names[0]}' does not stand" in line and said in line for line in lines)


def test_a_third_mic_over_the_kit_that_was_named_first_stays_though_all_is_laid_onto_the_pair(rng):
    """It hangs 1 ms behind them and its lows do not meet theirs: where it stands in the list is no hint."""
    tracks = kit(rng)
    tracks["middle"] = Track.from_array("middle", np.roll(tracks["left"].read(), 44), RATE)
    names = ("one", "two", "left", "right")
    found = measured(tracks["middle"], [tracks[n] for n in names], on_strokes=True, over_kit=True)
    assert (found.reference, found.named) == ("left", "middle")
    middle = next(row.delay for row in found.tracks if row.track == "middle")
    assert (middle.delay_s, middle.reliable) == (0.0, True)


@pytest.mark.parametrize(("name", "stays"), [("room", True), ("second kit", False)])
def test_a_room_mic_may_stand_as_far_off_as_it_likes(rng, name, stays):
    """6 m behind the overheads is an ordinary room; what else comes so late is no track of this kit."""
    tracks = kit(rng)
    late = np.roll(tracks["left"].read(), round(0.0176 * RATE))
    tracks[name] = Track.from_array(name, 0.5 * late, RATE)
    far = replace(UNTOLD, delay_s=0.0176, confidence=0.99, reliable=True, reason=None)
    names = ("one", "two", "right", name)
    rows = [TrackDelay(one, far if one == name else UNTOLD) for one in names]
    laid = laid_on_strokes(tracks["left"], [tracks[one] for one in names], rows)
    assert (laid.basis.get(name) == "recorded") == stays


def test_without_a_sure_arrival_no_mic_is_looked_for_farther_than_a_pair_hangs_over_a_kit():
    """Half a period of a kick off, 6 ms late, its lows may sum as well as where it arrives."""
    near, late = (Delay(-at_s, 1e-4, 1, 0.0, 0.5, False, "in doubt") for at_s in (3.2e-3, 6.2e-3))
    assert laid_kit._where(near, None) == (None, Place(3.2e-3), pytest.approx((1.2e-3, 4.5e-3)))
    assert laid_kit._where(late, None) == (None, None, (0.0, 4.5e-3))
    sure = replace(late, confidence=1.0, reliable=True, reason=None)
    assert laid_kit._where(sure, None)[2] == pytest.approx((4.2e-3, 8.2e-3))
