"""Two mics at a source each hear each other's: no one shift serves both, and neither is moved."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from di_takes import RATE, bass_line, bass_take, delayed

from micalign.alignment import beside_kit
from micalign.alignment.network import Constraints
from micalign.alignment.pairings import measured
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.report.align_words import remain_table
from micalign.scene.model import Mic, Room, Source
from micalign.scene.scene import Scene
from micalign.simulate.virtual_take import Simulation, simulate
from micalign.take.tracks import Take, Track

SECONDS = 14.0


def duo(seed: int, late_s: tuple[float, float], gain: float) -> list[Track]:
    """Two players; each mic hears the other's so much later and softer."""
    one, other = (bass_line(np.random.default_rng([seed, k]), SECONDS) for k in (0, 1))
    hiss = 1e-4 * np.random.default_rng(seed).standard_normal((2, len(one)))
    mics = one + gain * delayed(other, late_s[1]), other + gain * delayed(one, late_s[0])
    return [Track.from_array(name, 0.4 * mic + noise, RATE) for name, mic, noise in zip("ab", mics, hiss, strict=True)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_mics_at_a_source_each_are_told_so_and_left(seed):
    first, second = duo(seed, (1.8e-3, 1.2e-3), 0.25)
    found = measured(first, [second], on_strokes=True, over_kit=True)
    delay = found.tracks[0].delay
    assert not delay.reliable
    assert "comes 1.8" in delay.reason
    assert "its own 1.2" in delay.reason
    assert found.sums == ()
    shift = planned(found, Constraints("a")).shift("b")
    assert (shift.shift_s, shift.polarity_flip, shift.applied) == (0.0, False, False)


@pytest.mark.parametrize("seed", range(4))
def test_a_di_and_its_cab_are_one_source(seed):
    take = bass_take(seed, latency_s=(0.0005, 0.006))
    di, mic = Track.from_array("di", take.di, RATE), Track.from_array("mic", take.mic, RATE)
    delay = measured(di, [mic], on_strokes=True).tracks[0].delay
    assert delay.reliable
    assert "source each" not in (delay.reason or "")


@pytest.mark.parametrize(
    ("late", "soft", "is_two"), [(60, 0.1, True), (3, 0.1, False), (60, 0.8, False)], ids=["two", "beside", "even"]
)
def test_what_comes_from_both_sides_is_two_where_it_is_clearly_so_and_the_balance_changes(rng, late, soft, is_two):
    """By turns later and earlier in the second mic, louder and softer: 3 samples are no second place."""
    sound = bass_line(rng, SECONDS)
    turn = np.arange(len(sound)) // RATE % 2 == 0
    heard = np.where(turn, np.roll(sound, -late), soft * np.roll(sound, late))
    mics = [Track.from_array(name, x, RATE) for name, x in (("a", sound), ("b", heard))]
    assert (beside_kit._two_sources_s(*mics) is not None) is is_two


VOICE, GUITAR = Source("voice", (2.0, 2.0, 1.25)), Source("guitar", (2.05, 1.85, 0.8))
MICS = (
    Mic("vocal", (2.0, 1.78, 1.3), pattern="cardioid", aim="voice", on=("voice",)),
    Mic("near", (2.05, 1.5, 0.82), pattern="cardioid", aim="guitar", on=("guitar",)),
    Mic("far", (2.3, 0.95, 1.1), pattern="cardioid", aim="guitar", on=("guitar",)),
)
PLAYER = Scene(sources=(VOICE, GUITAR), mics=MICS, room=Room((4.1, 3.4, 2.38)))
"""One who sings and plays: the voice is nearly as loud in the guitar's far mic as the guitar."""


def played(seed: int, seconds: float) -> tuple[Simulation, list[Track]]:
    take = simulate(PLAYER, seconds=seconds, seed=seed)
    return take, [Track.from_array(mic.name, take.tracks[mic.name], take.sample_rate) for mic in MICS]


@pytest.mark.parametrize(("seed", "seconds"), [(1, 30.0), (4, 20.0)])
def test_a_held_sound_is_not_told_the_delay_of_one_that_is_louder_beside_it(seed, seconds):
    """In each of these takes the guitar's mics were laid by the voice, 0.5 ms and more off, and called reliable."""
    take, tracks = played(seed, seconds)
    found = measured_scene(PLAYER, Take(tuple(tracks)))
    arrival_s = {(one.source, one.track): one.arrival_s for one in take.truths}
    for source in found.sources:
        for pair in source.reliable:
            true_s = arrival_s[source.source, pair.track] - arrival_s[source.source, pair.reference]
            assert pair.delay.delay_s == pytest.approx(true_s, abs=1e-4)  # what is called right everywhere
    voice = next(one for one in found.sources if one.source == "voice")
    assert len(voice.reliable) == 3


def test_what_a_voice_leaves_in_a_guitars_mics_is_told():
    _, tracks = played(1, 30.0)
    names = [track.name for track in tracks]
    offsets = planned(measured_scene(PLAYER, Take(tuple(tracks))), constraints_of(PLAYER, names, reference="vocal"))
    shifts = {one.track: one.shift_s for one in offsets.shifts}
    # The guitar meets itself in its own two mics, 1.833 ms apart.
    assert shifts["near"] - shifts["far"] == pytest.approx(1.833e-3, abs=2e-5)
    told = {(one.source, one.track): one for one in offsets.remains if not one.is_faint}
    assert {key for key, one in told.items() if one.is_bleed} == {("voice", "near"), ("voice", "far")}
    cells = list(remain_table(offsets.remains).columns[1].cells)
    assert cells == ["near (bleed)", "far (bleed)", "far"]
    assert "(voice between far and vocal)" in offsets.compromise


def test_a_further_mic_is_left_where_it_hears_both_of_two_sources():
    """Laid by the voice alone, a second mic on the guitar is no more in step with the first; a mic of its own is."""
    _, (vocal, near, far) = played(1, 30.0)
    rows = {row.track: row.delay for row in measured(vocal, [near, far], on_strokes=True, over_kit=True).tracks}
    assert not rows["far"].reliable
    assert "'vocal' and what 'near' stand at" in rows["far"].reason
    beside = Track.from_array("beside", np.roll(vocal.read(), 30), vocal.sample_rate)
    rows = {row.track: row.delay for row in measured(vocal, [near, beside], on_strokes=True, over_kit=True).tracks}
    assert rows["beside"].reliable
    assert rows["beside"].delay_s == pytest.approx(30 / vocal.sample_rate, abs=1e-6)
    assert [beside_kit.hears_both(vocal, near, one) for one in (far, beside)] == [True, False]
    assert [beside_kit.hears_both(one, other, far) for one, other in combinations((vocal, vocal), 2)] == [False]
