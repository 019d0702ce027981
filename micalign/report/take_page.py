"""A take on a page: what is studied of it (levels, delays, offsets, gain, sound), and its words, figures and sounds.

A stretch is every track before and after alignment, for figures of it: at its gain, as recorded, and again shifted and
flipped as the offsets say. Times are seconds on the take's clock. A report opens with three lines: is it sound, what to
move or mend first, what was gained.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from micalign.alignment.di_and_mics import THIRDS_HZ, PairSum
from micalign.alignment.gain import BlendTrack, SumGain, loudest_moment, sum_gain
from micalign.alignment.offsets import Offsets, Remain
from micalign.alignment.pairings import Measured
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.alignment.shift import Span, shifted_blocks
from micalign.arrays import Floats
from micalign.figures.take import (
    CorrelatedPair,
    correlation_figure,
    gain_figure,
    hit_figure,
    levels_figure,
    spectrum_figure,
    sums_figure,
)
from micalign.findings.finding import Finding
from micalign.report.align_words import heard_in, remain_notch
from micalign.report.measure_words import WAY_WORDS, delay_cells, named_lines, sum_heads, sum_rows, sum_words
from micalign.report.sounds import Excerpt, excerpts, player_values
from micalign.report.tables import once, sentence
from micalign.scene.scene import Scene
from micalign.take.levels import measure_levels
from micalign.take.track_levels import TrackLevels
from micalign.take.tracks import Take, Track, as_recorded
from micalign.tdoa.delays import Alone, Delay, SourceDelays
from micalign.units import (
    amplitude_from_db,
    show_centimetres,
    show_db,
    show_dbfs,
    show_ms,
    show_samples,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "Stretch",
    "TakeStudy",
    "opening",
    "stretch",
    "study",
    "take_figures",
    "take_values",
]

_SPECTRUM_S: Final = 8.0  # round the loudest moment: bars enough for a mean
_HIT_S: Final = 0.020  # of one hit: the arrivals in a room, before its ringing hides them
_BEFORE_HIT_S: Final = 0.004  # so that the quiet before the first rise is seen


@dataclass(frozen=True, eq=False)
class Stretch:
    """So many seconds of each track, as recorded (``before``) and as aligned (``after``), at the blend's gains."""

    start_s: float
    sample_rate: int
    before: Mapping[str, Floats]
    after: Mapping[str, Floats]

    @property
    def sum_before(self) -> Floats:
        """The blend as recorded."""
        summed: Floats = np.sum(list(self.before.values()), axis=0)
        return summed

    @property
    def sum_after(self) -> Floats:
        """The blend as aligned."""
        summed: Floats = np.sum(list(self.after.values()), axis=0)
        return summed


def stretch(
    tracks: Sequence[Track],
    offsets: Offsets,
    *,
    start_s: float,
    seconds: float,
    gains_db: Mapping[str, float] | None = None,
) -> Stretch:
    """Cut a stretch out of every track, before and after.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, each with its shift among ``offsets``.
    offsets : Offsets
    start_s, seconds : float
    gains_db : mapping of name to float, optional
        Of the blend; 0 dB where left out.

    Examples
    --------
    >>> from micalign.alignment.offsets import Shift, followed
    >>> late = Shift("late", 0.002, 0.0, -0.002, polarity_flip=True, reliable=True, applied=True)
    >>> offsets = followed([late], reference="first", sample_rate=1000)
    >>> tracks = [Track.from_array("first", [0, 1, 0, 0, 0], 1000), Track.from_array("late", [0, 0, 0, -1, 0], 1000)]
    >>> stretch(tracks, offsets, start_s=0.0, seconds=0.005).sum_after.tolist()
    [0.0, 2.0, 0.0, 0.0, 0.0]
    """
    rate = offsets.sample_rate
    start, frames = round(start_s * rate), round(seconds * rate)
    gains = gains_db or {}
    before, after = {}, {}
    for track in tracks:
        gain, shift = amplitude_from_db(gains.get(track.name, 0.0)), offsets.shift(track.name)
        before[track.name] = gain * track.read(start, frames)
        blocks = shifted_blocks(
            track,
            shift.shift_s * rate,
            polarity=-1 if shift.polarity_flip else 1,
            gain=gain,
            span=Span(start, start + frames),
        )
        after[track.name] = np.concatenate(list(blocks))
    return Stretch(start_s, rate, before, after)


@dataclass(frozen=True, eq=False)
class TakeStudy:
    """What was found; ``heard`` is what there is to hear, none of it where the take is silent."""

    take: Take
    close: frozenset[str]
    levels: tuple[TrackLevels, ...]
    measured: Measured
    offsets: Offsets
    gain: SumGain
    around: Stretch
    hit: Stretch
    hit_of: str
    heard: tuple[Excerpt, ...]

    @property
    def close_sources(self) -> tuple[SourceDelays, ...]:
        """The sources with a track of their own, heard in another one as well."""
        return tuple(one for one in self.measured.sources or () if one.reference in self.close and one.tracks)

    @property
    def is_sound(self) -> bool:
        """Whether every track is as it should be and every delay reliable that is wanted."""
        return not self.unreliable and not any(one.has_problem for one in self.levels)

    @property
    def unreliable(self) -> tuple[str, ...]:
        """The tracks without a reliable delay, but for those left by right: they share no source with the reference."""
        left = {shift.track for shift in self.offsets.shifts if shift.as_recorded}
        return tuple(one.track for one in self.measured.tracks if not one.delay.reliable and one.track not in left)


def study(
    scene: Scene, take: Take, *, alone: Sequence[Alone] = (), say: Callable[[str], None] = lambda _: None
) -> TakeStudy:
    """Measure a take against its scene, plan the offsets, and cut out what a page shows of it.

    Parameters
    ----------
    scene : Scene
    take : Take
        Its tracks, named as in the scene; two or more.
    alone : sequence of Alone
        Where one source sounds alone.
    say : callable
        Told what is being done.

    Raises
    ------
    SceneError, TakeError
        If the take holds fewer than two tracks of the scene, or a file breaks off.
    """
    say("reading levels")
    levels = measure_levels([as_recorded(track)[0] for track in take.tracks])
    say("measuring each source on its own")
    found = measured_scene(scene, take, alone=alone)
    names = [track.name for track in take.tracks]
    gains = _gains_of(scene)
    offsets = planned(found, constraints_of(scene, names, reference=found.reference), gains_db=gains)
    moved = [_moved(track.name, take, offsets, gains) for track in take.tracks]
    middle_s = loudest_moment(take.track(found.reference))
    close = _close_tracks(scene)
    hit = next((one for one in found.sources or () if one.reference in close), None)
    hit_track = hit.reference if hit else found.reference
    say("adding up before and after")
    return TakeStudy(
        take,
        close,
        levels,
        found,
        offsets,
        sum_gain(moved),
        stretch(take.tracks, offsets, start_s=middle_s - _SPECTRUM_S / 2, seconds=_SPECTRUM_S, gains_db=gains),
        stretch(take.tracks, offsets, start_s=_first_rise_s(take, hit_track), seconds=_HIT_S),
        hit.source if hit else "",
        excerpts(scene, take, found, moved),
    )


def _gains_of(scene: Scene) -> dict[str, float]:
    """The blend's gain of each mic and DI."""
    return {mic.name: mic.gain_db for mic in scene.mics} | {di.name: di.gain_db for di in scene.dis}


def _moved(name: str, take: Take, offsets: Offsets, gains: dict[str, float]) -> BlendTrack:
    shift = offsets.shift(name)
    polarity = -1 if shift.polarity_flip else 1
    return BlendTrack(take.track(name), shift.shift_s * take.sample_rate, polarity, gains.get(name, 0.0))


def _close_tracks(scene: Scene) -> frozenset[str]:
    """The tracks that are there for one source alone: close mics and DIs."""
    return frozenset([*(mic.name for mic in scene.mics if len(mic.on) == 1), *(di.name for di in scene.dis)])


def _first_rise_s(take: Take, track: str) -> float:
    """A little before the track rises to a quarter of its height within its loudest moment."""
    rate = take.sample_rate
    start = round((loudest_moment(take.track(track)) - 0.05) * rate)
    size = np.abs(take.track(track).read(start, round(0.1 * rate)))
    rise = int(np.argmax(size >= 0.25 * size.max(initial=0.0)))
    return (start + rise) / rate - _BEFORE_HIT_S


_MOST_REMAINS: Final = 16  # rows, the largest
_RELIED_ON: Final = ("yes", "yes, but its polarity is open")
_ALL_WELL: Final = "The take is sound: all tracks are well, all delays reliable."


def opening(findings: Sequence[Finding], take: Mapping[str, Any] | None = None) -> list[tuple[str, str]]:
    """Name and sentence of each line.

    Parameters
    ----------
    findings : sequence of Finding
        The heaviest first.
    take : mapping, optional
        What `report.take_page.take_values` makes of a recording.

    Examples
    --------
    >>> [words for _, words in opening(())][:2]
    ['The plan is sound: no rule fails.', 'Nothing needs to be moved.']
    """
    return [("Sound?", _sound(findings, take)), ("First", _first(findings, take)), ("Gained", _gained(take))]


def _sound(findings: Sequence[Finding], take: Mapping[str, Any] | None) -> str:
    failures = [one for one in findings if one.severity != "note"]
    notes = len(findings) - len(failures)
    if failures:
        plan = f"The plan is not sound yet: {len(failures)} to mend, {notes} to know."
    else:
        plan = f"The plan is sound: no rule fails{f', {notes} to know' if notes else ''}."
    if take is None:
        return plan
    return f"{_recorded(take)} {plan}"


def _recorded(take: Mapping[str, Any]) -> str:
    """The worst of what the page's tables say of the take."""
    wrong, minor = _wrong(take), _minor(take)
    if wrong:
        return f"The take is not sound: {_listed([*wrong, *minor])}."
    return f"The take will do, but {_listed(minor)}." if minor else _ALL_WELL


def _listed(said: Sequence[str]) -> str:
    return (" and " if len(said) < 3 else "; ").join(said)


def _wrong(take: Mapping[str, Any]) -> list[str]:
    spoiled = _spoiled(take)
    said = [f"{len(spoiled)} of its tracks {'has' if len(spoiled) == 1 else 'have'} a problem"] if spoiled else []
    return said + ([f"{take['unreliable']} of its delays cannot be relied on"] if take["unreliable"] else [])


def _minor(take: Mapping[str, Any]) -> list[str]:
    """What spoils nothing and yet is in the tables: levels, other remarks, delays of single sources."""
    spoiled = _spoiled(take)
    verdicts = {row[0]: row[-1] for row in take["levels"] if row[-1] != "good" and row[0] not in spoiled}
    said = []
    for verdict in dict.fromkeys(verdicts.values()):
        names = [name for name, one in verdicts.items() if one == verdict]
        said.append(f"{_quoted(names)} {'is' if len(names) == 1 else 'are'} {verdict}")
    others = [one["track"] for one in take["remarks"] if one["track"] not in {*spoiled, *verdicts}]
    said += [f"there is a remark on {_quoted(others)}"] if others else []
    relied = {row[0] for row in take["delays"] if row[-1] in _RELIED_ON}
    doubtful = [row[0] for row in take["delays"] if row[-1] not in _RELIED_ON]
    unknown = [source for source in doubtful if source not in relied]
    said += [f"of {_quoted(unknown)} no delay is reliable"] if unknown else []
    if len(doubtful) > len(unknown):
        said.append(f"{len(doubtful)} of {len(take['delays'])} delays of single sources cannot be relied on")
    return said


def _quoted(names: Iterable[str]) -> str:
    """Each name once."""
    return ", ".join(f"'{name}'" for name in dict.fromkeys(names))


def _spoiled(take: Mapping[str, Any]) -> set[str]:
    return {remark["track"] for remark in take["remarks"] if remark["severity"] == "problem"}


def _first(findings: Sequence[Finding], take: Mapping[str, Any] | None) -> str:
    remarks = sorted(take["remarks"], key=lambda one: one["severity"] != "problem") if take else []
    if remarks and remarks[0]["severity"] == "problem":
        return f"{remarks[0]['track']}: {remarks[0]['advice']}"
    failures = [one for one in findings if one.severity != "note"]
    if failures:
        first = next((one for one in failures if one.changes), failures[0])
        # What has no remedy speaks of "it": only its message says of what.
        return first.advice if first.changes else f"{first.message} {first.advice}"
    return f"{remarks[0]['track']}: {remarks[0]['advice']}" if remarks else "Nothing needs to be moved."


def _gained(take: Mapping[str, Any] | None) -> str:
    if take is None:
        return (
            "Nothing is recorded yet. With a take (or one made by 'micalign simulate') this says what alignment gains."
        )
    if take["gain_db"] is None:
        return "Nothing: there is no sum of two tracks to hold against its parts."
    before, after = take["gain_db"]
    steps = f"{show_db(before, sign=True)} before, {show_db(after, sign=True)} after"
    change = f"{show_db(after - before, sign=True)} ({steps})"
    if after < before:
        return f"Nothing, on the whole: aligned, the sum of all tracks loses against its parts, {change}. Listen first."
    return f"Aligned, the sum of all tracks gains against its parts: {change}."


def take_figures(found: TakeStudy) -> dict[str, Figure]:
    """Levels, correlation over delay, one hit, what the sum gains, its spectrum, how each DI adds up with its mic."""
    rate = found.take.sample_rate
    hit, around = found.hit, found.around
    figures = {
        "levels": levels_figure(found.levels),
        "hit": hit_figure(hit.before, hit.after, sample_rate=rate, start_s=hit.start_s, of=found.hit_of),
        "gain": gain_figure(found.gain),
        "spectrum": spectrum_figure(around.sum_before, around.sum_after, sample_rate=rate),
    }
    sums = [(f"{one.reference} and {one.track}", _thirds(one)) for one in found.measured.sums]
    if sums:
        figures["sums"] = sums_figure(sums, THIRDS_HZ)
    pairs = _correlated_pairs(found)
    return figures | ({"correlation": correlation_figure(pairs)} if pairs else {})


def _thirds(one: PairSum) -> dict[str, tuple[float, ...]]:
    return {WAY_WORDS[name]: line.thirds_db for name, line in named_lines(one)}


def _correlated_pairs(found: TakeStudy) -> list[CorrelatedPair]:
    """Each source's own track with the two in which the source is measured best; else all with the reference."""
    track = found.take.track
    pairs = [
        CorrelatedPair(
            f"{source.source}: {source.reference} to {one.track}", track(source.reference), track(one.track), one.delay
        )
        for source in found.close_sources
        for one in sorted(source.tracks, key=lambda one: -one.delay.confidence)[:2]
    ]
    reference = found.measured.reference
    rest = [
        CorrelatedPair(f"{reference} to {one.track}", track(reference), track(one.track), one.delay)
        for one in found.measured.tracks
    ]
    return pairs or rest


def take_values(found: TakeStudy, *, speed_of_sound_m_s: float) -> dict[str, Any]:
    """What the template ``report.html.j2`` asks for under ``take``."""
    measured = found.measured
    offsets = found.offsets
    wanted = [one for one in offsets.remains if not one.is_faint]
    heard = sorted(wanted, key=lambda one: -abs(one.remain_s))[:_MOST_REMAINS]
    return {
        "levels": [_level_row(one) for one in found.levels],
        "remarks": [
            {"track": one.name, "severity": remark.severity, "message": remark.message, "advice": remark.advice}
            for one in found.levels
            for remark in one.remarks
        ],
        "delays": [row for source in measured.sources or () for row in _delay_rows(source)],
        "offsets": _offset_rows(offsets, speed_of_sound_m_s),
        "compromise": sentence(offsets.compromise),
        "remains": [_remain_row(one) for one in heard],
        "gain": _gain_words(found),
        "gain_db": _gain_db(found),
        "sums": [
            {"title": f"{one.reference} and {one.track}", "rows": sum_rows(one), "words": sum_words(one)}
            for one in measured.sums
        ],
        "sum_heads": sum_heads(),
        "is_sound": found.is_sound,
        "unreliable": len(found.unreliable),
        "heard": player_values(found.heard),
    }


def _level_row(one: TrackLevels) -> tuple[str, ...]:
    floor = "none" if one.noise_floor_dbfs is None else _number(one.noise_floor_dbfs)
    peak = one.verdict if one.peak == 0 else _number(one.peak_dbfs)
    true_peak = "" if one.true_peak == 0 else _number(one.true_peak_dbtp)
    level = "" if one.mean_square == 0 else _number(one.rms_dbfs)
    return (one.name, peak, true_peak, level, floor, one.verdict)


def _number(level_db: float) -> str:
    """A level under a heading that names its unit."""
    return show_dbfs(level_db).removesuffix(" dBFS")


def _delay_rows(source: SourceDelays) -> list[tuple[str, ...]]:
    return [
        (
            source.source,
            one.track,
            source.reference,
            *(delay_cells(one.delay) if one.delay.is_known else ("-", "-", "-")),
            _relied_on(one.delay),
        )
        for one in source.tracks
    ]


def _relied_on(delay: Delay) -> str:
    if not delay.reliable:
        return f"no: {delay.reason or 'too little in common'}"
    return _RELIED_ON[0 if delay.is_polarity_clear else 1]


def _offset_rows(offsets: Offsets, speed_m_s: float) -> list[tuple[str, ...]]:
    reasons = once([(one.track, one.reason or "no reliable delay") for one in offsets.shifts])
    return [
        (
            one.track,
            show_ms(one.shift_s, sign=True),
            show_samples(one.shift_s * offsets.sample_rate),
            show_centimetres(one.shift_s * speed_m_s),
            "flip" if one.polarity_flip else "",
            "yes" if one.applied and not one.stays else f"no: {reason}",
        )
        for one, reason in zip(offsets.shifts, reasons, strict=True)
    ]


def _remain_row(one: Remain) -> tuple[str, ...]:
    notch = remain_notch(one)
    return (one.source, heard_in(one), one.against, show_ms(one.remain_s, sign=True), notch)


def _gain_db(found: TakeStudy) -> tuple[float, float] | None:
    before, after = found.gain.before_db, found.gain.after_db
    return None if before is None or after is None else (before, after)


def _gain_words(found: TakeStudy) -> str:
    gained = _gain_db(found)
    if gained is None:
        return ""
    before, after = gained
    return (
        f"Energy of the sum against the sum of the energies: {show_db(before, sign=True)} before, "
        f"{show_db(after, sign=True)} after."
    )
