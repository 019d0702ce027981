"""The clipping of a whole sound, block by block as `micalign.take.meters` feeds it."""

from __future__ import annotations

import numpy.typing as npt

from micalign.take.meters import ClipMeter, Clipping
from micalign.take.tracks import Track


def clipping_of(sound: npt.ArrayLike, sample_rate: int) -> Clipping:
    meter = ClipMeter(sample_rate)
    for block in Track.from_array("sound", sound, sample_rate).blocks():
        meter.feed(block, float(block.max()), float(block.min()))
    return meter.finish()
