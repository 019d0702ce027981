"""How much later does a track hear the same event than a reference, and how sure is that?

Delay is positive when the event comes LATER in the track, in seconds on the take's clock. Polarity is +1 as the
reference, -1 inverted. What is told of a struck source is when its first wavefront arrives; of one sound that came over
one path, the delay of all its frequencies; of two mics over a whole kit, the delay of a drum that both hear best.

``confidence`` is the probability of being right, within 0.1 ms or two of the stated sigmas, the polarity included where
it can be told.

Of one sound over one path both tracks are cut by the same window, the second at the delay already known, and each
frequency is weighted by what its coherence says of its phase (the Hannan-Thomson weights): the estimate that reaches
the Cramer-Rao bound on stationary signals in noise. Where one track is the other through a filter (a DI and its
cabinet), that filter's phase makes the best delay a matter of frequency; then the delay at which the two add up best is
reported, the maximum of the plain correlation beside the one found.

Sources: E. J. Hannan and P. J. Thomson, "Estimating group delay", Biometrika 60(2), 241-253, 1973; G. C. Carter,
"Coherence and time delay estimation", Proceedings of the IEEE 75(2), 236-255, 1987 (the bound from the coherence).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats
from micalign.errors import TakeError
from micalign.take.tracks import Track, refuse_mixed_rates, two_at_once
from micalign.tdoa import tuned
from micalign.tdoa.delays import Candidate, Delay, doubt_of, doubted, known, unknown
from micalign.tdoa.hypotheses import FEATURES, FIRST, ONE_PATH, SECOND, coarse_delay
from micalign.tdoa.posterior import (
    EVENT_S,
    Event,
    Look,
    Side,
    begins,
    confidence_of,
    log_odds,
    look,
    path_confidence,
    sigma_s,
)
from micalign.tdoa.spectra import (
    Spectra,
    cramer_rao_s,
    frame_spectra,
    one_sigma_s,
    phase_error_s,
    refine,
    rfft,
    smooth_bins,
)
from micalign.tdoa.strokes import FrameSet, Listened, apart, listen_all, same_samples, stretches, unled
from micalign.tdoa.wavefronts import WAVE_S, in_wave_band

__all__ = [
    "Candidate",
    "Delay",
    "decided",
    "measure_many",
    "measure_pair",
    "of_two_looks",
    "sharpen",
]

_SHORTEST_S: Final = 0.05  # seconds of a track: shorter ones hold no stroke and its quiet
_WIDE_S: Final = 0.2  # a wider search goes in two steps
_CANDIDATES: Final = 3  # that an answer names

_GROUPS: Final = 8  # of frames, each of which says a delay of its own
_SMOOTH_BINS: Final = 25  # of a smooth coherence: wider than a note, narrower than the band
_POWERS: Final = (0.4, 0.0)
"""Of the whitening taken back step by step, so that the climb keeps to its hill."""

_NEAR_SUM_S: Final = 0.0003  # seconds between lobes: a step further has left the hill
_HARMONICS_HZ: Final = 150.0  # hertz: above a bass's fundamental
_LEAST_MOVE_S: Final = 3e-6  # seconds: less than 1 mm of way is no other answer


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
    # Of few tracks it is not known who else hears what they hear.
    shares = np.full(len(heard), np.nan)
    if sum(one.strokes.own.any() for one in heard) >= tuned.MANY_TRACKS:
        heard, shares = unled(heard)
    alone = heard if options.one_path else apart(heard)
    for near in (heard[0], alone[0]):
        _ = near.own_levels  # before two threads ask for them at once
    first, *others = (_Heard(*one) for one in zip(heard, alone, shares.tolist(), strict=True))

    def tell(done: int) -> None:
        if progress is not None:
            progress(f"measuring {tracks[1 + done].name}", (len(tracks) + done) / steps)

    return tuple(two_at_once(lambda one: _measure(first, one, options), others, tell))


@dataclass(frozen=True)
class _Heard:
    """A track of a take: as a whole, by the strokes that it has for itself, and the share of all that others lead.

    ``led``: not a number where nothing is known of it.
    """

    whole: Listened
    alone: Listened
    led: float


def _never(reference: _Heard, track: _Heard) -> int | None:
    """Which of two tracks is no close mic, as others hear first what it hears and not what the other one does.

    >>> snare, over = (_Heard(None, None, share) for share in (0.3, 0.98))
    >>> _never(snare, over) == SECOND, _never(over, snare) == FIRST, _never(over, over), _never(snare, snare)
    (True, True, None, None)
    """
    for kind, close, far in ((SECOND, reference, track), (FIRST, track, reference)):
        if close.led <= tuned.LED[0] and far.led >= tuned.LED[1]:
            return kind
    return None


def _measure(reference: _Heard, track: _Heard, options: _Options) -> Delay:
    """What a pair says by all its strokes, or, where that is in doubt, the surer of it and of what those say that each
    track has for itself in the take.
    """
    whole, alone = (reference.whole, track.whole), (reference.alone, track.alone)
    for heard in whole:
        if heard.duration_s < _SHORTEST_S:
            return options.unknown(f"'{heard.name}' is too short")
        if heard.envelope.silent:
            return options.unknown(f"'{heard.name}' is silent")
    if same_samples(*whole):
        return Delay(0.0, 1e-7, 1, 1.0, 1.0, True, None)
    centre_s, reach_s = options.prior_s, options.max_delay_s
    clear = True
    if reach_s > _WIDE_S:
        coarse = coarse_delay(*whole, centre_s=centre_s, reach_s=reach_s)
        if coarse is None:
            return options.unknown("the two tracks do not overlap")
        (centre_s, clear), reach_s = coarse, tuned.ROOM_S

    def told(seen: Look) -> Delay:
        found = decided(seen)
        if found is None:
            return options.unknown("nothing in the tracks is alike")
        if abs(found.delay_s - centre_s) > reach_s + 1.0 / whole[0].sample_rate:
            return doubted(found, "the likeliest delay lies beyond the search")
        return found if clear else doubted(found, "another delay fits nearly as well")

    close, never = ONE_PATH if options.one_path else None, _never(reference, track)
    seen = look(*whole, reach_s=reach_s, centre_s=centre_s, close=close, never=never)
    found = told(seen)
    same = all(one is other for one, other in zip(whole, alone, strict=True))
    if same or not tuned.WORTH_A_LOOK <= found.confidence < tuned.RELIABLE:
        return found
    return of_two_looks(found, told(look(*alone, reach_s=reach_s, centre_s=centre_s, before=seen, never=never)))


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
        delay = _along_one_path(seen, event)
    elif (side := seen.side(event.kind)) is not None:
        delay = _struck(seen, side, event)
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


@dataclass(frozen=True)
class Sharp:
    """A sharpened delay: ``bound_s`` from the coherence, ``error_s`` its standard deviation."""

    delay_s: float
    bound_s: float
    error_s: float


def sharpen(
    first: Listened, second: Track, gate: FrameSet, delay_s: float, *, within_s: float, one_path: bool = False
) -> Sharp:
    """The delay near ``delay_s``, from frames of ``gate`` (its window is used on both tracks).

    ``one_path``: nothing but a filter lies between the tracks, so that the best sum may be looked for.
    """
    spectra = frame_spectra(first, second, gate.starts, gate.window, margin=0, centre_s=delay_s, kept=first.kept)
    hz = spectra.frequencies_hz
    cross = spectra.cross.sum(axis=0).astype(complex)
    lag_s = delay_s - spectra.centre_s
    for _ in range(2):
        coherence, size = _coherence(spectra, cross, lag_s)
        weight = coherence / (1.0 - coherence) / size
        lag_s = refine(cross * weight, hz, lag_s, within_s=within_s)
    bound_s = cramer_rao_s(hz, coherence, len(spectra.cross) * spectra.size / 2 / spectra.sample_rate)
    error_s = one_sigma_s(phase_error_s(cross * weight, hz, lag_s), _groups_s(spectra.cross, weight, hz, lag_s))
    if one_path:
        moved_s = _best_sum(spectra, cross, lag_s) - lag_s
        if abs(moved_s) > max(4.0 * bound_s, _LEAST_MOVE_S):
            lag_s, error_s = lag_s + moved_s, float(np.hypot(error_s, tuned.TASTE * moved_s))
    return Sharp(lag_s + spectra.centre_s, bound_s, error_s)


def _coherence(spectra: Spectra, cross: Complexes, lag_s: float) -> tuple[Floats, Floats]:
    """The squared coherence of each frequency and the size of the smooth cross-spectrum, both shape (B,).

    Smoothed over neighbouring frequencies, the delay taken out before, without what chance alone would give.
    """
    hz, count = spectra.frequencies_hz, len(spectra.cross)
    turned = cross * np.exp(2j * np.pi * hz * lag_s)
    turned, first, second = (
        smooth_bins(values, _SMOOTH_BINS) for values in (turned, spectra.first.sum(axis=0), spectra.second.sum(axis=0))
    )
    powers = first * second
    # Nothing 70 dB below the loudest band counts: what a window leaks of a band is coherent and says nothing.
    floor = powers.max(initial=0.0) * 1e-14 + 1e-60
    coherence = np.abs(turned) ** 2 / (powers + floor)
    chance = 1.0 / (max(count, 1) * _SMOOTH_BINS * 0.5)
    coherence = np.clip((coherence - chance) / (1.0 - min(chance, 0.9)), 0.0, 1.0 - 1e-7)
    coherence[hz < 20.0] = 0.0
    return coherence, np.maximum(np.abs(turned), np.sqrt(floor))


def _groups_s(cross: npt.NDArray[Any], weight: Floats, hz: Floats, lag_s: float) -> Floats:
    """What groups of frames, of cross-spectra of shape (K, B), say when taken alone, seconds."""
    parts = np.array_split(np.arange(len(cross)), min(_GROUPS, len(cross)))
    return np.array([refine(cross[part].sum(axis=0) * weight, hz, lag_s, within_s=0.0005) for part in parts])


def _best_sum(spectra: Spectra, cross: Complexes, lag_s: float) -> float:
    """The maximum of the plain correlation uphill from ``lag_s``.

    Where that lies far away (a bass below its cabinet's own resonance: the fundamental alone is worth more than all
    harmonics), the harmonics' best sum counts half: what a filter does to the low notes turns it the one way, what it
    does to the high ones turns the delay of all coherent frequencies the other.
    """
    hz = spectra.frequencies_hz
    level = np.sqrt(smooth_bins(spectra.first.sum(axis=0), 9) * smooth_bins(spectra.second.sum(axis=0), 9))
    level += level.max(initial=0.0) * 1e-4 + 1e-37
    climb = [lag_s]
    for power in _POWERS:
        climb.append(refine(cross * (hz > 20.0) * level**-power, hz, climb[-1], within_s=0.0004))
    if max(abs(lag - lag_s) for lag in climb) < _NEAR_SUM_S:
        return climb[-1]
    harmonics_s = refine(cross * (hz > _HARMONICS_HZ), hz, lag_s, within_s=_NEAR_SUM_S)
    return 0.5 * (lag_s + harmonics_s)


_ECHO_S: Final = (0.0004, 0.003)  # later than a loudspeaker's first ringing, earlier than a low note's period
_HALF: Final = 32  # samples about a peak that hold its shape
_FEWEST_HELD: Final = 4  # frames: fewer are no spectrum to weigh
_PICK_S: Final = 0.05e-3  # seconds about a first wavefront within which a peak is its own; chosen before scenes of a
# real kit were looked at: with 0.07 ms, a sigma of a pick, 279 of 349 of their delays are right for 290 (held-out half,
# seeds 572 and 573, `bench.delay.score_scene`), and as many of 202 of the development half


def _along_one_path(seen: Look, event: Event) -> Delay:
    """The delay of one sound that came over one path: sharpened to the phases of all its frequencies."""
    first, second = seen.first, seen.second
    rate = first.sample_rate
    delays = seen.found.lags / rate
    paths = np.flatnonzero((seen.found.kinds == ONE_PATH) & (np.abs(delays - event.delay_s) <= 1.3 * EVENT_S))
    # Of the lobes of one path the highest: the others are its filter's ringing.
    chosen = int(paths[np.argmax(seen.found.rows[paths, FEATURES.index("path alike")])])
    delay_s = float(delays[chosen])
    gate = stretches(first, length_s=0.085, most=300, matched=True)
    gate = _held_by_both(gate, first, second, delay_s)
    values = seen.whole if seen.whole is not None else np.zeros(len(seen.lags))
    top = int(seen.found.lags[chosen] - seen.lags[0])
    height = float(values[top])
    filtered = _is_a_filters(values, top, rate)
    sharp = sharpen(first, second, gate, delay_s, within_s=0.0003, one_path=filtered)
    other = float(np.max(-np.sign(height) * values, initial=0.0))
    margin = float(np.clip(1 - other / (abs(height) + 1e-20), 0, 1))
    confidence = path_confidence(event, abs(height))
    reason = None
    if margin < tuned.LEAST_MARGIN:
        confidence, reason = min(confidence, 0.5), "another delay fits as well with the other polarity"
    uncertainty_s = max(sharp.error_s, sharp.bound_s, 2e-10)
    return known(sharp.delay_s, uncertainty_s, height, margin, confidence, reason)


def _held_by_both(gate: FrameSet, first: Track, second: Track, delay_s: float) -> FrameSet:
    """The frames that both tracks hold whole, where these are four or more.

    One that is cut short in one of them is not alike: an exact copy would be half a nanosecond off, and moved by a
    fraction of a sample where whole ones keep every sample as it is.
    """
    later = round((delay_s + first.start_s - second.start_s) * first.sample_rate)
    low, high = max(0, 1 - later), min(first.frames, second.frames - later - 1)
    held = gate.starts[(gate.starts >= low) & (gate.starts + len(gate.window) <= high)]
    return FrameSet(held, gate.window) if len(held) >= _FEWEST_HELD else gate


def _is_a_filters(values: Floats, top: int, rate: int) -> bool:
    """Whether nothing but a filter lies between the tracks, so that the delay is that of the best sum.

    A wall keeps the polarity of what it sends back, a filter's ringing alternates.
    """
    near, far = (round(seconds * rate) for seconds in _ECHO_S)
    beside = np.concatenate([values[max(top - far, 0) : max(top - near, 0)], values[top + near : top + far]])
    sent_back = float((beside * np.sign(values[top])).max(initial=0.0))
    return sent_back < tuned.WALL * abs(float(values[top]))


def _struck(seen: Look, side: Side, event: Event) -> Delay:
    """The delay of a struck source's first wavefront, by the strokes of one side."""
    onset = begins(seen, side, event)
    later_s = _between_samples(side, side.sign * onset.delay_s)
    likeness = _first_waves(side, side.sign * onset.delay_s)
    confidence = confidence_of(event, onset, follows=seen.follows, scene=seen.expected is not None)
    return known(side.sign * later_s, sigma_s(onset), likeness, min(abs(likeness), 1.0), confidence)


def _between_samples(side: Side, later_s: float) -> float:
    """The peak of the strokes' correlation where one lies at the first wavefront: it is told between the samples.

    Further off it is no arrival but the near field's, or the room's.
    """
    rate, correlation, lags = side.near.sample_rate, side.curves.correlation, side.lags
    near = np.flatnonzero(np.abs(lags / rate - later_s) <= _PICK_S)
    if not len(near):
        return later_s
    size = np.abs(correlation)
    top = int(near[np.argmax(size[near])])
    if not _HALF <= top < len(lags) - _HALF or size[top] < max(size[top - 1], size[top + 1]):
        return later_s
    part = correlation[top - _HALF : top + _HALF] * np.hanning(2 * _HALF)
    hz = np.fft.rfftfreq(2 * _HALF, 1.0 / rate).astype(np.float64)
    return float(lags[top] - _HALF) / rate + refine(rfft(part), hz, _HALF / rate, within_s=1.0 / rate)


def _first_waves(side: Side, later_s: float) -> float:
    """How like the first waves of the strokes are in both tracks, -1 to 1: their sign is the polarity."""
    near, far, curves = side.near, side.far, side.curves
    rate = near.sample_rate
    before, after = round(0.01 * rate), round(WAVE_S[1] * rate)
    lead = round(WAVE_S[0] * rate)
    clocks = round((near.start_s - far.start_s) * rate)
    starts = (near, curves.times - before), (far, curves.times + clocks + round(later_s * rate) - before)
    x, y = (in_wave_band(track.frames_at(at, before + after), rate) for track, at in starts)
    noise = y[:, : before - lead].std(axis=1) + 1e-9
    x, y = x[:, before - lead :], y[:, before - lead :]
    weight = curves.weight / noise / (x.std(axis=1) + 1e-12)
    a, b = weight @ x, weight @ y
    return float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b) + 1e-30))
