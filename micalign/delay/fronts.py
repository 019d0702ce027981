"""Where does a sound begin in both tracks? What a room sends back never comes first.

A reflection may be stronger than the direct sound, and then it is the highest peak of any correlation over the whole
take. But it comes after: as hearing does, only those moments are compared that rise above all that came before them
(the precedence effect). Both tracks are flattened, and every sample counts by how far the last half millisecond stands
above all that the track held a millisecond and more earlier, which fades as a room does. What is left are *fronts*:
the first milliseconds of whatever begins.

Source: J. Huang, N. Ohnishi and N. Sugie, "Sound localization in reverberant environment based on the model of the
precedence effect", IEEE Transactions on Instrumentation and Measurement 46(4), 842-846, 1997.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft

from micalign.arrays import Floats, Ints
from micalign.delay.correlation import Spectra, cut_frames, raised_cosine, whitening
from micalign.delay.gates import Gate
from micalign.take.model import Track

__all__ = ["front_doubt", "front_spectra", "rise_above"]

_LEAD_S: Final = 0.12  # what a track held before it is first asked for a front
_EDGE_S: Final = 0.004
_BAND_HZ: Final = (200.0, 12000.0)
_NOW_S: Final = 0.0005
_EARLIER_S: Final = 0.001
_FADE_DB_S: Final = 215.0
_CONTRAST: Final = 20.0
_BARS: Final = ((0.2, 0.5), (0.3, 0.7), (0.45, 0.85))  # up to which rival, how many groups must agree
_FEWEST: Final = 3
_BATCH: Final = 16
_Single = npt.NDArray[np.float32]


def front_spectra(first: Track, second: Track, gate: Gate, *, reach_s: float, centre_s: float) -> Spectra:
    """The spectra of the fronts in the frames of ``gate``, at the lowest rate that holds their band.

    The second track is read wider by ``reach_s`` on both sides of ``centre_s``.
    """
    rate, length = first.sample_rate, len(gate.window)
    lead, margin = round(_LEAD_S * rate), round(reach_s * rate)
    step = max(int(rate / (2.0 * _BAND_HZ[1])), 1)
    size = int(next_fast_len(-(-(lead + length + 2 * margin) // step) + 1, real=True))
    clocks = (first.start_s - second.start_s) * rate
    offset = round(centre_s * rate + clocks)
    begin = gate.starts - lead
    x = _fronts(first, begin, lead + length, size, step)
    x[:, lead // step :] *= gate.window[::step][: x.shape[1] - lead // step]
    y = _fronts(second, begin + offset - margin, lead + length + 2 * margin, size, step)
    a, b = rfft(x, size, axis=1), rfft(y, size, axis=1)
    turn = np.exp(2j * np.pi * np.arange(size // 2 + 1) * (margin / step / size)).astype(np.complex64)
    times_s = (gate.starts + length / 2) / rate + first.start_s
    taken_s = np.full(len(gate), (offset - clocks) / rate)
    return Spectra(np.conj(a) * b * turn, _power(a), _power(b), times_s, taken_s, size, rate / step)


def _fronts(track: Track, starts: Ints, length: int, size: int, step: int) -> _Single:
    """The flattened frames of one track, every ``step``-th sample, weighted by what begins in them."""
    edge = round(_EDGE_S * track.sample_rate)
    window = raised_cosine(length, edge, edge).astype(np.float32)
    bins = size // 2 + 1
    spectra = np.concatenate(
        [
            rfft(cut_frames(track, starts[k : k + _BATCH], window), size * step, axis=1)[:, :bins]
            for k in range(0, len(starts), _BATCH)
        ]
    )
    hz = np.arange(bins) * (track.sample_rate / (size * step))
    heard = (hz > _BAND_HZ[0]) & (hz < _BAND_HZ[1])
    white = whitening(_power(spectra).mean(axis=0), lines=True) * heard
    flat = irfft(spectra * white.astype(np.float32), size, axis=1)[:, : length // step]
    flat *= rise_above(flat, track.sample_rate / step)
    lead = round(_LEAD_S * track.sample_rate)
    for row, start in zip(flat, starts, strict=True):
        row[: (lead + max(-int(start), 0)) // step] = 0.0
    return flat


def _power(spectra: npt.NDArray[np.complex64]) -> _Single:
    return np.asarray(spectra.real**2 + spectra.imag**2, dtype=np.float32)


def rise_above(signal: npt.ArrayLike, rate: float) -> Floats:
    """How far each sample's last half millisecond stands above all that came 1 ms and more before, 0 to 1.

    Along the last axis; what came before fades by 215 dB a second. In the first millisecond there is nothing to
    compare with: it is 0.

    >>> steady = rise_above(np.ones(480), 48000)
    >>> float(steady[:48].max()), float(steady[100].round(2))  # what fades in 1 ms is little
    (0.0, 0.05)
    >>> struck = rise_above(np.concatenate([np.ones(480), np.full(480, 10.0)]), 48000)
    >>> float(struck[500].round(2)), float(struck[600].round(2))
    (0.99, 0.05)
    """
    x = np.asarray(signal, dtype=float)
    now, earlier = max(round(_NOW_S * rate), 1), max(round(_EARLIER_S * rate), 1)
    total = np.cumsum(np.square(x), axis=-1)
    energy = total.copy()
    energy[..., now:] -= total[..., :-now]
    np.maximum(energy, 1e-30, out=energy)
    # What fades by so much a sample is the highest so far of what grows by as much.
    growth = 10.0 ** (np.arange(x.shape[-1]) * (_FADE_DB_S / 10.0 / rate))
    known = np.maximum.accumulate(energy * growth, axis=-1)
    rise = np.zeros_like(x)
    rise[..., earlier:] = 1.0 - np.minimum(known[..., :-earlier] / (energy * growth)[..., earlier:], 1.0)
    return rise


def front_doubt(groups: int, rival: float, agreement: float, contrast: float) -> str | None:
    """Why not to act on what fronts say; None where they are sure.

    Parameters
    ----------
    groups : int
        In how many groups of frames anything begins.
    rival, agreement, contrast : float
        The highest other peak against the chosen one, the share of groups that find that one by themselves, and its
        height over the noise.

    Examples
    --------
    >>> front_doubt(8, 0.1, 0.5, 40.0)
    >>> front_doubt(8, 0.4, 0.5, 40.0)
    'parts of the tracks suggest different delays'
    """
    if groups < _FEWEST:
        return "too little begins in the tracks to tell a delay by"
    if contrast < _CONTRAST:
        return "no delay stands out of the noise"
    # Beats, steps of DC and waves that repeat begin together too, but never in one way alone and all the time.
    needed = next((share for highest, share in _BARS if rival < highest), None)
    if needed is None:
        return "another delay fits nearly as well"
    return None if agreement >= needed else "parts of the tracks suggest different delays"
