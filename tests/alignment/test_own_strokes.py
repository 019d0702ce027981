"""A close mic laid where its own strokes add up best, on kits of two drums made here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.alignment import laid_kit, over_kit, own_strokes
from micalign.alignment.close_mics import Struck, laid_close_mics
from micalign.alignment.compromise import Offsets, Shift
from micalign.alignment.constraints import Constraints
from micalign.alignment.laid_kit import LaidKit, laid_on_strokes
from micalign.alignment.over_kit import reference_for
from micalign.alignment.own_strokes import Place, PlacedTrack, laid_by_strokes, lows_meet
from micalign.alignment.pairings import Measured, measured
from micalign.alignment.session import planned
from micalign.take.tracks import Track
from micalign.tdoa.delays import Delay, TrackDelay
from micalign.tdoa.strokes import listen

RATE = 44100
UNTOLD = Delay(0.0, 0.05, 1, 0.0, 0.0, False, "not measured here")


def drum(rng, hz, seconds=0.25):
    """A decaying tone with some noise on its beginning."""
    t = np.arange(int(seconds * RATE)) / RATE
    return np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.06) + 0.4 * rng.normal(size=len(t)) * np.exp(-t / 0.02)


def kit(rng, *, polarity=1, late=132, seconds=12.0):
    """Two drums, a mic at each that hears the other 30 dB down, and two mics over both, the drums at other times."""
    sounds = {name: 1e-5 * rng.normal(size=int(seconds * RATE)) for name in ("one", "two", "left", "right")}
    for k, at in enumerate(np.arange(0.3, seconds - 0.5, 0.45)):
        which = ("one", "two")[k % 2]
        hit = drum(rng, 180.0 if which == "one" else 95.0) * rng.uniform(0.6, 1.0)
        start = int((at + rng.normal(0, 0.01)) * RATE)
        paths = {"one": (0, 1.0), "two": (60, 0.03)} if which == "one" else {"one": (60, 0.03), "two": (0, 1.0)}
        paths |= (
            {"left": (late, 0.2), "right": (late + 9, 0.18)}
            if which == "one"
            else {"left": (190, 0.2), "right": (160, 0.22)}
        )
        for name, (shift, gain) in paths.items():
            sign = polarity if (which, name) in (("one", "left"), ("one", "right")) else 1
            sounds[name][start + shift : start + shift + len(hit)] += sign * gain * hit
    return {name: Track.from_array(name, sound, RATE) for name, sound in sounds.items()}


def own_times(track):
    """When a mic's own drum is struck, in seconds."""
    heard = listen(track)
    return heard.first_wavefronts / RATE


def over(tracks):
    return [PlacedTrack(tracks["left"]), PlacedTrack(tracks["right"])]


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_drum_that_arrives_unchanged_adds_up_best_at_its_arrival(rng, polarity):
    tracks = kit(rng, polarity=polarity)
    found = laid_by_strokes(tracks["one"], own_times(tracks["one"]), over(tracks))
    assert found.place.polarity == polarity
    # Between its arrivals at the two, 132 and 141 samples later; a step is 20 us.
    assert 131 / RATE < found.place.shift_s < 142 / RATE
    assert found.by == "sum"
    assert found.strokes == 13


def test_what_is_promised_is_what_the_sum_gains(rng):
    """The gain by an own sum in the time domain: band-limited, the mic at the others' level, over the strokes."""
    tracks = kit(rng)
    found = laid_by_strokes(tracks["one"], own_times(tracks["one"]), over(tracks))
    mic, rest = tracks["one"].read(), tracks["left"].read() + tracks["right"].read()
    moved = found.place.polarity * np.roll(mic, round(found.place.shift_s * RATE))
    own = np.zeros(len(mic), bool)
    for at in listen(tracks["one"]).strokes.samples[listen(tracks["one"]).strokes.weight > 0]:
        own[at - 200 : at + 6600] = True
    for (low, high), promised in zip(((60, 250), (250, 2000)), found.gains_db, strict=True):
        hz = np.fft.rfftfreq(len(mic), 1 / RATE)
        band = (hz >= low) & (hz < high)
        a, b, c = (np.fft.irfft(np.fft.rfft(one) * band, len(mic))[own] for one in (mic, moved, rest))
        level = np.sqrt((c**2).sum() / (a**2).sum())
        gained = 10 * np.log10(((level * b + c) ** 2).sum() / ((level * a + c) ** 2).sum())
        assert gained == pytest.approx(promised, abs=0.4)  # the bands' edges are not as steep


def test_an_arrival_that_adds_up_as_well_stays(rng):
    tracks = kit(rng)
    arrival = Place(135 / RATE)
    found = laid_by_strokes(
        tracks["one"], own_times(tracks["one"]), over(tracks), arrival=arrival, near=Place(135 / RATE)
    )
    assert (found.by, found.place) == ("arrival", arrival)


def test_an_arrival_that_harms_gives_way_and_where_nothing_helps_the_mic_is_left(rng):
    """At 180 Hz a half wave is 122 samples: recorded so late against the others, the tone already adds up."""
    tracks = kit(rng, late=0)
    times_s = own_times(tracks["one"])
    harmful = Place(122 / RATE)
    near = laid_by_strokes(tracks["one"], times_s, over(tracks), arrival=harmful, near=Place(122 / RATE))
    assert (near.by, near.place) == ("recorded", Place())
    assert min(near.gains_db) < -3
    assert "left as recorded: moved, its own strokes would change by -" in near.words
    wide = laid_by_strokes(tracks["one"], times_s, over(tracks), arrival=harmful)
    assert abs(wide.place.shift_s) < 10 / RATE


def test_fewer_than_four_strokes_say_nothing(rng):
    tracks = kit(rng)
    assert laid_by_strokes(tracks["one"], own_times(tracks["one"])[:3], over(tracks)) is None
    assert laid_by_strokes(tracks["one"], own_times(tracks["one"]), []) is None


def test_noise_promises_no_gain(rng):
    """What half of the strokes choose by chance does not hold on the others."""
    tracks = kit(rng)
    noise = Track.from_array("noise", rng.normal(size=12 * RATE), RATE)
    found = laid_by_strokes(noise, np.arange(0.5, 11.0, 0.7), over(tracks))
    assert found.by == "recorded"


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


def scene_of(tracks, reference="left", **more):
    """Two drums with a mic each under a pair: what a scene asks, and its struck sources."""
    on = {"one": ("one",), "two": ("two",), "left": ("one", "two"), "right": ("one", "two")}
    times_s = {name: tuple(own_times(tracks[name])) for name in ("one", "two")}
    limits = Constraints(reference, (("left", "right"),), on, **more)
    return limits, Struck(tuple(tracks.values()), times_s, {name: (name,) for name in times_s})


def offsets_of(places, reference="left"):
    shifts = [
        Shift(
            name,
            -shift_s,
            1e-5,
            shift_s,
            polarity_flip=sign < 0,
            reliable=True,
            applied=True,
        )
        for name, (shift_s, sign) in places.items()
    ]
    return Offsets(reference, RATE, tuple(shifts))


def laid(tracks, places, reference="left", **more):
    limits, struck = scene_of(tracks, reference, **more)
    found = laid_close_mics(offsets_of(places, reference), struck, limits)
    return {one.track: one for one in found.shifts}, found.summed


HALF_WAVE = {"left": (0.0, 1), "right": (0.0, 1), "one": (0.0, 1), "two": (4.0e-3, 1)}


def test_with_a_scene_a_close_mic_goes_where_its_strokes_add_up_best(rng):
    shifts, summed = laid(kit(rng), {**HALF_WAVE, "one": (2.5e-3, 1), "two": (3.5e-3, 1)})
    assert 131 / RATE < shifts["one"].shift_s < 142 / RATE
    assert 159 / RATE < shifts["two"].shift_s < 191 / RATE
    assert "best sum on 13 strokes" in shifts["one"].reason
    assert set(summed) <= {"one", "two"}
    assert shifts["left"].shift_s == shifts["right"].shift_s == 0.0


def test_where_the_reference_is_a_close_mic_the_others_move_and_stay_together(rng):
    shifts, _ = laid(kit(rng), {"one": (0.0, 1), "two": (1e-3, 1), "left": (-2.5e-3, 1), "right": (-2.5e-3, 1)}, "one")
    assert shifts["one"].shift_s == 0.0
    assert -142 / RATE < shifts["left"].shift_s < -131 / RATE
    assert shifts["right"].shift_s == shifts["left"].shift_s
    assert 20 / RATE < shifts["two"].shift_s < 60 / RATE


def test_a_pair_is_of_the_polarity_in_which_its_lows_meet(rng):
    """A flip of one overhead that a doubtful polarity asked for is taken back; a true inversion is found."""
    tracks = kit(rng)
    assert lows_meet(tracks["left"], tracks["right"], own_times(tracks["one"])) > 0.7
    shifts, _ = laid(tracks, {**HALF_WAVE, "right": (0.0, -1)})
    assert not shifts["right"].polarity_flip
    assert "pair's lows" in shifts["right"].reason
    turned = tracks | {"right": Track.from_array("right", -tracks["right"].read(), RATE)}
    assert laid(turned, HALF_WAVE)[0]["right"].polarity_flip


def test_the_polarity_that_a_scene_gives_a_pair_stays(rng):
    """As of two crossed figures of eight."""
    by_nature = {"inverted": frozenset({("one", "right")})}
    assert laid(kit(rng), {**HALF_WAVE, "right": (0.0, -1)}, **by_nature)[0]["right"].polarity_flip


def test_a_source_that_is_favoured_is_laid_alone_and_the_largest_shift_holds(rng):
    places = {**HALF_WAVE, "one": (2.5e-3, 1), "two": (3.5e-3, 1)}
    shifts, _ = laid(kit(rng), places, for_source="two")
    assert shifts["one"].shift_s == 2.5e-3
    shifts, _ = laid(kit(rng), places, max_shift_s=2e-3)
    assert not shifts["one"].applied
    assert "larger than the 2 ms allowed" in shifts["one"].reason


@pytest.mark.parametrize(("shift_s", "stays"), [(-5e-3, False), (-5e-3 + 2.6e-3, True)])
def test_a_room_mic_whose_shift_would_lose_level_is_left_as_recorded(rng, shift_s, stays):
    """Recorded 5 ms late it adds up where it is moved by these, and cancels where it is moved by half a wave less."""
    tracks = kit(rng)
    room = 0.5 * np.roll(tracks["left"].read() + tracks["right"].read(), round(5e-3 * RATE))
    tracks["room"] = Track.from_array("room", room, RATE)
    limits, struck = scene_of(tracks)
    limits = replace(limits, on={**limits.on, "room": ("one", "two")})
    places = {**HALF_WAVE, "one": (3.1e-3, 1), "two": (4.0e-3, 1), "room": (shift_s, 1)}
    found = laid_close_mics(offsets_of(places), struck, limits)
    shift = next(one for one in found.shifts if one.track == "room")
    assert (shift.shift_s == 0.0) is stays
    assert ("room" in found.recorded) is stays
    if stays:
        assert "all strokes would change by -" in shift.reason


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


def test_copies_of_one_sound_at_other_delays_are_no_kit(rng):
    """However much earlier some of them are, every one is laid by its own delay."""
    sound = sum(kit(rng)[name].read() for name in ("left", "right"))
    tracks = [Track.from_array(f"at {k}", np.roll(sound, k), RATE) for k in (200, 0, 90, 210)]
    rows = tuple(
        TrackDelay(track.name, Delay((k - 200) / RATE, 1e-6, 1, 1.0, 1.0, True, None))
        for track, k in zip(tracks[1:], (0, 90, 210), strict=True)
    )
    assert laid_on_strokes(tracks[0], tracks[1:], rows) == LaidKit(rows, {})


def onto(tracks, *names):
    """What the tracks are laid onto, the first of them named first."""
    return reference_for([listen(tracks[name]) for name in names], names[0])


def roomy(tracks):
    """The kit with two mics in the room, 9 ms behind the overheads."""
    for name, of, late_s in (("room left", "left", 9.0e-3), ("room right", "right", 9.3e-3)):
        sound = 0.3 * np.roll(tracks[of].read(), round(late_s * RATE))
        tracks[name] = Track.from_array(name, sound, RATE)
    return tracks


@pytest.mark.parametrize(
    ("order", "found"), [(("one", "two", "left", "right"), "left"), (("right", "two", "left", "one"), "right")]
)
def test_what_stands_over_a_kit_is_known_by_its_sound(rng, order, found):
    """Of the two, that which was named first."""
    assert onto(kit(rng), *order) == found


def called(tracks, **names):
    """Some of the tracks by other names."""
    tracks |= {name: Track.from_array(name, tracks[of].read(), RATE) for of, name in names.items()}
    return tracks


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


@pytest.mark.parametrize(("parted_db", "stays"), [(30.0, True), (1.0, False)])
def test_a_mic_whose_drum_is_not_struck_stays(rng, monkeypatch, parted_db, stays):
    """It hears the first drum 0.7 ms after that drum's own two mics, and nothing before others.

    Unless its strokes stand out so much that they are likely its own.
    """
    monkeypatch.setattr(laid_kit, "PARTED_DB", parted_db)
    tracks = kit(rng)
    quiet = 1e-5 * rng.normal(size=12 * RATE)
    heard = 0.1 * np.roll(tracks["one"].read(), 30) + 0.02 * np.roll(tracks["two"].read(), 44)
    tracks["tom"] = Track.from_array("tom", heard + quiet, RATE)
    tracks["other head"] = Track.from_array("other head", -np.roll(tracks["one"].read(), 4), RATE)
    names = ("one", "two", "right", "other head", "tom")
    found = laid_on_strokes(tracks["left"], [tracks[n] for n in names], [TrackDelay(n, UNTOLD) for n in names])
    tom = found.rows[-1].delay
    assert (tom.delay_s == 0.0, found.basis["tom"] == "recorded") == (stays, stays)
    assert ("nothing of its own is played" in tom.reason) is stays
    assert found.basis["one"] == "sum"


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
    assert "'OHL', by its name and its sound, stands over the whole kit" in offsets.compromise
    assert offsets.shift("room-oh 2").shift_s == 0.0
    liars = {**kit(rng), "oh": Track.from_array("oh", tracks["one"].read(), RATE)}
    assert onto(liars, "oh", "two", "left", "right") == "left"


_SIDE = (("OHL", "left", 0), ("room-oh 2", "left", 66))


def test_one_overhead_is_found_as_well(rng):
    assert onto(kit(rng), "one", "two", "left") == "left"


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


def test_a_place_that_would_harm_in_another_sum_that_may_be_meant_is_refused(rng):
    """Which two of three are the pair is not known: the third meets the close mic the other way round."""
    tracks = kit(rng)
    times_s = own_times(tracks["one"])
    turned = [PlacedTrack(Track.from_array("turned", -tracks["left"].read(), RATE))]
    free = laid_by_strokes(tracks["one"], times_s, over(tracks))
    held = laid_by_strokes(tracks["one"], times_s, over(tracks), instead=[turned])
    silent = [PlacedTrack(Track.from_array("muted", np.zeros(12 * RATE), RATE))]
    assert laid_by_strokes(tracks["one"], times_s, over(tracks), instead=[silent]).by == "sum"
    same = laid_by_strokes(tracks["one"], times_s, over(tracks), instead=[over(tracks)[:1]])
    assert (free.by, held.by, same.by) == ("sum", "recorded", "sum")
    assert min(held.gains_db) < -0.3
    assert "moved, its own strokes would change by -" in held.words


@pytest.mark.parametrize(
    ("likely_s", "polarity", "found_s"), [(2e-3, 1, 2.4e-3), (6e-3, -1, 6.3e-3), (4.5e-3, 1, 2.4e-3)]
)
def test_of_sums_about_as_good_the_one_near_a_likely_arrival_is_taken(likely_s, polarity, found_s):
    """As of a snare: turned over and 4 ms off it gains 7.30 dB for 7.27 dB."""
    shifts = np.arange(0.0, 8e-3, 1e-4)
    aligned = np.ones((6, 2, len(shifts)))
    for sign, at_s, gain_db in ((0, 2.4e-3, 7.27), (1, 6.3e-3, 7.30)):
        aligned[:, sign, round(at_s / 1e-4)] = 10 ** (gain_db / 10)
    costs_db = own_strokes._costs_db(shifts, Place(likely_s, polarity))
    _, index = own_strokes._chosen([own_strokes._Sums(aligned, np.ones(6))], slice(None), costs_db)
    assert shifts[index] == pytest.approx(found_s)


def test_a_close_mic_that_happens_to_be_first_moves_nothing_where_no_track_is_surely_over_the_kit(rng):
    """One that was named with --reference does: that was meant."""
    tracks = kit(rng)
    first, *others = (tracks[name] for name in ("one", "two", "right"))
    others[1] = Track.from_array("near", np.roll(tracks["one"].read(), 20), RATE)
    found = measured(first, others, on_strokes=True, over_kit=True)
    assert [(row.delay.delay_s, row.delay.reliable) for row in found.tracks] == [(0.0, False)] * 2
    assert all("name it by --reference" in row.delay.reason for row in found.tracks)
    assert measured(first, others, on_strokes=True).tracks != found.tracks


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


def test_a_muted_overhead_is_nothing_to_be_laid_onto(rng):
    """No power to set the mic against, so no decibels: neither a warning of the arithmetic nor a place."""
    tracks = kit(rng)
    mute = PlacedTrack(Track.from_array("mute", np.zeros(12 * RATE), RATE))
    times_s = own_times(tracks["one"])
    assert laid_by_strokes(tracks["one"], times_s, [mute], arrival=Place(3e-3)) is None
    assert laid_by_strokes(mute.track, times_s, over(tracks)) is None
    assert laid_by_strokes(tracks["one"], times_s, [mute, *over(tracks)]) is not None


def test_a_third_mic_over_the_kit_that_was_named_first_stays_though_all_is_laid_onto_the_pair(rng):
    """It hangs 1 ms behind them and its lows do not meet theirs: where it stands in the list is no hint."""
    tracks = kit(rng)
    tracks["middle"] = Track.from_array("middle", np.roll(tracks["left"].read(), 44), RATE)
    names = ("one", "two", "left", "right")
    found = measured(tracks["middle"], [tracks[n] for n in names], on_strokes=True, over_kit=True)
    assert (found.reference, found.named) == ("left", "middle")
    middle = next(row.delay for row in found.tracks if row.track == "middle")
    assert (middle.delay_s, middle.reliable) == (0.0, True)


def test_strokes_that_differ_too_much_promise_nothing(rng):
    """Half of the strokes gain what the other half loses and a little more: the mean is no reason to move."""
    tracks = kit(rng)
    times_s = own_times(tracks["one"])
    sound, late = np.zeros(12 * RATE), (0, 122)
    for k, at in enumerate(times_s):
        start = round(at * RATE)
        hit = tracks["one"].read(start, 9000) * (1.0, 0.6)[k % 2]
        sound[start + late[k % 2] : start + late[k % 2] + 9000] += hit
    overhead = PlacedTrack(Track.from_array("over", sound, RATE))
    found = laid_by_strokes(tracks["one"], times_s, [overhead], arrival=Place(61 / RATE), near=Place(61 / RATE))
    assert found.by == "recorded"
    assert min(found.least_db) < min(found.gains_db)
