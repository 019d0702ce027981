"""What begins in a track is told from what a room sends back, and what merely begins together is not believed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from micalign.delay import precedence
from micalign.delay.evidence import front_evidence, stretch_evidence
from micalign.delay.fronts import _fronts, rise_above
from micalign.delay.gates import stretches
from micalign.delay.listening import listen
from micalign.delay.measure import measure_pair
from micalign.delay.precedence import arrives_as_one
from micalign.delay.verdict import judge
from micalign.take.model import Track

RATE = 48000


def strummed(rng, seconds=6.0, rate=RATE):
    """Ten short sounds a second, never evenly, each of its own noise and gone in some milliseconds."""
    sound = np.zeros(int(seconds * rate))
    at = 0.2
    while at < seconds - 0.4:
        length = int(0.05 * rate)
        decay = np.exp(-np.arange(length) / (rng.uniform(0.002, 0.004) * rate))
        sound[int(at * rate) :][:length] += rng.uniform(0.5, 1.0) * rng.normal(size=length) * decay
        at += rng.uniform(0.06, 0.14)
    return sound


def heard(sound, paths, rng, noise=1e-3):
    late = sum(gain * np.roll(sound, samples) for samples, gain in paths)
    return late + noise * rng.normal(size=len(sound))


# The walls' paths add up at a delay of 330, 1.76 to the direct sound's 0.8, for they reach both mics 60 apart.
NEAR_PATHS = [(0, 1.0), (60, 0.6), (120, 0.6)]
FAR_PATHS = [(200, 0.8), (330, 0.8), (390, 0.8), (450, 0.8)]


def pair(first, second, rate=RATE, start_s=0.0):
    return Track.from_array("near", first, rate), Track.from_array("far", second, rate, start_s=start_s)


def asked(near, far, *, reach_s=0.05, centre_s=0.0):
    gate = stretches(listen(near).envelope, near.frames, near.sample_rate, length_s=0.34, most=60)
    return front_evidence(near, far, gate, reach_s=reach_s, centre_s=centre_s)


def remembered(x, rate):
    """The definition, sample by sample: half a millisecond against the loudest that ended 1 ms ago or earlier."""
    now, earlier = round(0.0005 * rate), round(0.001 * rate)
    energy = [sum(x[max(t - now + 1, 0) : t + 1] ** 2) for t in range(len(x))]
    rise = np.zeros(len(x))
    for t in range(earlier, len(x)):
        faded = max(energy[s] * 10 ** (-21.5 * (t - s) / rate) for s in range(t - earlier + 1))
        rise[t] = max(0.0, 1.0 - faded / energy[t])
    return rise


@pytest.mark.parametrize("rate", [8000, 24000])
def test_a_rise_is_told_against_everything_a_millisecond_and_more_before(rng, rate):
    x = rng.normal(size=400) * np.repeat(rng.uniform(0.1, 3.0, 20), 20)
    # Rounding of a running sum in double precision.
    np.testing.assert_allclose(rise_above(x, rate), remembered(x, rate), atol=1e-9)
    np.testing.assert_allclose(rise_above(np.stack([x, 5 * x]), rate)[1], remembered(x, rate), atol=1e-9)


@pytest.mark.parametrize("rate", [22050, 44100, 48000, 96000])
@pytest.mark.parametrize("start_s", [0.0, 0.01, -0.02])
def test_the_first_path_is_told_where_a_later_one_is_nearly_twice_as_strong(rng, rate, start_s):
    sound = strummed(rng, rate=rate)
    near, far = pair(heard(sound, NEAR_PATHS, rng), -heard(sound, FAR_PATHS, rng), rate, start_s)
    whole = stretches(listen(near).envelope, near.frames, rate, length_s=0.17, most=100)
    found = asked(near, far, centre_s=start_s)
    # What is left of the reflections pulls by less than a twentieth of a sample.
    assert (found.best.lag_s - start_s) * rate == pytest.approx(200, abs=0.05)
    assert found.best.polarity == -1
    assert judge(found).reason is None
    strongest = stretch_evidence(near, far, whole, reach_s=0.05, centre_s=start_s)
    assert (strongest.best.lag_s - start_s) * rate == pytest.approx(330, abs=0.5)


@pytest.mark.parametrize("turned", [False, True])
def test_a_pair_is_measured_by_its_fronts_where_the_whole_take_follows_a_reflection(rng, turned):
    sound = strummed(rng)
    near, far = pair(heard(sound, NEAR_PATHS, rng), heard(sound, FAR_PATHS, rng))
    found = measure_pair(far, near) if turned else measure_pair(near, far)
    assert found.reliable, found.reason
    assert found.delay_s * RATE == pytest.approx(-200 if turned else 200, abs=0.05)
    assert found.polarity == 1
    # Nor is the sigma an empty word: no less than the error, and far below a sample.
    assert abs(abs(found.delay_s) - 200 / RATE) < 3 * found.uncertainty_s < 0.2 / RATE


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 99), st.floats(-60, 20), st.sampled_from([1.0, -1.0]))
def test_neither_level_nor_polarity_matter_to_fronts(seed, gain_db, sign):
    rng = np.random.default_rng(seed)
    sound = strummed(rng, seconds=3.0)
    late = heard(sound, [(150, 0.5), (260, 1.0)], rng)
    one = asked(*pair(sound, late))
    other = asked(*pair(sound, sign * 10 ** (gain_db / 20) * late))
    # Single precision and its rounding.
    assert other.best.lag_s == pytest.approx(one.best.lag_s, abs=1e-9)
    assert other.best.polarity == sign * one.best.polarity
    assert other.height / other.noise == pytest.approx(one.height / one.noise, rel=1e-3)


def test_one_front_does_not_outvote_all_others(rng):
    """One click in both at another delay, a hundred times as loud as what is strummed sixty times."""
    sound = strummed(rng)
    late = heard(sound, [(200, 1.0)], rng)
    sound[3 * RATE + 100], late[3 * RATE + 900] = 50.0, 50.0
    found = asked(*pair(sound, late))
    assert found.best.lag_s * RATE == pytest.approx(200, abs=0.01)


def square(hz, seconds=6.0):
    return np.sign(np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE + 0.1))


def steps(rng, sizes):
    """Steps of DC at the same moments in both, under noises of their own."""
    frames = 6 * RATE
    level = np.zeros(frames)
    for at, size in zip(np.linspace(0.5, 5.5, len(sizes)), sizes, strict=True):
        level[int(at * RATE) :] += size
    return tuple(level + 0.01 * rng.normal(size=frames) for _ in range(2))


def on_one_grid(rng):
    """Two players' sounds, each always the same, struck at the same samples."""
    frames = 8 * RATE
    sounds = [rng.normal(size=3000) * np.exp(-np.arange(3000) / 500) for _ in range(2)]
    out = np.zeros((2, frames))
    for start in np.arange(0.3, 7.5, 0.25):
        for track, sound in zip(out, sounds, strict=True):
            track[int(start * RATE) :][:3000] += sound
    return tuple(track + 1e-4 * rng.normal(size=frames) for track in out)


@pytest.mark.parametrize(
    "traps",
    [
        lambda rng: (square(100), square(101)),
        lambda rng: (square(110), np.roll(square(110), 100)),
        lambda rng: tuple(np.roll(np.eye(1, 480, 9)[0].tolist() * 600, late) for late in (0, 77)),
        lambda rng: steps(rng, [0.2]),
        lambda rng: steps(rng, [0.02, -0.03, 0.04, -0.02]),
        on_one_grid,
        lambda rng: (rng.normal(size=6 * RATE), rng.normal(size=6 * RATE)),
        lambda rng: (np.zeros(RATE), rng.normal(size=RATE)),
    ],
    ids=["squares", "one square", "clicks", "a step", "steps", "one grid", "noises", "silence"],
)
def test_what_only_begins_together_is_not_reliable(rng, traps):
    near, far = pair(*(0.3 * np.asarray(x, dtype=float) for x in traps(rng)))
    assert not measure_pair(near, far).reliable


def test_where_files_begin_is_no_front(rng):
    """A frame that begins half a frame before its file: 0.12 s from the file's first sample on nothing counts."""
    track = Track.from_array("", rng.normal(size=RATE), RATE)
    lead = round(0.12 * RATE)
    rows = _fronts(track, np.array([-8000, 8000]) - lead, 24000 + lead, 15000, 2)
    assert not rows[0, : (8000 + 2 * lead) // 2].any()
    assert not rows[1, : lead // 2].any()
    assert rows[0, (8000 + 2 * lead) // 2 :].any()


def cabinet(sound):
    """A loudspeaker's band, 90 Hz to 4 kHz of the second order."""
    return signal.sosfilt(signal.butter(2, (90.0, 4000.0), "bandpass", fs=RATE, output="sos"), sound)


def test_what_begins_arrives_unchanged_over_air_and_not_through_a_cabinet(rng):
    sound = strummed(rng)
    air = [listen(track) for track in pair(sound, heard(sound, [(75, 1.0), (140, 0.4)], rng, noise=0.0))]
    box = [listen(track) for track in pair(sound, np.roll(cabinet(sound), 75))]
    assert arrives_as_one(*air, 75 / RATE)
    assert not arrives_as_one(*air, 77 / RATE)
    assert not arrives_as_one(*box, 75 / RATE)


@pytest.mark.parametrize(
    "told", [{"close": "reference"}, {"prior_s": 0.004}, {"moments_s": [0.5, 1.0]}, {"drift": True}], ids=str
)
def test_who_tells_the_path_is_not_asked_again(rng, monkeypatch, told):
    """A hint names a path; the fronts, which know of no hint, are left alone."""

    def never(*_args, **_kept):
        raise AssertionError

    sound = strummed(rng)
    near, far = pair(heard(sound, NEAR_PATHS, rng), heard(sound, FAR_PATHS, rng))
    monkeypatch.setattr(precedence, "front_evidence", never)
    measure_pair(near, far, **told)
    with pytest.raises(AssertionError):
        measure_pair(near, far)
