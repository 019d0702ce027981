"""The setup sheet: one page to pin to the wall before tracking.

Channel list, string lengths and a floor plan, in the user's unit. It fits one page of A4 and of Letter: `sheet_size`
chooses type and plan by the number of lines, and what no page holds is said to stand in the tables that follow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from micalign.acoustics.prediction import Prediction
from micalign.figures.views import key_of
from micalign.findings.moves import string_length
from micalign.scene.model import Mic, Scene
from micalign.units import show_length, show_ms, show_ms_known

__all__ = ["Channel", "SheetSize", "String", "channels", "place_unit", "sheet_size", "strings", "uneven_words"]

_PAGE_MM: Final = 244.0  # Letter within margins of 13 mm is 253 mm high; the rest is room for error
_HEAD_MM: Final = 62.0  # title, line of blanks, two headings, a table head, the cautions, and room for notes
_LINE_MM: Final = (0.4233, 0.85)  # a table's line: type at 1.2 of its size, and padding with rule
_POINTS: Final = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
_PLAN_MM: Final = (130.0, 55.0)  # the tallest plan, and the smallest that is still read
_STRING_COLUMNS: Final = 3
_BOX_LINE_MM: Final = 4.2


@dataclass(frozen=True, slots=True)
class Channel:
    """A line of the channel list; every field is words."""

    number: int
    name: str
    takes: str
    pattern: str
    place: str
    aim: str
    distance: str
    blend: str
    polarity: str
    file: str


@dataclass(frozen=True, slots=True)
class String:
    """A length to cut: from a source to a mic.

    ``equal`` where it must be the same for both mics of a pair, ``kept`` False where by the scene it is not.
    """

    source: str
    mic: str
    length: str
    time: str
    equal: bool
    kept: bool = True


@dataclass(frozen=True, slots=True)
class SheetSize:
    """Type size in points, the plan's height, and how many channels and strings the page holds."""

    points: float
    plan_mm: float
    channels: int
    strings: int

    @property
    def plan_in(self) -> float:
        """The plan's height in inches on its 7.2 inches of width."""
        return self.plan_mm / 25.4


def channels(scene: Scene, prediction: Prediction) -> tuple[Channel, ...]:
    """Mics in the scene's order, then DIs: the numbers, and the letters of the sources, are those of the plan.

    Examples
    --------
    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Source
    >>> scene = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("top", (2.0, 2.0, 1.7), on=("snare",)),))
    >>> channels(scene, predict(scene))[0].distance
    '1.00 m to A'
    """
    files = {plan.name: plan.file for plan in scene.take.tracks} if scene.take else {}
    tags = key_of(scene)
    rows = [_mic_channel(number, mic, scene, prediction, files) for number, mic in enumerate(scene.mics, start=1)]
    for number, di in enumerate(scene.dis, start=len(rows) + 1):
        polarity = "flip" if di.polarity < 0 else ""
        late = f"{show_ms(di.latency_s)} late" if di.latency_s else ""
        rows.append(
            Channel(
                number,
                di.name,
                f"{tags[di.of]} {di.of}",
                "DI",
                "",
                "",
                late,
                _gain(di.gain_db),
                polarity,
                files.get(di.name, ""),
            )
        )
    return tuple(rows)


def _mic_channel(number: int, mic: Mic, scene: Scene, prediction: Prediction, files: dict[str, str]) -> Channel:
    tags = key_of(scene)
    near = [path for path in prediction.paths if path.mic == mic.name and path.source in mic.on]
    nearest = min(near, key=lambda path: path.distance_m, default=None)
    unit = scene.length_unit
    return Channel(
        number,
        mic.name,
        ", ".join(f"{tags[name]} {name}" if len(mic.on) == 1 else tags[name] for name in mic.on),
        mic.pattern,
        ", ".join(show_length(value, place_unit(unit)).removesuffix(f" {place_unit(unit)}") for value in mic.position),
        _aim_words(scene, mic),
        f"{show_length(nearest.distance_m, unit)} to {tags[nearest.source]}" if nearest else "",
        _gain(mic.gain_db),
        "flip" if mic.polarity < 0 else "",
        files.get(mic.name, ""),
    )


def _aim_words(scene: Scene, mic: Mic) -> str:
    """Where a mic looks: to which source or wall, and by how many degrees up or down.

    >>> from micalign.scene.model import Source
    >>> mic = Mic("top", (2.0, 2.0, 1.7), aim="snare", pattern="cardioid", on=("snare",))
    >>> _aim_words(Scene(sources=(Source("snare", (2.0, 1.0, 0.7)),), mics=(mic,)), mic)
    'A, 45° down'
    """
    point = scene.aim_point(mic)
    if point is None:
        return ""
    x, y, z = (there - here for there, here in zip(point, mic.position, strict=True))
    tilt = round(math.degrees(math.atan2(z, math.hypot(x, y))))
    tilted = "level" if tilt == 0 else f"{abs(tilt)}° {'up' if tilt > 0 else 'down'}"
    if isinstance(mic.aim, str):
        return f"{key_of(scene)[mic.aim]}, {tilted}"
    if abs(tilt) > 80:
        return "straight up" if tilt > 0 else "straight down"
    side = ("right" if x > 0 else "left") if abs(x) > abs(y) else ("back" if y > 0 else "front")
    other = ("back" if y > 0 else "front") if abs(x) > abs(y) else ("right" if x > 0 else "left")
    turn = round(math.degrees(math.atan2(min(abs(x), abs(y)), max(abs(x), abs(y)))))
    return f"{side}{f' {turn}° {other}' if turn else ''}, {tilted}"


def place_unit(unit: str) -> str:
    """The unit of the places on the sheet: inches for feet, so that one number tells each."""
    return "in" if unit == "ft" else unit


def _gain(gain_db: float) -> str:
    return f"{gain_db:+.1f} dB" if gain_db else "0 dB"


def strings(scene: Scene, prediction: Prediction) -> tuple[String, ...]:
    """Lengths from sources to mics: those of pairs first, then each mic to the first source it is there for."""
    paths = {(path.source, path.mic): path for path in prediction.paths}
    uneven = {(row.pair, row.source) for row in prediction.pairs if row.equal_to and not row.within_tolerance}
    wanted: dict[tuple[str, str], tuple[bool, bool]] = {}
    for pair in scene.pairs:
        for source in pair.equal_to:
            for name in pair.mics:
                kept = wanted.get((source, name), (True, True))[1] and (pair.name, source) not in uneven
                wanted[source, name] = (True, kept)
    for mic in scene.mics:
        for source in mic.on[:1]:
            wanted.setdefault((source, mic.name), (False, True))
    return tuple(
        String(
            source,
            mic,
            string_length(paths[source, mic].distance_m, scene.length_unit),
            show_ms_known(paths[source, mic].arrival_s, paths[source, mic].uncertainty_s),
            *said,
        )
        for (source, mic), said in wanted.items()
    )


def uneven_words(scene: Scene, prediction: Prediction) -> list[str]:
    """Pairs whose strings should be of one length and are not, a sentence each."""
    return [
        f"'{row.pair}' to '{row.source}': "
        f"{' and '.join(string_length(metres, scene.length_unit) for metres in row.distances_m)}: should be equal; "
        "run 'micalign place'."
        for row in prediction.pairs
        if row.equal_to and not row.within_tolerance
    ]


def sheet_size(channel_count: int, string_count: int, box_lines: int = 0) -> SheetSize:
    """The largest type and plan with which the sheet fits its page; ``box_lines`` of it tell what to mend first.

    >>> sheet_size(6, 9).points, sheet_size(6, 9).plan_mm > 100
    (9.0, True)
    >>> sheet_size(24, 40).points < 9.0
    True
    """
    tallest, smallest = _PLAN_MM
    for points in _POINTS:
        line = _line_mm(points)
        lines = channel_count + -(-string_count // _STRING_COLUMNS)
        left = _PAGE_MM - _HEAD_MM - lines * line - box_lines * _BOX_LINE_MM
        if left >= smallest:
            return SheetSize(points, min(tallest, left), channel_count, string_count)
    return _cut(channel_count, string_count, smallest + box_lines * _BOX_LINE_MM)


def _line_mm(points: float) -> float:
    for_point, fixed = _LINE_MM
    return points * for_point + fixed


def _cut(channel_count: int, string_count: int, plan_mm: float) -> SheetSize:
    """More than the smallest type can hold: channels come first, strings fill what is left."""
    points = _POINTS[-1]
    lines = int((_PAGE_MM - _HEAD_MM - plan_mm) / _line_mm(points))
    held = min(channel_count, lines - 2)
    return SheetSize(points, plan_mm, held, min(string_count, (lines - held) * _STRING_COLUMNS))


def in_columns(rows: Sequence[String]) -> list[list[String]]:
    """The strings in columns of equal length, read downwards."""
    each = -(-len(rows) // _STRING_COLUMNS) or 1
    return [list(rows[start : start + each]) for start in range(0, len(rows), each)]
