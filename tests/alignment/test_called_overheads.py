"""What is called an overhead is believed to be one, unless what it hears says otherwise."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import lfilter
from two_drums import RATE, UNTOLD, called, kit, onto

from micalign.alignment import pairings
from micalign.alignment.laid_kit import laid_on_strokes
from micalign.alignment.network import Constraints
from micalign.alignment.offsets import Offsets, Shift, held_against, still
from micalign.alignment.pairings import Measured, measured
from micalign.alignment.session import planned
from micalign.take.tracks import Track
from micalign.tdoa.delays import TrackDelay
from micalign.tdoa.strokes import listen

_SIDE = (("OHL", "left", 0), ("room-oh 2", "left", 66))


def offsets_of(tracks, *names):
    """How the tracks are laid, the first of them named first."""
    first, *others = (tracks[name] for name in names)
    return planned(measured(first, others, on_strokes=True, over_kit=True), Constraints(first.name))


def test_what_is_called_an_overhead_is_one_unless_it_hears_the_drums_as_their_own_mics_do(rng):
    """Two mics at the kit's side whose levels and lows say nothing; then a close mic of that name."""
    tracks = kit(rng)
    names = ("one", "two", "OHL", "room-oh 2")
    tracks["OHL"], tracks["room-oh 2"] = (
        Track.from_array(name, np.roll(tracks[of].read(), late), RATE) for name, of, late in _SIDE
    )
    assert onto(tracks, *names) == "OHL"
    found = measured(tracks["one"], [tracks[name] for name in names[1:]], on_strokes=True, over_kit=True)
    offsets = planned(found, Constraints("one"))
    assert "'OHL' is taken by its name to stand over the whole kit, rather than 'one', named first: all is laid" in (
        offsets.compromise
    )
    assert offsets.shift("room-oh 2").shift_s == 0.0
    liars = {**kit(rng), "oh": Track.from_array("oh", tracks["one"].read(), RATE)}
    assert onto(liars, "oh", "two", "left", "right") == "left"


@pytest.mark.parametrize("first", ["overhead guitar", "left OH", "one"])
def test_what_is_called_an_overhead_and_hears_another_sound_does_not_stand_in_for_the_pair(rng, first):
    """A guitar in the same room, strummed in another rhythm."""
    tracks = called(kit(rng), left="left OH", right="right OH")
    strum = 0.3 * np.exp(-(np.arange(12 * RATE) % round(0.61 * RATE)) / 4000) * rng.normal(size=12 * RATE)
    tracks["overhead guitar"] = Track.from_array("overhead guitar", strum, RATE)
    names = ("overhead guitar", "one", "two", "left OH", "right OH")
    assert onto(tracks, first, *(name for name in names if name != first)) == "left OH"
    plain, besides = (
        laid_on_strokes(tracks["left OH"], [tracks[n] for n in these], [TrackDelay(n, UNTOLD) for n in these])
        for these in (("right OH", "one", "two"), ("overhead guitar", "right OH", "one", "two"))
    )
    assert [row.delay for row in besides.rows[2:]] == [row.delay for row in plain.rows[1:]]
    assert "the pair stays" in besides.rows[1].delay.reason


@pytest.mark.parametrize("kind", ["guitar", "rumble"])
def test_a_track_that_does_not_rise_with_the_drums_is_no_overhead_though_it_is_called_one(rng, kind):
    """A guitar in another rhythm, and noise so deep that it has strokes of its own: the pair is found by its sound."""
    tracks = kit(rng)
    alone = offsets_of(tracks, "one", "two", "left", "right")
    noise = rng.normal(size=12 * RATE)
    strum = 0.3 * np.exp(-(np.arange(12 * RATE) % round(0.61 * RATE)) / 4000) * noise
    sound = strum if kind == "guitar" else lfilter([3e-4], [1.0, -0.999], noise)
    tracks["overhead"] = Track.from_array("overhead", sound, RATE)
    assert len(listen(tracks["overhead"]).strokes.samples) > 10
    found = offsets_of(tracks, "one", "two", "left", "right", "overhead")
    assert found.onto == alone.onto == "left"
    for name in ("one", "two", "right"):
        assert found.shift(name).shift_s == alone.shift(name).shift_s
    assert found.shift("overhead").shift_s == 0.0


def test_where_nothing_is_laid_onto_what_is_called_an_overhead_the_words_say_no_more_than_its_name():
    stays = Shift("snare", 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True, basis="recorded")
    offsets = Offsets("overhead", RATE, (still("overhead"), stays), compromise="every track stays as recorded")
    words = held_against(offsets, "snare", by_name=True).compromise
    assert words == (
        "'overhead' is taken by its name to stand over the whole kit, rather than 'snare', named first (where it is "
        "not over this kit, call it something else); every track stays as recorded"
    )


def aligned(tracks, *names):
    """The shifts of the tracks in samples, and what they are laid onto, the first of them named first."""
    offsets = offsets_of(tracks, *names)
    return {one.track: one.shift_s * RATE for one in offsets.shifts}, offsets.onto or offsets.reference


def test_where_no_drum_has_enough_strokes_the_names_tell_what_stands_over_the_kit(rng):
    """Two strokes of one drum and three of the other, and what is named first is neither."""
    tracks = called(kit(rng, seconds=3.0), left="oh left", right="oh right")
    assert onto(tracks, "one", "two", "oh left", "oh right") == "oh left"
    assert onto(tracks, "one", "two", "oh right") == "oh right"


@pytest.mark.parametrize("names", [("oh right", "one", "oh left"), ("one", "oh right", "oh left")])
def test_over_a_single_drum_what_is_called_overheads_stays(rng, names):
    """Its mic knows all that they hear, so that nothing but their names tells a kit."""
    tracks = called(kit(rng), left="oh left", right="oh right")
    tracks["one"] = Track.from_array("one", tracks["one"].read() + np.roll(tracks["two"].read(), -60), RATE)
    shifts, reference = aligned(tracks, *names)
    assert (shifts["oh left"], shifts["oh right"], reference) == (0.0, 0.0, "oh right")


@pytest.mark.parametrize("seed", [0, 1])
def test_two_drums_are_laid_onto_the_one_track_that_is_called_an_overhead(seed):
    """Also where one drum is much the softer, so that the overhead's strokes are all the other's."""
    tracks = called(kit(np.random.default_rng(seed)), left="oh")
    tracks["oh"] = Track.from_array("oh", tracks["oh"].read() + np.roll(tracks["one"].read(), 132), RATE)
    shifts, reference = aligned(tracks, "one", "two", "oh")
    assert (shifts["oh"], reference) == (0.0, "oh")
    assert 120 < shifts["one"] < 142


def test_one_drums_mic_and_one_that_hears_all_and_later_are_a_kit_under_what_is_called_an_overhead(rng):
    """A kick's mic that takes much of the kit seems to stand in the room: the other drum is laid all the same."""
    tracks = called(kit(rng), left="oh")
    late = round(3e-3 * RATE)
    boom = np.roll(tracks["oh"].read(), late) + 0.6 * np.roll(tracks["two"].read(), 190 + late)
    tracks["kick"] = Track.from_array("kick", boom, RATE)
    shifts, reference = aligned(tracks, "oh", "one", "kick")
    assert (shifts["kick"], reference) == (0.0, "oh")
    assert 120 < shifts["one"] < 142
    found = measured(tracks["oh"], [tracks["one"], tracks["kick"]], on_strokes=True, over_kit=True)
    assert found.on_strokes
    assert "as a mic in the room" in next(row.delay.reason for row in found.tracks if row.track == "kick")


def test_what_a_loudspeaker_makes_of_a_di_is_no_kit_though_its_mics_are_called_overheads(rng, monkeypatch):
    """A kit's tracks are laid on its strokes, and with a DI's sum among them they are not."""
    tracks = called(kit(rng), left="oh left", right="oh right")
    first, *others = (tracks[name] for name in ("oh left", "one", "two", "oh right"))
    rows = tuple(TrackDelay(track.name, UNTOLD) for track in others)
    for sums in ((), (SimpleNamespace(track="one"),)):
        found = Measured("oh left", RATE, rows, sums=sums)
        monkeypatch.setattr(pairings, "_with_sums", lambda *_, found=found: found)
        assert measured(first, others, on_strokes=True, over_kit=True).on_strokes is not bool(sums)


def test_an_overhead_in_which_nothing_is_is_told_and_none_is_laid_onto_it(rng):
    """Its name says that it hears the kit: another of that name does."""
    tracks = called(kit(rng), left="left OH", right="right OH")
    tracks["OH"] = Track.from_array("OH", np.zeros(12 * RATE), RATE)
    names = ("OH", "one", "two", "right OH")
    found = measured(tracks["left OH"], [tracks[name] for name in names], on_strokes=True, over_kit=True)
    without = measured(tracks["left OH"], [tracks[name] for name in names[1:]], on_strokes=True, over_kit=True)
    assert found.tracks[1:] == without.tracks
    assert (found.tracks[0].delay.reliable, found.tracks[0].delay.reason) == (False, "'OH' is silent")
    silent = planned(found, Constraints("left OH")).shift("OH")
    assert (silent.applied, silent.basis) == (False, "recorded")
    for order in (("one", "OH", "two", "right OH"), ("OH", "one", "two", "right OH")):
        assert onto(tracks, *order) == "right OH"


def line(rng, name, kind):
    """A line on which nothing is played: hiss, loud noise or the mains."""
    t = np.arange(12 * RATE) / RATE
    noise = {"hiss": 1e-4, "loud noise": 0.05, "hum": 1e-5}[kind] * rng.normal(size=len(t))
    hum = 0.02 * np.sin(2 * np.pi * 50.0 * t) + 0.01 * np.sin(2 * np.pi * 150.0 * t + 1.0) if kind == "hum" else 0.0
    return Track.from_array(name, noise + hum, RATE)


@pytest.mark.parametrize("kind", ["hiss", "loud noise", "hum"])
@pytest.mark.parametrize("dead_first", [True, False])
def test_a_line_that_hears_nothing_of_the_kit_is_no_overhead_whatever_it_is_called(rng, kind, dead_first):
    """The close mics are laid as if it were not there, and the remark says what is wrong with it."""
    tracks = called(kit(rng), left="overhead left")
    del tracks["right"]
    alone = offsets_of(tracks, "one", "two", "overhead left")
    tracks["overhead right"] = line(rng, "overhead right", kind)
    order = ("overhead right", "one", "two", "overhead left")
    found = offsets_of(tracks, *(order if dead_first else order[1:] + order[:1]))
    for name in ("one", "two"):
        assert found.shift(name).shift_s == alone.shift(name).shift_s > 2e-3
    assert (found.onto, found.shift("overhead left").shift_s) == ("overhead left", 0.0)
    dead = found.shift("overhead right")
    assert dead.shift_s == 0.0
    assert "no stroke stands out in it" in dead.reason


def test_two_lines_with_the_same_hum_are_no_pair_over_the_kit(rng):
    """Their lows meet better than any overheads' do, and alike at every stroke."""
    tracks = kit(rng) | {name: line(rng, name, "hum") for name in ("bass", "keys")}
    found = offsets_of(tracks, "one", "two", "bass", "keys", "left", "right")
    assert found.onto == "left"
    assert found.shift("one").shift_s > 2e-3
    assert {found.shift(name).shift_s for name in ("bass", "keys", "right")} == {0.0}


@pytest.mark.parametrize("frames", [0, 10, 4410, 12 * RATE])
def test_a_track_in_which_nothing_is_does_not_hide_the_kit(rng, frames):
    """Shorter than a millisecond, or muted: the others are laid as without it."""
    tracks = kit(rng)
    mute = Track.from_array("mute", np.zeros(frames), RATE)
    assert onto({**tracks, "mute": mute}, *tracks, "mute") == "left"
    names = ("one", "two", "right")
    rows = [TrackDelay(name, UNTOLD) for name in (*names, "mute")]
    told = laid_on_strokes(tracks["left"], [*(tracks[name] for name in names), mute], rows).rows
    assert told[:3] == laid_on_strokes(tracks["left"], [tracks[name] for name in names], rows[:3]).rows
    assert not told[3].delay.reliable
