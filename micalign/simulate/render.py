"""How do source signals sound after their ways through the room?

Each way is a windowed-sinc delay at its exact fraction of a sample (96 taps, Kaiser window: better than -100 dB
up to 0.42 of the sample rate), all ways of a source and mic form one impulse response, and the signals pass through
these block by block (overlap-add). Built on numpy's FFT alone; it shares nothing with the delay engine.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Floats

__all__ = ["impulse_responses", "rendered"]

_HALF_TAPS: Final = 48
_KAISER_BETA: Final = 10.0


def impulse_responses(arrival_s: Floats, amplitude: Floats, sample_rate: int) -> Floats:
    """Impulse responses of ways; sample 0 stands for ``-48`` samples, so that an early way keeps its onset.

    Parameters
    ----------
    arrival_s, amplitude : array, shape (S, M, W)

    Returns
    -------
    array, shape (S, M, L)
    """
    position = arrival_s * sample_rate
    whole = np.floor(position).astype(np.intp)
    tap = np.arange(-_HALF_TAPS + 1, _HALF_TAPS + 1)
    offset = tap - (position - whole)[..., None]
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1 - (offset / _HALF_TAPS) ** 2))) / np.i0(_KAISER_BETA)
    taps = amplitude[..., None] * np.sinc(offset) * window
    sources, mics = arrival_s.shape[:2]
    out = np.zeros((sources, mics, int(whole.max()) + 2 * _HALF_TAPS + 1))
    where = (whole[..., None] + tap + _HALF_TAPS).reshape(sources, mics, -1)
    rows = np.arange(sources)[:, None, None], np.arange(mics)[None, :, None]
    np.add.at(out, (*rows, where), taps.reshape(sources, mics, -1))
    return out


def rendered(signals: Floats, responses: Floats) -> Floats:
    """Signals (S, N) through responses (S, M, L), summed over the sources: shape (M, N)."""
    frames, length = signals.shape[1], responses.shape[2]
    size = 1 << max(12, int(np.ceil(np.log2(4 * length))))
    hop = size - length + 1
    spectra = np.fft.rfft(responses, size)
    out = np.zeros((responses.shape[1], frames + size))
    for start in range(0, frames, hop):
        block = signals[:, start : start + hop]
        if not block.any():
            continue
        mixed = np.einsum("sf,smf->mf", np.fft.rfft(block, size), spectra)
        out[:, start : start + size] += np.fft.irfft(mixed, size)
    return out[:, _HALF_TAPS : _HALF_TAPS + frames]
