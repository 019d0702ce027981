"""What is worth knowing of one track before it is compared: when it sounds, when it strikes, how close its mic is.

One pass over the track, made once however many tracks it is compared with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Ints
from micalign.delay.onsets import Envelope, closeness_db, envelope, hits
from micalign.take.model import Track

__all__ = ["Listened", "listen", "same_samples", "shared_strokes"]


@dataclass(frozen=True)
class Listened:
    """A track, its short-time energies, its strokes (samples), and how much it is a close mic's."""

    track: Track
    envelope: Envelope
    struck: Ints
    closeness_db: float
    gap_db: float


def listen(track: Track) -> Listened:
    """Reads the track once."""
    env = envelope(track)
    struck = hits(env)
    score, gap = closeness_db(env, struck)
    return Listened(track, env, struck, score, gap)


def same_samples(first: Listened, second: Listened) -> bool:
    """Whether two tracks hold the very same samples from the same start; read again only where their energies agree."""
    a, b = first.track, second.track
    if a.frames != b.frames or a.start_s != b.start_s:
        return False
    if not np.array_equal(first.envelope.power, second.envelope.power):
        return False
    return all(np.array_equal(x, y) for x, y in zip(a.blocks(), b.blocks(), strict=True))


def shared_strokes(near: Listened, far: Listened) -> float:
    """The share of the far track's own loud strokes that are the near one's as well, to 30 ms.

    Two overheads hear the same strokes loudest; a close mic knows only its own drum's among them.
    """
    if len(near.struck) == 0 or len(far.struck) == 0:
        return 0.0
    offset = (far.track.start_s - near.track.start_s) * near.track.sample_rate
    wanted = far.struck + offset
    after = np.clip(np.searchsorted(near.struck, wanted), 0, len(near.struck) - 1)
    gaps = np.minimum(np.abs(near.struck[after] - wanted), np.abs(near.struck[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < 0.03 * near.track.sample_rate))
