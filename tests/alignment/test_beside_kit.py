"""What plays beside a kit: a DI and its cab, and a voice, are not laid by the kit's strokes."""

from __future__ import annotations

import numpy as np
import pytest
from di_takes import bass_line, bass_take, delayed
from scipy.signal import butter, sosfilt
from two_drums import RATE, kit

from micalign.alignment.beside_kit import beside_kit, holds_notes, one_performances
from micalign.alignment.network import Constraints
from micalign.alignment.offsets import Offsets
from micalign.alignment.pairings import measured
from micalign.alignment.session import planned
from micalign.take.tracks import Track
from micalign.tdoa.strokes import listen


def bass(seed: int = 3, *, bleed: np.ndarray | None = None) -> dict[str, Track]:
    """A DI and the mic on its cab, which may hear a kit."""
    take = bass_take(seed, seconds=12.0, latency_s=(0.002, 0.004))
    di, mic = take.di[: 12 * RATE], take.mic[: 12 * RATE]
    heard = mic if bleed is None else mic + bleed
    return {"x": Track.from_array("x", di, RATE), "y": Track.from_array("y", heard, RATE)}


def laid(tracks: dict[str, Track], first: str, *, stays: bool = False) -> Offsets:
    others = [track for name, track in tracks.items() if name != first]
    found = measured(tracks[first], others, on_strokes=True, over_kit=True, stays=stays)
    return planned(found, Constraints(first))


@pytest.mark.parametrize("first", ["one", "x", "y", "left"])
def test_a_di_and_its_cab_lie_as_they_do_alone_and_not_by_the_kit(rng, first):
    pair = bass()
    alone = planned(measured(pair["y"], [pair["x"]]), Constraints("y")).shift("x")
    offsets = laid(kit(rng) | pair, first)
    told = {shift.track: shift for shift in offsets.shifts}
    assert (told["y"].shift_s, told["y"].polarity_flip) == (0.0, False)
    assert told["x"].shift_s == pytest.approx(alone.shift_s, abs=1e-6)
    assert told["x"].polarity_flip == alone.polarity_flip
    assert first == "y" or "bleed" in told["y"].reason
    assert first == "x" or "laid with 'y'" in told["x"].reason
    # The kit is laid as if there was no bass.
    assert -142 / RATE < -told["one"].shift_s < -131 / RATE
    assert -191 / RATE < -told["two"].shift_s < -159 / RATE


def test_where_the_di_is_to_stay_all_else_moves_with_its_cab(rng):
    pair = bass()
    offsets = laid(kit(rng) | pair, "x", stays=True)
    told = {shift.track: shift for shift in offsets.shifts}
    by_s = told["y"].shift_s
    assert told["x"].shift_s == 0.0
    assert by_s != 0.0
    assert told["left"].shift_s == told["right"].shift_s == by_s


def test_a_cab_that_hears_the_kit_stays_as_well(rng):
    tracks = kit(rng)
    bleed = 0.03 * delayed(tracks["one"].read(0, 12 * RATE), 0.006)
    told = {shift.track: shift for shift in laid(tracks | bass(bleed=bleed), "one").shifts}
    assert (told["y"].shift_s, told["y"].polarity_flip) == (0.0, False)
    assert "laid with 'y'" in told["x"].reason


def test_a_line_alone_holds_notes_and_stays(rng):
    line = 0.3 * bass_line(np.random.default_rng(5), 12.0)[: 12 * RATE] + 1e-5 * rng.standard_normal(12 * RATE)
    tracks = kit(rng) | {"z": Track.from_array("z", line, RATE)}
    assert holds_notes(tracks["z"])
    assert not any(holds_notes(track) for name, track in tracks.items() if name != "z")
    shift = laid(tracks, "one").shift("z")
    assert (shift.shift_s, shift.polarity_flip, shift.basis) == (0.0, False, "recorded")
    assert "holds notes" in shift.reason


@pytest.mark.parametrize(("name", "is_line"), [("Tom lo.wav", False), ("floor_tom-2", False), ("7", True)])
def test_what_is_called_as_a_drum_is_one_however_evenly_it_rings(name, is_line):
    """A low tom, struck now and then, with no cymbal in it: an even, dark sound."""
    seconds = np.arange(10 * RATE) / RATE
    since = np.minimum.reduce([np.where(seconds >= at, seconds - at, np.inf) for at in (1.0, 4.0, 7.0)])
    sound = np.where(np.isfinite(since), 0.4 * np.exp(-since / 1.0) * np.sin(2 * np.pi * 70 * seconds), 0.0)
    assert holds_notes(Track.from_array(name, sound, RATE)) is is_line


def test_a_kit_alone_has_nothing_beside_it(rng):
    heard = [listen(track) for track in kit(rng).values()]
    assert one_performances(heard, max_delay_s=0.05) == []
    assert beside_kit(heard, []) == set()


def test_a_cab_driven_hard_is_one_performance_with_its_di_and_another_players_mic_that_hears_it_is_not():
    """As energy goes, the first mic shares 0.77 with the DI and the second 0.67."""
    take = bass_take(4, seconds=12.0, latency_s=(0.002, 0.004))
    driven = sosfilt(butter(2, [60, 4000], "bandpass", fs=RATE, output="sos"), np.tanh(30.0 * take.di))
    other = bass_line(np.random.default_rng([4, 9]), 12.0)
    mics = {"cab": 0.3 * delayed(driven, 0.003), "other": take.mic + 0.66 * np.std(take.mic) / np.std(other) * other}
    hiss = 5e-4 * np.random.default_rng(4).standard_normal(len(take.di))
    found = {
        name: one_performances(
            [listen(Track.from_array(*named, RATE)) for named in (("x", take.di), (name, mic + hiss))], max_delay_s=0.05
        )
        for name, mic in mics.items()
    }
    assert [(one.di, one.coherence == pytest.approx(0.77, abs=0.03)) for one in found["cab"]] == [("x", True)]
    assert found["other"] == []
