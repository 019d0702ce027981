"""When did each recording begin, by the time stamp in its file? Lays the tracks of a session on the reference's clock.

A broadcast time reference counts samples since midnight at the file's own rate (EBU Tech 3285). Tracks that began at
other times are placed by it before anything is measured, so that a delay is one in the session, not from file to file.
A recorder without a clock writes 0: where all stamps are 0 there is none. Tracks of other sample rates are brought to
the reference's where that is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final, Literal

from micalign.alignment.resample import at_rate
from micalign.errors import TakeError
from micalign.files.metadata import rescaled, time_reference_of
from micalign.files.outputs import original_of
from micalign.take.tracks import Track, placed
from micalign.units import show_ms

__all__ = ["Laid", "laid_on_one_clock"]

_CHOICE: Final = "lay all from their first samples with --ignore-timestamps"
_MOST_NAMED: Final = 5


@dataclass(frozen=True)
class Laid:
    """Tracks on the reference's clock, in their order, and how they came there.

    Parameters
    ----------
    tracks : tuple of Track
    timestamps : str or None
        ``placed`` where stamps say that tracks began at different times, ``ignored`` where they say so and do not
        count, None where they say nothing or one time for all.
    starts_s : mapping
        By how much later than the reference each placed track began.
    notes : tuple of str
        Sentences for the user.
    """

    tracks: tuple[Track, ...]
    timestamps: Literal["placed", "ignored"] | None = None
    starts_s: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def laid_on_one_clock(
    tracks: Sequence[Track], reference: Track, *, ignore_timestamps: bool = False, resample: bool = False
) -> Laid:
    """The tracks as the reference's clock saw them.

    Parameters
    ----------
    tracks : sequence of Track
        Channels of files; the reference may be among them.
    reference : Track
        Its first sample is the clock's 0.
    ignore_timestamps : bool
        Take all tracks to begin together.
    resample : bool
        Bring tracks of other rates to the reference's.

    Raises
    ------
    TakeError
        If rates differ and ``resample`` is off; if some tracks have a stamp and others none, or they share no moment.
    """
    if not resample:
        _refuse_other_rates(tracks, reference)
    stamps = {track.name: _stamp_s(track) for track in (*tracks, reference)}
    counted = {} if ignore_timestamps else _counted(stamps, reference.name)
    shown = tuple(_laid(track, reference, by_stamp=bool(counted)) for track in tracks)
    known = [stamp for stamp in stamps.values() if stamp is not None]
    timestamps: Literal["placed", "ignored"] | None = None
    if len(set(known)) > 1:
        timestamps = "ignored" if ignore_timestamps else "placed"
    first = counted.get(reference.name, Fraction(0))
    starts = {name: float(stamp - first) for name, stamp in counted.items() if timestamps == "placed"}
    _refuse_apart(tracks, reference, starts)
    notes = [*_rate_notes(tracks, reference), *_stamp_notes(timestamps, starts, reference.name)]
    return Laid(shown, timestamps, starts, tuple(notes))


def _refuse_other_rates(tracks: Sequence[Track], reference: Track) -> None:
    for track in tracks:
        if track.sample_rate != reference.sample_rate:
            raise TakeError(
                f"'{track.name}' is at {track.sample_rate} Hz but '{reference.name}' at {reference.sample_rate} Hz: "
                "bring all to the reference's rate with --resample"
            )


def _stamp(track: Track) -> int | None:
    return time_reference_of(original_of(track)[0].path)


def _stamp_s(track: Track) -> Fraction | None:
    """Exact, so that one time at two rates is one."""
    stamp = _stamp(track)
    return None if stamp is None else Fraction(stamp, track.sample_rate)


def _counted(stamps: Mapping[str, Fraction | None], reference: str) -> dict[str, Fraction]:
    """The stamps that count; none where they say nothing."""
    known = {name: stamp for name, stamp in stamps.items() if stamp is not None}
    if not any(known.values()):
        return {}
    missing = next((name for name in stamps if name not in known), None)
    if missing is not None:
        one = reference if reference in known else next(iter(known))
        raise TakeError(
            f"'{missing}' has no time stamp but '{one}' has one ({_time_of_day(float(known[one]))}), so when it began "
            f"is not known: {_CHOICE}"
        )
    return known


def _laid(track: Track, reference: Track, *, by_stamp: bool) -> Track:
    whole, rest = 0, 0.0
    if by_stamp:
        own, first = _stamp(track) or 0, _stamp(reference) or 0
        count = rescaled(own, track.sample_rate, reference.sample_rate)
        whole, rest = count - first, own * reference.sample_rate / track.sample_rate - count
    if track.sample_rate != reference.sample_rate:
        track = at_rate(track, reference.sample_rate, later_samples=rest)
    return placed(track, whole)


def _refuse_apart(tracks: Sequence[Track], reference: Track, starts: Mapping[str, float]) -> None:
    """Where two share no moment, a clock was not set."""
    for track in tracks:
        start_s = starts.get(track.name, 0.0)
        if start_s >= reference.duration_s or start_s + track.duration_s <= 0.0:
            late = start_s > 0.0
            gap_s = start_s - reference.duration_s if late else -start_s - track.duration_s
            words = f"begins {_apart(gap_s)} after" if late else f"ends {_apart(gap_s)} before"
            raise TakeError(
                f"by their time stamps '{track.name}' {words} '{reference.name}' {'ends' if late else 'begins'}: was a "
                f"clock not set? Then {_CHOICE}"
            )


def _rate_notes(tracks: Sequence[Track], reference: Track) -> list[str]:
    other = [f"'{one.name}' ({one.sample_rate} Hz)" for one in tracks if one.sample_rate != reference.sample_rate]
    return [f"brought to the reference's {reference.sample_rate} Hz: {_some(other)}"] if other else []


def _stamp_notes(timestamps: str | None, starts: Mapping[str, float], reference: str) -> list[str]:
    if timestamps == "ignored":
        return ["time stamps that differ were ignored: every file is taken to begin at one instant, lay them so"]
    moved = [
        f"'{name}' begins {_apart(abs(start_s))} {'after' if start_s > 0 else 'before'} '{reference}'"
        for name, start_s in starts.items()
        if start_s
    ]
    return [f"placed by their time stamps: {_some(moved)}"] if moved else []


def _some(names: Sequence[str]) -> str:
    rest = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _apart(seconds: float) -> str:
    """
    >>> _apart(0.0375), _apart(1.5)
    ('37.50 ms', '1.500 s')
    """
    return show_ms(seconds) if seconds < 1.0 else f"{seconds:.3f} s"


def _time_of_day(seconds: float) -> str:
    """
    >>> _time_of_day(36000.25), _time_of_day(100.0)
    ('10:00:00.250', '00:01:40.000')
    """
    whole = math.floor(seconds)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{seconds % 60:06.3f}"
