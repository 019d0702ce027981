"""What is to be said of each track of a take, and what to try? One short function for each thing.

A problem spoils the track or its place in the mix: clipped, silent, dead, doubled, an offset of 1 % and more, hum or
much noise that would be heard. A note is advice: hot, quiet, weak hum, some noise. What is heard is judged after the
track has been turned up into the working window: above -60 dBFS there is a note, above -50 dBFS a problem; hum, and
the noise of a quiet track, are a problem above -60 dBFS. All limits are common practice, no source.

Of all tracks it is asked whether they belong together: one sample rate, one length, one start by their time stamps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from micalign.take.doubles import Double
from micalign.take.noise import Hum
from micalign.take.track_levels import EARTH, Remark, Severity, TrackLevels, WorkingWindow, clock
from micalign.units import db_from_power, many, show_dbfs, show_hz, show_ms, show_percent

__all__ = ["AUDIBLE_DBFS", "SQUARE_LIKE", "TrackFacts", "remarks_on", "remarks_together"]

AUDIBLE_DBFS: Final = -60.0
LOUD_NOISE_DBFS: Final = -50.0
SQUARE_LIKE: Final = 0.8
"""Mean square of the loud parts against the peak's square: a square wave has 1, a sine cut to two thirds 0.75."""

_OFFSET_NOTE: Final = 0.002
_OFFSET_PROBLEM: Final = 0.01
_MOVE_NEARER: Final = "go nearer with the mic, or choose one with more output, before turning the preamp further up"

_SWITCH_OFF: Final = (
    "switch off fridge, furnace, fan and air for the take; move away from them; a low cut where the instrument allows "
    "it; a soft foot under the stand against what comes through the floor"
)

_NOISE_WORDS: Final = {
    "rumble": ("steady rumble", _SWITCH_OFF),
    "hiss": ("broadband hiss", f"{_MOVE_NEARER}; keep noisy machines out of the room"),
    "noise": ("noise of the room", f"{_MOVE_NEARER}; switch off what runs, shut doors and windows"),
}
_LENGTHS_DIFFER_S: Final = 0.5  # recorders that stop one track after the other differ by less


def remarks_on(levels: TrackLevels, window: WorkingWindow, take: Sequence[TrackLevels]) -> tuple[Remark, ...]:
    """All remarks on one track of a take, problems first."""
    if levels.verdict == "silent":
        found = list(_silent(levels))
    else:
        found = [remark for ask in _QUESTIONS for remark in ask(levels, window)]
    if levels.broken:
        found.append(Remark("broken", "problem", f"it could not be read to its end: {levels.broken}"))
    if levels.double is not None:
        found.append(_double(levels, levels.double, take))
    return tuple(sorted(found, key=lambda remark: remark.severity != "problem"))


def _silent(levels: TrackLevels) -> Iterator[Remark]:
    caution = ""
    if levels.peak == 0.0:
        said, look = "nothing but digital silence", "was the track armed, and the right input chosen?"
    elif levels.hum is not None and levels.noise.kind == "hum":
        said = f"no signal, only mains hum at {show_dbfs(levels.hum.dbfs)}"
        look = "a cable half plugged in or broken does this: try another cable and input"
        caution = EARTH
    else:
        said = f"no signal, only noise up to {show_dbfs(levels.peak_dbfs)}"
        look = "check cable, phantom power, mute and input, and tap the mic"
    yield Remark("silent" if levels.peak < 1e-4 else "dead", "problem", said, look, caution)


def _clipped(levels: TrackLevels, _window: WorkingWindow) -> Iterator[Remark]:
    cut = levels.clipping
    if not cut.is_cut:
        return
    where = "at full scale" if cut.at_full_scale else f"flat at {show_dbfs(levels.peak_dbfs)}, cut before the file"
    places = ", ".join(clock(at) for at in cut.first_s)
    times = "once" if cut.runs == 1 else f"{cut.runs} times"
    parts = [f"{times}, longest {cut.longest_run} samples"] if cut.runs else []
    parts += [f"{cut.heap} single samples at the extreme"] if cut.heap else []
    said = f"clipped {where}: {', '.join(parts)}, first at {places}"
    if levels.loud_power > SQUARE_LIKE * levels.peak**2:
        said += "; it is flat nearly all the time: a square-like synth wave looks the same, so trust your ears"
    if cut.at_full_scale:
        yield Remark("clipped", "problem", said, "turn the preamp down 6 dB or more and record it again")
    else:
        look = "something in front of the fader is overdriven (preamp, pad, plug-in): turn that down and record again"
        yield Remark("clipped", "problem", said, look)


def _level(levels: TrackLevels, window: WorkingWindow) -> Iterator[Remark]:
    at = f"the loudest peak is at {show_percent(100.0 * levels.peak)} of full scale ({show_dbfs(levels.peak_dbfs)})"
    if levels.over:
        peaks = f"{levels.over} samples lie beyond full scale (up to {show_dbfs(levels.peak_dbfs, sign=True)})"
        look = "this file of floats keeps them; any file of integers cuts them: turn down before you export"
        yield Remark("over", "note", peaks, look)
    if levels.verdict == "hot" and levels.gain_change_db is not None:
        yield Remark("hot", "note", at, f"turn down {-levels.gain_change_db:.0f} dB for the next take")
    if levels.verdict == "quiet" and levels.gain_change_db is not None:
        yield Remark(
            "quiet", "note", at, f"turn up {levels.gain_change_db:.0f} dB for the next take; it aligns as well as it is"
        )


def _hum(levels: TrackLevels, window: WorkingWindow) -> Iterator[Remark]:
    hum = levels.hum
    if hum is None:
        return
    strongest = max(hum.lines, key=lambda line: line.dbfs)
    said = (
        f"mains hum of {hum.mains_hz} Hz at {show_dbfs(hum.dbfs)}, strongest at {show_hz(strongest.hz)} "
        f"({len(hum.lines)} {'line' if len(hum.lines) == 1 else 'harmonics'})"
    )
    severity: Severity = "problem" if _raised(levels, hum.dbfs, window) > AUDIBLE_DBFS else "note"
    yield Remark("hum", severity, said, _hum_advice(hum), EARTH)


def _hum_advice(hum: Hum) -> str:
    strongest = max(hum.lines, key=lambda line: line.dbfs)
    if strongest.hz > 1.5 * hum.mains_hz:
        return (
            "mostly harmonics: look for dimmers, supplies and chargers near the cable, try a DI box with its "
            "transformer, one outlet for all, shorter cables"
        )
    return (
        "turn pickups and cables away from transformers, use a balanced line or a DI box with its transformer, and "
        "plug what belongs together into one outlet"
    )


def _noise(levels: TrackLevels, window: WorkingWindow) -> Iterator[Remark]:
    if levels.floor is None or levels.floor.is_bound:
        return
    parts = [("rumble", levels.noise.rumble), ("hiss", levels.noise.hiss)]
    heard = [(kind, power) for kind, power in parts if power > 0.0]
    if not heard and levels.noise.kind != "hum":
        heard = [("noise", levels.floor.power)]
    for kind, power in heard:
        raised = _raised(levels, db_from_power(power), window)
        if raised > AUDIBLE_DBFS:
            spoils = raised > LOUD_NOISE_DBFS or levels.verdict == "quiet"
            said = f"{_NOISE_WORDS[kind][0]} at {show_dbfs(db_from_power(power))} in the pauses"
            yield Remark(kind, "problem" if spoils else "note", said, _NOISE_WORDS[kind][1])


def _raised(levels: TrackLevels, level_dbfs: float, window: WorkingWindow) -> float:
    """What a level becomes when a quiet track is turned up to the middle of the window."""
    middle = window.gain_change_db(levels.peak, "quiet") or 0.0
    return level_dbfs + max(middle, 0.0)


def _offset(levels: TrackLevels, _window: WorkingWindow) -> Iterator[Remark]:
    size = abs(levels.offset)
    if size >= _OFFSET_NOTE:
        severity: Severity = "problem" if size >= _OFFSET_PROBLEM else "note"
        said = f"a constant offset (DC) of {show_percent(100.0 * levels.offset)} of full scale"
        look = "a low cut below 20 Hz takes it away; a mixer or converter that adds it wants service"
        yield Remark("offset", severity, said, look)


def _double(levels: TrackLevels, double: Double, take: Sequence[TrackLevels]) -> Remark:
    other = take[double.first].name
    ways = []
    if abs(double.gain_db) >= 0.05:
        ways.append(f"{abs(double.gain_db):.1f} dB {'louder' if double.gain_db > 0 else 'quieter'}")
    if double.polarity < 0:
        ways.append("inverted")
    if double.lag_samples:
        count = abs(double.lag_samples)
        ways.append(f"{many(count, 'sample')} {'later' if double.lag_samples > 0 else 'earlier'}")
    how = f" ({', '.join(ways)})" if ways else ""
    said = f"the same signal as '{other}'{how}"
    if double.same_file:
        look = "a mono sound in a file of several channels: keep one of them, or look for the mic that is missing"
    else:
        look = "one of the two is patched or named wrongly: record the missing mic, or leave this track out"
    return Remark("double", "problem", said, look)


_QUESTIONS: Final[tuple[Callable[[TrackLevels, WorkingWindow], Iterator[Remark]], ...]] = (
    _clipped,
    _level,
    _hum,
    _noise,
    _offset,
)


@dataclass(frozen=True, slots=True)
class TrackFacts:
    """A track's name, rate (Hz) and length, and its start in seconds since midnight where its file says so."""

    name: str
    sample_rate: int
    duration_s: float
    start_s: float | None = None


def remarks_together(sheets: Sequence[TrackFacts]) -> tuple[Remark, ...]:
    """What is to be said of the take as a whole.

    >>> pair = TrackFacts("kick", 48000, 10.0), TrackFacts("snare", 44100, 10.0)
    >>> [(remark.rule, remark.severity) for remark in remarks_together(pair)]
    [('rates', 'problem')]
    """
    if len(sheets) < 2:
        return ()
    return (*_rates(sheets), *_starts(sheets), *_lengths(sheets))


def _rates(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    rates = [sheet.sample_rate for sheet in sheets]
    usual = max(sorted(set(rates)), key=rates.count)
    odd = [f"'{sheet.name}' ({sheet.sample_rate} Hz)" for sheet in sheets if sheet.sample_rate != usual]
    if odd:
        count, all_ = rates.count(usual), len(sheets)
        said = f"the sample rates differ: {count} of {all_} tracks {'is' if count == 1 else 'are'} at {usual} Hz"
        said += f", but not {_some(odd)}"
        yield Remark("rates", "problem", said, "convert the odd ones to the others' rate before anything else")


def _starts(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    known = [(sheet.start_s, sheet) for sheet in sheets if sheet.start_s is not None]
    if len(known) < 2:
        return
    first = min(start for start, _ in known)
    late = [
        f"'{sheet.name}' ({show_ms(start - first)})"
        for start, sheet in known
        if start - first > 0.5 / sheet.sample_rate
    ]
    if late:
        said = f"by their time stamps not all tracks start together: later than the first are {_some(late)}"
        yield Remark("starts", "note", said, "place the files by their time stamps, not by their beginnings")


def _lengths(sheets: Sequence[TrackFacts]) -> Iterator[Remark]:
    longest = max(sheet.duration_s for sheet in sheets)
    short = [
        f"'{sheet.name}' ({clock(sheet.duration_s)})"
        for sheet in sheets
        if longest - sheet.duration_s > _LENGTHS_DIFFER_S
    ]
    if short:
        said = f"the lengths differ: the longest lasts {clock(longest)}, shorter are {_some(short)}"
        yield Remark("lengths", "note", said, "was a track started late, stopped early, or cut short while copying?")


def _some(names: Sequence[str]) -> str:
    rest = len(names) - 5
    return ", ".join(names[:5]) + (f" and {rest} more" if rest > 0 else "")
