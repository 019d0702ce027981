"""What is done with each track of a take, and which shifts follow where every track has one delay?

``delay_s`` is positive when the event comes later in the track; ``shift_s`` moves a track later where it is positive,
and ``delay_s + shift_s(track) - shift_s(reference) = 0``. The reference itself stays at 0 and keeps its polarity.
Nothing unreliable is ever applied. What suits the sources of a scene is found by `micalign.alignment.compromise`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from micalign.alignment.own_strokes import Basis
from micalign.errors import TakeError

__all__ = [
    "Offsets",
    "Remain",
    "Shift",
    "followed",
    "held_against",
    "limited",
    "moved_onto",
    "still",
    "unmoved",
]


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

    ``is_bleed`` marks a track that is not there to take the source; ``polarity_clear``: pairs whose polarity is clear
    lead from one to the other.
    """

    source: str
    track: str
    against: str
    remain_s: float
    uncertainty_s: float
    polarity: int
    is_bleed: bool = False
    polarity_clear: bool = True

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
        return "every track stays as recorded" if stays else "nothing was moved: each remark says why"
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
