"""The take in words and sounds, for the page: what `take_study` found, ready for the template."""

from __future__ import annotations

from typing import Any, Final

from micalign.alignment.offsets import Remain, Shift
from micalign.report.listening import player_values
from micalign.report.measure_words import polarity_words
from micalign.report.take_study import TakeStudy
from micalign.report.threelines import sum_heads, sum_rows, sum_words
from micalign.take.track_levels import TrackLevels
from micalign.tdoa.told import SourceDelays
from micalign.units import show_centimetres, show_db, show_dbfs, show_hz, show_ms, show_plus_minus, show_samples

__all__ = ["take_values"]

_MOST_REMAINS: Final = 16


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
            show_ms(one.delay.delay_s, sign=True),
            show_plus_minus(one.delay.uncertainty_s),
            polarity_words(one.delay.polarity),
            "yes" if one.delay.reliable else f"no: {one.delay.reason or 'too little in common'}",
        )
        for one in source.tracks
    ]


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
