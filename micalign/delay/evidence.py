"""What do the gates say? One weighted cross-spectrum, its peaks, and what its parts say on their own.

Both spectra are whitened by their smooth selves to the power 0.8: full whitening, and above all the whitening of each
single bin, gives the cymbals' and the noise's bins the vote of the drum's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from micalign.arrays import Complexes, Floats, Ints
from micalign.delay.correlation import Spectra, correlate_spectrum, frame_spectra, whitening
from micalign.delay.dominance import own_share, votes, without_bleed
from micalign.delay.fronts import front_spectra
from micalign.delay.gates import Gate
from micalign.delay.peak import Correlogram, Peak, first_arrival, refine, strongest_peaks
from micalign.delay.spread import phase_error_s
from micalign.take.model import Track

__all__ = ["Evidence", "front_evidence", "stretch_evidence", "stroke_evidence"]

MOST_GROUPS: Final = 8
_FINER: Final = 4
_ROOM_CONTRAST: Final = 8.0
_DIRECT_SHARE: Final = 0.65
_DETOUR_S: Final = 0.0006
_AHEAD_SHARE: Final = 0.7
_AHEAD_S: Final = 0.001
_AROUND_S: Final = 0.003  # a search narrower than this still needs to know how high the noise is


@dataclass(frozen=True)
class Evidence:
    """What one kind of gate says; lags are of the second track against the first, ``centre_s`` included.

    Parameters
    ----------
    kind : str
        ``strokes``, ``stretches`` or ``fronts``.
    best : Peak
        The chosen peak; its height is a share of full agreement of all frequencies.
    peaks : tuple of Peak
        The strongest, whether chosen or not, on the correlogram's own scale.
    height : float
        The chosen peak on that scale.
    noise : float
        The root mean square of the correlogram away from the chosen peak.
    own_best_s : float, shape (G,)
        Where each group of frames, by itself, has its highest peak.
    nearby_s : float, shape (G,)
        Where each group has the peak next to the chosen one.
    error_s : float
        One standard deviation of the chosen peak, by its own phases.
    frames : int
        How many frames took part.
    repeats : tuple of float
        How like the first track is to itself as far away as each peak lies from the chosen one: 1 wholly, a note's at
        its periods.
    """

    kind: str
    best: Peak
    peaks: tuple[Peak, ...]
    height: float
    noise: float
    own_best_s: Floats
    nearby_s: Floats
    error_s: float
    frames: int
    reach_s: float
    centre_s: float
    lobe_s: float
    repeats: tuple[float, ...] = ()


def stroke_evidence(
    near: Track, far: Track, gate: Gate, rest: Gate, *, reach_s: float, centre_s: float
) -> Evidence | None:
    """What a close mic's own strokes say about its distance to another mic."""
    margin = round(reach_s * near.sample_rate)
    spectra = frame_spectra(near, far, gate.starts, gate.window, margin=margin, centre_s=centre_s)
    others = None
    if len(rest):
        others = frame_spectra(near, far, rest.starts, rest.window, margin=margin, centre_s=centre_s)
    share = own_share(spectra, others)
    whites = tuple(whitening(power.mean(axis=0)) * np.sqrt(share) for power in (spectra.first, spectra.second))
    weight = whites[0] * whites[1]
    frames = spectra.cross * votes(spectra, (whites[0], whites[1]))[:, None]
    bleed = None
    if others is not None:
        bleed = (others.cross * votes(others, (whites[0], whites[1]))[:, None]).mean(axis=0)
    return _gather("strokes", spectra, frames, weight, bleed, reach_s)


def stretch_evidence(first: Track, second: Track, gate: Gate, *, reach_s: float, centre_s: float) -> Evidence | None:
    """What long frames over everything say about two tracks."""
    margin = round(reach_s * first.sample_rate)
    spectra = frame_spectra(first, second, gate.starts, gate.window, margin=margin, centre_s=centre_s)
    hz = spectra.frequencies_hz
    heard = (hz > 30.0) & (hz < 16000.0)
    own = heard * whitening(spectra.first.mean(axis=0), lines=True)
    weight = own * whitening(spectra.second.mean(axis=0), lines=True)
    found = _gather("stretches", spectra, spectra.cross, weight, None, reach_s)
    return found and replace(found, repeats=_repeats(found, spectra.first.mean(axis=0) * own**2, spectra))


def front_evidence(first: Track, second: Track, gate: Gate, *, reach_s: float, centre_s: float) -> Evidence | None:
    """What the beginnings of sounds say about two tracks: not the strongest path but the one heard first."""
    spectra = front_spectra(first, second, gate, reach_s=reach_s, centre_s=centre_s)
    levels = np.sqrt(spectra.first.sum(axis=1, dtype=float) * spectra.second.sum(axis=1, dtype=float))
    # By the root of its level: one front that stands out of a noise does not outvote all others.
    frames = spectra.cross * ((levels + levels.max(initial=0.0) * 1e-3 + 1e-30) ** -0.5)[:, None]
    return _gather("fronts", spectra, frames, np.ones(len(spectra.frequencies_hz)), None, reach_s)


def _repeats(found: Evidence, power: Floats, spectra: Spectra) -> tuple[float, ...]:
    """The first track's likeness to itself as far away as each peak lies from the chosen one."""
    omega = 2 * np.pi * spectra.frequencies_hz
    total = max(float(power.sum()), 1e-300)
    return tuple(float((power * np.cos(omega * (peak.lag_s - found.best.lag_s))).sum()) / total for peak in found.peaks)


def _gather(
    kind: str,
    spectra: Spectra,
    frames: npt.NDArray[np.complexfloating[Any, Any]],
    weight: Floats,
    bleed: Complexes | None,
    reach_s: float,
) -> Evidence | None:
    hz, rate = spectra.frequencies_hz, spectra.sample_rate
    cross = frames.mean(axis=0).astype(complex)
    if bleed is not None:
        cross = without_bleed(cross, bleed, weight, hz)
    cross *= weight
    correlation, step_s = correlate_spectrum(cross, spectra.size, finer=_FINER), 1 / (_FINER * rate)
    found = Correlogram.within(correlation, step_s, reach_s)
    around = Correlogram.within(correlation, step_s, max(reach_s, _AROUND_S))
    peaks = strongest_peaks(found)
    if not peaks:
        return None
    centre_s = float(np.median(spectra.centre_s))
    chosen = peaks[0]
    # Where the room speaks as loud as the direct sound, the strongest peak may well be a reflection.
    share = 0.6 if _contrast(around, chosen) < _ROOM_CONTRAST else 0.85
    heard_first = kind == "strokes" and chosen.lag_s + centre_s > 0
    if kind == "stretches":
        chosen = _nearest_clear(found, chosen, centre_s, min(share, _DIRECT_SHARE))
    elif kind == "strokes":
        chosen = _own_direct(found, chosen, share, -centre_s if heard_first else -np.inf)
    best = refine(cross, hz, chosen.lag_s, within_s=0.0003)
    groups = [frames[part].mean(axis=0) * weight for part in _sounding_groups(spectra)]
    return Evidence(
        kind,
        Peak(best.lag_s + centre_s, best.height),
        tuple(Peak(peak.lag_s + centre_s, peak.height) for peak in peaks),
        abs(chosen.height),
        abs(chosen.height) / _contrast(around, chosen),
        np.array([_own_best(group, spectra.size, rate, reach_s) for group in groups]) + centre_s,
        np.array([refine(group, hz, best.lag_s, within_s=0.0003).lag_s for group in groups]) + centre_s,
        phase_error_s(cross, hz, best.lag_s),
        len(frames),
        reach_s,
        centre_s,
        _lobe_s(cross, hz, best),
    )


def _own_direct(found: Correlogram, strongest: Peak, share: float, not_before_s: float) -> Peak:
    """The direct sound of a close mic's strokes, where a reflection is the strongest.

    A lower peak is believed where it comes so much earlier that it is no lobe of the strongest.
    """
    chosen = first_arrival(found, strongest, share=share, not_before_s=not_before_s)
    earlier = first_arrival(found, chosen, share=min(share, _AHEAD_SHARE), not_before_s=not_before_s)
    return earlier if chosen.lag_s - earlier.lag_s > _AHEAD_S else chosen


def _nearest_clear(found: Correlogram, strongest: Peak, centre_s: float, share: float) -> Peak:
    """The direct sound's peak, where a reflection is the strongest: a detour only adds to the delay of either sign.

    Lobes beside the strongest peak are no detours.
    """
    side = 1 if strongest.lag_s + centre_s >= 0 else -1
    turned = found if side > 0 else Correlogram(-found.lags_s[::-1], found.values[::-1])
    peak = Peak(side * strongest.lag_s, strongest.height)
    direct = first_arrival(turned, peak, share=share, not_before_s=-side * centre_s)
    if peak.lag_s - direct.lag_s < _DETOUR_S:
        return strongest
    return Peak(side * direct.lag_s, direct.height)


def _contrast(found: Correlogram, peak: Peak) -> float:
    """The height of a peak against the root mean square of everything a millisecond and more away."""
    away = np.abs(found.lags_s - peak.lag_s) > 0.001
    noise = float(np.sqrt(np.mean(found.values[away] ** 2))) if away.any() else abs(peak.height)
    return abs(peak.height) / max(noise, 1e-300)


def _sounding_groups(spectra: Spectra) -> list[Ints]:
    """The frames in a few groups by time, without those groups in which one of the tracks is silent."""
    parts = np.array_split(np.arange(len(spectra.times_s)), min(MOST_GROUPS, len(spectra.times_s)))
    powers = spectra.first.sum(axis=1, dtype=float) * spectra.second.sum(axis=1, dtype=float)
    levels = np.array([np.sqrt(powers[part]).sum() for part in parts])
    return [part for part, level in zip(parts, levels, strict=True) if level >= 0.01 * levels.max()]


def _own_best(group: Complexes, size: int, rate: float, reach_s: float) -> float:
    found = Correlogram.within(correlate_spectrum(group, size, finer=1), 1 / rate, reach_s)
    return float(found.lags_s[np.argmax(np.abs(found.values))])


def _lobe_s(cross: Complexes, hz: Floats, best: Peak) -> float:
    """One over 2 pi times the effective bandwidth of the chosen peak: how wide its top is, in seconds."""
    omega = 2 * np.pi * hz
    turned = (cross * np.exp(1j * omega * best.lag_s)).real * best.polarity
    bend, height = float((omega**2 * turned).sum()), float(turned.sum())
    return float(np.sqrt(height / bend)) if bend > 0 < height else 1e-3
