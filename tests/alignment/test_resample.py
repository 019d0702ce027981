"""A track on another clock, read at the reference's instants, against tones known at every instant."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.alignment.shift import Span, at_rate, resampled_blocks, resampled_span, shifted_blocks
from micalign.errors import TakeError
from micalign.take.tracks import Track

RATE = 48000


def _resampled(track: Track, shift: float, ppm: float, **options: object) -> np.ndarray:
    return np.concatenate(list(resampled_blocks(track, shift, ppm, **options)))  # type: ignore[arg-type]


@pytest.mark.parametrize("ppm", [-200.0, -3.7, 0.4, 50.0, 200.0])
@pytest.mark.parametrize("frequency", [0.01, 0.2, 20000 / 48000, 20000 / 44100])
def test_a_tone_is_read_at_the_references_instants(ppm: float, frequency: float) -> None:
    """Within -100 dB to 20 kHz at 44.1 kHz, with a start difference and whatever the drift."""
    n = np.arange(40_000)
    track = Track.from_array("tone", np.sin(2 * np.pi * frequency * n), RATE)
    span = Span(2000, 38_000)
    instants = np.arange(span.start, span.stop) * (1 + ppm * 1e-6) - 731.4
    found = _resampled(track, 731.4, ppm, span=span, block_frames=7001)
    assert np.abs(found - np.sin(2 * np.pi * frequency * instants)).max() < 1e-5


def test_a_positive_drift_is_a_delay_that_grows() -> None:
    """Clicks that come ever later in the track land on the reference's own."""
    ppm, spacing = 120.0, 48_000
    beats = np.arange(1, 11) * spacing
    late = np.rint(beats * (1 + ppm * 1e-6)).astype(int)
    assert late[-1] - beats[-1] == 58
    samples = np.zeros(12 * spacing)
    samples[late] = 1.0
    out = _resampled(Track.from_array("clicks", samples, RATE), 0.0, ppm, span=Span(0, 12 * spacing))
    for beat in beats:
        # A click lies on a whole sample of the track, so it may land half a sample off.
        assert abs(int(np.argmax(np.abs(out[beat - 20 : beat + 20]))) - 20) <= 1


def test_the_ends_of_five_minutes_agree() -> None:
    """After correction a tone's phase is right within 0.001 sample at the start and at the end of five minutes."""
    ppm, frequency = -87.3, 0.05
    last = 5 * 60 * RATE

    class Tone:
        def read(self, start: int, frames: int) -> np.ndarray:
            return np.sin(2 * np.pi * frequency * (np.arange(start, start + frames) / (1 + ppm * 1e-6)))

    track = Track("tone", RATE, last, Tone())
    for span in (Span(1000, 5000), Span(last - 5000, last - 1000)):
        n = np.arange(span.start, span.stop)
        found = _resampled(track, 0.0, ppm, span=span)
        phase = np.angle(np.vdot(np.exp(2j * np.pi * frequency * n), found) * 1j)
        assert abs(phase / (2 * np.pi * frequency)) < 0.001


@settings(max_examples=25)
@given(shift=st.floats(-100, 100), ppm=st.floats(-200, 200), block_frames=st.sampled_from([97, 256, 1000]))
def test_in_blocks_or_whole_the_answer_is_one(shift: float, ppm: float, block_frames: int) -> None:
    """The size of a block changes nothing beyond float rounding."""
    track = Track.from_array("noise", np.random.default_rng(5).uniform(-1, 1, 400), RATE)
    once = _resampled(track, shift, ppm)
    parts = _resampled(track, shift, ppm, block_frames=block_frames)
    assert np.abs(once - parts).max(initial=0.0) < 1e-10  # ten terms of a polynomial, weights up to some hundred


def test_without_drift_it_is_the_plain_shift(rng: np.random.Generator) -> None:
    """Two roads to one kernel agree to the polynomial's error (-130 dB)."""
    track = Track.from_array("noise", rng.uniform(-1, 1, 5000), RATE)
    span = Span(0, 5000)
    plain = np.concatenate(list(shifted_blocks(track, 2.3, span=span)))
    assert np.abs(_resampled(track, 2.3, 0.0, span=span) - plain).max() < 3e-6


def test_nothing_is_cut_off() -> None:
    """The stretch holds the whole track on the reference's clock: beyond it there is silence."""
    track = Track.from_array("ones", np.ones(10_000), RATE)
    span = resampled_span(10_000, -20.5, 200.0)
    wide = Span(span.start - 50, span.stop + 50)
    found = _resampled(track, -20.5, 200.0, span=wide)
    assert np.abs(found[:50]).max() < 1e-12
    assert np.abs(found[-50:]).max() < 1e-12
    assert np.abs(found[50:-50]).max() > 0.9


def test_a_drift_that_no_clock_has_is_refused() -> None:
    """A wrong unit must not turn into sound."""
    track = Track.from_array("noise", np.ones(100), RATE)
    with pytest.raises(TakeError, match="no clock's"):
        next(resampled_blocks(track, 0.0, 50_000.0))
    with pytest.raises(TakeError, match="no clock's"):
        next(resampled_blocks(track, 0.0, float("nan")))


RATES = [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (192_000, 44_100), (48_000, 96_000)]


@pytest.mark.parametrize(("rate", "wanted"), RATES)
def test_another_rate_keeps_tones_within_116_db(rate: int, wanted: int) -> None:
    """Tones up to 0.45 of the lower rate come out where and as loud as they are, the largest error below -116 dB."""
    n, errors = np.arange(rate // 2), []
    for share in (0.002, 0.02, 0.1, 0.3, 0.4, 0.45):
        hz = share * min(rate, wanted)
        track = Track.from_array("tone", np.sin(2 * np.pi * hz * n / rate + 0.3), rate)
        found = at_rate(track, wanted, later_samples=0.37).read(2000, wanted // 2 - 4000)
        instants = (np.arange(2000, wanted // 2 - 2000) - 0.37) / wanted
        errors.append(np.abs(found - np.sin(2 * np.pi * hz * instants + 0.3)).max())
    assert 20 * np.log10(max(errors)) < -116


@pytest.mark.parametrize(("rate", "wanted"), [(96_000, 48_000), (192_000, 44_100), (88_200, 48_000)])
def test_what_the_lower_rate_cannot_hold_does_not_come_back(rate: int, wanted: int) -> None:
    """Tones from 0.55 of the lower rate on are gone, not folded down."""
    n = np.arange(rate // 2)
    for share in (0.55, 0.6, 0.7, 0.9):
        track = Track.from_array("tone", np.sin(2 * np.pi * share * wanted * n / rate), rate)
        found = at_rate(track, wanted).read(2000, wanted // 2 - 4000)
        assert 20 * np.log10(np.abs(found).max()) < -116
