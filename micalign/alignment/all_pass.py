"""What does a second-order all-pass do to a spectrum, and to blocks of samples?

A section is (hertz, Q): the all-pass of R. Bristow-Johnson, *Cookbook formulae for audio EQ biquad filter
coefficients*, with Q > 0, so that its poles lie inside the unit circle for every frequency below half the rate; its
phase falls from 0 through -180 degrees at its frequency to -360 degrees. It changes no level. Those that turn a DI's
phase towards its mic (`PhaseMatch`) are fitted in `micalign.alignment.onepath.allpass`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from micalign.arrays import Complexes, Floats
from micalign.errors import TakeError

__all__ = ["PhaseMatch", "Section", "all_pass_blocks", "all_pass_response", "ring_samples", "section_coefficients"]


@dataclass(frozen=True, slots=True)
class PhaseMatch:
    """All-pass sections as (hertz, Q), the extra shift and polarity they go with, and the proof on unseen windows.

    ``polarity`` is -1 where the sections turn the DI over in the band, so that the flip that delay alone asked for is
    taken back (or made). ``before_db`` and ``after_db`` are the loudness-weighted coherent gain of DI plus mic at equal
    loudness. ``against`` names the mic; ``group_delay_s`` is the longest that the sections hold any note back.
    """

    sections: tuple[Section, ...]
    shift_s: float
    polarity: int
    before_db: float
    after_db: float
    band_hz: tuple[float, float]
    against: str = ""
    group_delay_s: float = 0.0


Section = tuple[float, float]


def section_coefficients(frequency_hz: float, q: float, *, sample_rate: int) -> Floats:
    """One second-order section, shape (6,): b0 b1 b2 1 a1 a2, as scipy.signal.sosfilt takes it.

    Raises
    ------
    TakeError
        If the frequency is not between 0 and half the rate, or Q is not positive.

    Examples
    --------
    >>> b0, b1, b2, _, a1, a2 = section_coefficients(200.0, 0.7, sample_rate=48000)
    >>> (b0, b1, b2) == (a2, a1, 1.0), bool(np.all(np.abs(np.roots([1, a1, a2])) < 1))
    (True, True)
    """
    if not 0.0 < frequency_hz < sample_rate / 2 or not 0.0 < q < 1e3:
        raise TakeError(
            f"an all-pass at {frequency_hz:g} Hz with Q {q:g} cannot be made at {sample_rate} Hz: "
            "give a frequency below half the rate and a Q above 0"
        )
    turn = 2.0 * np.pi * frequency_hz / sample_rate
    alpha = np.sin(turn) / (2.0 * q)
    a1, a2 = -2.0 * np.cos(turn) / (1.0 + alpha), (1.0 - alpha) / (1.0 + alpha)
    return np.array([a2, a1, 1.0, 1.0, a1, a2])


def all_pass_response(sections: Iterable[Section], frequency_hz: Floats, *, sample_rate: int) -> Complexes:
    """The sections' response, of magnitude 1, shape as ``frequency_hz``."""
    z = np.exp(-2j * np.pi * frequency_hz / sample_rate)
    response = np.ones(len(frequency_hz), dtype=np.complex128)
    for frequency, q in sections:
        a2, a1 = section_coefficients(frequency, q, sample_rate=sample_rate)[:2]
        response *= (a2 + a1 * z + z**2) / (1.0 + a1 * z + a2 * z**2)
    return response


def all_pass_blocks(blocks: Iterable[Floats], sections: Sequence[Section], *, sample_rate: int) -> Iterator[Floats]:
    """The blocks through the sections, their state carried from block to block."""
    from scipy.signal import sosfilt  # noqa: PLC0415 - 700 ms that only a matched phase pays

    sos = np.array([section_coefficients(*section, sample_rate=sample_rate) for section in sections])
    state = np.zeros((len(sos), 2))
    for block in blocks:
        out, state = sosfilt(sos, block, zi=state)
        yield out


def ring_samples(sections: Iterable[Section], *, sample_rate: int) -> int:
    """How long the sections ring on until they are 120 dB down, in samples; 0 without any.

    >>> ring_samples([], sample_rate=48000), ring_samples([(100.0, 0.5)], sample_rate=48000)
    (0, 1056)
    """
    made = [section_coefficients(*section, sample_rate=sample_rate) for section in sections]
    radii = [float(np.abs(np.roots([1.0, one[4], one[5]])).max()) for one in made]
    return sum(math.ceil(math.log(1e-6) / math.log(radius)) for radius in radii)
