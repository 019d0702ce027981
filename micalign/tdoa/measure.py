"""How much later does a track hear the same event than a reference, and how sure is that?

Delay is positive when the event comes LATER in the track, in seconds on the take's clock. Polarity is +1 as the
reference, -1 inverted. What is told of a struck source is when its first wavefront arrives; of one sound that came over
one path, the delay of all its frequencies; of two mics over a whole kit, the delay of a drum that both hear best.

``confidence`` is the probability of being right, within 0.1 ms or two of the stated sigmas, the polarity included where
it can be told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.errors import TakeError
from micalign.take.tracks import Track, refuse_mixed_rates, two_at_once
from micalign.tdoa import tuned
from micalign.tdoa.delays import Candidate, Delay, doubt_of, doubted, unknown
from micalign.tdoa.exact import along_one_path, struck
from micalign.tdoa.hypotheses import ONE_PATH, coarse_delay
from micalign.tdoa.posterior import Look, log_odds, look
from micalign.tdoa.strokes import Listened, apart, listen_all, same_samples

__all__ = ["Candidate", "Delay", "decided", "measure_many", "measure_pair", "of_two_looks"]

_SHORTEST_S: Final = 0.05  # seconds of a track: shorter ones hold no stroke and its quiet
_WIDE_S: Final = 0.2  # a wider search goes in two steps
_CANDIDATES: Final = 3  # that an answer names


@dataclass(frozen=True)
class _Options:
    max_delay_s: float
    prior_s: float = 0.0
    one_path: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.max_delay_s < np.inf:
            raise TakeError(f"the longest delay to search for is {self.max_delay_s} s: it must be positive")

    def unknown(self, reason: str) -> Delay:
        """What is told where nothing could be measured."""
        return unknown(reason, self.prior_s, self.max_delay_s)


def measure_pair(
    reference: Track,
    track: Track,
    *,
    max_delay_s: float = 0.05,
    prior_s: float = 0.0,
    one_path: bool = False,
) -> Delay:
    """The delay of one track against a reference.

    Parameters
    ----------
    reference, track : Track
        Two tracks of one sample rate.
    max_delay_s : float
        How far to search, on both sides of the prior.
    prior_s : float
        Where the delay is expected, seconds.
    one_path : bool
        It is known that one sound came over one path to both; otherwise either may be the close mic of what it tells.

    Returns
    -------
    Delay

    Raises
    ------
    TakeError
        If the sample rates differ or an option cannot be met.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> noise = rng.normal(size=48000)
    >>> reference = Track.from_array("near", noise[100:40100], 48000)
    >>> track = Track.from_array("far", -0.5 * noise[52:40052], 48000)
    >>> found = measure_pair(reference, track)
    >>> round(found.delay_s * 48000, 2), found.polarity, found.reliable
    (48.0, -1, True)
    """
    return _measured((reference, track), _Options(max_delay_s, prior_s, one_path))[0]


def measure_many(
    reference: Track,
    tracks: Sequence[Track],
    *,
    max_delay_s: float = 0.05,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[Delay, ...]:
    """The delays of several tracks against one reference; each is listened to once.

    What a pair leaves in doubt is looked at anew by the strokes that each track has for itself among all given:
    with every close mic of a kit beside them a hat or an overhead is told more often.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
        Of its sample rate.
    max_delay_s : float
        How far to search, on both sides of no delay.
    progress : callable, optional
        Called with what is being done and which share of all is done, 0 to 1.

    Returns
    -------
    tuple of Delay
        One for each track.

    Raises
    ------
    TakeError
        If the sample rates differ or the search reaches nowhere.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(size=48000)
    >>> reference = Track.from_array("near", noise[100:40100], 48000)
    >>> far = [Track.from_array(f"{late} later", noise[100 - late : 40100 - late], 48000) for late in (48, 96)]
    >>> [round(one.delay_s * 48000) for one in measure_many(reference, far)]
    [48, 96]
    """
    return _measured((reference, *tracks), _Options(max_delay_s), progress)


def _measured(
    tracks: Sequence[Track], options: _Options, progress: Callable[[str, float], None] | None = None
) -> tuple[Delay, ...]:
    """The delays of all others against the first; all are listened to before two are compared."""
    refuse_mixed_rates(tracks)
    steps = 2 * len(tracks) - 1
    heard = listen_all(tracks, progress=progress, steps=steps)
    alone = heard if options.one_path else apart(heard)
    for near in (heard[0], alone[0]):
        _ = near.own_levels  # before two threads ask for them at once
    pairs = [((heard[0], one), (alone[0], other)) for one, other in zip(heard[1:], alone[1:], strict=True)]

    def tell(done: int) -> None:
        if progress is not None:
            progress(f"measuring {tracks[1 + done].name}", (len(tracks) + done) / steps)

    return tuple(two_at_once(lambda both: _measure(*both, options), pairs, tell))


def _measure(whole: tuple[Listened, Listened], alone: tuple[Listened, Listened], options: _Options) -> Delay:
    """What a pair says by all its strokes, or, where that is in doubt, the surer of it and of what those say that each
    track has for itself in the take.
    """
    reference, track = whole
    for heard in whole:
        if heard.duration_s < _SHORTEST_S:
            return options.unknown(f"'{heard.name}' is too short")
        if heard.envelope.silent:
            return options.unknown(f"'{heard.name}' is silent")
    if same_samples(reference, track):
        return Delay(0.0, 1e-7, 1, 1.0, 1.0, True, None)
    centre_s, reach_s = options.prior_s, options.max_delay_s
    clear = True
    if reach_s > _WIDE_S:
        coarse = coarse_delay(reference, track, centre_s=centre_s, reach_s=reach_s)
        if coarse is None:
            return options.unknown("the two tracks do not overlap")
        (centre_s, clear), reach_s = coarse, tuned.ROOM_S

    def told(seen: Look) -> Delay:
        found = decided(seen)
        if found is None:
            return options.unknown("nothing in the tracks is alike")
        if abs(found.delay_s - centre_s) > reach_s + 1.0 / reference.sample_rate:
            return doubted(found, "the likeliest delay lies beyond the search")
        return found if clear else doubted(found, "another delay fits nearly as well")

    seen = look(*whole, reach_s=reach_s, centre_s=centre_s, close=ONE_PATH if options.one_path else None)
    found = told(seen)
    same = all(one is other for one, other in zip(whole, alone, strict=True))
    if same or not tuned.WORTH_A_LOOK <= found.confidence < tuned.RELIABLE:
        return found
    return of_two_looks(found, told(look(*alone, reach_s=reach_s, centre_s=centre_s, before=seen)))


def of_two_looks(first: Delay, second: Delay) -> Delay:
    """The surer of two looks, as sure as both together are: most of all by whether they say the same delay.

    >>> one = Delay(0.0021, 1e-5, 1, 0.9, 0.85, False, "the first arrival is not clear")
    >>> of_two_looks(one, replace(one, delay_s=0.00213, confidence=0.9)).reliable
    True
    >>> of_two_looks(one, replace(one, delay_s=0.0044, confidence=0.96)).reliable
    False
    """
    surer = max(first, second, key=lambda one: one.confidence)
    is_turned = first.polarity != second.polarity and first.is_polarity_clear and second.is_polarity_clear
    alike = abs(first.delay_s - second.delay_s) <= tuned.SAME_PLACE_S and not is_turned
    least, slope, agreed = tuned.TWO_LOOKS
    line = least + slope * (log_odds(first.confidence) + log_odds(second.confidence)) + agreed * alike
    confidence = float(1 / (1 + np.exp(-line)))
    reliable = confidence >= tuned.RELIABLE
    reason = None if reliable else surer.reason or first.reason or second.reason
    return replace(surer, confidence=confidence, reliable=reliable, reason=reason)


def decided(seen: Look) -> Delay | None:
    """The delay that follows from what was seen of a pair; None where nothing is alike."""
    if not seen.events:
        return None
    event = seen.events[0]
    if event.kind == ONE_PATH:
        delay = along_one_path(seen, event)
    elif (side := seen.side(event.kind)) is not None:
        delay = struck(seen, side, event)
    else:
        return None
    first = Candidate(delay.delay_s, delay.polarity, event.probability)
    others = seen.events[1:_CANDIDATES]
    candidates = (first, *(Candidate(one.delay_s, _polarity(seen, one.delay_s), one.probability) for one in others))
    reason = None if delay.reliable else delay.reason or doubt_of(candidates)
    return replace(delay, candidates=candidates, reason=reason)


def _polarity(seen: Look, delay_s: float) -> int:
    """The sign of what the two tracks have in common at a delay: of all that sounds, else of the strokes."""
    sides = [one.correlation[::sign] for one, sign in zip(seen.curves, (1, -1), strict=True) if one is not None]
    values = sides[0] if seen.whole is None else seen.whole
    index = round(delay_s * seen.first.sample_rate) - int(seen.lags[0])
    return 1 if values[int(np.clip(index, 0, len(seen.lags) - 1))] >= 0 else -1
