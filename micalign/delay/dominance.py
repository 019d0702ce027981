"""At which frequencies does a close mic hear its own drum alone, and what is left of the bleed there?

In a close mic the own drum's strokes are compared with the loudest moments between them, band by band: a band where
they do not stand well above is the other drums' (a kick mic hears nothing but cymbals from 2 kHz up) and counts
nothing. What bleed remains is known from those other moments: their cross-spectrum is taken out, as far as it is
found in the strokes', in bands of two thirds of an octave.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats
from micalign.delay.correlation import Spectra, band_mean

__all__ = ["own_share", "votes", "without_bleed"]

LOWEST_HZ: Final = 40.0
HIGHEST_HZ: Final = 12000.0
_BAND_RATIO: Final = 1.6


def own_share(strokes: Spectra, rest: Spectra | None) -> Floats:
    """How far each frequency belongs to the strokes, 0 to 1, shape (B,).

    0 up to 3 times the power of the loudest tenth of the other moments, 1 from 13 times on.
    """
    hz = strokes.frequencies_hz
    heard = ((hz > LOWEST_HZ) & (hz < HIGHEST_HZ)).astype(float)
    if rest is None or len(rest.times_s) == 0:
        return heard
    other = np.quantile(np.stack([band_mean(power) for power in rest.first]), 0.9, axis=0)
    ratio = band_mean(strokes.first.mean(axis=0)) / np.maximum(other, 1e-37)
    share: Floats = heard * np.clip((ratio - 3.0) / 10.0, 0.0, 1.0)
    return share if share.max() > 0 else heard


def votes(spectra: Spectra, whitening: tuple[Floats, Floats]) -> Floats:
    """A factor for each frame that lets the loud ones count no more than the others, shape (K,).

    One stroke that falls together with a louder drum would else outweigh all that do not.
    """
    energies = [
        (power * white**2).sum(axis=1) for power, white in zip((spectra.first, spectra.second), whitening, strict=True)
    ]
    product = energies[0] * energies[1]
    scale: Floats = (product + product.max(initial=0.0) * 1e-6 + 1e-37) ** -0.5
    return scale


def without_bleed(cross: Complexes, bleed: Complexes, weight: Floats, hz: Floats) -> Complexes:
    """The cross-spectrum of the strokes less what of the other moments' is found in it."""
    out = cross.copy()
    low = LOWEST_HZ
    while low < HIGHEST_HZ:
        band = (hz >= low) & (hz < low * _BAND_RATIO)
        pattern, own = bleed[band] * weight[band], cross[band] * weight[band]
        power = float(np.vdot(pattern, pattern).real)
        if power > 0:
            out[band] -= max(float(np.vdot(pattern, own).real) / power, 0.0) * bleed[band]
        low *= _BAND_RATIO
    return out
