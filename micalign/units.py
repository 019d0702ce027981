"""How are numbers and results shown: in the units of the trade, with the digits they deserve, a result in a few rows?

Numbers inside micalign are SI (metres, seconds, hertz) and levels are decibels of amplitude. Everything that turns
one into another, or into words, is here. A class that prints as a `Listing` says only what stands in it; text, HTML and
plain values follow from it.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from itertools import islice
from typing import Any, Final, overload

import numpy as np

from micalign.arrays import Floats

__all__ = [
    "AUDIBLE_HZ",
    "FAINT_DBFS",
    "METRES",
    "Listing",
    "Shown",
    "amplitude_from_db",
    "at_hz_range",
    "db_from_amplitude",
    "db_from_power",
    "dbfs_cell",
    "many",
    "power_from_db",
    "short_length",
    "show_band",
    "show_centimetres",
    "show_db",
    "show_dbfs",
    "show_hz",
    "show_hz_range",
    "show_length",
    "show_ms",
    "show_ms_known",
    "show_ms_within",
    "show_percent",
    "show_plus_minus",
    "show_polarity",
    "show_ratio",
    "show_samples",
    "show_speed",
    "significant",
    "string_length",
]

METRES: Final = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
"""Metres in one of each length unit; foot and inch are exact (international yard, 1959)."""


AUDIBLE_HZ: Final = 20_000.0
"""Hertz: the upper end of what people hear, as handbooks round it."""

FAINT_DBFS: Final = -150.0
"""Decibels of full scale under a file of 24 bits' own noise, a step of 2^-23 over the root of 12 (-149.3): what
is lower, as files of floats hold it, is no sound."""

_MOST_ROWS: Final = 12  # a screen holds some twenty lines; the rest is counted, and stands in the result's own fields


@overload
def db_from_amplitude(ratio: float) -> float: ...
@overload
def db_from_amplitude(ratio: Floats) -> Floats: ...
def db_from_amplitude(ratio: float | Floats) -> float | Floats:
    """Decibels of an amplitude ratio: 20 log10 |ratio|; minus infinity for zero.

    >>> round(db_from_amplitude(0.5), 4)
    -6.0206
    >>> db_from_amplitude(0.0)
    -inf
    """
    with np.errstate(divide="ignore"):
        level = 20.0 * np.log10(np.abs(ratio))
    return level if isinstance(ratio, np.ndarray) else float(level)


@overload
def db_from_power(ratio: float) -> float: ...
@overload
def db_from_power(ratio: Floats) -> Floats: ...
def db_from_power(ratio: float | Floats) -> float | Floats:
    """Decibels of a power ratio: 10 log10 ratio; minus infinity for zero.

    >>> round(db_from_power(2.0), 4)
    3.0103
    """
    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(ratio)
    return level if isinstance(ratio, np.ndarray) else float(level)


@overload
def amplitude_from_db(level_db: float) -> float: ...
@overload
def amplitude_from_db(level_db: Floats) -> Floats: ...
def amplitude_from_db(level_db: float | Floats) -> float | Floats:
    """Amplitude ratio of a level in decibels.

    >>> round(amplitude_from_db(-6.0206), 4)
    0.5
    """
    ratio = np.power(10.0, np.asarray(level_db) / 20.0)
    return ratio if isinstance(level_db, np.ndarray) else float(ratio)


@overload
def power_from_db(level_db: float) -> float: ...
@overload
def power_from_db(level_db: Floats) -> Floats: ...
def power_from_db(level_db: float | Floats) -> float | Floats:
    """Power ratio of a level in decibels.

    >>> round(power_from_db(3.0103), 4)
    2.0
    """
    ratio = np.power(10.0, np.asarray(level_db) / 10.0)
    return ratio if isinstance(level_db, np.ndarray) else float(ratio)


_LEAST_SHOWN: Final = 1e-9
"""Count of any unit: what is smaller is rounding, and shown as 0."""


def many(count: int, thing: str) -> str:
    """So many of a thing whose plural takes an s.

    >>> many(1, "moment"), many(2, "moment")
    ('1 moment', '2 moments')
    """
    return f"{count} {thing}{'' if count == 1 else 's'}"


def significant(value: float, digits: int) -> str:
    """``value`` with so many significant digits and no exponent; below a billionth it is shown as 0.

    >>> significant(1234.5, 3), significant(0.012345, 3), significant(0.0, 3), significant(1e-300, 3)
    ('1230', '0.0123', '0', '0')
    """
    if abs(value) < _LEAST_SHOWN or not math.isfinite(value):
        return "0" if abs(value) < _LEAST_SHOWN else str(value)
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    # Rounding first may carry into a further digit (9.999 -> 10.0): ask again for the places of the result.
    rounded = round(value, decimals)
    if rounded == 0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(rounded)))
    return f"{rounded:.{max(decimals, 0)}f}"


def show_ms(seconds: float, *, sign: bool = False) -> str:
    """A time in milliseconds to the microsecond below 10 ms, coarser above.

    >>> show_ms(0.0012345), show_ms(-0.0451, sign=True), show_ms(0.0003, sign=True)
    ('1.234 ms', '-45.10 ms', '+0.300 ms')
    """
    if not math.isfinite(seconds):
        return "no time"
    value = seconds * 1e3
    decimals = 3 if abs(value) < 10 else 2 if abs(value) < 100 else 1
    value = round(value, decimals) + 0.0  # no minus before nothing
    shown = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    return f"{shown} ms"


def show_ms_known(seconds: float, sigma_s: float, *, sign: bool = False) -> str:
    """A time in milliseconds with no more decimals than its uncertainty leaves it.

    >>> show_ms_known(0.0047681, 41e-6), show_ms_known(0.0047681, 4e-6), show_ms_known(-0.04, 0.002, sign=True)
    ('4.77 ms', '4.768 ms', '-40 ms')
    """
    decimals = 3 if sigma_s <= 0 else min(max(math.ceil(-math.log10(sigma_s * 1e3)), 0), 3)
    value = round(seconds * 1e3, decimals) + 0.0
    return f"{value:+.{decimals}f} ms" if sign else f"{value:.{decimals}f} ms"


def show_ms_within(seconds: float, sigma_s: float, *, sign: bool = False) -> str:
    """A time and one standard deviation of it, both to the digits that the deviation leaves.

    >>> show_ms_within(0.00028, 48e-6), show_ms_within(-0.0031, 2e-6, sign=True), show_ms_within(0.0031, 2e-7)
    ('0.28 ms ± 0.05 ms', '-3.100 ms ± 0.002 ms', '3.100 ms ± 0.20 µs')
    """
    shown, within = show_ms_known(seconds, sigma_s, sign=sign), show_ms_known(sigma_s, sigma_s)
    return f"{shown} ± {within if sigma_s >= 5e-7 else show_plus_minus(sigma_s)}"


def show_hz_range(low_hz: float, high_hz: float | None) -> str:
    """A range of frequencies, each end with no more digits than the width leaves it.

    >>> show_hz_range(590.2, 641.0), show_hz_range(9640.0, 11230.0), show_hz_range(700.0, None)
    ('590-640 Hz', '9.6-11.2 kHz', 'above 700 Hz')
    >>> show_hz_range(430.0, 8100.0), show_hz_range(430.0, 8e5)
    ('400-8100 Hz', 'above 430 Hz')
    >>> show_hz_range(210.0, 13_460.0)
    '200-13000 Hz'
    """
    if high_hz is None or high_hz > AUDIBLE_HZ:
        return f"above {show_hz(float(significant(low_hz, 2)))}"
    width = math.floor(math.log10(max(high_hz - low_hz, 1e-3) / 2))
    step = 10.0 ** max(min(width, math.floor(math.log10(max(low_hz, 1.0)))), 0)
    # Of a wide range the upper end says little more than how large it is.
    coarse = max(step, 10.0 ** (math.floor(math.log10(high_hz)) - 1)) if high_hz > 2.0 * low_hz else step
    low, high = round(low_hz / step) * step, round(high_hz / coarse) * coarse
    if low == high:
        return show_hz(low_hz)
    return f"{low / 1e3:g}-{high / 1e3:g} kHz" if low >= 1e3 else f"{low:g}-{high:g} Hz"


def at_hz_range(low_hz: float, high_hz: float | None) -> str:
    """Where in such a range something lies, for a sentence.

    >>> at_hz_range(590.2, 641.0), at_hz_range(700.0, None)
    ('at 590-640 Hz', 'above 700 Hz')
    """
    shown = show_hz_range(low_hz, high_hz)
    return shown if shown.startswith("above") else f"at {shown}"


def show_hz(frequency_hz: float) -> str:
    """A frequency with three significant digits, in kHz from 1 kHz up.

    >>> show_hz(87.44), show_hz(612.3), show_hz(12345.0)
    ('87.4 Hz', '612 Hz', '12.3 kHz')
    """
    if abs(frequency_hz) >= 999.5:
        return f"{significant(frequency_hz / 1e3, 3)} kHz"
    return f"{significant(frequency_hz, 3)} Hz"


_NOMINAL: Final = ("1", "1.25", "1.6", "2", "2.5", "3.15", "4", "5", "6.3", "8")


def show_band(centre_hz: float) -> str:
    """The name of a third-octave band by its nominal frequency, as meters and equalisers are marked (IEC 61260-1).

    >>> [show_band(centre) for centre in (31.62, 39.81, 125.9, 316.2, 1000.0, 1258.9, 12589.3)]
    ['31.5 Hz', '40 Hz', '125 Hz', '315 Hz', '1 kHz', '1.25 kHz', '12.5 kHz']
    """
    decade, step = divmod(round(10 * math.log10(centre_hz)), 10)
    nominal = float(_NOMINAL[step]) * 10.0**decade
    return f"{nominal / 1e3:g} kHz" if nominal >= 999.5 else f"{nominal:g} Hz"


def show_db(level_db: float, *, sign: bool = False) -> str:
    """A level to a tenth of a decibel; silence and full cancellation in words.

    >>> show_db(-9.5424), show_db(2.5, sign=True), show_db(float("-inf"))
    ('-9.5 dB', '+2.5 dB', 'total')
    """
    if level_db == -math.inf or level_db < -99.95:
        return "total"
    value = round(level_db, 1) + 0.0
    return f"{value:+.1f} dB" if sign else f"{value:.1f} dB"


def show_dbfs(level_db: float, *, sign: bool = False) -> str:
    """A level against full scale, to a tenth of a decibel down to `FAINT_DBFS`; minus infinity is silence.

    >>> show_dbfs(-99.96), show_dbfs(0.25, sign=True), show_dbfs(-606.8), show_dbfs(float("-inf"))
    ('-100.0 dBFS', '+0.2 dBFS', 'below -150 dBFS', 'silence')
    """
    if level_db == -math.inf:
        return "silence"
    if level_db < FAINT_DBFS:
        return f"below {FAINT_DBFS:.0f} dBFS"
    value = round(level_db, 1) + 0.0
    return f"{value:+.1f} dBFS" if sign else f"{value:.1f} dBFS"


def dbfs_cell(level: float | None) -> str:
    """A level against full scale for a column whose heading names the unit; a dash where there is none.

    >>> dbfs_cell(-3.04), dbfs_cell(-606.8), dbfs_cell(None)
    ('-3.0', '<-150', '-')
    """
    if level is None or not math.isfinite(level):
        return "-"
    return show_dbfs(level).removesuffix(" dBFS").replace("below ", "<")


def show_percent(value: float) -> str:
    """A percentage with two significant digits below ten, whole above.

    >>> show_percent(0.34), show_percent(71.2)
    ('0.34 %', '71 %')
    """
    return f"{significant(value, 2)} %" if abs(value) < 10 else f"{value:.0f} %"


def show_ratio(value: float) -> str:
    """A ratio as the spacing rule writes it.

    >>> show_ratio(3.1623)
    '3.2:1'
    """
    return f"{value:.1f}:1"


def show_centimetres(metres: float) -> str:
    """A short length in whole centimetres, millimetres below 1 cm.

    >>> show_centimetres(0.0712), show_centimetres(0.0049)
    ('7 cm', '5 mm')
    """
    if abs(metres) < 0.0095:
        return f"{metres * 1000:.0f} mm"
    return f"{metres * 100:.0f} cm"


def show_length(metres: float, unit: str = "m") -> str:
    """A length in the user's own unit, as people say it, to the centimetre or the quarter inch.

    >>> show_length(1.0414, "m"), show_length(1.0414, "cm"), show_length(1.0414, "in"), show_length(1.0414, "ft")
    ('1.04 m', '104 cm', '41 in', '3 ft 5 in')
    >>> show_length(0.0064, "in"), show_length(0.9143, "ft")
    ('1/4 in', '3 ft')
    """
    if unit == "m":
        return f"{metres:.2f} m"
    if unit == "cm":
        return f"{metres * 100:.0f} cm"
    if unit == "mm":
        return f"{metres * 1000:.0f} mm"
    return _show_inches(metres, feet=unit == "ft")


def short_length(metres: float, unit: str) -> str:
    """A short length in the user's unit: centimetres in a metric scene.

    >>> short_length(0.042, "m"), short_length(1.25, "m"), short_length(0.042, "in")
    ('4 cm', '1.25 m', '1 3/4 in')
    """
    if unit in {"in", "ft"}:
        return show_length(metres, unit)
    return show_centimetres(metres) if metres < 0.995 else show_length(metres, "m")


def string_length(metres: float, unit: str) -> str:
    """The length of a string to cut: to the millimetre, or the eighth of an inch.

    >>> string_length(1.2669, "m"), string_length(1.2669, "in"), string_length(1.2669, "ft")
    ('126.7 cm', '49 7/8 in', '4 ft 1 7/8 in')
    """
    if unit in {"in", "ft"}:
        return _show_inches(metres, feet=unit == "ft", parts=8)
    return f"{metres * 100:.1f} cm"


def show_speed(metres_per_second: float, unit: str = "m") -> str:
    """A speed for a reader of feet and inches, or of metres.

    >>> show_speed(343.99), show_speed(343.99, "in")
    ('344 m/s', '1129 ft/s')
    """
    if unit in {"ft", "in"}:
        return f"{metres_per_second / METRES['ft']:.0f} ft/s"
    return f"{metres_per_second:.0f} m/s"


def _show_inches(metres: float, *, feet: bool, parts: int = 4) -> str:
    count = round(abs(metres) / METRES["in"] * parts)
    sign = "-" if metres < 0 and count else ""
    whole_feet, count = divmod(count, 12 * parts) if feet else (0, count)
    inches, rest = divmod(count, parts)
    below = math.gcd(rest, parts)
    fraction = f"{rest // below}/{parts // below}" if rest else ""
    inch_words = " ".join(part for part in (str(inches) if inches else "", fraction) if part)
    words = [f"{whole_feet} ft"] if whole_feet else []
    if inch_words:
        words.append(f"{inch_words} in")
    return sign + (" ".join(words) or ("0 ft" if feet else "0 in"))


def show_samples(samples: float, sigma: float = 0.0) -> str:
    """A signed number of samples to a hundredth below ten thousand, to a tenth above; a measured one to two digits of
    its standard deviation.

    >>> show_samples(-133.372), show_samples(0.0004), show_samples(72000.04), show_samples(-133.372, 11.0)
    ('-133.37', '0.00', '+72000.0', '-133')
    """
    decimals = 2 if abs(samples) < 1e4 else 1
    if sigma > 0:
        decimals = min(decimals, max(math.ceil(-math.log10(sigma)) + 1, 0))
    value = round(samples, decimals) + 0.0
    return f"{value:+.{decimals}f}" if value else f"{value:.{decimals}f}"


def show_polarity(polarity: int, *, clear: bool) -> str:
    """``same`` as the reference, or ``INVERTED``; a question mark where that is in doubt.

    >>> show_polarity(-1, clear=True), show_polarity(-1, clear=False), show_polarity(1, clear=True)
    ('INVERTED', 'inverted?', 'same')
    """
    word = "same" if polarity > 0 else "INVERTED"
    return word if clear else f"{word.lower()}?"


def show_plus_minus(seconds: float) -> str:
    """One standard deviation of a time, with two significant digits, in microseconds or milliseconds.

    >>> show_plus_minus(0.0000031), show_plus_minus(0.0012), show_plus_minus(2e-9)
    ('3.1 µs', '1.2 ms', '< 0.1 µs')
    """
    if seconds < 1e-7:
        return "< 0.1 µs"
    return f"{significant(seconds * 1e3, 2)} ms" if seconds >= 1e-3 else f"{significant(seconds * 1e6, 2)} µs"


@dataclass(frozen=True, slots=True)
class Listing:
    """A short table: its first ``words`` columns are words, the others figures; ``count`` is that of all rows."""

    title: str
    headings: Sequence[str]
    rows: Iterable[Sequence[str]]
    count: int
    words: int = 1

    def shown_rows(self) -> tuple[list[list[str]], str]:
        """The rows that are shown, and a word on those that are not."""
        shown = [[str(cell) for cell in row] for row in islice(self.rows, _MOST_ROWS)]
        left = self.count - len(shown)
        return shown, f"... and {left} more" if left > 0 else ""


class Shown(ABC):
    """A result that prints as a short table, and gives its figures as plain values."""

    __slots__ = ()

    @abstractmethod
    def _listing(self) -> Listing:
        """What stands in the table."""

    def __repr__(self) -> str:
        listing = self._listing()
        rows, more = listing.shown_rows()
        lines = [_harmless(listing.title)]
        if rows:
            cells = [[_harmless(cell) for cell in row] for row in (listing.headings, *rows)]
            widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
            lines += [_line(row, widths, listing.words) for row in cells]
        return "\n".join([*lines, *([more] if more else [])])

    def _repr_html_(self) -> str:
        from html import escape  # noqa: PLC0415 - only a notebook asks

        def row(cells: Iterable[str], kind: str) -> str:
            return f"<tr>{''.join(f'<{kind}>{escape(_harmless(cell))}</{kind}>' for cell in cells)}</tr>"

        listing = self._listing()
        rows, more = listing.shown_rows()
        body = "".join(row(cells, "td") for cells in rows)
        head = f"<thead>{row(listing.headings, 'th')}</thead><tbody>{body}</tbody>" if rows else ""
        table = f"<table><caption>{escape(_harmless(listing.title))}</caption>{head}</table>"
        return f"{table}<p>{more}</p>" if more else table

    def to_dict(self) -> dict[str, Any]:
        """Its fields as plain values (lists for arrays, None for what is not finite), ready for JSON."""
        return {one.name: _plain(getattr(self, one.name)) for one in fields(self)}  # type: ignore[arg-type]


def _line(cells: Sequence[str], widths: Sequence[int], words: int) -> str:
    sides = [cell.ljust if place < words else cell.rjust for place, cell in enumerate(cells)]
    return "   ".join(side(width) for side, width in zip(sides, widths, strict=True)).rstrip()


def _harmless(text: str) -> str:
    """A user's own text without what would steer a terminal."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def _plain(value: Any) -> Any:
    if isinstance(value, Shown):
        return value.to_dict()
    if is_dataclass(value) and not isinstance(value, type):
        held = {one.name: getattr(value, one.name) for one in fields(value)}
        return {name: _plain(one) for name, one in held.items() if not callable(one)}
    if hasattr(value, "tolist"):  # an array, or one of its numbers
        return _plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
