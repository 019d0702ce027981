"""Where does a close mic add up best on its own strokes, and would moving it do harm there?

A drum's first wavefront tells where its mic stands, but a drum radiates differently into the near and the far field:
laid by the arrival, the lows of a snare may cancel. So every shift near the arrival (within 10 ms of where it was
recorded, where the arrival is not known) and both polarities are tried on the strokes that are the close mic's own, in
60 to 250 and 250 to 2000 Hz, the mic brought to the others' level in each band, where a sum gains and loses most.

Taken is the best sum of those that lose level in no band, and surely so however the strokes differ; the arrival stays
where that is hardly better. Where no sum without harm is worth a move, the mic is left as recorded. (Judged on strokes
that did not choose it, a best sum of the real kit says 0.01 dB less.)
Shifts are seconds, positive later; decibels are against as recorded.

Which strokes are its own and what it is added to a scene says (`micalign.alignment.close_mics`), or without one the
sound of the tracks (`micalign.alignment.laid_kit`).

Source: the sum of two signals, J. Eargle, "The Microphone Book", 2nd ed., Focal Press 2004 (comb filtering of two
mics); the scatter of a choice, B. Efron and C. Stein, "The jackknife estimate of variance", Annals of Statistics 9(3),
586-596, 1981.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np

from micalign.alignment.tuned import (
    AROUND_S,
    BEYOND_S,
    CHOSEN_HARM_DB,
    FEWEST_STROKES,
    FOLDS,
    HARM_DB,
    MOST_STROKES,
    REACH_S,
    SCATTER_S,
    STROKE_BANDS_HZ,
    SURELY,
    TURN_DB,
    WORTH_DB,
)
from micalign.arrays import Complexes, Floats, Ints, cross_spectrum, fast_length
from micalign.take.tracks import Track
from micalign.tdoa.spectra import rfft
from micalign.tdoa.strokes import Listened
from micalign.units import show_db, show_ms

__all__ = [
    "SILENT",
    "Basis",
    "CloseMic",
    "Place",
    "PlacedTrack",
    "evenly",
    "gains_words",
    "laid_by_strokes",
    "lows_meet",
    "stroke_spectra",
]


_STEP_S: Final = 2e-5
"""Seconds from one shift that is tried to the next: a hundredth of a period at 500 Hz."""


_LAG_STEP_S: Final = 1e-4
"""Seconds between lags at which lows are compared: a fortieth of a period at 250 Hz."""

SILENT: Final = 1e-30
"""A power that no sound has."""


Basis = Literal["reference", "arrival", "sum", "recorded"]
"""What a shift follows from: that all is laid onto the track, when the sound arrives, where it adds up best, or
nothing: it was left as recorded."""


@dataclass(frozen=True, slots=True)
class Place:
    """How late a track is laid, and whether turned over: +1 or -1."""

    shift_s: float = 0.0
    polarity: int = 1


@dataclass(frozen=True, slots=True)
class PlacedTrack:
    """A track that a close mic is added to, and where it is laid itself."""

    track: Track
    place: Place = Place()


@dataclass(frozen=True, slots=True)
class CloseMic:
    """Where a close mic belongs by its own strokes, and why there.

    ``by``: its arrival, its best sum, or neither ("recorded"). ``gains_db``: what that gains in each of
    `STROKE_BANDS_HZ`; where neither is taken, what was refused
    would gain. ``least_db``: what that is at the least, by how the strokes scatter. ``instead``: its arrival, where the
    best sum was taken though that would have done. ``is_likely``: no best sum, but as good as that where it likely
    arrives. ``is_bright``: its strokes hold most of their power above those bands, as a cymbal's do.
    """

    place: Place
    by: Basis
    gains_db: tuple[float, ...]
    strokes: int
    uncertainty_s: float
    least_db: tuple[float, ...]
    instead: CloseMic | None = None
    is_likely: bool = False
    is_bright: bool = False

    @property
    def _instead_words(self) -> str:
        """What its arrival would have done, where that is of the other polarity: somebody may like it better."""
        one = self.instead
        if one is None or one.place.polarity == self.place.polarity:
            return ""
        earlier_s = self.place.shift_s - one.place.shift_s
        apart = f"{show_ms(abs(earlier_s))} {'earlier' if earlier_s > 0 else 'later'}"
        turned = "not flipped" if one.place.polarity > 0 else "flipped"
        return f"; at its arrival, {apart} and {turned}, it would be {gains_words(one.gains_db)}"

    @property
    def _gain_words(self) -> str:
        return f"{self.strokes} strokes, at one level with the mics over it: {gains_words(self.gains_db)}"

    @property
    def words(self) -> str:
        """Why it is laid there."""
        if self.by == "sum":
            way = "where it likely arrives, as good as its best sum," if self.is_likely else "best sum"
            return f"{way} on {self._gain_words}{self._instead_words}"
        if self.by == "arrival":
            return f"by its arrival; on {self._gain_words}"
        if min(self.gains_db) < HARM_DB:
            return f"left as recorded: moved, its own strokes would change by {gains_words(self.gains_db)}"
        if min(self.least_db) < HARM_DB:
            return f"left as recorded: its {self.strokes} strokes differ too much to tell that moving it does no harm"
        if self.is_bright:
            return "left as recorded: where a cymbal arrives is not known, and of its best sum most is bleed"
        return "no move adds its strokes up clearly better: left as recorded"


def gains_words(gains_db: Sequence[float]) -> str:
    """What is gained in each of `STROKE_BANDS_HZ`, in words.

    >>> gains_words([0.72, -0.04])
    '+0.7 dB at 60-250 Hz, +0.0 dB at 250-2000 Hz'
    """
    bands = zip(gains_db, STROKE_BANDS_HZ, strict=True)
    return ", ".join(f"{show_db(gain_db, sign=True)} at {low:g}-{high:g} Hz" for gain_db, (low, high) in bands)


def laid_by_strokes(
    close: Track,
    times_s: Floats,
    rest: Sequence[PlacedTrack],
    *,
    arrival: Place | None = None,
    near: Place | None = None,
    within_s: tuple[float, float] | None = None,
    recorded: Place | None = None,
    instead: Sequence[Sequence[PlacedTrack]] = (),
) -> CloseMic | None:
    """Where a close mic belongs by its own strokes, None where it has fewer than four or nothing to be added to.

    What is silent at all of them, such as a muted overhead, is nothing.

    Parameters
    ----------
    close : Track
    times_s : shape (N,)
        When its own source is struck, on the take's clock.
    rest : sequence of PlacedTrack
        What it is added to.
    arrival : Place, optional
        Where its arrival lays it, if that is known.
    near : Place, optional
        A likely arrival about which the best sum is looked for, and that is taken where it is about as good.
    within_s : (float, float), optional
        The least and the largest shift that are looked at; else `BEYOND_S` about a likely arrival, and without one
        `REACH_S` about where it lies.
    recorded : Place, optional
        Where it lies against the rest as recorded; unmoved if not given.
    instead : sequence of sequences of PlacedTrack
        What else it may be that it is added to: what is gained is the least of all these sums.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> near = np.zeros(96000)
    >>> for at in range(9000, 96000, 15000):
    ...     near[at : at + 2000] += rng.normal(size=2000).cumsum() * np.exp(-np.arange(2000) / 300)
    >>> far = Track.from_array("overhead", -0.1 * np.roll(near, 96), 48000)
    >>> times_s, snare = np.arange(9000, 96000, 15000) / 48000, Track.from_array("snare", near, 48000)
    >>> laid = laid_by_strokes(snare, times_s, [PlacedTrack(far)])
    >>> laid.by, round(laid.place.shift_s * 1e3, 2), laid.place.polarity
    ('sum', 2.0, -1)
    """
    if len(times_s) < FEWEST_STROKES or not rest:
        return None
    if within_s is None:
        middle_s, reach_s = ((recorded or Place()).shift_s, REACH_S) if near is None else (near.shift_s, BEYOND_S)
        within_s = (middle_s - reach_s, middle_s + reach_s)
    place, is_bright = arrival or near, _is_bright(close, times_s)
    if is_bright and place is not None:
        beside_s = (place.shift_s - BEYOND_S / 2, place.shift_s + BEYOND_S / 2)
        within_s = (max(within_s[0], beside_s[0]), min(within_s[1], beside_s[1]))
    shifts: Floats = np.arange(within_s[0], within_s[1] + _STEP_S / 2, _STEP_S)
    bands = _bands(close, times_s, rest)
    if not all(band.close.any() and band.laid.any() for band in bands):
        return None
    others = (_bands(close, times_s, one) for one in instead)
    every = [*bands, *(band for one in others if all(band.laid.any() for band in one) for band in one)]
    costs_db = (0.0, 0.0 if arrival else WORTH_DB)
    if is_bright and place is not None:
        costs_db = (0.0, np.inf) if place.polarity > 0 else (np.inf, 0.0)
    best = replace(_best_sum([band.sums(shifts) for band in every], shifts, costs_db), is_bright=is_bright)
    there = None
    if place is not None:
        gains_db, least_db = (
            tuple(one[:, int(place.polarity < 0), 0].tolist())
            for one in _told([band.sums(np.array([place.shift_s])) for band in every])
        )
        by: Basis = "arrival" if arrival else "sum"
        there = replace(best, place=place, by=by, gains_db=gains_db, least_db=least_db, is_likely=arrival is None)
    return _decided(best, there, recorded or Place())


def _is_bright(close: Track, times_s: Floats) -> bool:
    """Whether most of the power of a mic's own strokes lies above `STROKE_BANDS_HZ`, as a cymbal's does."""
    hz, spectra = stroke_spectra(close, times_s)
    power, top_hz = (np.abs(spectra) ** 2).sum(axis=0), STROKE_BANDS_HZ[-1][1]
    return bool(power[hz >= top_hz].sum() > power[(hz >= STROKE_BANDS_HZ[0][0]) & (hz < top_hz)].sum())


def _decided(best: CloseMic, there: CloseMic | None, recorded: Place) -> CloseMic:
    """The best sum, the arrival, sure or likely, where that is hardly better, or as recorded.

    A sure arrival needs to gain nothing, where nothing is surely lost there, and its polarity is not given up for
    little. Without any arrival a cymbal's mic stays.
    """
    is_harmless = there is not None and min(there.least_db) >= HARM_DB and sum(there.gains_db) >= 0.0
    harmless = there if is_harmless else None
    is_told = min(best.least_db) >= HARM_DB and sum(best.gains_db) >= WORTH_DB
    is_told = is_told and not (best.is_bright and there is None)
    if is_told and (harmless is None or sum(best.gains_db) - sum(harmless.gains_db) >= _worth_db(best, harmless)):
        return replace(best, instead=None if harmless is None or harmless.is_likely else harmless)
    if harmless is not None and (is_told or not harmless.is_likely or best.is_bright):
        return harmless
    return replace(best if there is None or there.is_likely else there, place=recorded, by="recorded")


def _worth_db(best: CloseMic, there: CloseMic) -> float:
    """By how much a best sum must be better than an arrival: by more where it turns over what is sure not to be."""
    return WORTH_DB if there.is_likely or best.place.polarity == there.place.polarity else TURN_DB


def _best_sum(sums: Sequence[_Sums], shifts: Floats, costs_db: tuple[float, float]) -> CloseMic:
    """The best of all shifts and both polarities, what it gains, and its scatter.

    ``costs_db``: by how much it must be better to be taken as it is, and turned over.
    """
    gains_db, least_db = _told(sums)
    total = _harmless(gains_db.sum(axis=0) - np.array(costs_db)[:, None], least_db)
    sign, index = np.unravel_index(int(np.argmax(total)), total.shape)
    place = Place(float(shifts[index]), 1 if sign == 0 else -1)
    strokes = len(sums[0].recorded)
    sigma_s = _scatter_s(sums, shifts, place, np.arange(strokes) % FOLDS)
    gains, least = (tuple(one[:, sign, index].tolist()) for one in (gains_db, least_db))
    return CloseMic(place, "sum", gains, strokes, float(np.hypot(sigma_s, _STEP_S)), least)


def _harmless(total_db: Floats, least_db: Floats) -> Floats:
    """What is gained where no band surely loses, and nowhere else; all as it is where none of that is worth moving.

    A best of all that may lose up to `HARM_DB` is then still taken: it was not chosen for being harmless.
    On 170 mics of the real kit's development half (seeds 44 to 46, 49 and 50) 98 and 90 % of what is possible is gained
    so, and 98 and 88 % where the best of all is taken or none. None is harmed by either.
    """
    harmless = least_db.min(axis=0) >= CHOSEN_HARM_DB
    if total_db[harmless].max(initial=0.0) < WORTH_DB:
        return total_db
    return np.where(harmless, total_db, -np.inf)


def _scatter_s(sums: Sequence[_Sums], shifts: Floats, place: Place, fold_of: Ints) -> float:
    """One standard deviation of the best shift, by what is chosen near it without each part of the strokes in turn."""
    sign, near = int(place.polarity < 0), np.flatnonzero(np.abs(shifts - place.shift_s) <= SCATTER_S)
    folds, chosen_s = np.unique(fold_of), []
    for fold in folds:
        total = np.sum([_decibel(*one.of(fold_of != fold)) for one in sums], axis=0)
        chosen_s.append(shifts[near[np.argmax(total[sign, near])]])
    # The jackknife's: parts that share all but one fold scatter too little by this root.
    return float(np.std(chosen_s)) * float(np.sqrt(len(folds) - 1))


def _told(sums: Sequence[_Sums]) -> tuple[Floats, Floats]:
    """The gain of each band at each polarity and shift, and what it likely is at the least, (bands, 2, shifts).

    Of several sums, whose bands follow each other, the least that is gained in any.
    Strokes scatter: `SURELY` standard deviations less, by the ratio of two sums over strokes, and more where there are
    few of them, as the standard deviation of Student's t.
    """
    gains_db, sigmas_db = [], []
    for one in sums:
        aligned, recorded = one.of(slice(None))
        parts = one.aligned / np.maximum(aligned, SILENT) - (one.recorded / max(recorded, SILENT))[:, None, None]
        count = len(one.recorded)
        gains_db.append(_decibel(aligned, recorded))
        sigmas_db.append(10.0 / np.log(10.0) * np.sqrt((parts**2).sum(axis=0) * count / (count - 3)))
    gains = np.array(gains_db)
    every = np.array([gains, gains - SURELY * np.array(sigmas_db)])
    told, least = every.reshape(2, -1, len(STROKE_BANDS_HZ), *gains.shape[1:]).min(axis=1)
    return told, least


def _decibel(aligned: Any, recorded: float) -> Floats:
    return np.asarray(10.0 * np.log10(np.maximum(aligned, 1e-9 * recorded) / recorded), dtype=np.float64)


@dataclass(frozen=True)
class _Sums:
    """Powers of the sums of one band: ``aligned`` (strokes, 2 polarities, shifts), ``recorded`` (strokes,)."""

    aligned: Floats
    recorded: Floats

    def of(self, strokes: Any) -> tuple[Floats, float]:
        """Both of some strokes together: (2, shifts), and one number."""
        return self.aligned[strokes].sum(axis=0), float(self.recorded[strokes].sum())


@dataclass(frozen=True)
class _Band:
    """Spectra of each stroke in one band, (strokes, bins): the close mic, and the rest as recorded and as laid.

    As recorded it is of one polarity in itself: what is gained by turning a mic of the rest is none of the close mic's.
    """

    hz: Floats
    close: Complexes
    recorded: Complexes
    laid: Complexes

    def sums(self, shifts: Floats) -> _Sums:
        """The powers of the sums for each shift of the close mic, brought to the level of the rest."""
        close, old, new = ((np.abs(one) ** 2).sum(axis=1) for one in (self.close, self.recorded, self.laid))
        level = np.sqrt(old.sum() / max(close.sum(), SILENT))
        parts = level**2 * close
        turned = np.exp(-2j * np.pi * self.hz[:, None] * shifts)
        swing = 2 * level * np.real(cross_spectrum(self.laid, self.close) @ turned)
        still = 2 * level * np.real(cross_spectrum(self.recorded, self.close)).sum(axis=1)
        apart = (parts + new)[:, None]
        aligned = np.stack([apart + swing, apart - swing], axis=1)
        return _Sums(aligned, np.maximum(parts + old + still, 1e-9 * (parts + old) + SILENT))


def _bands(close: Track, times_s: Floats, rest: Sequence[PlacedTrack]) -> list[_Band]:
    hz, mic = stroke_spectra(close, times_s)
    recorded, laid = np.zeros_like(mic), np.zeros_like(mic)
    for one in rest:
        found = stroke_spectra(one.track, times_s)[1]
        # Of a pair that is wired apart nothing may be left in the lows: as recorded, but turned towards each other.
        recorded += one.place.polarity * rest[0].place.polarity * found
        laid += one.place.polarity * found * np.exp(-2j * np.pi * hz * one.place.shift_s)
    inside = [(hz >= low) & (hz < high) for low, high in STROKE_BANDS_HZ]
    return [_Band(hz[band], mic[:, band], recorded[:, band], laid[:, band]) for band in inside]


def stroke_spectra(track: Track, times_s: Floats) -> tuple[Floats, Complexes]:
    """Frequencies, and the spectrum of each stroke: (strokes, bins)."""
    rate = track.sample_rate
    before, after = (round(seconds * rate) for seconds in AROUND_S)
    size = fast_length(before + after + 4 * round(REACH_S * rate))
    starts = np.rint((np.asarray(times_s) - track.start_s) * rate).astype(np.intp) - before
    spectra: Complexes = rfft(track.frames_at(starts, before + after), size)
    return np.arange(spectra.shape[1]) * rate / size, spectra


def lows_meet(first: Track, second: Track, times_s: Floats, *, within_s: float = 0.0) -> float:
    """How the lows of two tracks meet at strokes, from -1, inverted, to 1, alike: their coherence.

    As recorded, or 0 where they meet better at a lag of more than ``within_s``, up to half of `REACH_S`: then one of
    them is nearer to what is struck.
    """
    (hz, one), (_, two) = (_lows(track, times_s) for track in (first, second))
    powers = float((np.abs(one) ** 2).sum() * (np.abs(two) ** 2).sum())
    steps = round(REACH_S / 2 / _LAG_STEP_S) if within_s else 0
    lags_s = np.arange(-steps, steps + 1) * _LAG_STEP_S
    cross = cross_spectrum(one, two).sum(axis=0)
    meets = np.real(np.exp(2j * np.pi * lags_s[:, None] * hz) @ cross) / max(float(np.sqrt(powers)), SILENT)
    best = int(np.argmax(np.abs(meets)))
    return float(meets[best]) if abs(lags_s[best]) <= within_s else 0.0


def _lows(track: Track, times_s: Floats) -> tuple[Floats, Complexes]:
    """Frequencies and spectra of the strokes in the lows, made once of what is compared with many others."""

    def made() -> tuple[Floats, Complexes]:
        hz, spectra = stroke_spectra(track, times_s)
        inside = (hz >= STROKE_BANDS_HZ[0][0]) & (hz < STROKE_BANDS_HZ[0][1])
        return hz[inside], spectra[:, inside]

    return track.kept(("lows", times_s.tobytes()), made) if isinstance(track, Listened) else made()


def evenly(times_s: Floats) -> Floats:
    """At most `MOST_STROKES` of all, evenly."""
    count = min(len(times_s), MOST_STROKES)
    return np.asarray(times_s[np.linspace(0, len(times_s) - 1, count).astype(np.intp)], dtype=np.float64)
