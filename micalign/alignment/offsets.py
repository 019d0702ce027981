"""What alignment does with each track: the values, and the simple case in which every track has one delay.

``delay_s`` is positive when the event comes later in the track; ``shift_s`` moves a track later where it is positive,
and ``delay_s + shift_s(track) - shift_s(reference) = 0``. The reference itself stays at 0 and keeps its polarity.
Nothing unreliable is ever applied.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from micalign.errors import TakeError

__all__ = ["Offsets", "Remain", "Shift", "followed", "limited", "still", "unmoved"]


@dataclass(frozen=True, slots=True)
class Shift:
    """What alignment does with one track, and why not where it does nothing.

    ``as_recorded``: nothing is done by right, since the track shares no source with the others.
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


@dataclass(frozen=True, slots=True)
class Remain:
    """How far a source is from meeting itself in a track after the shifts, against its own mic or the loudest track.

    ``is_bleed`` marks a track that is not there to take the source.
    """

    source: str
    track: str
    against: str
    remain_s: float
    uncertainty_s: float
    polarity: int
    is_bleed: bool = False

    @property
    def first_notch_hz(self) -> float | None:
        """The lowest frequency that the two tracks cancel; None where they meet within a microsecond."""
        late = abs(self.remain_s)
        if late < 1e-6:
            return None
        return (0.5 if self.polarity > 0 else 1.0) / late


@dataclass(frozen=True)
class Offsets:
    """One consistent set of shifts for tracks of one rate; the reference is among them, at 0."""

    reference: str
    sample_rate: int
    shifts: tuple[Shift, ...]
    remains: tuple[Remain, ...] = ()
    compromise: str = ""

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


def still(reference: str) -> Shift:
    """The reference stays where it is."""
    return Shift(reference, 0.0, 0.0, 0.0, polarity_flip=False, reliable=True, applied=True)


def unmoved(track: str, reason: str, *, as_recorded: bool = False) -> Shift:
    """A track that is left alone, and why."""
    return Shift(
        track, 0.0, 0.0, 0.0, polarity_flip=False, reliable=False, applied=False, reason=reason, as_recorded=as_recorded
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
    left = [shift.track for shift in shifts if not shift.applied]
    if len(left) == len(shifts):
        return "nothing was moved: no track has a delay to act on"
    if on_strokes:
        words = f"what stands over the kit with '{reference}' stays, close mics go where their own strokes add up best"
    elif {shift.track for shift in shifts if shift.applied} <= set(summed):
        words = f"laid where it adds up best with '{reference}': {', '.join(summed)}"
    else:
        best = f", where they add up best: {', '.join(summed)}" if summed else ""
        words = f"every track was laid onto '{reference}' by its own delay{best}"
    return f"{words}, but for {', '.join(left)}" if left else words
