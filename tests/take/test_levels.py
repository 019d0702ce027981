"""Levels of a take: verdicts, gain changes, laws, and the take as a whole."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_takes import RATE, clean_take

from micalign.errors import TakeError
from micalign.take.levels import measure_levels
from micalign.take.outline import OutlineMeter
from micalign.take.together import TrackFacts, clock, remarks_together
from micalign.take.track_levels import WorkingWindow
from micalign.take.tracks import Track, pairs_by_name


def read(sound, rate=RATE, **options):
    return measure_levels([Track.from_array("track", sound, rate)], **options)[0]


@pytest.mark.parametrize(
    ("peak", "verdict", "change_db"),
    [(0.24, "quiet", 6.4), (0.26, "good", 0.0), (0.74, "good", 0.0), (0.76, "hot", -3.6), (0.01, "quiet", 34.0)],
)
def test_the_verdict_is_by_the_working_window(peak, verdict, change_db):
    sound = clean_take(0)["kick"]
    found = read(sound * peak / np.abs(sound).max())
    assert found.verdict == verdict
    assert found.gain_change_db == pytest.approx(change_db, abs=0.05)


def test_the_window_can_be_set():
    sound = clean_take(0)["kick"] * 0.4
    assert read(sound).verdict == "quiet"
    assert read(sound, window=WorkingWindow(10.0, 30.0)).verdict == "good"
    assert read(sound, window=WorkingWindow(5.0, 15.0)).verdict == "hot"


@pytest.mark.parametrize("ends", [(0.0, 75.0), (75.0, 25.0), (25.0, 101.0), (25.0, 25.0)])
def test_an_impossible_window_is_refused(ends):
    with pytest.raises(TakeError, match="working window"):
        WorkingWindow(*ends)


def test_a_quiet_track_is_a_fault_only_where_its_noise_is_heard(rng):
    sound = 0.1 * clean_take(0)["kick"]
    noisy = sound + 3e-4 * rng.normal(size=len(sound))
    assert not read(sound).has_problem
    assert {remark.rule for remark in read(noisy).remarks if remark.severity == "problem"} == {"hiss"}


def take_of(rng, peaks, noise=0.0):
    """Tracks of one sound at these peaks."""
    sound = clean_take(0)["kick"]
    tracks = {n: sound * p / np.abs(sound).max() + noise * rng.normal(size=len(sound)) for n, p in peaks.items()}
    found = measure_levels([Track.from_array(name, one, RATE) for name, one in tracks.items()])
    said = {one.name: {r.rule: r for r in one.remarks if r.rule != "double"} for one in found}
    return {one.name: one for one in found}, said


def test_a_track_far_below_the_others_may_hold_their_bleed_alone(rng):
    """A tom that was not struck: nobody knows its gain, and nobody turns it up so far that its noise is heard."""
    _, said = take_of(rng, {"kick": 0.6, "tom": 0.02}, noise=1e-4)
    assert "if what this track is for was played" in said["tom"]["quiet"].advice
    assert {remark.severity for remark in said["tom"].values()} == {"note"}
    assert "hiss" not in said["tom"]
    # Overheads and rooms are there for all that is played.
    for name in ("overhead left", "OHR", "room"):
        _, said = take_of(rng, {"kick": 0.6, name: 0.02})
        assert "if what" not in said[name]["quiet"].advice
    # Where all are so quiet, or it is alone, that is no bleed.
    for peaks in ({"kick": 0.03, "tom": 0.02}, {"tom": 0.02}):
        _, said = take_of(rng, peaks, noise=1e-4)
        assert "if what" not in said["tom"]["quiet"].advice
        assert said["tom"]["hiss"].severity == "problem"


@pytest.mark.parametrize(("hum", "peak", "severity"), [(2e-5, 0.5, None), (3e-4, 0.5, "note"), (2e-5, 0.02, "note")])
def test_hum_that_nobody_hears_is_not_told_unless_the_track_must_be_turned_up(rng, hum, peak, severity):
    """At -97 dBFS nothing is said of it; at -73 dBFS that it is there, or where 28 dB of gain bring it to -69 dBFS."""
    strokes = np.zeros(8 * RATE)
    for at in range(RATE // 4, 7 * RATE, RATE // 2):
        strokes[at : at + 6000] += rng.uniform(-1, 1, 6000) * np.exp(-np.arange(6000) / 900)
    mains = hum * np.sin(2 * np.pi * 50.0 * np.arange(len(strokes)) / RATE) + 1e-7 * rng.normal(size=len(strokes))
    found = read(strokes * peak / np.abs(strokes).max() + mains)
    assert found.hum is not None
    assert [remark.severity for remark in found.remarks if remark.rule == "hum"] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("left", "right", "change_db", "words"),
    [
        (0.19, 0.35, 0.0, {"L": ("quiet", "leave its gain as that of 'oh R'")}),
        (0.19, 0.15, 8.4, {"L": ("quiet", "turn up 8 dB"), "R": ("quiet", "turn up 8 dB")}),
        (0.73, 0.9, -5.1, {"L": ("pair", "turn down 5 dB"), "R": ("hot", "turn down 5 dB")}),
    ],
)
def test_a_pair_is_given_one_gain(rng, left, right, change_db, words):
    found, said = take_of(rng, {"oh L": left, "kick": 0.5, "oh R": right})
    for side in "LR":
        assert found[f"oh {side}"].gain_change_db == pytest.approx(change_db, abs=0.1)
        rule, advice = words.get(side, (None, ""))
        assert set(said[f"oh {side}"]) == ({rule} if rule else set())
        assert not rule or advice in said[f"oh {side}"][rule].advice


@pytest.mark.parametrize(
    ("names", "pairs"),
    [
        (["KdrumL", "KdrumR", "oh_l.wav", "OH-R.wav", "ohl", "ohr"], [(0, 1), (2, 3), (4, 5)]),
        (["left", "right"], [(0, 1)]),
        (
            ["Overheads.wav:1", "Overheads.wav:2", "big room.wav:2", "big room.wav:1", "OH a:1", "room b:2"],
            [(0, 1), (2, 3)],
        ),
        (["room.wav:1", "room.wav:2", "room.wav:3", "desk.wav:1", "desk.wav:2"], []),
        (["tom 1", "tom 2", "snare top", "snare bottom", "floor", "L 1", "R 2", "oh left", "oh left 2"], []),
    ],
)
def test_pairs_are_known_by_left_and_right(names, pairs):
    assert list(pairs_by_name(names)) == pairs


def test_a_clipped_track_is_to_be_turned_down_by_six_decibels_at_least():
    assert read(np.clip(2 * clean_take(0)["kick"] * 2, -1, 1)).gain_change_db == pytest.approx(-6.02, abs=0.01)


@pytest.mark.parametrize("sound", [[], [0.5], np.zeros(10), np.full(480, 0.1), 0.5 * np.ones(100)])
def test_very_short_tracks_are_read(sound):
    found = read(sound)
    assert found.duration_s == len(sound) / RATE
    assert found.verdict in {"quiet", "good", "silent"}


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_track_is_judged_as_far_as_it_can_be_read(bad):
    sound = clean_take(0)["kick"].copy()
    sound[5 * RATE + 20_001] = bad
    broken, whole = measure_levels([Track.from_array("a", sound, RATE), Track.from_array("b", sound[: 4 * RATE], RATE)])
    assert {remark.rule for remark in broken.remarks} == {"broken"}
    assert "no number" in broken.remarks[0].message
    assert broken.peak == np.abs(sound[: 5 * RATE + 20_001]).max()
    assert broken.mean_square == pytest.approx(np.mean(sound[: 5 * RATE + 20_001] ** 2))
    assert whole.remarks == ()


@pytest.mark.parametrize("first", [0, 100, RATE + 100])
def test_a_track_of_which_no_sound_can_be_read_is_not_called_silent(first):
    """What comes after may be anything: whether it was armed is not to be asked."""
    found = read(np.concatenate([np.zeros(first), np.full(2 * RATE, np.nan)]))
    assert found.verdict == "broken"
    assert found.gain_change_db is None
    assert [remark.rule for remark in found.remarks] == ["broken"]


def test_scaling_a_track_moves_every_level_alike():
    sound = clean_take(1)["bass"]
    loud, soft = read(sound), read(0.5 * sound)
    for name in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "noise_floor_dbfs"):
        assert getattr(loud, name) - getattr(soft, name) == pytest.approx(6.0206, abs=0.01)
    assert loud.snr_db == pytest.approx(soft.snr_db, abs=1e-6)


def test_an_inverted_track_reads_the_same():
    sound = clean_take(1)["kick"]
    one, other = read(sound), read(-sound)
    assert (one.peak, one.mean_square, one.verdict) == (other.peak, other.mean_square, other.verdict)
    assert one.true_peak == pytest.approx(other.true_peak, rel=1e-9)


def test_tracks_are_left_as_they_were():
    sound = clean_take(2)["kick"].copy()
    before = sound.copy()
    read(sound)
    assert np.array_equal(sound, before)


def test_tracks_of_other_rates_and_lengths_are_read_together():
    tracks = [Track.from_array("a", np.ones(100) / 2, 8000), Track.from_array("b", np.ones(9000) / 3, 44_100)]
    seconds: list[float] = []
    assert [round(levels.peak, 3) for levels in measure_levels(tracks, progress=seconds.append)] == [0.5, 0.333]
    assert seconds == sorted(seconds)


@pytest.mark.parametrize("windows", [1, 7, 4096, 4097, 8193, 30_001])
def test_an_outline_keeps_every_extreme_however_long(windows, rng):
    highs = rng.random(windows)
    meter = OutlineMeter(0.01)
    for start in range(0, windows, 100):
        meter.feed(-highs[start : start + 100], highs[start : start + 100])
    found = meter.finish()
    assert len(found.highs) <= 4097
    per_bin = round(found.bin_s / 0.01)
    expected = [highs[start : start + per_bin].max() for start in range(0, windows, per_bin)]
    assert found.highs.tolist() == expected
    assert found.lows.tolist() == [-high for high in expected]


def test_a_take_of_one_rate_length_and_start_needs_no_words():
    assert remarks_together([TrackFacts("a", 48_000, 10.0, 5.0), TrackFacts("b", 48_000, 10.2, 5.0)]) == ()


def test_rates_lengths_and_starts_that_differ_are_told():
    sheets = [
        TrackFacts("a", 48_000, 60.0, 36_000.0),
        TrackFacts("b", 48_000, 60.0, 36_000.25),
        TrackFacts("c", 44_100, 30.0),
    ]
    told = {remark.rule: remark for remark in remarks_together(sheets)}
    assert {rule: remark.severity for rule, remark in told.items()} == {
        "rates": "problem",
        "starts": "note",
        "lengths": "note",
    }
    assert "'c' (44100 Hz)" in told["rates"].message
    assert "'b' (250.0 ms)" in told["starts"].message
    assert "'c' (0:30.000)" in told["lengths"].message


def test_places_are_minutes_and_seconds():
    assert clock(599.9996) == "10:00.000"
