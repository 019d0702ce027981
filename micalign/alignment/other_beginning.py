"""Does a track fit its reference only where its file began at another time?

Files of one take that differ in length by more than the largest delay looked for may have begun at different moments,
as a recorder that was started late makes them. Then whatever fits within that delay is chance, and "it adds up best
where it was recorded" would be untrue. So what is not reliable within it is looked for as far off as the lengths allow;
nothing is moved by that, since the user set how far to look: the reason says what to ask for. Where the whole range is
too wide to tell one delay surely, a file's beginning is still told by its place in loudness, if about that place the
two share a delay after all: then only cutting the file brings the rest of `align` to bear on it.

A delay is positive when the event comes later in the track: its file began earlier.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from micalign.alignment.tuned import FAR_S, SAME_BEGINNING, SHARED_PIECES
from micalign.take.tracks import Track
from micalign.tdoa.clock import measure_clock
from micalign.tdoa.measure import Delay, measure_many
from micalign.tdoa.strokes import listen

__all__ = ["other_beginning"]

_STEP_MS: Final = 100  # what is advised is a multiple of it, easily typed, and wider by half of it at the least
_MOST_MS: Final = 60_000  # the most that --max-delay-ms takes
_NEAR_S: Final = 0.05  # seconds about the place that loudness tells in which a delay is looked for
_AT_S: Final = 0.02  # seconds within which it is that place: two frames of loudness


def other_beginning(
    reference: Track, track: Track, delay: Delay, *, max_delay_s: float, of_scene: bool = False
) -> Delay | None:
    """The delay at which a track fits as a file that began at another time, not to be acted on; None where it does not.

    Parameters
    ----------
    reference, track : Track
        Placed on one clock by time stamps, they are as they should be, and so is a track that holds nothing.
    delay : Delay
        What was found within ``max_delay_s``: where that is reliable, nothing else is looked for.
    max_delay_s : float
    of_scene : bool
        Each source is measured on its own there, which finds nothing so far off: no wider look is advised.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(1).normal(size=40000) * np.repeat(np.arange(20) % 4 == 1, 2000)
    >>> whole = Track.from_array("overhead", noise, 8000)
    >>> late = Track.from_array("snare", noise[4000:], 8000)
    >>> nothing = Delay(0.0, 0.0, 1, 0.0, 0.0, False, "nothing fits")
    >>> found = other_beginning(whole, late, nothing, max_delay_s=0.05)
    >>> found.reliable, round(found.delay_s, 4)
    (False, -0.5)
    >>> found.reason
    "it fits as a file that began about 0.50 s after that of 'overhead': look as far with --max-delay-ms 600"
    >>> other_beginning(whole, Track.from_array("snare", noise, 8000), nothing, max_delay_s=0.05) is None
    True
    """
    apart_s = abs(track.duration_s - reference.duration_s)
    if delay.reliable or apart_s <= max_delay_s or track.start_s != reference.start_s:
        return None
    if any(listen(one).envelope.silent for one in (reference, track)):
        return None
    found, is_sure = _fit(reference, track, apart_s + max_delay_s)
    if found is None or abs(found.delay_s) <= max_delay_s:
        return None
    way = "after" if found.delay_s < 0 else "before"
    began = f"it fits as a file that began about {abs(found.delay_s):.2f} s {way} that of '{reference.name}'"
    return replace(found, reliable=False, reason=f"{began}: {_remedy(found, is_sure=is_sure and not of_scene)}")


def _remedy(found: Delay, *, is_sure: bool) -> str:
    """How far to look, where looking so far finds it surely and may be asked for; else how to bring the file nearer."""
    wide_ms = ((abs(found.delay_s) * 1e3 + _STEP_MS / 2) // _STEP_MS + 1) * _STEP_MS
    if is_sure and abs(found.delay_s) * 1e3 <= _MOST_MS:
        return f"look as far with --max-delay-ms {min(wide_ms, _MOST_MS):.0f}"
    if found.delay_s < 0:
        return f"put {-found.delay_s:.2f} s of silence before it and ask again"
    return f"cut {found.delay_s:.2f} s off its beginning and ask again"


def _fit(reference: Track, track: Track, wide_s: float) -> tuple[Delay | None, bool]:
    """Where a track fits within a wide range, None where nowhere; whether that would be found if it was asked for."""
    found = measure_many(reference, [track], max_delay_s=wide_s)[0] if wide_s <= FAR_S else None
    if found is not None and found.reliable:
        return found, True
    rough = measure_clock(reference, track, max_delay_s=wide_s, drift=False)
    if rough.reliable:
        return rough, abs(rough.delay_s) > FAR_S
    if rough.confidence >= SHARED_PIECES:
        return rough, False
    near = replace(track, start_s=reference.start_s - rough.delay_s)
    closer = measure_many(reference, [near], max_delay_s=_NEAR_S)[0]
    if closer.confidence < SAME_BEGINNING or abs(closer.delay_s) > _AT_S:
        return None, False
    return replace(closer, delay_s=closer.delay_s + rough.delay_s, candidates=()), False
