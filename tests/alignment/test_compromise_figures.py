"""The figures of one set of shifts, worked out by hand: spreads, words, what remains, what stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.alignment.best_sum import match_phase
from micalign.alignment.compromise import agreed, stated
from micalign.alignment.gain import BlendTrack, all_pass_response, bins_hz, spectra, sum_gain, third_octaves
from micalign.alignment.network import Constraints, HeardSource, Link, arrival_times, best_polarity, connected
from micalign.alignment.offsets import Remain, Shift, followed, limited
from micalign.errors import TakeError
from micalign.report.align_words import remain_table
from micalign.take.tracks import Track

RATE = 48000


def track(samples, name="a") -> Track:
    return Track.from_array(name, samples, RATE)


def test_one_link_gives_its_own_delay_and_spread():
    offsets = agreed(
        ["a", "b"], [HeardSource("kick", (Link("a", "b", 0.003, 4e-6, -1),))], Constraints("a"), sample_rate=44100
    )
    assert (offsets.reference, offsets.sample_rate) == ("a", 44100)
    shift = offsets.shift("b")
    assert (shift.delay_s, shift.shift_s) == (pytest.approx(0.003), pytest.approx(-0.003))
    assert shift.uncertainty_s == pytest.approx(4e-6, rel=1e-6)
    assert (shift.polarity_flip, shift.reliable, shift.applied, shift.reason) == (True, True, True, None)
    still = offsets.shift("a")
    assert (still.delay_s, still.shift_s, still.uncertainty_s, still.polarity_flip) == (0.0, 0.0, 0.0, False)
    (remain,) = offsets.remains
    assert (remain.source, remain.track, remain.against) == ("kick", "b", "a")
    assert remain.remain_s == pytest.approx(0.0, abs=1e-12)
    assert remain.uncertainty_s == pytest.approx(4e-6, rel=1e-6)
    assert (remain.polarity, remain.is_bleed) == (1, False)
    assert all(one.applied for one in offsets.shifts)
    assert offsets.compromise == "'a' stays where it is"


def test_two_sources_that_disagree_share_by_the_product_of_their_amplitudes():
    """1 ms with weight 0.6 * 1 and 2 ms with weight 0.2 * 0.5: the mean, and its spread, by hand."""
    heard = [
        HeardSource("kick", (Link("a", "b", 0.001, 3e-6),), {"a": 0.6, "b": 1.0}),
        HeardSource("snare", (Link("a", "b", 0.002, 5e-6),), {"a": 0.2, "b": 0.5}),
    ]
    offsets = agreed(["b", "a"], heard, Constraints("a"), sample_rate=RATE)
    assert [shift.track for shift in offsets.shifts] == ["a", "b"]  # the reference first
    late = (0.6 * 1.0 + 0.1 * 2.0) / 0.7 / 1e3
    assert offsets.shift("b").delay_s == pytest.approx(late)
    assert offsets.shift("b").uncertainty_s == pytest.approx(np.hypot(0.6 * 3e-6, 0.1 * 5e-6) / 0.7, rel=1e-6)
    remains = {remain.source: remain for remain in offsets.remains}
    # Against the track in which the source is louder.
    assert (remains["kick"].track, remains["kick"].against) == ("a", "b")
    assert remains["kick"].remain_s == pytest.approx(late - 0.001)
    assert remains["snare"].remain_s == pytest.approx(late - 0.002)
    assert "no one set suits every source: at most 0.86 ms remains (snare between a and b)" in offsets.compromise


def test_what_remains_at_most_names_the_tracks_it_counts():
    """Mics laid by their best sum, or left as recorded, are passed over: the sentence says so, and only then."""
    heard = [
        HeardSource("kick", (Link("top", "left", 0.001, 1e-6), Link("top", "near", 0.0, 1e-6))),
        HeardSource("snare", (Link("top", "left", 0.0013, 1e-6), Link("top", "near", 0.004, 1e-6))),
    ]
    limits = Constraints("top")
    offsets = agreed(["top", "left", "near"], heard, limits, sample_rate=RATE)
    assert "no one set suits every source: at most 2.00 ms remains" in offsets.compromise
    for passed_over in ({"summed": ["near"]}, {"recorded": ["near"]}):
        words = stated(offsets, heard, limits, **passed_over).compromise
        assert "no one set suits every source: between the other tracks at most 0.15 ms remains" in words
        assert words.index("near") < words.index("the other tracks")  # who is meant was said before
    assert "at most" not in stated(offsets, heard, limits, summed=["near", "left"]).compromise


def test_the_louder_sources_polarity_wins():
    links = (Link("a", "b", 0.001, 1e-6, 1),), (Link("a", "b", 0.001, 1e-6, -1),)
    for loud, flip in ((0, False), (1, True)):
        heard = [
            HeardSource(name, links[index], {"a": 1.0, "b": 1.0 if index == loud else 0.5})
            for index, name in enumerate(("kick", "snare"))
        ]
        offsets = agreed(["a", "b"], heard, Constraints("a"), sample_rate=RATE)
        assert offsets.shift("b").polarity_flip is flip
        other = next(remain for remain in offsets.remains if remain.source == ("kick", "snare")[1 - loud])
        assert other.polarity == -1
        assert other.first_notch_hz is None  # they meet in time


def test_a_close_mic_follows_its_own_source_whatever_the_bleed():
    on = {"kick mic": ("kick",), "top": ()}
    heard = [
        HeardSource("kick", (Link("top", "kick mic", -0.004, 1e-6),), {"top": 0.1, "kick mic": 0.1}),
        HeardSource("snare", (Link("top", "kick mic", 0.001, 1e-6),), {"top": 1.0, "kick mic": 1.0}),
    ]
    offsets = agreed(["top", "kick mic"], heard, Constraints("top", (), on), sample_rate=RATE)
    # 0.01 against 0.0001: a hundredth of the 5 ms between them.
    assert offsets.shift("kick mic").shift_s == pytest.approx(0.004 - 0.005 / 101, abs=1e-9)
    snare = next(remain for remain in offsets.remains if remain.source == "snare")
    assert snare.is_bleed
    assert "each close mic is laid so that its own source meets the others" in offsets.compromise
    apart = agreed(["kick mic", "top"], heard, Constraints("kick mic", (), {"snare mic": ("snare",)}), sample_rate=RATE)
    assert apart.shift("top").shift_s != 0.0
    assert "each close mic" not in apart.compromise
    favoured = agreed(["top", "kick mic"], heard, Constraints("top", (), on, for_source="snare"), sample_rate=RATE)
    assert "the shifts suit 'snare', the other sources follow" in favoured.compromise
    assert favoured.shift("kick mic").shift_s < 0.0 or favoured.shift("kick mic").shift_s < 0.004


def test_without_any_link_all_stay_and_it_is_said():
    offsets = agreed(["a", "b", "c"], [HeardSource("kick", ())], Constraints("a", (("b", "c"),)), sample_rate=RATE)
    assert offsets.remains == ()
    for name in "bc":
        shift = offsets.shift(name)
        words = "no reliable pair joins it to 'a'"
        assert shift == Shift(name, 0.0, 0.0, 0.0, False, False, False, words, basis="recorded")
    assert offsets.compromise == (
        "'a' stays where it is; b and c move as one, so that their image stays; left where they were: b, c"
    )


def test_limits_leave_what_is_too_large_as_it_was():
    shift = Shift("b", 0.005, 1e-6, -0.005, polarity_flip=True, reliable=True, applied=True)
    assert limited(shift, None) == shift
    assert limited(shift, 0.005) == shift
    kept = limited(shift, 0.0049)
    assert (kept.shift_s, kept.polarity_flip, kept.applied, kept.reliable, kept.delay_s) == (
        0,
        False,
        False,
        True,
        0.005,
    )
    assert kept.reason == "its shift of -5.00 ms is larger than the 4.9 ms allowed"


def test_plain_offsets_say_what_they_did():
    good = Shift("b", 0.005, 1e-6, -0.005, polarity_flip=False, reliable=True, applied=True)
    bad = Shift("c", 0.005, 1e-6, -0.005, polarity_flip=False, reliable=False, applied=False, reason="noise")
    both = followed([good, bad], reference="a", sample_rate=RATE)
    assert both.compromise == "every track was laid onto 'a' by its own delay, but for c"
    assert [one.applied for one in both.shifts] == [True, True, False]
    assert followed([good], reference="a", sample_rate=RATE).compromise == (
        "every track was laid onto 'a' by its own delay"
    )
    summed = followed([good], reference="a", sample_rate=RATE, summed=["b"])
    assert summed.compromise == "laid where it adds up best with 'a': b"
    kit = followed([good, bad], reference="a", sample_rate=RATE, on_strokes=True).compromise
    assert "their own strokes add up best" in kit
    assert kit.endswith(", but for c")
    left = replace(good, shift_s=0.0, basis="recorded")
    kept = followed([left, bad], reference="a", sample_rate=RATE, on_strokes=True)
    assert kept.compromise == "every track stays as recorded"  # whether it is a kit or not
    nothing = followed([bad], reference="a", sample_rate=RATE)
    assert nothing.compromise.startswith("nothing was moved, every file is as recorded: ")
    assert [shift.track for shift in followed([good, bad], reference="b", sample_rate=RATE).shifts] == ["b", "c"]
    with pytest.raises(TakeError, match="no offset is known for the track 'gong'"):
        both.shift("gong")


@pytest.mark.parametrize(
    ("remain_s", "polarity", "notch_hz"),
    [(0.001, 1, 500.0), (-0.001, 1, 500.0), (0.001, -1, 1000.0), (0.99e-6, 1, None), (1.01e-6, 1, 0.5 / 1.01e-6)],
)
def test_what_remains_names_its_first_notch(remain_s, polarity, notch_hz):
    found = Remain("kick", "a", "b", remain_s, 1e-6, polarity).first_notch_hz
    assert found == (None if notch_hz is None else pytest.approx(notch_hz))


@pytest.mark.parametrize(("clear", "word"), [(1.0, "OPPOSED"), (0.05, "OPPOSED?")])
def test_a_remainder_whose_polarity_is_in_doubt_has_its_question_mark(clear, word):
    """Nothing is turned over for a doubtful pair, and what remains of it says that it is one."""
    links = (Link("a", "b", 0.003, 4e-6, -1, clear=clear), Link("a", "c", 0.001, 4e-6))
    heard = [HeardSource("kick", (links[0],)), HeardSource("snare", (links[1],))]
    limits = Constraints("a", together=(("a", "b"),))  # a pair moves and turns as one
    found = agreed(["a", "b", "c"], heard, limits, sample_rate=RATE)
    kick = next(one for one in found.remains if one.source == "kick")
    turned = replace(kick, polarity=-1)
    assert kick.polarity_clear is (word == "OPPOSED")
    assert list(remain_table([turned]).columns[5].cells) == [word]


def test_a_polarity_is_as_clear_as_the_pairs_between_two_tracks():
    """Each of the two has a clear pair, with another track; what joins them is in doubt."""
    links = (Link("a", "d", 1e-3, 4e-6), Link("b", "c", 2e-3, 4e-6), Link("a", "b", 3e-3, 4e-6, clear=0.05))
    limits = Constraints("a", on={"a": ("kick",)})
    found = agreed(["a", "b", "c", "d"], [HeardSource("kick", links)], limits, sample_rate=RATE)
    assert {(one.track, one.against): one.polarity_clear for one in found.remains} == {
        ("b", "a"): False,
        ("c", "a"): False,
        ("d", "a"): True,
    }


def test_a_room_mic_follows_at_a_thousandth_and_pairs_lead_by_their_first():
    limits = Constraints(
        "left", (("left", "right"), ("x", "y")), {"room": ("kick", "snare"), "left": ("kick", "snare")}
    )
    assert [limits.follows(name) for name in ("room", "left", "right", "kick mic")] == [True, False, False, False]
    assert [limits.leader(name) for name in ("right", "y", "x", "room")] == ["left", "x", "x", "room"]
    own = Constraints("left", (), {"kick mic": ("kick",), "both": ("kick", "snare")})
    assert [own.follows(name) for name in ("kick mic", "both")] == [False, True]
    assert limits.takes("tom", "right")
    assert not limits.takes("tom", "room")
    assert limits.counts("tom", "room") == pytest.approx(1e-4)
    assert Constraints("a", for_source="kick").counts("snare", "b") == pytest.approx(1e-4)
    assert Constraints("a", for_source="kick").counts("kick", "b") == 1.0


def test_an_island_stays_by_its_pair_then_by_its_sources_then_by_its_lateness():
    limits = Constraints("a", (("p", "q"),), {"r": ("kick", "snare"), "s": ("kick",), "t": ("snare",)})
    late = {"s": 0.001, "t": 0.002}
    assert limits.anchor(["a", "p"], late) == "a"
    assert limits.anchor(["r", "q", "s"], late) == "p"
    assert limits.anchor(["s", "r"], late) == "r"
    assert limits.anchor(["s", "t"], late) == "t"


# The network itself.


def test_times_weigh_links_by_their_uncertainty():
    """Two links between two tracks: 1 ms at 1 us and 1.003 ms at 2 us count 4 to 1."""
    links = [Link("a", "b", 1.0e-3, 1e-6), Link("b", "a", -1.003e-3, 2e-6)]
    found = arrival_times("ab", links)
    assert found.times_s["b"] == pytest.approx(1.0006e-3, abs=1e-12)
    # They miss it by 0.6 and 1.2 of their sigmas: 0.36 + 1.44 in squares, with one link too many.
    assert found.sigmas_s["b"] == pytest.approx((1 / 1e-12 + 1 / 4e-12) ** -0.5 * 1.8**0.5, rel=1e-6)


def test_hubers_weights_are_those_of_the_book():
    """Five links at 0 and one at d, all of one sigma: the mean m solves 5 m = 2 sigma, whatever d is."""
    sigma = 1e-6
    links = [Link("a", "b", 0.0, sigma)] * 5 + [Link("a", "b", 1e-4, sigma)]
    found = arrival_times("ab", links)
    assert found.times_s["b"] == pytest.approx(0.4 * sigma, rel=1e-3)
    further = arrival_times("ab", [*links[:5], Link("a", "b", 1e-3, sigma)])
    assert further.times_s["b"] == pytest.approx(0.4 * sigma, rel=1e-3)


def test_no_link_is_believed_beyond_a_tenth_of_a_microsecond():
    found = arrival_times("ab", [Link("a", "b", 1e-3, 0.0)])
    assert found.sigmas_s["b"] == pytest.approx(1e-7, rel=1e-6)
    nothing = arrival_times("ab", [])
    assert (dict(nothing.times_s), dict(nothing.sigmas_s)) == ({}, {})


def test_links_join_step_by_step_whatever_their_order():
    chain = [Link(a, b, 0.0, 1e-6) for a, b in (("d", "e"), ("c", "d"), ("b", "c"), ("a", "b"))]
    assert connected("fedcba", chain, "a") == tuple("edcba")
    assert connected("fedcba", chain[:2], "a") == ("a",)


def test_polarity_of_tracks_that_nothing_joins_is_plain():
    assert best_polarity("abc", []) == {"a": 1, "b": 1, "c": 1}
    assert best_polarity("abc", [Link("b", "c", 0, 1e-6, -1)]) == {"a": 1, "b": 1, "c": -1}
    heavy = [Link("a", "b", 0, 1e-6, -1, 0.4), Link("b", "a", 0, 1e-6, 1, 0.3)]
    assert best_polarity("ab", heavy) == {"a": 1, "b": -1}


# Sums by band.


def test_spectra_are_those_of_the_moved_tracks():
    rng = np.random.default_rng(6)
    one, other = rng.standard_normal((2, 16384)) * 0.1
    pairs = list(
        spectra(BlendTrack(track(one), 3.0, -1), BlendTrack(track(other, "b"), -0.25, sections=((400.0, 0.8),)))
    )
    assert len(pairs) == 3
    window = np.sin(np.pi * (np.arange(16384) + 0.5) / 16384)
    hz = bins_hz(RATE)
    for (first, second), start in zip(pairs, (-8192, 0, 8192), strict=True):

        def cut(samples, at):
            padded = np.concatenate([np.zeros(20000), samples, np.zeros(30000)])
            return np.fft.rfft(window * padded[20000 + at : 20000 + at + 16384])

        assert np.allclose(first, -cut(one, start - 3), atol=1e-9)
        # A quarter of a sample earlier: a whole sample earlier and three quarters later, as a phase ramp.
        ramp = np.exp(-2j * np.pi * hz * 0.75 / RATE) * all_pass_response([(400.0, 0.8)], hz, sample_rate=RATE)
        assert np.allclose(second, cut(other, start + 1) * ramp, atol=1e-9)


def test_bands_hold_what_lies_in_them_and_gains_count():
    times = np.arange(2 * RATE) / RATE
    low, high = np.sin(2 * np.pi * 100 * times), np.sin(2 * np.pi * 1000 * times)
    gain = sum_gain([BlendTrack(track(low + high)), BlendTrack(track(low - high, "b"), gain_db=-6.0)])
    by_band = {round(band.centre_hz): band for band in gain.bands}
    g = 10 ** (-6 / 20)
    assert by_band[100].before_db == pytest.approx(20 * np.log10(1 + g) - 10 * np.log10(1 + g * g), abs=0.01)
    assert by_band[1000].before_db == pytest.approx(20 * np.log10(1 - g) - 10 * np.log10(1 + g * g), abs=0.01)
    assert by_band[1000].after_db == by_band[1000].before_db
    assert gain.bands[0].centre_hz == pytest.approx(31.6228, rel=1e-4)
    assert gain.bands[-1].centre_hz == pytest.approx(15848.9, rel=1e-4)
    assert third_octaves(1000.0, 1000.0) == (1000.0,)
    both = 10 * np.log10(((1 + g) ** 2 + (1 - g) ** 2) / (2 * (1 + g * g)))
    assert gain.before_db == pytest.approx(both, abs=0.01)


def test_what_a_track_was_before_counts_before():
    rng = np.random.default_rng(8)
    one, other, was = rng.standard_normal((3, RATE)) * 0.1
    gain = sum_gain([BlendTrack(track(one)), BlendTrack(track(one, "b"), before=track(was, "was"))])
    assert gain.before_db == pytest.approx(0.0, abs=0.15)
    assert gain.after_db == pytest.approx(3.0103, abs=1e-6)
    moved = sum_gain([BlendTrack(track(one)), BlendTrack(track(one, "b"), 0.0, -1)])
    assert (round(moved.before_db, 4), moved.after_db) == (3.0103, -120.0)
    assert sum_gain([BlendTrack(track(other)), BlendTrack(track(np.zeros(RATE), "b"))]).before_db == pytest.approx(
        0.0, abs=1e-9
    )


def test_a_cab_that_is_an_all_pass_is_matched_by_that_all_pass():
    """The mic is a bass DI through a section of 180 Hz, Q 0.6, and a little later: both are given back."""
    from scipy.signal import butter, sosfilt

    from micalign.alignment.gain import section_coefficients

    rng = np.random.default_rng(9)
    di = sosfilt(butter(2, [60, 500], "bandpass", fs=RATE, output="sos"), rng.standard_normal(4 * RATE))
    turned = sosfilt(section_coefficients(180.0, 0.6, sample_rate=RATE)[None], di)
    mic = -np.concatenate([np.zeros(10), turned])[: len(di)] + 1e-3 * rng.standard_normal(len(di))
    found = match_phase(BlendTrack(track(mic, "mic")), BlendTrack(track(di, "di")), most_sections=1)
    assert found is not None
    ((hz, q),) = found.sections
    assert hz == pytest.approx(180.0, rel=0.03)
    assert q == pytest.approx(0.6, rel=0.05)
    assert found.shift_s == pytest.approx(10 / RATE, abs=2e-5)  # a sample
    assert found.polarity == -1
    assert found.after_db == pytest.approx(3.0103, abs=0.02)  # two equal tracks in phase
    assert found.before_db < 2.0
    assert found.against == "mic"
    low, high = found.band_hz
    assert 30.0 <= low < 60.0
    assert high <= 6000.0


def test_what_is_in_phase_already_gets_no_section():
    rng = np.random.default_rng(10)
    di = rng.standard_normal(RATE) * 0.1
    assert match_phase(BlendTrack(track(di, "mic")), BlendTrack(track(di, "di")), most_sections=1) is None


def test_rumble_below_20_hz_counts_nothing_in_the_whole():
    rng = np.random.default_rng(12)
    times = np.arange(2 * RATE) / RATE
    rumble, noise = 0.3 * np.sin(2 * np.pi * 8.0 * times), rng.standard_normal(2 * RATE) * 0.1
    gain = sum_gain([BlendTrack(track(noise + rumble)), BlendTrack(track(noise - rumble, "b"))])
    # Aligned noise gains 3 dB; the rumble cancels, and would cost as much again if it counted.
    assert gain.after_db == pytest.approx(3.0103, abs=0.05)


@pytest.mark.parametrize("weight", [1e-6, 0.3, 40.0])
def test_polarity_of_many_tracks_does_not_depend_on_the_scale_of_the_weights(weight):
    rng = np.random.default_rng(3)
    names = [f"t{index}" for index in range(20)]
    truth = dict(zip(names, [1, *rng.choice([-1, 1], 19)], strict=True))
    links = [
        Link(a, b, 0.0, 1e-6, int(truth[a] * truth[b]) * (-1 if rng.random() < 0.12 else 1), weight)
        for i, a in enumerate(names)
        for b in names[i + 1 :]
    ]
    # The strongest tree alone may follow a lie: a heavy one is laid right into its way.
    links.append(Link("t0", "t1", 0.0, 1e-6, -int(truth["t0"] * truth["t1"]), 3.0 * weight))
    assert best_polarity(names, links) == truth


def test_what_shares_no_source_is_left_as_recorded_with_what_belongs_to_it():
    """Alto and tenor apart, each with a second mic: the tenor's pair is aligned in itself and else stays."""
    hearing = {"alto": frozenset({"a", "a2"}), "tenor": frozenset({"t", "t2"})}
    heard = [
        HeardSource("alto", (Link("a", "a2", 0.002, 1e-6),)),
        HeardSource("tenor", (Link("t", "t2", 0.003, 2e-6, -1), Link("a", "t", 0.004, 1e-6))),
    ]
    offsets = agreed(["a", "a2", "t", "t2"], heard, Constraints("a", hearing=hearing), sample_rate=RATE)
    assert offsets.shift("a2").shift_s == pytest.approx(-0.002)
    stays, follows = sorted((offsets.shift("t"), offsets.shift("t2")), key=lambda shift: shift.applied)
    assert (stays.track, stays.delay_s, stays.uncertainty_s, stays.shift_s) == ("t2", 0.0, 0.0, 0.0)
    assert (stays.applied, stays.reliable, stays.as_recorded, stays.polarity_flip) == (False, False, True, False)
    assert stays.reason == "shares no source with 'a': left as recorded"
    # The later of the two is the one that stays: nothing is moved earlier than it was recorded.
    assert (follows.track, follows.shift_s) == ("t", pytest.approx(0.003))
    assert (follows.polarity_flip, follows.applied) == (True, True)
    assert follows.reason == "laid onto 't2', with which it shares its source"
    assert "left as recorded, since they share no source with it: t2" in offsets.compromise


def test_the_lows_are_told_apart():
    times = np.arange(2 * RATE) / RATE
    low, high = np.sin(2 * np.pi * 100 * times), np.sin(2 * np.pi * 3000 * times)
    gain = sum_gain([BlendTrack(track(low + high)), BlendTrack(track(high - 0.5 * low, "b"), 0.0, -1)])
    # The lows against each other before, together after: 1 and a half.
    assert gain.low_before_db == pytest.approx(20 * np.log10(0.5) - 10 * np.log10(1.25), abs=0.01)
    assert gain.low_after_db == pytest.approx(20 * np.log10(1.5) - 10 * np.log10(1.25), abs=0.01)
    assert gain.after_db < gain.low_after_db
