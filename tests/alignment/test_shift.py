"""A track moved in time against closed forms: tones whose every sample is known at every instant."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import oaconvolve

from micalign.alignment.shift import Span, common_span, kernel, shifted_blocks, shifted_span, split_shift
from micalign.take.tracks import Track

RATE = 48000


def _shifted(track: Track, shift: float, **options: object) -> np.ndarray:
    return np.concatenate(list(shifted_blocks(track, shift, **options)))  # type: ignore[arg-type]


def test_positive_shifts_move_the_track_later() -> None:
    """The sign, in the words of the module."""
    click = Track.from_array("click", [1.0, 0.0, 0.0], RATE)
    assert _shifted(click, 2.0).tolist() == [0.0, 0.0, 1.0, 0.0, 0.0]
    assert _shifted(click, -2.0, span=Span(-2, 1)).tolist() == [1.0, 0.0, 0.0]


@pytest.mark.parametrize("frequency", [0.003, 0.11, 0.25, 0.4, 20000 / 48000, 20000 / 44100])
@pytest.mark.parametrize("shift", [10.37, -3.5, 0.001, 133.999])
def test_a_tone_comes_out_where_it_should(frequency: float, shift: float) -> None:
    """Within -100 dB of the tone itself at every sample, to 20 kHz at 44.1 kHz."""
    n = np.arange(4000)
    tone = Track.from_array("tone", np.sin(2 * np.pi * frequency * n + 0.3), RATE)
    span = Span(300, 3700)  # away from the ends, where the tone begins out of nothing
    wanted = np.sin(2 * np.pi * frequency * (np.arange(span.start, span.stop) - shift) + 0.3)
    assert np.abs(_shifted(tone, shift, span=span) - wanted).max() < 1e-5


@given(
    shift=st.floats(-700, 700, allow_nan=False),
    block_frames=st.sampled_from([5, 64, 1000, 1 << 16]),
    polarity=st.sampled_from([1, -1]),
)
def test_in_blocks_or_whole_the_answer_is_one(shift: float, block_frames: int, polarity: int) -> None:
    """The size of a block changes nothing beyond float rounding (1e-12 of full scale)."""
    track = Track.from_array("noise", np.random.default_rng(3).uniform(-1, 1, 500), RATE)
    once = _shifted(track, shift, polarity=polarity)
    parts = _shifted(track, shift, polarity=polarity, block_frames=block_frames)
    assert once.shape == parts.shape
    assert np.abs(once - parts).max(initial=0.0) < 1e-12


@given(shift=st.floats(-300, 300, allow_nan=False))
def test_nothing_is_cut_off(shift: float) -> None:
    """On its own stretch a track comes out as its full convolution with the kernel, to the last tail."""
    samples = np.random.default_rng(4).uniform(-1, 1, 200)
    count, fraction = split_shift(shift)
    span = shifted_span(200, shift)
    found = _shifted(Track.from_array("noise", samples, RATE), shift, span=span)
    wanted = oaconvolve(samples, kernel(fraction)) if fraction else samples
    assert len(found) >= len(wanted)
    assert np.abs(found[len(found) - len(wanted) :] - wanted).max() < 1e-12
    assert np.abs(found[: len(found) - len(wanted)]).max(initial=0.0) < 1e-12
    assert span.start <= count <= span.stop - 200 + 1


def test_whole_shifts_are_bit_for_bit(rng: np.random.Generator) -> None:
    """Every double, from denormals to its full width, comes out as it went in, or with its sign turned."""
    samples = np.concatenate([rng.standard_normal(1000), [5e-324, -0.0, 1.0, -1.0, 1e300]])
    track = Track.from_array("noise", samples, RATE)
    found = _shifted(track, 12.4, whole=True)
    assert found[12:].tobytes() == samples.tobytes()
    assert not found[:12].any()
    flipped = _shifted(track, 12.0, polarity=-1)
    assert np.array_equal(flipped[12:], -samples)
    assert not np.signbit(flipped[:12]).any()


def test_the_input_stays_as_it_was(rng: np.random.Generator) -> None:
    """A track is only read, and blocks handed out are the caller's to change."""
    samples = rng.standard_normal(1000)
    before = samples.copy()
    track = Track.from_array("noise", samples, RATE)
    for shift in (3.0, 3.3):
        for block in shifted_blocks(track, shift, gain=0.5):
            np.multiply(block, 0.0, out=block)
    assert np.array_equal(samples, before)


def test_there_and_back_is_the_track_itself() -> None:
    """A band-limited burst moved by a fraction and back again is itself, to twice the kernel's error."""
    n = np.arange(2000)
    burst = np.sin(0.7 * n) * np.exp(-(((n - 1000) / 200) ** 2))
    there = _shifted(Track.from_array("burst", burst, RATE), 5.42, span=Span(0, 2200))
    back = _shifted(Track.from_array("burst", there, RATE), -5.42, span=Span(0, 2000))
    assert np.abs(back - burst).max() < 4e-6  # twice -115 dB


def test_a_group_lies_on_one_stretch() -> None:
    """Tracks of any lengths and shifts give equally many samples from one start, with the take's beginning in it."""
    pairs = [(1000, -12.3), (800, 0.0), (1200, 40.0)]
    span = common_span(shifted_span(frames, shift) for frames, shift in pairs)
    assert span == Span(-12 - 1 - 63, 1240)
    lengths = {len(_shifted(Track.from_array("t", np.ones(frames), RATE), shift, span=span)) for frames, shift in pairs}
    assert lengths == {span.frames}


def test_files_keep_their_place_where_nothing_moves_earlier() -> None:
    """Later shifts need no silence in front of the others."""
    assert common_span([shifted_span(100, 0.0), shifted_span(100, 64.5)]) == Span(0, 228)


def test_a_shift_near_a_whole_one_is_whole() -> None:
    """Twenty picoseconds are no reason to filter and dither a file."""
    assert split_shift(7.0 + 1e-7) == (7, 0.0)
    assert split_shift(7.0 - 1e-7) == (7, 0.0)
    assert split_shift(6.99) == (6, pytest.approx(0.99))


def test_the_kernel_is_even_in_its_fraction() -> None:
    """Earlier by a fraction mirrors later by it, so no track gains a bias in time."""
    for fraction in (0.1, 0.25, 0.5):
        later, earlier = kernel(fraction), kernel(1.0 - fraction)
        assert np.abs(later - earlier[::-1]).max() < 1e-15


def test_blocks_come_one_at_a_time() -> None:
    """Nothing is read before it is asked for."""

    class Counted:
        reads = 0

        def read(self, start: int, frames: int) -> np.ndarray:
            assert start >= 0
            Counted.reads += 1
            return np.zeros(frames)

    blocks = shifted_blocks(Track("long", RATE, 10**12, Counted()), 0.5, block_frames=1024)
    assert len(list(itertools.islice(blocks, 3))) == 3
    assert Counted.reads == 3
