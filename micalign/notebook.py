"""What does a notebook call? A scene checked; tracks measured and aligned in memory: arrays in, arrays out.

Tracks are float arrays of shape (frames,), full scale +-1, by name, with one ``sample_rate`` in hertz; or tracks that
were opened from files. A delay is positive when the event comes LATER in the track than in the reference, a shift is
positive when it moves the track later. Nothing unreliable is applied.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from micalign.acoustics.prediction import Prediction, predict
from micalign.acoustics.survey import surveyed
from micalign.alignment.network import Constraints
from micalign.alignment.offsets import MovedTrack, Offsets, Remain
from micalign.alignment.pairings import Measured, measured
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.alignment.shift import BLOCK_FRAMES, Span, common_span
from micalign.alignment.solo import alone_in
from micalign.arrays import Bools, Floats
from micalign.errors import TakeError
from micalign.findings.finding import Finding
from micalign.findings.rules import findings, is_wrong
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import SourceDelays
from micalign.units import Listing, Shown, show_ms, show_plus_minus, show_polarity

__all__ = ["Alignment", "Checked", "Measurement", "Tracks", "align", "check", "measure"]

Tracks: TypeAlias = Take | Mapping[str, Track | npt.ArrayLike] | Sequence[Track]


@dataclass(frozen=True, eq=False, repr=False)
class Checked(Shown):
    """A scene held to every rule.

    Attributes
    ----------
    prediction : Prediction
    findings : tuple of Finding
        What there is to say of it, the gravest first: rule, severity, names, message, advice.

    Examples
    --------
    >>> from micalign import Mic, Source
    >>> found = check(Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("m", (2.0, 1.5, 0.9), on=("oud",)),)))
    >>> found.passes, found.findings
    (True, ())
    """

    prediction: Prediction
    findings: tuple[Finding, ...]

    @property
    def passes(self) -> bool:
        """Whether there is nothing to mend; notes are only worth knowing."""
        return not is_wrong(self.findings)

    def _listing(self) -> Listing:
        wrong = sum(one.severity != "note" for one in self.findings)
        title = f"{wrong} to mend, {len(self.findings) - wrong} to know"
        rows = ((one.severity, one.message) for one in self.findings)
        return Listing(title, ("severity", "finding"), rows, len(self.findings), words=2)


@dataclass(frozen=True, eq=False, repr=False)
class Measurement(Shown):
    """Delays of tracks against a reference.

    Attributes
    ----------
    reference : str
    sample_rate : int
        Hertz.
    tracks : tuple of str
        All but the reference, in the order they were given; the arrays below have shape (N,) and that order.
    delay_s, uncertainty_s : array
        Seconds; positive when the event comes later in the track; one standard deviation.
    polarity : array of int
        +1 as the reference, -1 inverted.
    polarity_clear : array of bool
        Whether the other polarity fits clearly worse: flip nothing on less.
    confidence : array
        0 to 1.
    reliable : array of bool
        Whether to act on it.
    reasons : tuple of (str or None)
        Why not, or what else is worth knowing.
    sources : tuple of SourceDelays or None
        With a scene: each source on its own.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(scale=0.1, size=48000)
    >>> found = measure({"near": noise[100:40100], "far": noise[52:40052]}, sample_rate=48000)
    >>> found.tracks, found.reliable
    (('far',), array([ True]))
    """

    reference: str
    sample_rate: int
    tracks: tuple[str, ...]
    delay_s: Floats
    uncertainty_s: Floats
    polarity: npt.NDArray[np.int_]
    polarity_clear: Bools
    confidence: Floats
    reliable: Bools
    reasons: tuple[str | None, ...]
    sources: tuple[SourceDelays, ...] | None = None

    def _listing(self) -> Listing:
        return Listing(
            f"Against {self.reference}",
            ("track", "delay", "+-", "polarity", "reliable"),
            zip(
                self.tracks,
                (show_ms(delay, sign=True) for delay in self.delay_s.tolist()),
                map(show_plus_minus, self.uncertainty_s.tolist()),
                (
                    show_polarity(sign, clear=clear)
                    for sign, clear in zip(self.polarity.tolist(), self.polarity_clear.tolist(), strict=True)
                ),
                (
                    ("yes" if clear else "yes, polarity open") if one else "NO"
                    for one, clear in zip(self.reliable.tolist(), self.polarity_clear.tolist(), strict=True)
                ),
                strict=True,
            ),
            len(self.tracks),
        )


@dataclass(frozen=True, eq=False, repr=False)
class Alignment(Shown):
    """Tracks laid onto a reference.

    Attributes
    ----------
    reference : str
    sample_rate : int
        Hertz.
    tracks : tuple of str
        In the order they were given, the reference among them; the arrays below have shape (N,) and that order.
    shift_s : array
        Seconds each track was moved; positive is later.
    polarity : array of int
        -1 where it was flipped.
    applied : array of bool
        False where it was left alone; ``reasons`` say why.
    samples : array, shape (N, frames)
        The aligned tracks, float64. Sample ``pad_samples`` is the reference's first.
    pad_samples : int
        Samples put in front of all tracks, so that nothing is cut off; 0 unless that was asked for.
    remains : tuple of Remain
        With a scene: how far each source is from meeting itself.
    measurement : Measurement
        What it follows from.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(scale=0.1, size=48000)
    >>> done = align({"near": noise[100:40100], "far": noise[52:40052]}, sample_rate=48000)
    >>> done.samples.shape, (done.shift_s * 48000).round(1)
    ((2, 40000), array([  0., -48.]))
    """

    reference: str
    sample_rate: int
    tracks: tuple[str, ...]
    shift_s: Floats
    polarity: npt.NDArray[np.int_]
    applied: Bools
    reasons: tuple[str | None, ...]
    samples: Floats
    pad_samples: int
    remains: tuple[Remain, ...] = ()
    measurement: Measurement | None = field(default=None)

    def _listing(self) -> Listing:
        return Listing(
            f"Laid onto {self.reference}",
            ("track", "shift", "polarity", "moved"),
            zip(
                self.tracks,
                (show_ms(shift, sign=True) for shift in self.shift_s.tolist()),
                ("kept" if sign > 0 else "FLIPPED" for sign in self.polarity.tolist()),
                ("yes" if one else "NO" for one in self.applied.tolist()),
                strict=True,
            ),
            len(self.tracks),
        )


def check(scene: Scene, *, order: int = 1) -> Checked:
    """Predict a scene and hold it to every rule; positions that its tapes fix are found first.

    Parameters
    ----------
    scene : Scene
    order : int
        Up to how many bounces reflections are followed, 1 to 3.

    Raises
    ------
    SceneError
        If a position is not known.

    Examples
    --------
    >>> from micalign import Mic, Source
    >>> scene = Scene(sources=(Source("oud", (2.0, 2.0, 0.7)),), mics=(Mic("m", (2.0, 1.5, 0.9), on=("oud",)),))
    >>> check(scene)
    0 to mend, 0 to know
    """
    placed = scene if scene.is_placed else surveyed(scene)
    prediction = predict(placed, order=order)
    return Checked(prediction, findings(placed, prediction))


def measure(
    tracks: Tracks,
    *,
    sample_rate: int | None = None,
    reference: str | None = None,
    scene: Scene | None = None,
    max_delay_s: float = 0.05,
) -> Measurement:
    """Delay and polarity of tracks against one of them.

    Parameters
    ----------
    tracks : mapping of str to array, sequence of Track, or Take
        Arrays of shape (frames,), full scale +-1. With a scene the names are those of its mics and DIs.
    sample_rate : int, optional
        Hertz; needed where arrays are given.
    reference : str, optional
        A track's name; the first, or with a scene the one that suits it best.
    scene : Scene, optional
        Then each source is measured on the moments that are its own.
    max_delay_s : float
        How far to look, either way.

    Raises
    ------
    TakeError, SceneError
        If the tracks cannot be measured.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(scale=0.1, size=48000)
    >>> found = measure({"near": noise[100:40100], "far": -noise[52:40052]}, sample_rate=48000)
    >>> (found.delay_s * 48000).round(1), found.polarity
    (array([48.]), array([-1]))
    """
    return _measurement(_found(_take(tracks, sample_rate), reference, scene, max_delay_s))


def align(
    tracks: Tracks,
    *,
    sample_rate: int | None = None,
    reference: str | None = None,
    scene: Scene | None = None,
    max_delay_s: float = 0.05,
    max_shift_s: float | None = None,
    whole_samples: bool = False,
    keep_all: bool = False,
) -> Alignment:
    """Lay tracks onto one of them: measured as by `measure`, then moved; the arrays given are not changed.

    Parameters
    ----------
    tracks, sample_rate, reference, scene, max_delay_s
        As for `measure`.
    max_shift_s : float, optional
        Move nothing further.
    whole_samples : bool
        Shift by whole samples: every sample comes out bit for bit.
    keep_all : bool
        Put silence in front of all tracks rather than cut off what lies before the reference's beginning.

    Raises
    ------
    TakeError, SceneError
        If the tracks cannot be measured.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(scale=0.1, size=48000)
    >>> done = align({"near": noise[100:40100], "far": -noise[52:40052]}, sample_rate=48000, whole_samples=True)
    >>> done
    Laid onto near
    track       shift   polarity   moved
    near   +0.000 ms       kept     yes
    far     -1.000 ms    FLIPPED     yes
    >>> bool(np.array_equal(done.samples[0][:39900], done.samples[1][:39900]))
    True
    """
    take = _take(tracks, sample_rate)
    found = _found(take, reference, scene, max_delay_s)
    names = [track.name for track in take.tracks]
    if scene is None:
        limits = Constraints(found.reference, max_shift_s=max_shift_s)
    else:
        limits = constraints_of(scene, names, reference=found.reference, max_shift_s=max_shift_s)
    offsets = planned(found, limits, gains_db=_gains_db(scene))
    return _moved(take, offsets, _measurement(found), whole=whole_samples, keep_all=keep_all)


def _gains_db(scene: Scene | None) -> dict[str, float]:
    if scene is None:
        return {}
    return {mic.name: mic.gain_db for mic in scene.mics} | {di.name: di.gain_db for di in scene.dis}


def _take(tracks: Tracks, sample_rate: int | None) -> Take:
    if isinstance(tracks, Take):
        return tracks
    if not isinstance(tracks, Mapping):
        return Take(tuple(tracks))
    return Take(tuple(_track(name, samples, sample_rate) for name, samples in tracks.items()))


def _track(name: str, samples: Track | npt.ArrayLike, sample_rate: int | None) -> Track:
    if isinstance(samples, Track):
        return Track(name, samples.sample_rate, samples.frames, samples.samples, samples.start_s)
    if sample_rate is None:
        raise TakeError(f"'{name}' is an array, which knows no sample rate: give sample_rate in hertz")
    track = Track.from_array(name, samples, sample_rate)
    if not np.isfinite(track.read()).all():
        raise TakeError(f"'{name}' holds a sample that is no number (NaN or infinite): cut that place out")
    return track


def _found(take: Take, reference: str | None, scene: Scene | None, max_delay_s: float) -> Measured:
    if scene is not None:
        plans = scene.take.alone if scene.take else ()
        alone = alone_in(take, [plan for plan in plans if plan.folder is None])
        return measured_scene(scene, take, reference=reference, max_delay_s=max_delay_s, alone=alone)
    if len(take.tracks) < 2:
        raise TakeError("a delay needs two tracks: give another one")
    against = take.tracks[0] if reference is None else take.track(reference)
    return measured(against, [track for track in take.tracks if track is not against], max_delay_s=max_delay_s)


def _measurement(found: Measured) -> Measurement:
    delays = [one.delay for one in found.tracks]
    return Measurement(
        found.reference,
        found.sample_rate,
        tuple(one.track for one in found.tracks),
        np.array([one.delay_s for one in delays]),
        np.array([one.uncertainty_s for one in delays]),
        np.array([one.polarity for one in delays], dtype=int),
        np.array([one.is_polarity_clear for one in delays], dtype=bool),
        np.array([one.confidence for one in delays]),
        np.array([one.reliable for one in delays], dtype=bool),
        tuple(one.reason for one in delays),
        found.sources,
    )


def _moved(take: Take, offsets: Offsets, measured: Measurement, *, whole: bool, keep_all: bool) -> Alignment:
    shifts = [offsets.shift(track.name) for track in take.tracks]
    rate = take.sample_rate
    moved = [
        MovedTrack(track, one.shift_s * rate, -1 if one.polarity_flip else 1)
        for track, one in zip(take.tracks, shifts, strict=True)
    ]
    span = common_span(one.span(whole=whole) for one in moved)
    span = Span(span.start if keep_all else 0, span.stop)
    samples = np.zeros((len(moved), span.frames))
    for row, one in zip(samples, moved, strict=True):
        np.concatenate(list(one.blocks(span, whole=whole, gain=1.0, block_frames=BLOCK_FRAMES)), out=row)
    return Alignment(
        offsets.reference,
        rate,
        tuple(track.name for track in take.tracks),
        np.array([round(one.shift_samples) / rate if whole else one.shift_samples / rate for one in moved]),
        np.array([one.polarity for one in moved], dtype=int),
        np.array([one.applied and not one.stays for one in shifts], dtype=bool),
        tuple(one.reason for one in shifts),
        samples,
        -span.start,
        offsets.remains,
        measured,
    )
