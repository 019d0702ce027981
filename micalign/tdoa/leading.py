"""When does one source lead the take, so that what is measured there is measured on it alone?

A source leads where its own close track is loud for itself while the close tracks of the other sources are not. Every
track's short-time energy is held against its own loud strokes, so gains do not matter; bleed stays well below a track's
own strokes, a drum struck at the same instant does not. Struck sounds give strokes; sustained ones (a bass, a voice)
give half-seconds. Times in seconds on the take's clock.

Where no mic is a source's own, a stroke is of the source from whose place the tracks add up best. Every pair of
tracks is correlated on the stroke with its spectrum flattened; a source is credited with the correlation near the
delay that the scene expects of it, summed over the pairs (steered response power: J. H. DiBiase, *A High-Accuracy,
Low-Latency Technique for Talker Localization in Reverberant Environments*, Brown University 2000). Polarity does not
matter. The scene only tells sources apart here; delays are measured afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa import tuned
from micalign.tdoa.spectra import flat_spectra, greatest_before, irfft
from micalign.tdoa.strokes import FEWEST, Listened
from micalign.tdoa.wavefronts import cut

__all__ = [
    "SEGMENT_S",
    "amplitudes_at",
    "half_seconds",
    "is_struck",
    "leading_strokes",
    "strokes_by_place",
    "strokes_of_no_mic",
]

SEGMENT_S: Final = 0.5  # seconds: a held sound is measured in half-seconds
_MOST: Final = 64  # strokes, or half-seconds, of one source that are used
_AFTER_S: Final = (0.015, 0.005)  # a stroke's peak comes within the first after it begins; a rival may be earlier
_SMOOTH_S: Final = 0.05  # seconds over which a held sound's level is smooth


def leading_strokes(heard: Mapping[str, Listened], close: Mapping[str, str]) -> dict[str, Floats]:
    """For each source the strokes of its close track at which no other source is loud, the clearest first, seconds.

    Parameters
    ----------
    heard : mapping of str to Listened
        By track; every close track must be there.
    close : mapping of str to str
        The close track of each source.

    Returns
    -------
    dict
        Sources that never lead are left out.
    """
    loud_db = {name: _loud_db(heard[name]) for name in set(close.values()) if not heard[name].envelope.silent}
    found = {}
    for source, track in close.items():
        rivals = [(heard[name], level_db) for name, level_db in loud_db.items() if name != track]
        if track in loud_db and len(times_s := _leading(heard[track], loud_db[track], rivals)):
            found[source] = times_s
    return found


def _loud_db(one: Listened) -> Floats:
    """The greatest level from each step on, 15 ms far, against the track's own loud strokes.

    Its second loudest sets it, so that one pop does not.
    """
    peaks = greatest_before(one.envelope.power[::-1].astype(np.float64), round(_AFTER_S[0] / _step_s(one)))[::-1]
    steps = one.strokes.samples // one.envelope.step
    return _level_db(peaks, float(np.sort(peaks[steps])[-2:][0] if len(steps) else peaks.max()))


def _step_s(one: Listened) -> float:
    return one.envelope.step / one.sample_rate


def _leading(own: Listened, own_db: Floats, rivals: Sequence[tuple[Listened, Floats]]) -> Floats:
    at, times_s = own.strokes.samples // own.envelope.step, own.strokes_s
    others_db = np.full(len(at), -60.0)
    for rival, level_db in rivals:
        there = rival.steps_at(times_s - _AFTER_S[1])
        near_db = level_db[np.clip([there, there + 5], 0, len(level_db) - 1)]
        others_db = np.maximum(others_db, near_db.max(axis=0))
    lead_db = own_db[at] - others_db
    for least in tuned.LEAD_DB:
        good = lead_db >= least
        if good.sum() >= FEWEST:
            break
    order = np.argsort(-(lead_db + own_db[at])[good], kind="stable")[:_MOST]
    clearest: Floats = times_s[good][order]
    return clearest


def _level_db(energy: Floats, loud: float) -> Floats:
    return 10.0 * np.log10(np.maximum(energy, 1e-20) / max(loud, 1e-20))


def is_struck(one: Listened) -> bool:
    """Whether a track is mostly quiet and sometimes loud, as a drum's own mic is, or rings on brightly from strokes."""
    if _rings_brightly(one):
        return True
    hops = max(round(0.01 / _step_s(one)), 1)
    power = one.envelope.power
    rows = power[: len(power) // hops * hops].reshape(-1, hops).mean(axis=1, dtype=float)
    if not len(rows) or rows.max() <= 0:
        return False
    loud, ordinary = np.quantile(rows, 0.99), np.quantile(rows, 0.5)
    return bool(10.0 * np.log10(max(loud, 1e-30) / max(ordinary, loud * 1e-9, 1e-30)) > tuned.STRUCK_DB)


def _rings_brightly(one: Listened) -> bool:
    own = one.strokes.novelty[one.strokes.weight > 0]
    return bool(len(own) >= FEWEST and np.median(own) > tuned.CLEARLY_RISEN and one.strokes.brightness > tuned.CYMBALS)


def half_seconds(heard: Mapping[str, Listened], close: Mapping[str, str], source: str) -> Floats:
    """Beginnings of half-seconds in which a sustained source leads most of the time, the loudest first.

    It leads where it is loud for itself, and louder so than every other source.
    """
    one = heard[close[source]]
    if one.envelope.silent:
        return np.zeros(0)
    own_db = _smooth_level_db(one)
    leads = own_db > tuned.HELD_DB[0]
    for track in set(close.values()) - {one.name}:
        theirs_db = _smooth_level_db(heard[track])[: len(leads)]
        leads[: len(theirs_db)] &= own_db[: len(theirs_db)] - theirs_db >= tuned.HELD_DB[1]
    steps = round(SEGMENT_S / _step_s(one))
    count = len(leads) // steps
    good = np.flatnonzero(leads[: count * steps].reshape(count, steps).mean(axis=1) >= tuned.MOSTLY) * steps
    best = good[np.argsort(-one.envelope.mean(good, good + steps), kind="stable")][:_MOST]
    return np.asarray(best * _step_s(one) + one.start_s, dtype=np.float64)


def _smooth_level_db(one: Listened) -> Floats:
    """Level over 50 ms against the track's loud passages."""
    at, width = np.arange(len(one.envelope.power)), max(round(_SMOOTH_S / _step_s(one)), 1)
    smooth = one.envelope.mean(at - width // 2, at + (width + 1) // 2)
    return _level_db(smooth, float(np.percentile(smooth, 98.0))) if len(at) else smooth


def amplitudes_at(
    heard: Mapping[str, Listened], names: Sequence[str], times_s: Floats, length_s: float
) -> dict[str, float]:
    """Root mean square of each track in the ``length_s`` after some times, the middle one of all."""
    found = {}
    for name in names:
        one, first = heard[name], heard[name].steps_at(times_s)
        energy = one.envelope.mean(first, first + max(round(length_s / _step_s(one)), 1))
        found[name] = float(np.sqrt(np.median(energy)))
    return found


_BAND_HZ: Final = (300.0, 12000.0)  # hertz: in which a place is heard: below, waves are longer than a kit
_GATE_S: Final = 0.025  # seconds of a stroke after its beginning
_LEAD_S: Final = 0.004  # seconds before it
_TOLERANCE_S: Final = 0.2e-3  # seconds of what a scene expects: 7 cm of way
_MOST_STROKES: Final = 160  # that are asked for their place
_APART_S: Final = 0.04  # seconds between strokes: nearer ones are one event


def strokes_of_no_mic(listening: Sequence[Listened], taken_s: Floats) -> Floats:
    """Times of the strongest strokes in the listening tracks that lie apart from those already given to a source."""
    found: list[tuple[float, float]] = []
    for one in listening:
        kept = one.strokes.level_db > tuned.OWN_RANGE_DB
        found += zip(one.strokes.level_db[kept].tolist(), one.strokes_s[kept].tolist(), strict=True)
    times: list[float] = []
    for _, time in sorted(found, reverse=True):
        if all(abs(time - other) > _APART_S for other in (*times, *taken_s)):
            times.append(time)
    return np.array(sorted(times[:_MOST_STROKES]))


def strokes_by_place(
    tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]
) -> dict[str, Floats]:
    """The strokes of each source, the clearest first.

    Parameters
    ----------
    tracks : sequence of Track
        All that may hear the strokes.
    times_s : shape (H,)
        The strokes.
    arrivals_s : mapping of source to mapping of track to seconds
        When each source should arrive in each track after it sounds.

    Returns
    -------
    dict
        Only sources that some stroke is clearly of.
    """
    if not len(times_s):
        return {}
    credit = _credits(tracks, times_s, arrivals_s)
    second, first = np.sort(np.pad(credit, ((0, 0), (1, 0))), axis=1)[:, -2:].T
    clear = first / np.maximum(second, 1e-12)
    found = {}
    for column, source in zip(credit.T, arrivals_s, strict=True):
        own: Ints = np.flatnonzero((column == first) & (clear >= tuned.CLEARLY))
        if len(own):
            found[source] = times_s[own[np.argsort(-clear[own], kind="stable")][:_MOST]]
    return found


def _credits(tracks: Sequence[Track], times_s: Floats, arrivals_s: Mapping[str, Mapping[str, float]]) -> Floats:
    """Credit of every source for every stroke, shape (H, S)."""
    farthest = max(max(one.values()) for one in arrivals_s.values())
    rate = tracks[0].sample_rate
    before, after = round((_LEAD_S + farthest) * rate), round((_GATE_S + farthest) * rate)
    window = np.hanning(before + after)
    size = fast_length(2 * (before + after))
    flat = {}
    for track in tracks:
        starts = np.rint((times_s - track.start_s) * rate).astype(np.intp) - before
        flat[track.name] = flat_spectra(cut(track, starts, before + after) * window, size, rate, _BAND_HZ)
    credit = np.zeros((len(times_s), len(arrivals_s)))
    for a, b in combinations(flat, 2):
        correlation = np.abs(irfft(cross_spectrum(flat[a], flat[b]), size))
        for column, arrivals in enumerate(arrivals_s.values()):
            if a in arrivals and b in arrivals:
                low, high = (arrivals[b] - arrivals[a] + off_s for off_s in (-_TOLERANCE_S, _TOLERANCE_S))
                near = np.arange(round(low * rate), round(high * rate) + 1) % size
                credit[:, column] += correlation[:, near].max(axis=1)
    return credit
