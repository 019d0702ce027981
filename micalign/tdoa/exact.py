"""From an event to the answer: the delay as exactly as the tracks allow, its polarity, its one sigma, its confidence.

Signs as everywhere: positive when the event comes later in the second track.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.tdoa.delays import Candidate, Delay
from micalign.tdoa.evidence import Curves
from micalign.tdoa.gates import common_samples, stretches
from micalign.tdoa.hypotheses import FEATURES, ONE_PATH, SECOND
from micalign.tdoa.look import Look
from micalign.tdoa.posterior import EVENT_S, Event, Onset, confidence_of, sigma_s
from micalign.tdoa.sharpen import sharpen
from micalign.tdoa.transforms import filtered, irfft, rfft
from micalign.tdoa.tuned import RELIABLE
from micalign.tdoa.wavefronts import cut

__all__ = ["WAVE_S", "along_one_path", "in_wave_band", "struck"]

WAVE_S: Final = (0.0002, 0.002)
_WAVE_HZ: Final = (200.0, 5000.0)  # below, the two mics' own phase; above, half a period is a tenth of a ms
_TASTE: Final = 0.4  # of how far a filter's best sum lies from the delay of all frequencies: which is meant is taste
_ECHO_S: Final = (0.0004, 0.003)  # later than a loudspeaker's first ringing, earlier than a low note's period
_WALL: Final = 0.3
_RINGING: Final = 0.55
_LEAST_MARGIN: Final = 0.1  # two copies that differ by less are as good as equal
_HALF: Final = 32
_FINER: Final = 16
_PICK_S: Final = 0.05e-3  # a capsule is not a point, a drum is 36 cm wide: no first wavefront is told more exactly


def along_one_path(seen: Look, event: Event, candidates: tuple[Candidate, ...]) -> Delay:
    """The delay of one sound that came over one path: sharpened to the phases of all its frequencies."""
    first, second = seen.first, seen.second
    rate = first.track.sample_rate
    delays = seen.found.lags / rate
    paths = np.flatnonzero((seen.found.kinds == ONE_PATH) & (np.abs(delays - event.delay_s) <= 1.3 * EVENT_S))
    # Of the lobes of one path the highest: the others are its filter's ringing.
    chosen = int(paths[np.argmax(seen.found.rows[paths, FEATURES.index("path alike")])])
    delay_s = float(delays[chosen])
    gate = stretches(
        first.envelope,
        first.track.frames,
        rate,
        length_s=0.085,
        most=300,
        matched=True,
        within=common_samples(first.track, second.track, delay_s),
    )
    values = seen.whole.values if seen.whole is not None else np.zeros(len(seen.lags))
    top = int(seen.found.lags[chosen] - seen.lags[0])
    height = float(values[top])
    filtered = _is_a_filters(values, top, rate)
    sharp = sharpen(first.track, second.track, gate, delay_s, within_s=0.0003, one_path=filtered)
    other = float(np.max(-np.sign(height) * values, initial=0.0))
    margin = float(np.clip(1 - other / (abs(height) + 1e-20), 0, 1))
    confidence = confidence_of(event)
    reason = None if confidence >= RELIABLE else _doubt(seen)
    if margin < _LEAST_MARGIN:
        confidence, reason = min(confidence, 0.5), "another delay fits as well with the other polarity"
    return Delay(
        sharp.delay_s,
        max(float(np.hypot(max(sharp.error_s, sharp.bound_s), _TASTE * abs(sharp.moved_s))), 2e-10),
        1 if height >= 0 else -1,
        margin,
        confidence,
        reason is None,
        reason,
        candidates,
    )


def _is_a_filters(values: Floats, top: int, rate: int) -> bool:
    """Whether nothing but a filter lies between the tracks, so that the delay is that of the best sum.

    A wall keeps the polarity of what it sends back, a filter's ringing alternates.
    """
    near, far = (round(seconds * rate) for seconds in _ECHO_S)
    beside = np.concatenate([values[max(top - far, 0) : max(top - near, 0)], values[top + near : top + far]])
    beside = beside * np.sign(values[top])
    height = abs(float(values[top]))
    sent_back, ringing = float(beside.max(initial=0.0)), float(np.abs(beside).max(initial=0.0))
    return sent_back < _WALL * height and ringing < _RINGING * height


def struck(seen: Look, event: Event, onset: Onset, candidates: tuple[Candidate, ...]) -> Delay:
    """The delay of a struck source's first wavefront."""
    delay_s = _between_samples(seen, event, onset.delay_s)
    # Neither is right wherever the other is: a hat has little below 5 kHz, a far mic's correlation peaks later.
    likeness = (_first_waves(seen, event, onset.delay_s) + _correlated(seen, event, delay_s)) / 2
    confidence = confidence_of(event, onset, scene=seen.expected is not None)
    return Delay(
        delay_s,
        sigma_s(onset),
        1 if likeness >= 0 else -1,
        min(abs(likeness), 1.0),
        confidence,
        confidence >= RELIABLE,
        None if confidence >= RELIABLE else _doubt(seen),
        candidates,
    )


def _between_samples(seen: Look, event: Event, delay_s: float) -> float:
    """The peak of the strokes' correlation where one lies at the first wavefront: it is told between the samples.

    Further off it is no arrival but the near field's, or the room's.
    """
    rate = seen.first.track.sample_rate
    curves, sign = _side(seen, event)
    if curves is None:
        return delay_s
    lags = seen.lags if sign > 0 else -seen.lags[::-1]
    near = np.flatnonzero(np.abs(lags / rate - sign * delay_s) <= _PICK_S)
    if not len(near):
        return delay_s
    size = np.abs(curves.correlation)
    top = int(near[np.argmax(size[near])])
    if not _HALF <= top < len(lags) - _HALF or size[top] < max(size[top - 1], size[top + 1]):
        return delay_s
    fine = irfft(rfft(curves.correlation[top - _HALF : top + _HALF] * np.hanning(2 * _HALF)), 2 * _HALF * _FINER)
    middle = _HALF * _FINER
    best = middle - _FINER + int(np.argmax(np.abs(fine[middle - _FINER : middle + _FINER])))
    left, here, right = np.abs(fine[best - 1 : best + 2])
    bend = left - 2 * here + right
    offset = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return sign * float(lags[top] + (best - middle + offset) / _FINER) / rate


def _doubt(seen: Look) -> str:
    told = [one for one in seen.events if one.probability > 0.1]
    if len(told) < 2:
        return "the first arrival is not clear"
    said = ", ".join(f"{1e3 * one.delay_s:+.2f} ms ({100 * one.probability:.0f} %)" for one in told[:3])
    return f"several delays are probable: {said}"


def _side(seen: Look, event: Event) -> tuple[Curves | None, int]:
    """The curves of an event's close mic, and 1 where that is the first track, -1 where the second."""
    if (event.kind == SECOND and seen.curves[1] is not None) or seen.curves[0] is None:
        return seen.curves[1], -1
    return seen.curves[0], 1


def _correlated(seen: Look, event: Event, delay_s: float) -> float:
    """The strokes' correlation at a delay as a share of its highest point, -1 to 1."""
    curves, sign = _side(seen, event)
    if curves is None:
        return 0.0
    lags = seen.lags if sign > 0 else -seen.lags[::-1]
    near = curves.correlation[np.abs(lags / seen.first.track.sample_rate - sign * delay_s) <= _PICK_S]
    top = float(near[np.argmax(np.abs(near))]) if len(near) else 0.0
    return top / (float(np.abs(curves.correlation).max()) + 1e-30)


def _first_waves(seen: Look, event: Event, delay_s: float) -> float:
    """How like the first waves of the strokes are in both tracks, -1 to 1: their sign is the polarity."""
    curves, sign = _side(seen, event)
    if curves is None:
        return 0.0
    near, far = (seen.first.track, seen.second.track) if sign > 0 else (seen.second.track, seen.first.track)
    later_s = sign * delay_s
    rate = near.sample_rate
    before, after = round(0.01 * rate), round(WAVE_S[1] * rate)
    lead = round(WAVE_S[0] * rate)
    clocks = round((near.start_s - far.start_s) * rate)
    pair = []
    for track, late in ((near, 0), (far, clocks + round(later_s * rate))):
        frames = in_wave_band(cut(track, curves.times + late - before, before + after), rate)
        quiet = frames[:, : before - lead].std(axis=1) + 1e-9
        pair.append((frames[:, before - lead :], quiet))
    (x, _), (y, noise) = pair
    weight = curves.weight / noise
    a, b = (weight / (x.std(axis=1) + 1e-12)) @ x, (weight / (x.std(axis=1) + 1e-12)) @ y
    return float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b) + 1e-30))


def in_wave_band(frames: Floats, rate: int) -> Floats:
    """Frames, shape (K, N) or (N,), without what a mic's own phase or half a period makes doubtful."""
    low, high = _WAVE_HZ
    return filtered(frames, rate, (low, min(high, 0.4 * rate)), order=1)[0]
