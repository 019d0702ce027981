"""A source alone: first wavefronts, polarity, and what else sounds there, on bursts whose arrivals are known."""

from __future__ import annotations

import numpy as np
import pytest

from micalign.alignment.solo import alone_in, measured_on, outranked
from micalign.errors import TakeError
from micalign.scene.quantities import alone_plans
from micalign.take.tracks import Take, Track
from micalign.tdoa.alone import heard_alone, hits_alone
from micalign.tdoa.delays import Alone, Delay, PairDelay, SourceDelays, Wanted

RATE = 48000
MICS = ("near", "other", "left", "right")
WANTED = Wanted("snare", MICS, "near")


def burst(rng: np.random.Generator, pitch_hz: float) -> np.ndarray:
    time = np.arange(6000) / RATE
    return (np.sin(2 * np.pi * pitch_hz * time) + 0.4 * rng.normal(size=6000)) * np.exp(-time / 0.02)


def take_of(
    rng: np.random.Generator,
    times: dict[str, list[float]],
    late_ms: dict[str, list[float]],
    level_db: dict[str, list[float]],
    signs: tuple[int, ...] = (1, 1, 1, 1),
    seconds: float = 8.0,
) -> tuple[Track, ...]:
    """Each source at its times in four mics, whole samples late, with a wall 4 ms behind and a little noise."""
    out = 1e-4 * rng.normal(size=(4, int(seconds * RATE)))
    for source, moments in times.items():
        for at in moments:
            sound = burst(rng, 220.0 if source == "snare" else 90.0)
            for row, (late, level) in enumerate(zip(late_ms[source], level_db[source], strict=True)):
                for more_ms, share in ((0.0, 1.0), (4.0, 0.6)):
                    start = round((at + (late + more_ms) / 1e3) * RATE)
                    out[row, start : start + len(sound)] += signs[row] * share * 10 ** (level / 20) * sound
    return tuple(Track.from_array(name, samples, RATE) for name, samples in zip(MICS, out, strict=True))


LATE = {"snare": [0.5, 3.0, 4.0, 5.25], "kick": [4.0, 0.5, 5.0, 4.5]}
LEVEL = {"snare": [-6, -30, -20, -24], "kick": [-32, -6, -22, -20]}


@pytest.mark.parametrize("own", ["near", "right"])
def test_first_wavefronts_and_polarity_are_those_that_were_made(own: str) -> None:
    """Every pair within 0.06 ms of its arrival, the inverted mic told, in ten takes, also if its own is last."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        tracks = take_of(rng, {"snare": [1.0, 1.7, 2.5, 3.1]}, LATE, LEVEL, signs=(1, 1, -1, 1))
        told = heard_alone(Alone("snare", tracks, ((0.5, 4.0),)), Wanted("snare", MICS, own)).delays
        assert told.alone_hits == 4
        late = dict(zip(MICS, LATE["snare"], strict=True))
        for pair in told.pairs:
            assert pair.delay.delay_s * 1e3 == pytest.approx(late[pair.track] - late[pair.reference], abs=0.06)
            assert pair.delay.polarity == (-1 if "left" in (pair.reference, pair.track) else 1)
            assert pair.delay.reliable


def test_another_source_in_the_stretch_is_told_with_its_time() -> None:
    """And left out of the measurement."""
    rng = np.random.default_rng(1)
    tracks = take_of(rng, {"snare": [1.0, 1.7, 2.5, 3.1], "kick": [2.1]}, LATE, LEVEL)
    alone = Alone("snare", tracks, ((0.5, 4.0),))
    assert hits_alone(alone).others_s == pytest.approx([2.1], abs=0.01)
    told = heard_alone(alone, WANTED).delays
    assert told.alone_hits == 4
    assert told.remark is not None
    assert "2.10 s" in told.remark


def test_fewer_than_three_hits_are_not_acted_on() -> None:
    """A number, and why not."""
    tracks = take_of(np.random.default_rng(2), {"snare": [1.0, 1.7]}, LATE, LEVEL)
    told = heard_alone(Alone("snare", tracks, ((0.5, 4.0),)), WANTED).delays
    assert not any(pair.delay.reliable for pair in told.pairs)
    assert "three are needed" in str(told.pairs[0].delay.reason)


@pytest.mark.parametrize(
    ("said", "word"),
    [
        (["snare=7-9"], "beyond the take, which ends at 0:08.00"),
        (["snare=1-3", "kick=2-4"], "overlaps"),
        (["snare=1-3,2-4"], "overlaps"),
    ],
)
def test_stretches_that_cannot_be_are_refused(said: list[str], word: str) -> None:
    """Outside the file; two at one time."""
    take = Take(take_of(np.random.default_rng(3), {}, LATE, LEVEL))
    with pytest.raises(TakeError, match=word):
        alone_in(take, alone_plans(said))


def test_a_stretch_without_a_hit_is_refused() -> None:
    """With its times."""
    take = Take(take_of(np.random.default_rng(4), {"snare": [1.0, 1.5, 2.0]}, LATE, LEVEL))
    with pytest.raises(TakeError, match=r"nothing is struck from 0:05.00 to 0:07.00"):
        measured_on(alone_in(take, alone_plans(["snare=0.5-3", "snare=5-7"])), [WANTED])


def _source(delay_s: float, sigma_s: float, *, hits: int = 0) -> SourceDelays:
    pair = PairDelay("near", "left", Delay(delay_s, sigma_s, 1, 0.9, 0.95, True, None))
    return SourceDelays("snare", "near", (pair,), {"near": 1.0, "left": 0.2}, 20, alone_hits=hits)


def test_the_line_check_outranks_the_song_and_says_where_they_differ() -> None:
    """Beyond three sigma a stand was moved, sooner than either is wrong; within, the surer counts."""
    alone = {"snare": _source(3.0e-3, 3e-5, hits=12)}
    near, far = (outranked([_source(song, 4e-5)], alone)[0] for song in (3.1e-3, 3.2e-3))
    assert far.pairs[0].delay.delay_s == 3.0e-3
    assert (near.pairs[0].delay.delay_s, near.pairs[0].delay.uncertainty_s) == (3.0e-3, 3e-5)
    surer = outranked([_source(3.1e-3, 2e-5)], alone)[0].pairs[0].delay
    assert (surer.delay_s, surer.uncertainty_s) == (3.1e-3, 2e-5)
    assert near.alone_hits == far.alone_hits == 12
    assert near.pairs[0].delay.reason is None
    assert "was a stand moved" in str(far.pairs[0].delay.reason)
