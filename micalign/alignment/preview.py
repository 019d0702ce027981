"""What do the tracks sound like together, before and after, at one loudness?

Two short sums about one moment. Both are brought to the same loudness (ITU-R BS.1770-4 K-weighting, the mean square of
the whole stretch), since the louder one always sounds better; then both to a peak of -1 dBFS at the most.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from micalign.alignment.all_pass import all_pass_blocks
from micalign.alignment.gain import BlendTrack
from micalign.alignment.shift import Span, shifted_blocks
from micalign.arrays import Floats
from micalign.take.loudness import k_weighted
from micalign.take.tracks import Track

__all__ = ["loudest_moment", "preview", "previews"]

_PEAK: Final = 10.0 ** (-1.0 / 20.0)
_FADE_S: Final = 0.01
_RING_S: Final = 0.25  # let an all-pass settle before the stretch begins


def loudest_moment(track: Track, *, window_s: float = 0.05) -> float:
    """The middle of a track's loudest twentieth of a second, in seconds.

    >>> samples = np.zeros(48000)
    >>> samples[24000:24100] = 0.5
    >>> abs(loudest_moment(Track.from_array("click", samples, 48000)) - 0.5) < 0.05
    True
    """
    frame = max(1, round(window_s * track.sample_rate))
    best, loudest, start = 0, -1.0, 0
    for block in track.blocks(frame * 64):
        for index in range(0, len(block), frame):
            part = block[index : index + frame]
            energy = float(part @ part)
            if energy > loudest:
                best, loudest = start + index, energy
        start += len(block)
    return (best + frame / 2) / track.sample_rate


def preview(moved: Sequence[BlendTrack], *, middle_s: float, seconds: float) -> tuple[Floats, Floats]:
    """The sums before and after about a moment, shape (frames,) each, of one loudness.

    Parameters
    ----------
    moved : sequence of BlendTrack
        Tracks of one rate and what is done to each.
    middle_s, seconds : float
        Where and how long.
    """
    recorded = [BlendTrack(one.before or one.track, gain_db=one.gain_db) for one in moved]
    before, after = previews([recorded, moved], middle_s=middle_s, seconds=seconds)
    return before, after


def previews(ways: Sequence[Sequence[BlendTrack]], *, middle_s: float, seconds: float) -> list[Floats]:
    """One sum for each way to add tracks up, all as loud as the first, shape (frames,) each."""
    rate = ways[0][0].track.sample_rate
    frames = round(seconds * rate)
    start = round((middle_s - seconds / 2) * rate)
    fade = _fade(frames, round(_FADE_S * rate))
    sums: list[Floats] = []
    for way in ways:
        total = np.zeros(frames)
        for one in way:
            total += 10.0 ** (one.gain_db / 20.0) * _moved(one, start, frames)
        sums.append(total * fade)
    loud = [_loudness(sound, rate) for sound in sums]
    if min(loud) > 0:
        sums = [sound * (loud[0] / own) for sound, own in zip(sums, loud, strict=True)]
    peak = max(float(np.abs(sound).max(initial=0.0)) for sound in sums)
    scale = min(_PEAK / peak, 1e4) if peak > 0 else 1.0
    return [sound * scale for sound in sums]


def _moved(one: BlendTrack, start: int, frames: int) -> Floats:
    rate = one.track.sample_rate
    lead = round(_RING_S * rate) if one.sections else 0
    blocks = shifted_blocks(
        one.track, one.shift_samples, polarity=one.polarity, span=Span(start - lead, start + frames)
    )
    if one.sections:
        blocks = all_pass_blocks(blocks, one.sections, sample_rate=rate)
    return np.concatenate(list(blocks))[lead:]


def _fade(frames: int, edge: int) -> Floats:
    fade = np.ones(frames)
    edge = min(edge, frames // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / max(edge, 1))
    fade[:edge] *= ramp
    fade[frames - edge :] *= ramp[::-1]
    return fade


def _loudness(sound: Floats, rate: int) -> float:
    """Root mean square after K-weighting."""
    return float(np.sqrt(np.mean(k_weighted(sound, rate) ** 2)))
