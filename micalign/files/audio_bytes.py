"""A sound as the bytes of a file that a page can hold: FLAC, mono, 16 bits, dithered."""

from __future__ import annotations

import io

import numpy as np

from micalign.arrays import Floats

__all__ = ["flac_bytes"]

_SEED = 1


def flac_bytes(samples: Floats, *, sample_rate: int) -> bytes:
    """A mono FLAC of 16 bits with triangular dither; samples beyond full scale are held at it.

    Parameters
    ----------
    samples : array, shape (N,)
        Full scale +-1.
    sample_rate : int
        Hertz.

    Examples
    --------
    >>> flac_bytes(np.zeros(4800), sample_rate=48000)[:4]
    b'fLaC'
    """
    import soundfile  # noqa: PLC0415 - 90 ms, only where a page is made

    rng = np.random.default_rng(_SEED)
    dither = rng.random(len(samples)) - rng.random(len(samples))
    whole = np.clip(np.round(samples * 32767.0 + dither), -32768, 32767).astype(np.int16)
    made = io.BytesIO()
    soundfile.write(made, whole, sample_rate, format="FLAC", subtype="PCM_16")
    return made.getvalue()
