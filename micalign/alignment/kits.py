"""Which tracks are a kit's close mics and which stand over it with the reference, where no scene tells?

Without a scene a reference over a kit hears every drum at another delay: the mics over the kit stay where they are, so
that their image stays, and each close mic is laid where its own strokes add up best with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from micalign.alignment.strokesum import REACH_S, best_on_strokes, level_spread_db
from micalign.take.tracks import Track
from micalign.tdoa.result import Delay
from micalign.tdoa.strokes import Listened, listen
from micalign.tdoa.told import TrackDelay

__all__ = ["laid_on_strokes"]

_OVER_DB: Final = 8.0  # two overheads of a real kit: 0.9 to 7.3 dB, its close mics 15 to 56 in the middle
_CLOSE_DB: Final = 12.0
_SAME_S: Final = 0.03
_KNOWN: Final = 0.6
_LOUD_DB: Final = -15.0
_FEWEST_MICS: Final = 2
_LIKELY: Final = 0.3


def laid_on_strokes(reference: Track, tracks: Sequence[Track], rows: Sequence[TrackDelay]) -> tuple[TrackDelay, ...]:
    """The rows with what the tracks of a kit are to be moved by in place of their arrivals.

    Rows are left as they are where the reference does not stand over a kit: two close mics at least, or one and another
    mic over the same kit, must be among the tracks. Then every track that is not over the kit is tried.
    """
    heard = listen(reference)
    # What surely comes later than any overhead hears its kit is no track of this kit.
    apart = {row.track for row in rows if row.delay.reliable and abs(row.delay.delay_s) > REACH_S}
    others = {track.name: listen(track) for track in tracks if track.name not in apart}
    spread = {name: level_spread_db(heard, one) for name, one in others.items()}
    over = [name for name, decibels in spread.items() if decibels <= _OVER_DB]
    close = [name for name, one in others.items() if _CLOSE_DB < spread[name] < float("inf") and _closer(one, heard)]
    if not close or len(close) + len(over) < _FEWEST_MICS:
        return tuple(rows)
    rest = [reference, *(others[name].track for name in over)]
    words = f"the pair stays as it is: it hears the same kit as '{reference.name}'"
    told = []
    for row in rows:
        if row.track in over:
            told.append(TrackDelay(row.track, _still(row.delay, words)))
        elif row.track in others:
            told.append(TrackDelay(row.track, _laid(row.delay, others[row.track], rest)))
        else:
            told.append(row)
    return tuple(told)


def _closer(one: Listened, reference: Listened) -> bool:
    """Whether a track's loud strokes leave out many of the reference's: a drum's own mic knows only its drum's."""
    rate = one.track.sample_rate
    own, wanted = (heard.strokes.samples[heard.strokes.level_db > _LOUD_DB] for heard in (one, reference))
    wanted = wanted + round((reference.track.start_s - one.track.start_s) * rate)
    if not len(own) or not len(wanted):
        return False
    after = np.clip(np.searchsorted(own, wanted), 0, len(own) - 1)
    gaps = np.minimum(np.abs(own[after] - wanted), np.abs(own[np.maximum(after - 1, 0)] - wanted))
    return float(np.mean(gaps < _SAME_S * rate)) < _KNOWN


def _still(delay: Delay, words: str) -> Delay:
    return replace(delay, delay_s=0.0, polarity=1, confidence=1.0, reliable=True, reason=words, candidates=())


def _laid(delay: Delay, one: Listened, rest: Sequence[Track]) -> Delay:
    if not one.strokes.gap_db:
        return replace(delay, reliable=False, reason="none of its strokes stands out as its own: left as recorded")
    # A doubtful arrival still says where the drum's sound comes, where it is no mere guess.
    likely = delay.confidence >= _LIKELY and abs(delay.delay_s) <= REACH_S
    found = best_on_strokes(one, rest, arrival_s=-delay.delay_s if likely else None)
    if found is None:
        return replace(delay, reliable=False, reason="what half of its strokes choose does not hold on the others")
    if not found.worth_it:
        return _still(delay, "adds up best where it was recorded")
    lows, mids = found.gains_db
    return replace(
        delay,
        delay_s=-found.shift_s,
        uncertainty_s=found.uncertainty_s,
        polarity=found.polarity,
        polarity_margin=1.0,
        confidence=max(delay.confidence, 0.9),
        reliable=True,
        reason=f"best sum on {found.strokes} strokes: {lows:+.1f} dB at 60-250 Hz, {mids:+.1f} dB at 250-2000 Hz",
        candidates=(),
    )
