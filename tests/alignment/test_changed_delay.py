"""A mic that is moved within the take is told, with when and by how much, and not laid by a part of it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from bench.alignment.moved_mics import moved
from bench.delay import realkit, realtakes
from kit_takes import kit_take

from micalign.alignment.network import Constraints
from micalign.alignment.pairings import measured
from micalign.alignment.session import measured_scene, planned
from micalign.take.tracks import Take, Track

LATE_S = 1.5e-3
NAMES = {"OHL": "OH L", "OHR": "OH R", "KdrumR": "kick", "Snare_top": "snare", "Hihat": "hat"}
CHANGES = re.compile(r"its delay against 'OH L' changes from (\S+) ms to (\S+) ms about (\d+) s in")


@pytest.fixture(scope="module")
def take():
    kit = realkit.RealKit(Path(__file__).parents[1] / "external" / "realkit")
    return realtakes.groove(kit, "rock", seed=3, seconds=24)


def _tracks(take, *, late_s: float = 0.0, of: tuple[str, ...] = ()) -> list[Track]:
    """The tracks, some of them later from the middle of the take on."""
    sounds = {mic: moved(sound, 0.5, late_s, take.rate) if mic in of else sound for mic, sound in take.mics.items()}
    return [Track.from_array(name, sounds[mic], take.rate) for mic, name in NAMES.items()]


def _found(tracks: list[Track], **options):
    return measured(tracks[0], tracks[1:], on_strokes=True, over_kit=True, **options)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_mic_that_is_moved_is_told_with_both_delays_and_left(take, sign):
    found = _found(_tracks(take, late_s=sign * LATE_S, of=("Snare_top",)))
    told = {row.track: row.delay for row in found.tracks}
    said = CHANGES.match(told["snare"].reason)
    assert said, told["snare"].reason
    before_ms, after_ms, about_s = map(float, said.groups())
    assert after_ms - before_ms == pytest.approx(sign * 1e3 * LATE_S, abs=0.2)
    assert about_s == pytest.approx(12, abs=1.5)
    assert "cut the take there and align each part by itself" in told["snare"].reason
    assert not told["snare"].reliable
    laid = planned(found, Constraints("OH L")).shift("snare")
    assert (laid.shift_s, laid.polarity_flip, laid.applied) == (0.0, False, False)
    # The rest is laid as it would be without it, but for which strokes are the snare's: 10 us, half a sample; by them
    # the hat, whose best sum is mostly bleed, moves or stays.
    still = _found([track for track in _tracks(take) if track.name != "snare"])
    expected_s = {row.track: row.delay.delay_s for row in still.tracks if row.track != "hat"}
    assert {name: told[name].delay_s for name in expected_s} == pytest.approx(expected_s, abs=1e-5)


def test_a_kit_that_stands_still_is_told_of_nothing(take):
    for row in _found(_tracks(take)).tracks:
        assert "changes" not in (row.delay.reason or "")


def test_an_overhead_that_is_moved_is_what_all_are_told_of_once(take):
    found = _found(_tracks(take, late_s=LATE_S, of=("OHL",)))
    (reason,) = {row.delay.reason for row in found.tracks}
    assert reason.startswith("'OH L' comes 1.5 ms later against ")
    assert not any(row.delay.reliable for row in found.tracks)


def test_two_mics_that_are_moved_together_are_not_the_reference(take):
    found = _found(_tracks(take, late_s=LATE_S, of=("Snare_top", "Hihat")))
    told = {row.track: row.delay.reason or "" for row in found.tracks}
    assert {name for name, reason in told.items() if "its delay against 'OH L' changes" in reason} == {"snare", "hat"}


def test_a_clock_that_differs_is_no_mic_that_was_moved(take):
    tracks = _tracks(take)
    times = np.arange(tracks[3].frames)
    drifted = np.interp(times * (1 + 120e-6), times, tracks[3].read())
    tracks[3] = Track.from_array("snare", drifted, take.rate)
    (snare,) = (row.delay for row in _found(tracks).tracks if row.track == "snare")
    said = re.match(r"its delay against 'OH L' changes by about (\S+) ppm all along", snare.reason)
    assert said, snare.reason
    assert float(said[1]) == pytest.approx(-120, abs=15)
    assert "as of two recorders whose clocks differ" in snare.reason


def test_a_mic_that_is_moved_twice_is_told_so(take):
    """Told by enough strokes between: a hat's."""
    twice = moved(moved(take.mics["Hihat"], 0.33, LATE_S, take.rate), 0.67, -2 * LATE_S, take.rate)
    tracks = _tracks(take)
    tracks[4] = Track.from_array("hat", twice, take.rate)
    (hat,) = (row.delay for row in _found(tracks).tracks if row.track == "hat")
    assert not hat.reliable
    assert hat.reason.startswith("its delay against 'OH L' changes more than once within the take")


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_hum_is_no_mic_that_was_moved(take, rng, hertz):
    """It is alike at every shift of a period, and every stroke of the kit falls elsewhere in it."""
    times_s = np.arange(len(take.mics["OHL"])) / take.rate
    hum = 0.02 * np.sin(2 * np.pi * hertz * times_s) + 0.01 * np.sin(6 * np.pi * hertz * times_s + 1.0)
    tracks = [*_tracks(take), Track.from_array("dead", hum + 1e-5 * rng.normal(size=len(hum)), take.rate)]
    (dead,) = (row.delay for row in _found(tracks).tracks if row.track == "dead")
    assert "changes" not in (dead.reason or "")


def test_with_a_scene_a_mic_that_is_moved_is_told_and_left():
    kit = kit_take(4)
    name = "snare mic"
    tracks = [
        Track.from_array(one.name, moved(one.read(), 0.5, LATE_S, one.sample_rate), one.sample_rate)
        if one.name == name
        else one
        for one in kit.take.tracks
    ]
    still, found = (measured_scene(kit.scene, take) for take in (kit.take, Take(tuple(tracks))))
    assert not still.unsteady
    assert found.unsteady == (name,)
    shift = planned(found, Constraints(found.reference)).shift(name)
    assert not shift.applied
    assert f"its delay against '{found.reference}' changes" in shift.reason
