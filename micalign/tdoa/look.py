"""What is seen of a pair of tracks before anything is decided: strokes, curves, hypotheses, events.

Everything here can be plotted; `micalign.tdoa.measure` decides upon it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.tdoa.evidence import Curves, Stretches, stretch_curve, stroke_curves
from micalign.tdoa.hypotheses import FIRST, ONE_PATH, SECOND, Hypotheses, hypotheses
from micalign.tdoa.posterior import WITHIN_S, Event, Onset, events, onset_rows, onset_within, prior_odds
from micalign.tdoa.strokes import Listened
from micalign.tdoa.wavefronts import picks_near

__all__ = ["Look", "begins", "look", "places", "unexpected"]

_AROUND_S: Final = 0.02
"""A search narrower than this still looks so far, to know how high chance alone rises."""


@dataclass(frozen=True)
class Look:
    """A pair and what was found: delays are the second track's against the first's.

    ``chances``: the probability of each hypothesis, shape (H,); ``events``: the likeliest first; ``expected``: where a
    scene has the delay, and one sigma.
    """

    first: Listened
    second: Listened
    lags: Ints
    curves: tuple[Curves | None, Curves | None]
    whole: Stretches | None
    found: Hypotheses
    events: tuple[Event, ...]
    chances: Floats
    expected: tuple[float, float] | None = None


def look(
    first: Listened,
    second: Listened,
    *,
    reach_s: float,
    centre_s: float = 0.0,
    close: int | None = None,
    expected: tuple[float, float] | None = None,
) -> Look:
    """Weighs every delay within ``reach_s`` of ``centre_s``.

    ``expected``: where a scene has the delay and one sigma, seconds; others remain possible.

    ``close``: only hypotheses of that kind: with the first or the second as the close mic, whose strokes alone then
    speak, or of one path, of which the whole take speaks.
    """
    rate = first.track.sample_rate
    middle, half = round(centre_s * rate), round(max(reach_s, _AROUND_S) * rate)
    lags = np.arange(middle - half, middle + half + 1)
    curves = (
        None if close in (SECOND, ONE_PATH) else stroke_curves(first, second, lags),
        None if close in (FIRST, ONE_PATH) else stroke_curves(second, first, -lags[::-1]),
    )
    whole = None if close in (FIRST, SECOND) else stretch_curve(first, second, lags)
    within = middle - round(reach_s * rate), middle + round(reach_s * rate)
    found = hypotheses(first, second, lags, curves, whole, within)
    odds = None if expected is None else prior_odds(found.lags / rate, *expected, reach_s)
    likely, chances = (
        events(found, rate, related=close == ONE_PATH, odds=odds) if len(found.lags) else ([], np.zeros(0))
    )
    return Look(first, second, lags, curves, whole, found, tuple(likely), chances, expected)


def unexpected(seen: Look) -> Look:
    """The same, with nothing known beforehand."""
    likely, chances = events(seen.found, seen.first.track.sample_rate)
    return replace(seen, events=tuple(likely), chances=chances, expected=None)


def places(seen: Look, event: Event) -> tuple[Floats, Floats] | None:
    """Where an event of a struck source may begin, and what speaks for each place; None where no side has strokes."""
    kind = event.kind if event.kind != ONE_PATH else FIRST
    if seen.curves[kind] is None:
        kind = SECOND if kind == FIRST else FIRST
    curves = seen.curves[kind]
    if curves is None:
        return None
    sign, near, far = (1, seen.first, seen.second) if kind == FIRST else (-1, seen.second, seen.first)
    rate = near.track.sample_rate
    clocks = round((near.track.start_s - far.track.start_s) * rate)
    picks = picks_near(far.track, curves.times + clocks, curves.weight, sign * event.delay_s)
    lags = seen.lags if sign > 0 else -seen.lags[::-1]
    return onset_rows(event, sign, picks, curves, lags, seen.found, seen.chances, near.strokes.brightness, rate)


def begins(seen: Look, event: Event) -> Onset | None:
    """Where an event of a struck source begins."""
    where = places(seen, event)
    if where is None:
        return None
    odds = None if seen.expected is None else prior_odds(where[0], *seen.expected, WITHIN_S)
    return onset_within(*where, odds=odds)
