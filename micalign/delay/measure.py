"""How much later does a track hear the same event than a reference, and how sure is that?

Delay is positive when the event comes LATER in the track, in seconds on the take's clock. Polarity is +1 as the
reference, -1 inverted. For a DI and its cabinet, whose filter bends the phase, the delay is the one at which the two
add up best, which is a tenth of a millisecond or so off the pure delay inserted. For two mics over a whole kit, which
hear every drum at another delay, it is the loudest drum's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from micalign.arrays import Floats
from micalign.delay.answer import answer
from micalign.delay.drift import Line, drift_line
from micalign.delay.evidence import stretch_evidence
from micalign.delay.gates import moments_to_samples, stretches
from micalign.delay.listening import Listened, listen, same_samples
from micalign.delay.overheads import loudest_drum, over_a_kit
from micalign.delay.precedence import with_fronts
from micalign.delay.result import Delay, Rival
from micalign.delay.roles import Side, sound_out, surer
from micalign.delay.verdict import choose, judge, may_be_one_sound, nearer_is_second, surely_close
from micalign.delay.wide import coarse_delay
from micalign.errors import TakeError
from micalign.take.model import Track

__all__ = ["Delay", "Rival", "measure_many", "measure_pair"]

_SHORTEST_S: Final = 0.05
_NARROW_S: Final = 0.02

Close = Literal["reference", "track"]


@dataclass(frozen=True)
class _Options:
    max_delay_s: float
    prior_s: float | None
    prior_sigma_s: float | None
    close: Close | None
    drift: bool
    moments_s: Floats | None


def measure_pair(
    reference: Track,
    track: Track,
    *,
    max_delay_s: float = 0.05,
    prior_s: float | None = None,
    prior_sigma_s: float | None = None,
    close: Close | None = None,
    drift: bool = False,
    moments_s: npt.ArrayLike | None = None,
) -> Delay:
    """The delay of one track against a reference.

    Parameters
    ----------
    reference, track : Track
        Two tracks of one sample rate.
    max_delay_s : float
        How far to search, on both sides of the prior.
    prior_s, prior_sigma_s : float, optional
        Where a scene expects the delay, and how sure it is; the search stays within four sigma (1 ms at least).
    close : {"reference", "track"}, optional
        Which of the two is the close mic; found from the tracks where it is not said.
    drift : bool
        Look for clocks that run apart; the delay is then that in the middle of the two tracks' common time.
    moments_s : sequence of float, optional
        The times of the hits to measure on, seconds on the take's clock as the reference hears them; found from the
        tracks where they are not given.

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
    return measure_many(
        reference,
        [track],
        max_delay_s=max_delay_s,
        prior_s=prior_s,
        prior_sigma_s=prior_sigma_s,
        close=close,
        drift=drift,
        moments_s=moments_s,
    )[0]


def measure_many(
    reference: Track,
    tracks: Sequence[Track],
    *,
    max_delay_s: float = 0.05,
    prior_s: float | None = None,
    prior_sigma_s: float | None = None,
    close: Close | None = None,
    drift: bool = False,
    moments_s: npt.ArrayLike | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[Delay, ...]:
    """The delays of several tracks against one reference, which is listened to once; options as `measure_pair`.

    ``progress`` is told what is being done and which share of all is done, 0 to 1.
    """
    if not max_delay_s > 0 or not np.isfinite(max_delay_s):
        raise TakeError(f"the longest delay to search for is {max_delay_s} s: it must be positive")
    for track in tracks:
        if track.sample_rate != reference.sample_rate:
            raise TakeError(
                f"'{track.name}' is at {track.sample_rate} Hz but '{reference.name}' at {reference.sample_rate} Hz: "
                "convert one of them to the other's rate first"
            )
    moments = None if moments_s is None else np.asarray(moments_s, dtype=float)
    options = _Options(max_delay_s, prior_s, prior_sigma_s, close, drift, moments)
    tell = progress or (lambda _words, _share: None)
    tell(f"listening to {reference.name}", 0.0)
    heard = listen(reference)
    found = []
    for done, track in enumerate(tracks, start=1):
        tell(f"measuring {track.name}", done / (len(tracks) + 1))
        found.append(_measure(heard, listen(track), options))
    return tuple(found)


def _measure(reference: Listened, track: Listened, options: _Options) -> Delay:
    for heard in (reference, track):
        if heard.envelope.silent:
            return _nothing(options, f"'{heard.track.name}' is silent")
        if heard.track.duration_s < _SHORTEST_S:
            return _nothing(options, f"'{heard.track.name}' is too short")
    if options.max_delay_s > 0 and same_samples(reference, track):
        return Delay(0.0, 1e-7, 1, 1.0, 1.0, True, None, (), 0.0 if options.drift else None)
    centre_s, reach_s = _search(options)
    if reach_s > 0.2:
        found = coarse_delay(reference, track, centre_s=centre_s, reach_s=reach_s)
        if found is None:
            return _nothing(options, "the two tracks do not overlap")
        told = options.drift or options.moments_s is not None or options.close is not None
        near = _measure_whole if found.one_path and not told else _measure_near
        narrow = near(reference, track, options, found.delay_s, _NARROW_S)
        return narrow if found.clear else _doubt(narrow, "another delay fits nearly as well")
    return _measure_near(reference, track, options, centre_s, reach_s)


def _search(options: _Options) -> tuple[float, float]:
    if options.prior_s is None:
        return 0.0, options.max_delay_s
    if options.prior_sigma_s is None:
        return options.prior_s, options.max_delay_s
    return options.prior_s, min(options.max_delay_s, max(4.0 * options.prior_sigma_s, 0.001))


def _nothing(options: _Options, reason: str) -> Delay:
    return Delay(options.prior_s or 0.0, options.max_delay_s, 1, 0.0, 0.0, False, reason)


def _doubt(delay: Delay, reason: str) -> Delay:
    return replace(delay, reliable=False, confidence=min(delay.confidence, 0.4), reason=delay.reason or reason)


def _measure_near(reference: Listened, track: Listened, options: _Options, centre_s: float, reach_s: float) -> Delay:
    if options.drift:
        line = drift_line(reference, track, centre_s=centre_s, reach_s=reach_s)
        return _from_line(line) if line is not None else _nothing(options, "too little sounds to tell a drift")
    swapped = _near_is_track(reference, track, options)
    told = options.moments_s is not None or options.close is not None
    if not told and options.prior_s is None:
        above = _over_a_kit(reference, track, swapped, centre_s, reach_s)
        if above is not None:
            return above
    side = _roles(reference, track, options, swapped, centre_s, reach_s)
    near, far, sign, by_strokes = side if told else surer(side, reach_s=reach_s, centre_s=centre_s)
    certain = told or (surely_close(near, far) and not may_be_one_sound(by_strokes))
    by_stretches = None
    if by_strokes is None or not certain:
        gate = stretches(near.envelope, near.track.frames, near.track.sample_rate, length_s=0.17, most=100)
        by_stretches = stretch_evidence(near.track, far.track, gate, reach_s=reach_s, centre_s=sign * centre_s)
    chosen = choose(by_strokes, by_stretches, near, far, close_is_certain=certain, later_s=sign * centre_s)
    if chosen is None:
        return _nothing(options, "nothing in the tracks is alike")
    if not told and options.prior_s is None:
        chosen = with_fronts(chosen, near, far)
    return answer(chosen, near, far, sign)


def _over_a_kit(reference: Listened, track: Listened, swapped: bool, centre_s: float, reach_s: float) -> Delay | None:
    """The loudest drum's delay where both mics stand over a whole kit."""
    near, far, sign = (track, reference, -1) if swapped else (reference, track, 1)
    if not over_a_kit(near, far, later_s=sign * centre_s):
        return None
    return loudest_drum(near, far, sign, reach_s=reach_s, centre_s=sign * centre_s)


def _measure_whole(reference: Listened, track: Listened, options: _Options, centre_s: float, reach_s: float) -> Delay:
    """By stretches of the whole take alone."""
    gate = stretches(reference.envelope, reference.track.frames, reference.track.sample_rate, length_s=0.17, most=100)
    evidence = stretch_evidence(reference.track, track.track, gate, reach_s=reach_s, centre_s=centre_s)
    if evidence is None:
        return _nothing(options, "nothing in the tracks is alike")
    return answer(judge(evidence), reference, track, 1)


def _roles(
    reference: Listened, track: Listened, options: _Options, swapped: bool, centre_s: float, reach_s: float
) -> Side:
    near, far, sign = (track, reference, -1) if swapped else (reference, track, 1)
    struck = _struck(near, options, centre_s if swapped else 0.0)
    return sound_out(near, far, sign, struck, reach_s=reach_s, centre_s=centre_s)


def _near_is_track(reference: Listened, track: Listened, options: _Options) -> bool:
    if options.close is not None:
        return options.close == "track"
    if options.moments_s is not None:
        return False
    return nearer_is_second(reference, track)


def _struck(near: Listened, options: _Options, later_s: float) -> npt.NDArray[np.intp]:
    if options.moments_s is None:
        return near.struck
    return moments_to_samples(options.moments_s + later_s, near.track.start_s, near.track.sample_rate)


def _from_line(line: Line) -> Delay:
    return Delay(
        line.delay_s,
        line.uncertainty_s,
        line.polarity,
        line.polarity_margin,
        line.confidence,
        line.reason is None,
        line.reason,
        (),
        line.drift_ppm,
    )
