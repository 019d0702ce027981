"""The take on a page, in words, figures and sounds: what `take_study` found, ready for the template.

The three lines a report opens with: is it sound, what to move or mend first, what was gained.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.alignment.offsets import Remain, Shift
from micalign.alignment.onepath.pair import THIRDS_HZ, PairSum
from micalign.figures.level_strips import levels_figure
from micalign.figures.take import Likeness, correlation_figure, gain_figure, hit_figure, spectrum_figure, sums_figure
from micalign.findings.finding import Finding
from micalign.report.listening import player_values
from micalign.report.measure_words import polarity_words
from micalign.report.take_study import TakeStudy
from micalign.report.threelines import WAY_WORDS, named_lines, sum_heads, sum_rows, sum_words
from micalign.take.track_levels import TrackLevels
from micalign.tdoa.delays import Delay, SourceDelays
from micalign.units import show_centimetres, show_db, show_dbfs, show_hz, show_ms, show_plus_minus, show_samples

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["likenesses", "opening", "take_figures", "take_values"]
_MOST_REMAINS: Final = 16
_ALL_WELL: Final = "The take is: all tracks are well, all delays reliable."


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
    ['The plan is: no rule fails.', 'Nothing needs to be moved.']
    """
    return [("Sound?", _sound(findings, take)), ("First", _first(findings, take)), ("Gained", _gained(take))]


def _sound(findings: Sequence[Finding], take: Mapping[str, Any] | None) -> str:
    failures = [one for one in findings if one.severity != "note"]
    notes = len(findings) - len(failures)
    if failures:
        plan = f"The plan is not yet: {len(failures)} to mend, {notes} to know."
    else:
        plan = f"The plan is: no rule fails{f', {notes} to know' if notes else ''}."
    if take is None:
        return plan
    return f"{_recorded(take)} {plan}"


def _recorded(take: Mapping[str, Any]) -> str:
    """The worst of what the page's tables say of the take."""
    wrong, minor = _wrong(take), _minor(take)
    if wrong:
        return f"The take is not: {' and '.join([*wrong, *minor])}."
    return f"The take will do, but {' and '.join(minor)}." if minor else _ALL_WELL


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
    relied = {row[0] for row in take["delays"] if row[-1] == "yes"}
    doubtful = [row[0] for row in take["delays"] if row[-1] != "yes"]
    unknown = [source for source in doubtful if source not in relied]
    said += [f"of {_quoted(unknown)} no delay is reliable"] if unknown else []
    some = len(doubtful) - len(unknown)
    return said + ([f"{some} of {len(take['delays'])} delays of single sources cannot be relied on"] if some else [])


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
    return (
        f"Aligned, the sum keeps {show_db(after - before, sign=True)} of its parts' energy "
        f"({show_db(before, sign=True)} before, {show_db(after, sign=True)} after)."
    )


def take_figures(found: TakeStudy) -> dict[str, Figure]:
    """Levels, likeness over delay, one hit, what the sum gains, its spectrum, and how each DI adds up with its mic."""
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
    pairs = likenesses(found)
    return figures | ({"correlation": correlation_figure(pairs)} if pairs else {})


def _thirds(one: PairSum) -> dict[str, tuple[float, ...]]:
    return {WAY_WORDS[name]: line.thirds_db for name, line in named_lines(one)}


def likenesses(found: TakeStudy) -> list[Likeness]:
    """Each source's own track with the two in which the source is measured best; else all with the reference."""
    track = found.take.track
    pairs = [
        Likeness(
            f"{source.source}: {source.reference} to {one.track}", track(source.reference), track(one.track), one.delay
        )
        for source in found.close_sources
        for one in sorted(source.tracks, key=lambda one: -one.delay.confidence)[:2]
    ]
    reference = found.measured.reference
    rest = [
        Likeness(f"{reference} to {one.track}", track(reference), track(one.track), one.delay)
        for one in found.measured.tracks
    ]
    return pairs or rest


def take_values(found: TakeStudy, *, speed_of_sound_m_s: float) -> dict[str, Any]:
    """What the template ``report.html.j2`` asks for under ``take``."""
    measured = found.measured
    offsets = found.offsets
    wanted = [one for one in offsets.remains if not one.is_bleed]
    heard = sorted(wanted, key=lambda one: -abs(one.remain_s))[:_MOST_REMAINS]
    return {
        "levels": [_level_row(one) for one in found.levels],
        "remarks": [
            {"track": one.name, "severity": remark.severity, "message": remark.message, "advice": remark.advice}
            for one in found.levels
            for remark in one.remarks
        ],
        "delays": [row for source in measured.sources or () for row in _delay_rows(source)],
        "offsets": [_offset_row(shift, offsets.sample_rate, speed_of_sound_m_s) for shift in offsets.shifts],
        "compromise": _sentence(offsets.compromise),
        "remains": [_remain_row(one) for one in heard],
        "gain": _gain_words(found),
        "gain_db": _gain_db(found),
        "sums": [
            {"title": f"{one.reference} and {one.track}", "rows": sum_rows(one), "words": sum_words(one)}
            for one in measured.sums
        ],
        "sum_heads": sum_heads(),
        "is_sound": found.is_sound,
        "unreliable": sum(not one.delay.reliable for one in measured.tracks),
        "heard": player_values(found.heard),
    }


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}." if words else ""


def _level_row(one: TrackLevels) -> tuple[str, ...]:
    floor = "none" if one.noise_floor_dbfs is None else _number(one.noise_floor_dbfs)
    peak = "silent" if one.peak == 0 else _number(one.peak_dbfs)
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
            *(_measured(one.delay) if one.delay.is_known else ("-", "-", "-")),
            "yes" if one.delay.reliable else f"no: {one.delay.reason or 'too little in common'}",
        )
        for one in source.tracks
    ]


def _measured(delay: Delay) -> tuple[str, str, str]:
    return show_ms(delay.delay_s, sign=True), show_plus_minus(delay.uncertainty_s), polarity_words(delay.polarity)


def _offset_row(shift: Shift, sample_rate: int, speed_m_s: float) -> tuple[str, ...]:
    applied = "yes" if shift.applied else f"no: {shift.reason or 'no reliable delay'}"
    return (
        shift.track,
        show_ms(shift.shift_s, sign=True),
        show_samples(shift.shift_s * sample_rate),
        show_centimetres(shift.shift_s * speed_m_s),
        "flip" if shift.polarity_flip else "",
        applied,
    )


def _remain_row(one: Remain) -> tuple[str, ...]:
    notch = "none" if one.first_notch_hz is None or one.first_notch_hz > 20000 else show_hz(one.first_notch_hz)
    return (one.source, one.track, one.against, show_ms(one.remain_s, sign=True), notch)


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
