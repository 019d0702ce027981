"""The way to each track where no scene tells sources apart: straight, by the clocks, by a loopback."""

from __future__ import annotations

import numpy as np
import pytest
from di_takes import bass_take

from micalign.alignment import pairings
from micalign.alignment.pairings import Measured, measured
from micalign.take.tracks import Track
from micalign.tdoa.delays import TrackDelay
from micalign.tdoa.measure import Delay

RATE = 8000


def noise(seed: int, seconds: float = 2.0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(int(seconds * RATE))


def track(name: str, samples) -> Track:
    return Track.from_array(name, samples, RATE)


def later(samples: np.ndarray, count: int) -> np.ndarray:
    return np.concatenate([np.zeros(count), samples])[: len(samples)]


def test_a_group_is_never_surer_than_the_pair():
    """Two tracks in doubt of each other stay so, whatever a third that hears both of them clearly would add up to."""
    sound, near, far = noise(1, 36.0), 7.5 * noise(2, 36.0), 7.5 * noise(3, 36.0)
    reference, last = track("reference", sound + near), track("far", later(sound, 100) + far)
    alone = measured(reference, [last]).tracks[0].delay
    assert not alone.reliable
    first, grouped = (row.delay for row in measured(reference, [track("between", -later(sound, 40)), last]).tracks)
    assert first.reliable
    assert grouped == alone


def test_no_third_track_speaks_for_a_pair_of_which_it_hears_two_sources():
    alto, tenor = noise(1, 36.0), noise(2, 36.0)
    first, second = alto + 0.3 * later(tenor, 50), tenor + 0.3 * later(alto, 50)
    third = later(alto, 150) + later(tenor, 110)
    (alone,) = measured(track("a", first), [track("b", second)]).tracks
    row, _ = measured(track("a", first), [track("b", second), track("c", third)]).tracks
    assert not row.delay.reliable  # 150 of the alto less 110 of the tenor is a delay of neither
    assert row.delay == alone.delay
    # Nor where the two have nothing in common at all.
    between, far = -later(alto, 40) + later(tenor, 40), later(tenor, 100)
    assert not measured(track("alto", alto), [track("between", between), track("far", far)]).tracks[1].delay.reliable


def test_each_track_is_told_by_its_own_doubt():
    found = measured(
        track("a", noise(1)), [track("b", noise(2)), track("c", later(noise(1), 30)), track("d", noise(3))]
    )
    assert [row.delay.reliable for row in found.tracks] == [False, True, False]
    assert not found.all_reliable
    assert found.sources is None


def test_a_loopback_gives_its_time_to_all_and_its_polarity_to_itself():
    sent = noise(4)
    back = track("back", -later(sent, 3000))  # 375 ms through the interface
    other = track("other", noise(5))
    found = measured(track("sent", sent), [other, back], loopback=back)
    for row in found.tracks:
        assert row.delay.delay_s * RATE == pytest.approx(3000, abs=0.05)
        assert row.delay.reliable
    assert [row.delay.polarity for row in found.tracks] == [1, -1]


def test_a_loopback_is_looked_for_within_two_seconds_or_more_where_asked(monkeypatch):
    asked = []

    def spy(reference, tracks, *, max_delay_s):
        asked.append(max_delay_s)
        return tuple(Delay(0.1, 1e-6, 1, 1.0, 1.0, True, None) for _ in tracks)

    monkeypatch.setattr(pairings, "measure_many", spy)
    one = track("a", noise(1))
    measured(one, [one], loopback=one)
    measured(one, [one], loopback=one, max_delay_s=5.0)
    assert asked == [2.0, 5.0]


def clocked(reliable: bool, monkeypatch) -> list[tuple[float, bool]]:
    asked = []

    def clock(reference, track, *, max_delay_s, drift):
        asked.append((max_delay_s, drift))
        reason = None if reliable else "too few stretches"
        return Delay(1.5, 1e-5, 1, 0.9, 0.8, reliable, reason, (), 12.0 if drift else None)

    monkeypatch.setattr(pairings, "measure_clock", clock)
    return asked


def test_beyond_two_seconds_a_track_is_found_by_its_clock(monkeypatch):
    asked = clocked(True, monkeypatch)
    one, other = track("a", noise(1)), track("b", noise(2))
    assert measured(one, [other], max_delay_s=2.5).tracks[0].delay.delay_s == 1.5
    assert measured(one, [other], drift=True).tracks[0].delay.drift_ppm == 12.0
    assert asked == [(2.5, False), (0.05, True)]
    assert measured(one, [track("c", later(noise(1), 9))], max_delay_s=2.0).tracks[0].delay.delay_s < 0.01
    assert len(asked) == 2


def test_where_no_clock_is_found_the_plain_delay_is_given_with_a_word(monkeypatch):
    clocked(False, monkeypatch)
    one, other = track("a", noise(1)), track("b", later(noise(1), 50))
    near = measured(one, [other], drift=True).tracks[0].delay
    assert near.delay_s * RATE == pytest.approx(50, abs=0.05)
    assert near.reliable
    assert near.reason == "no difference of the clocks could be measured: too few stretches"
    far = measured(one, [other], max_delay_s=3.0).tracks[0].delay
    assert not far.reliable
    assert far.reason == "too few stretches"
    silent = measured(one, [track("s", np.zeros(2 * RATE))], drift=True).tracks[0].delay
    assert silent.reason == "'s' is silent"


def test_all_are_reliable_only_where_each_is():
    good, bad = (TrackDelay(n, Delay(0, 0, 1, 1, 1, n == "good", None)) for n in ("good", "bad"))
    assert Measured("a", RATE, (good,)).all_reliable
    assert not Measured("a", RATE, (good, bad)).all_reliable


@pytest.mark.parametrize("seed", [4, 6, 12])  # of 40 takes 33 are told so, the others have a likelier delay
def test_a_reamp_beyond_the_reach_names_the_option_and_never_blames_the_clocks(seed):
    take = bass_take(seed, seconds=8.0, latency_s=(0.3, 0.4))
    di, mic = track_48("di", take.di), track_48("mic", take.mic)
    refused = measured(di, [mic], max_delay_s=0.02).tracks[0].delay
    assert not refused.reliable
    assert "--max-delay-ms" in refused.reason
    assert "20 ms" in refused.reason
    assert "drift" not in refused.reason
    assert "clock" not in refused.reason


def track_48(name: str, samples) -> Track:
    return Track.from_array(name, samples, 48000)
