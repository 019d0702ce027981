"""What is done with each track of a take: which shift follows, and which samples follow from it?

``delay_s`` is positive when the event comes later in the track; ``shift_s`` moves a track later where it is positive,
and ``delay_s + shift_s(track) - shift_s(reference) = 0``. The reference itself stays at 0 and keeps its polarity.
Nothing unreliable is ever applied. Here every track has one delay; what suits the sources of a scene is found by
`micalign.alignment.compromise`.

On its way into an aligned set a track is moved, its drift taken out, flipped, turned in phase, cut: `MovedTrack` holds
what is asked, and hands out the samples that follow, block by block. One that moves earlier loses what would lie before
the file's first sample (`cut_off`): as a rule pre-roll. Levels are root mean squares in decibels of full scale, without
the track's offset: of what is lost, the loudest hundredth of a second; of the noise, the floor that ``levels`` tells.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign import __version__
from micalign.alignment.gain import Section, all_pass_blocks, ring_samples
from micalign.alignment.own_strokes import Basis
from micalign.alignment.shift import (
    Span,
    rate_of_original,
    resampled_blocks,
    resampled_span,
    shifted_blocks,
    shifted_span,
    split_shift,
)
from micalign.alignment.tuned import ABOVE_FLOOR, LOST_WINDOW_S, PAUSELESS
from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take.noise import Floor, noise_floor
from micalign.take.tracks import Track, as_recorded
from micalign.units import db_from_power

__all__ = [
    "Cut",
    "MovedTrack",
    "Offsets",
    "Remain",
    "Shift",
    "cut_off",
    "followed",
    "held_against",
    "limited",
    "moved_onto",
    "on_one_clock",
    "still",
    "unmoved",
]

_TENTH_S: Final = 0.1  # seconds, as `micalign.take.noise` reads a floor
_SILENT: Final = 1e-14  # -140 dBFS


@dataclass(frozen=True, slots=True)
class Shift:
    """What alignment does with one track, and why not where it does nothing.

    ``as_recorded``: nothing is done by right, since the track shares no source with the others. ``basis``: what the
    shift follows from; where that is "reference" or "recorded" the track stays by right and ``delay_s`` was not
    measured, but follows from the shifts; None: a user edited it.
    """

    track: str
    delay_s: float
    uncertainty_s: float
    shift_s: float
    polarity_flip: bool
    reliable: bool
    applied: bool
    reason: str | None = None
    drift_ppm: float | None = None
    as_recorded: bool = False
    basis: Basis | None = "arrival"

    @property
    def is_to_act_on(self) -> bool:
        """Whether something reliable is done: a track that is left as recorded has no delay that was measured.

        >>> left = Shift("tom", 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True, basis="recorded")
        >>> left.is_to_act_on, replace(left, polarity_flip=True).is_to_act_on, replace(left, basis="sum").is_to_act_on
        (False, True, True)
        >>> left.stays, replace(left, applied=False).stays, replace(left, polarity_flip=True).stays
        (True, False, False)
        """
        return self.reliable and not self.stays

    @property
    def stays(self) -> bool:
        """Whether it is left as recorded by right: nothing is applied, and nothing is wrong with that either."""
        is_left = self.basis == "recorded" and self.shift_s == 0.0 and not self.polarity_flip
        return self.as_recorded or (self.applied and is_left)


@dataclass(frozen=True, slots=True)
class Remain:
    """How far a source is from meeting itself in a track after the shifts, against its own mic or the loudest track.

    ``is_bleed`` marks a track that is not there to take the source, ``is_faint`` one in which that is no more than
    faint; ``polarity_clear``: pairs whose polarity is clear lead from one to the other.
    """

    source: str
    track: str
    against: str
    remain_s: float
    uncertainty_s: float
    polarity: int
    is_bleed: bool = False
    polarity_clear: bool = True
    is_faint: bool = False

    @property
    def first_notch_hz(self) -> float | None:
        """The lowest frequency that the two tracks cancel; None where they meet within a microsecond."""
        late = abs(self.remain_s)
        if late < 1e-6:
            return None
        return (0.5 if self.polarity > 0 else 1.0) / late


@dataclass(frozen=True)
class Offsets:
    """One consistent set of shifts for tracks of one rate; the reference is among them, at 0.

    ``onto`` is the track that stays instead, where another than the reference stands over a kit.
    """

    reference: str
    sample_rate: int
    shifts: tuple[Shift, ...]
    remains: tuple[Remain, ...] = ()
    compromise: str = ""
    onto: str | None = None

    def shift(self, track: str) -> Shift:
        """The shift of one track."""
        for shift in self.shifts:
            if shift.track == track:
                return shift
        raise TakeError(f"no offset is known for the track '{track}'")


def followed(
    shifts: Sequence[Shift],
    *,
    reference: str,
    sample_rate: int,
    max_shift_s: float | None = None,
    summed: Collection[str] = (),
    on_strokes: bool = False,
) -> Offsets:
    """Offsets where every track has one delay against the reference, and no source is kept apart from another.

    ``summed`` are the tracks whose delay is where they add up best with the reference; ``on_strokes``: a kit, whose
    close mics are laid by their own strokes.
    """
    kept = [limited(shift, max_shift_s) for shift in shifts if shift.track != reference]
    words = _plain_words(reference, kept, summed, on_strokes=on_strokes)
    return Offsets(reference, sample_rate, (still(reference), *kept), compromise=words)


def held_against(offsets: Offsets, reference: str, *, by_name: bool = False) -> Offsets:
    """The same shifts with delays told against another track, which is laid onto the former reference like the others.

    ``by_name``: the former reference is known by its name, which nothing that it hears denies: it may be another's.

    >>> laid = Shift("snare", -2e-3, 1e-5, 2e-3, polarity_flip=False, reliable=True, applied=True)
    >>> found = held_against(Offsets("overhead", 48000, (still("overhead"), laid)), "snare")
    >>> found.reference, found.onto, [(one.track, one.delay_s, one.uncertainty_s, one.shift_s) for one in found.shifts]
    ('snare', 'overhead', [('overhead', 0.002, 1e-05, 0.0), ('snare', 0.0, 0.0, 0.002)])
    """
    shifts = _told_against(offsets, reference)
    taken = "stands over the whole kit, more surely than"
    if by_name:
        taken = "is taken by its name to stand over the whole kit, rather than"
    words = f"'{offsets.reference}' {taken} '{reference}', named first"
    if any(shift.shift_s or shift.polarity_flip for shift in shifts):
        words += f": all is laid onto '{offsets.reference}' (--reference '{reference}' moves all so that it stays)"
    elif by_name:
        words += " (where it is not over this kit, call it something else)"
    words = f"{words}; {offsets.compromise}" if offsets.compromise else words
    return replace(offsets, reference=reference, onto=offsets.reference, shifts=tuple(shifts), compromise=words)


def _told_against(offsets: Offsets, reference: str) -> list[Shift]:
    """The same shifts with the delays that they have against another track."""
    named = offsets.shift(reference)
    return [
        replace(one, delay_s=0.0, uncertainty_s=0.0)
        if one is named
        else replace(
            one,
            delay_s=one.delay_s + named.shift_s + 0.0,
            uncertainty_s=float(np.hypot(one.uncertainty_s, named.uncertainty_s)),
        )
        for one in offsets.shifts
    ]


def moved_onto(offsets: Offsets, reference: str, *, max_shift_s: float | None = None) -> Offsets:
    """The same places against each other, all moved so that a track which is not over the kit stays as it is.

    >>> laid = Shift("snare", -2e-3, 1e-5, 2e-3, polarity_flip=True, reliable=True, applied=True)
    >>> stays = Shift("room", 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True, basis="recorded")
    >>> found = moved_onto(Offsets("overhead", 48000, (still("overhead"), laid, stays)), "snare")
    >>> [(one.track, one.delay_s, one.shift_s, one.polarity_flip, one.basis) for one in found.shifts]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('snare', 0.0, 0.0, False, 'reference'), ('overhead', 0.002, -0.002, True, 'arrival'),
     ('room', 0.002, -0.002, True, 'recorded')]
    """
    named, onto = offsets.shift(reference), offsets.reference
    is_moved = named.shift_s != 0.0 or named.polarity_flip

    def moved(one: Shift) -> Shift:
        found = replace(
            one,
            shift_s=one.shift_s - named.shift_s + 0.0,
            polarity_flip=one.polarity_flip != named.polarity_flip,
            basis=named.basis if one.track == onto else one.basis,
        )
        if is_moved and one.track == onto:
            found = replace(found, reason=f"'{reference}' onto it: {named.reason or 'by its arrival'}")
        elif is_moved and one.basis == "recorded":
            found = replace(found, reason=f"moves with '{onto}'" + (f" ({one.reason})" if one.reason else ""))
        return limited(found, max_shift_s)

    shifts = [moved(one) for one in _told_against(offsets, reference) if one.track != reference]
    way = "is moved as one, so that its image stays" if is_moved else "stays as well"
    words = (
        f"'{reference}' stays, as --reference asks; what stands over the kit with '{onto}' {way}; close mics go where "
        "their own strokes add up best with it, both at one level"
    )
    left = [one.track for one in shifts if not one.applied]
    words = f"{words}, but for {', '.join(left)}" if left else words
    if not named.applied:
        words = f"{words}; where '{reference}' lies against '{onto}' is not known: {named.reason or 'nothing is sure'}"
    return replace(offsets, reference=reference, shifts=(still(reference), *shifts), compromise=words)


def still(reference: str) -> Shift:
    """The reference stays where it is."""
    return Shift(reference, 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True, basis="reference")


def unmoved(track: str, reason: str, *, as_recorded: bool = False) -> Shift:
    """A track that is left alone, and why."""
    return Shift(
        track,
        0.0,
        0.0,
        0.0,
        polarity_flip=False,
        reliable=False,
        applied=False,
        reason=reason,
        as_recorded=as_recorded,
        basis="recorded",
    )


def limited(shift: Shift, max_shift_s: float | None) -> Shift:
    """The shift, or none where it is unreliable or larger than allowed."""
    if not shift.reliable:
        return replace(shift, shift_s=0.0, polarity_flip=False, applied=False)
    if max_shift_s is not None and abs(shift.shift_s) > max_shift_s:
        reason = f"its shift of {shift.shift_s * 1e3:+.2f} ms is larger than the {max_shift_s * 1e3:g} ms allowed"
        return replace(shift, shift_s=0.0, polarity_flip=False, applied=False, reason=reason)
    return shift


def _plain_words(reference: str, shifts: Sequence[Shift], summed: Collection[str], *, on_strokes: bool) -> str:
    stays = [shift.track for shift in shifts if shift.applied and shift.basis == "recorded" and not on_strokes]
    left = [*stays, *(shift.track for shift in shifts if not shift.applied)]
    if len(left) == len(shifts):
        moved = "nothing was moved, every file is as recorded: each remark says why"
        return "every track stays as recorded" if stays else moved
    if on_strokes and not any(shift.applied and (shift.shift_s or shift.polarity_flip) for shift in shifts):
        return "every track stays as recorded"
    if on_strokes:
        words = (
            f"what stands over the kit with '{reference}' stays, close mics go where their own strokes add up best "
            "with it, both at one level"
        )
    elif {shift.track for shift in shifts if shift.applied} <= set(summed):
        words = f"laid where it adds up best with '{reference}': {', '.join(summed)}"
    else:
        best = f", where they add up best: {', '.join(summed)}" if summed else ""
        words = f"every track was laid onto '{reference}' by its own delay{best}"
    return f"{words}, but for {', '.join(left)}" if left else words


@dataclass(frozen=True, slots=True)
class Cut:
    """How many samples are lost in front, how loud they are, and how loud the track's own noise is (None: silent)."""

    samples: int = 0
    level_dbfs: float | None = None
    floor_dbfs: float | None = None
    is_heard: bool = False


def cut_off(moved: MovedTrack, start: int, *, whole: bool = False) -> Cut:
    """What a file that begins at ``start`` on the take's clock loses of a track.

    The whole track is read only where anything but silence is lost.

    >>> rng = np.random.default_rng(1)
    >>> sound = 1e-4 * rng.standard_normal(96_000)
    >>> sound[500:600] += np.tile([0.1, -0.1], 50)
    >>> late = MovedTrack(Track.from_array("late", sound, 48_000), -1000.0)
    >>> cut = cut_off(late, 0)
    >>> cut.samples, cut.is_heard, round(cut.level_dbfs), round(cut.floor_dbfs)
    (1000, True, -27, -80)
    >>> cut_off(late, -1000).samples
    0
    """
    samples = moved.samples_before(start, whole=whole)
    track, _ = as_recorded(moved.track)
    if samples == 0 or not _reads_sound(track, samples):
        return Cut(samples)
    powers, offset = _tenths(track)
    lost = _loudest(track, samples, offset)
    floor = noise_floor(powers)
    if lost <= _SILENT or floor is None:
        return Cut(samples)
    return Cut(samples, db_from_power(lost), db_from_power(floor.power), lost > ABOVE_FLOOR * _surely_noise(floor))


def _surely_noise(floor: Floor) -> float:
    return floor.power / PAUSELESS if floor.is_bound else floor.power


def _reads_sound(track: Track, samples: int) -> bool:
    step = round(_TENTH_S * track.sample_rate) * 50
    return any(track.read(at, min(step, samples - at)).any() for at in range(0, samples, step))


def _loudest(track: Track, samples: int, offset: float) -> float:
    """The power of the loudest window of the first samples; fewer than a window count as a part of one."""
    window = max(round(LOST_WINDOW_S * track.sample_rate), 1)
    step, loudest = 100 * window, 0.0
    for at in range(0, samples, step):
        found = (track.read(at, min(step, samples - at)) - offset) ** 2
        loudest = max(loudest, float(np.add.reduceat(found, np.arange(0, len(found), window)).max()) / window)
    return loudest


def _tenths(track: Track) -> tuple[Floats, float]:
    """The powers of a track's tenths of a second without its offset, and the offset."""
    tenth = max(round(_TENTH_S * track.sample_rate), 1)
    means, squares = [], []
    for block in track.blocks(tenth * 50):
        rows = block[: len(block) // tenth * tenth].reshape(-1, tenth) if len(block) >= tenth else block[np.newaxis]
        means.append(rows.mean(axis=1))
        squares.append(np.einsum("ij,ij->i", rows, rows) / rows.shape[1])
    mean = np.concatenate(means)
    offset = float(mean.mean())
    powers: Floats = np.maximum(np.concatenate(squares) - (2.0 * mean - offset) * offset, 0.0)
    return powers, offset


_NO_LOSS_SAMPLES: Final = 0.01  # a sample that lies so little before its file is heard in the next


@dataclass(frozen=True, slots=True)
class MovedTrack:
    """A track and what is done to it: moved later by ``shift_samples``, its drift taken out, its polarity (1 or -1).

    ``sections`` are all-passes as (hertz, Q), applied last. A track that began elsewhere on the clock
    (`micalign.take.tracks`) is handed out whole: also what lies before the clock's beginning.
    """

    track: Track
    shift_samples: float = 0.0
    polarity: int = 1
    drift_ppm: float = 0.0
    sections: tuple[Section, ...] = ()

    @property
    def begun_samples(self) -> int:
        """Where its first sample lay on the take's clock before any shift."""
        return as_recorded(self.track)[1]

    def goes_with(self, other: MovedTrack) -> bool:
        """Whether another channel of its file goes the same way, to a sample; either keeps its own shift and polarity.

        >>> left, right, late = (MovedTrack(Track.from_array("a", np.zeros(9), 48000), by) for by in (7.2, 7.3, 9.0))
        >>> left.goes_with(right), left.goes_with(late)
        (True, False)
        """
        alike = (self.drift_ppm, self.sections) == (other.drift_ppm, other.sections)
        apart = self.shift_samples + self.begun_samples - other.shift_samples - other.begun_samples
        return alike and abs(apart) <= 1.0

    def span(self, *, whole: bool = False) -> Span:
        """Where it sounds on the take's clock."""
        track, begun = as_recorded(self.track)
        ring = ring_samples(self.sections, sample_rate=track.sample_rate)
        if self.drift_ppm:
            span = resampled_span(track.frames, self.shift_samples + begun, self.drift_ppm)
        else:
            span = shifted_span(track.frames, self.shift_samples + begun, whole=whole)
        return Span(span.start, span.stop + ring)

    def samples_before(self, start: int, *, whole: bool = False) -> int:
        """How many of its samples sound before ``start`` on the take's clock.

        >>> late = MovedTrack(Track.from_array("late", np.zeros(100), 48000), -7.5)
        >>> late.samples_before(0), late.samples_before(-7), late.samples_before(-70)
        (8, 1, 0)
        """
        track, begun = as_recorded(self.track)
        shift = float(round(self.shift_samples)) if whole else self.shift_samples
        first = start * (1.0 + self.drift_ppm * 1e-6) - shift - begun
        return min(max(math.ceil(first - _NO_LOSS_SAMPLES), 0), track.frames)

    def blocks(self, span: Span, *, whole: bool, gain: float, block_frames: int) -> Iterator[Floats]:
        """Its samples after all that."""
        blocks = self._shifted(span, whole=whole, gain=gain, block_frames=block_frames)
        rate = self.track.sample_rate
        return all_pass_blocks(blocks, self.sections, sample_rate=rate) if self.sections else blocks

    def _shifted(self, span: Span, *, whole: bool, gain: float, block_frames: int) -> Iterator[Floats]:
        track, begun = as_recorded(self.track)
        if self.drift_ppm:
            return resampled_blocks(
                track,
                self.shift_samples + begun,
                self.drift_ppm,
                polarity=self.polarity,
                gain=gain,
                span=span,
                block_frames=block_frames,
            )
        return shifted_blocks(
            track,
            self.shift_samples + begun,
            whole=whole,
            polarity=self.polarity,
            gain=gain,
            span=span,
            block_frames=block_frames,
        )

    def is_exact(self, *, whole: bool) -> bool:
        """Whether every sample comes out as it went in."""
        if rate_of_original(as_recorded(self.track)[0])[1]:
            return False
        return not self.drift_ppm and not self.sections and split_shift(self.shift_samples, whole=whole)[1] == 0.0

    def history(self, span: Span, *, whole: bool, gain: float) -> str:
        """What is done to it, in words for a file's coding history."""
        shift = f"{round(self.shift_samples):+d}" if whole else f"{self.shift_samples:+.3f}"
        words = [f"micalign {__version__}: moved {shift} samples"]
        original, is_converted = rate_of_original(as_recorded(self.track)[0])
        if is_converted:
            words.append(f"converted from {original.sample_rate} Hz")
        if self.polarity == -1:
            words.append("polarity flipped")
        if self.drift_ppm:
            words.append(f"drift {self.drift_ppm:+.2f} ppm taken out")
        words += [f"all-pass {frequency:.0f} Hz Q {q:.2f}" for frequency, q in self.sections]
        if gain != 1.0:
            words.append(f"gain {20.0 * np.log10(gain):+.1f} dB")
        if earlier := self.begun_samples - span.start:
            words.append(f"starts {earlier:+d} samples earlier")
        return "; ".join(words)


@dataclass(frozen=True, slots=True)
class _OnOneClock:
    """A track's samples as the reference's clock would have taken them, shift included."""

    moved: MovedTrack

    def read(self, start: int, frames: int) -> Floats:
        """Samples ``start`` to ``start + frames`` of the reference's clock."""
        one = self.moved
        span = Span(start, start + frames)
        return np.concatenate(list(resampled_blocks(one.track, one.shift_samples, one.drift_ppm, span=span)))


def on_one_clock(moved: MovedTrack) -> Track:
    """The track with its shift and its drift taken out, read as it is asked for."""
    stop = max(moved.span().stop, 0)
    return Track(moved.track.name, moved.track.sample_rate, stop, _OnOneClock(moved))
