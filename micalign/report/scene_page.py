"""The one page of a scene, and of its take where there is one: setup sheet, findings, figures, numbers.

The setup sheet is one page to pin to the wall before tracking: channel list, string lengths and a floor plan, in the
user's unit. It fits one page of A4 and of Letter: `sheet_size` chooses type and plan by the number of lines, and what
no page holds is said to stand in the tables that follow. What is seen in each figure is put into words too, for those
who cannot see it: the kind of figure, then what it shows of this scene or take: places, first notches, times, gains.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup

from micalign.acoustics.comb import Difference
from micalign.acoustics.prediction import Prediction, Spacing
from micalign.acoustics.room import Reflection
from micalign.acoustics.tuned import CLOSE_M
from micalign.figures.gallery import slug
from micalign.figures.late_copies import pairs_that_matter
from micalign.figures.views import key_of
from micalign.files.scenes import Slot
from micalign.findings.finding import Finding
from micalign.report.check_tables import depth_words, late_words, notch_range_words, notch_words, spacing_figures
from micalign.report.page import HEARING_WORDS, allowed_minutes, page, plan_values, show_minutes
from micalign.report.take_page import opening
from micalign.scene.model import Mic
from micalign.scene.scene import Scene
from micalign.units import (
    show_db,
    show_hz,
    show_length,
    show_ms,
    show_ms_known,
    show_ms_within,
    string_length,
)

__all__ = [
    "Channel",
    "SheetSize",
    "String",
    "channels",
    "report_page",
    "sheet_plan_in",
    "sheet_size",
    "strings",
    "uneven_words",
]

_PAGE_MM: Final = 244.0  # Letter within margins of 13 mm is 253 mm high; the rest is room for error
_HEAD_MM: Final = 62.0  # title, line of blanks, two headings, a table head, the cautions, and room for notes
_LINE_MM: Final = (0.4233, 0.85)  # a table's line: type at 1.2 of its size, and padding with rule
_POINTS: Final = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)  # type sizes that are tried, the largest first
_PLAN_MM: Final = (130.0, 55.0)  # the tallest plan, and the smallest that is still read
_STRING_COLUMNS: Final = 3  # across the page
_BOX_LINE_MM: Final = 4.2  # a line of what to mend first, with its spacing
_MOST_PLACES: Final = 12  # in the words for a figure: nobody listens to more
_MOST_COMBS: Final = 3  # as many as the figure draws
_MOST_ROWS: Final = 12  # of a table on the page
_BOX_LINES: Final = 4  # of what to mend first
_EXPOSURE_DBA: Final = (85, 88, 91, 94, 97, 100, 103, 106, 109)  # each halves the time
_UPRIGHT_DEGREES: Final = 80  # a mic that looks steeper looks straight up or down


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
        named, gain, file = f"{tags[di.of]} {di.of}", _gain(di.gain_db), files.get(di.name, "")
        rows.append(Channel(number, di.name, named, "DI", "", "", late, gain, polarity, file))
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
        ", ".join(
            show_length(value, _place_unit(unit)).removesuffix(f" {_place_unit(unit)}") for value in mic.position
        ),
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
    if abs(tilt) > _UPRIGHT_DEGREES:
        return "straight up" if tilt > 0 else "straight down"
    side = ("right" if x > 0 else "left") if abs(x) > abs(y) else ("back" if y > 0 else "front")
    other = ("back" if y > 0 else "front") if abs(x) > abs(y) else ("right" if x > 0 else "left")
    turn = round(math.degrees(math.atan2(min(abs(x), abs(y)), max(abs(x), abs(y)))))
    return f"{side}{f' {turn}° {other}' if turn else ''}, {tilted}"


def _place_unit(unit: str) -> str:
    """The unit of the places on the sheet: inches for feet, so that each is one number."""
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
    for ends in ((source, mic.name) for mic in scene.mics for source in mic.on[:1]):
        wanted.setdefault(ends, (False, True))
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
    """The largest type and plan with which the sheet fits its page; ``box_lines`` of it list what to mend first.

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


def _seen_words(
    scene: Scene, prediction: Prediction, names: Iterable[str], take: Mapping[str, Any] | None = None
) -> dict[str, str]:
    """A sentence for each figure of ``names`` (those of `figures.gallery`, ``floor``, and those of the take)."""
    said = {"plan": f"Plan, seen from the front wall and from the left wall, to one scale. {_places(scene)}"}
    said["floor"] = f"Floor plan. {_places(scene)}"
    said["combs"] = _combs(scene, prediction)
    said |= {f"map-{slug(pair.name)}": _map(prediction, pair.name) for pair in scene.pairs}
    said |= {f"arrivals-{slug(source.name)}": _arrivals(prediction, source.name) for source in scene.sources}
    said |= _take(take) if take else {}
    # Figures whose names would be one carry a number behind it.
    return {name: said.get(name) or said.get(name.rpartition("-")[0], name) for name in names}


def _places(scene: Scene) -> str:
    unit = scene.length_unit
    placed = [*scene.mics, *scene.sources]
    listed = [
        f"{one.name} at x {show_length(one.position[0], unit)}, y {show_length(one.position[1], unit)}, height "
        f"{show_length(one.position[2], unit)}"
        for one in placed[:_MOST_PLACES]
    ]
    rest = len(placed) - len(listed)
    return "; ".join([*listed, f"and {rest} more in the tables"] if rest else listed) + "."


def _combs(scene: Scene, prediction: Prediction) -> str:
    rows: Sequence[Difference] = pairs_that_matter(scene, prediction, most=_MOST_COMBS)
    each = [
        f"{row.source} in {row.mics[0]} and {row.mics[1]}: first notch {notch_range_words(row)}, "
        f"depth {depth_words(row.notch_depth_db) or 'none'}"
        for row in rows
    ]
    return f"Comb curves of the pairs that matter, each with a band of one standard deviation. {'; '.join(each)}."


def _map(prediction: Prediction, name: str) -> str:
    wanted = [row for row in prediction.pairs if row.pair == name and row.equal_to]
    each = [
        f"{row.source} is {show_ms(abs(row.difference_s))} apart, {'within' if row.within_tolerance else 'beyond'} the "
        "tolerance"
        for row in wanted
    ]
    return (
        f"A map of where one mic of '{name}' may stand so that both hear a source at the same moment. "
        f"As they stand, {' and '.join(each)}."
    )


def _arrivals(prediction: Prediction, source: str) -> str:
    paths = sorted((path for path in prediction.paths if path.source == source), key=lambda path: path.arrival_s)
    each = ", ".join(f"{path.mic} after {show_ms(path.arrival_s)}" for path in paths)
    return f"When {source} and its reflections arrive at each mic: {each}."


def _take(take: Mapping[str, Any]) -> dict[str, str]:
    levels = "; ".join(f"{row[0]} peaks at {row[1]}, {row[-1]}" for row in take["levels"])
    moved = "; ".join(f"{row[0]} {row[1]}" for row in take["offsets"])
    return {
        "levels": f"Peak, level and noise floor of each track. {levels}.",
        "correlation": "How two tracks resemble each other over delay in the loud moments of the first: dashed the "
        f"delay that was measured, rings its rivals. {_delays(take)}",
        "gain": f"What the sum gains or loses in each band against its parts, before and after. {take['gain']}",
        "spectrum": f"Spectrum of the sum of all tracks, before and after alignment. {take['gain']}",
        "sums": "How each DI and its mic add up by third octave: as recorded, with the best delay and polarity, with "
        f"all-pass. {_sums(take)}",
        "hit": f"One hit in each track, before and after alignment, by which they shift: {moved}.",
    }


def _delays(take: Mapping[str, Any]) -> str:
    each = [f"{row[0]}: {row[1]} {row[3]} against {row[2]}" for row in take["delays"][:_MOST_PLACES]]
    return "; ".join(each) + "." if each else ""


def _sums(take: Mapping[str, Any]) -> str:
    each = [
        f"{one['title']}: " + ", ".join(f"lows {row[1]} {row[0].removesuffix(' *')}" for row in one["rows"])
        for one in take["sums"]
    ]
    return "; ".join(each) + "." if each else ""


def sheet_plan_in(scene: Scene, prediction: Prediction) -> float:
    """How high the setup sheet's plan may be, inches."""
    return sheet_size(len(channels(scene, prediction)), len(strings(scene, prediction)), _BOX_LINES).plan_in


def report_page(
    scene: Scene,
    prediction: Prediction,
    findings: Sequence[Finding],
    figures: Mapping[str, str],
    *,
    name: str,
    take: Mapping[str, Any] | None = None,
    written: Sequence[str | Slot] | None = None,
    file: str = "scene.toml",
) -> str:
    """The page as HTML text.

    Parameters
    ----------
    scene, prediction, findings
        What the page shows.
    figures : mapping of name to str
        ``<svg>`` elements of ours by the names of `figures.gallery`, and ``floor`` for the setup sheet.
    name : str
        What to call the scene where it has no title.
    take : mapping, optional
        What `report.take_page.take_values` makes of a recording.
    written : sequence of str and Slot, optional
        The scene file's text as `files.scene_slots.scene_pieces` cuts it, for the copy that the live plan gives.
    file : str
        The scene file's name, for the copy that the page saves.
    """
    values = {
        "title": scene.title or name,
        "opening": opening(findings, take),
        "plan": plan_values(scene, written, name=file),
        "figures": {key: Markup(svg) for key, svg in figures.items()},
        "seen": _seen_words(scene, prediction, figures, take),
        "air": f"{scene.air.temperature_c:g} °C, {prediction.speed_of_sound_m_s:.1f} m/s.",
        "sheet": _sheet(scene, prediction, findings),
        "findings": findings,
        "combs": [_comb_row(row) for row in pairs_that_matter(scene, prediction, most=_MOST_ROWS)],
        "maps": [key for key in figures if key.startswith("map-")],
        "arrivals": [key for key in figures if key.startswith("arrivals-")],
        "spacing": [_spacing_row(row) for row in _tightest(prediction)],
        "reflections": [_reflection_row(row) for row in _strongest(scene, prediction)],
        "room": _room_words(prediction),
        "take": take,
        "hearing": HEARING_WORDS,
        "exposure": [(f"{level} dBA", show_minutes(allowed_minutes(level))) for level in _EXPOSURE_DBA],
    }
    return page("report.html.j2", values)


def _sheet(scene: Scene, prediction: Prediction, findings: Sequence[Finding]) -> dict[str, Any]:
    listed, cut = channels(scene, prediction), strings(scene, prediction)
    box = _first_to_mend(scene, prediction, findings)
    size = sheet_size(len(listed), len(cut), _BOX_LINES)
    left_out = ""
    if size.channels < len(listed) or size.strings < len(cut):
        left_out = "Not all channels and strings fit on this page: the rest stands in the tables that follow."
    return {
        "channels": listed[: size.channels],
        "columns": in_columns(cut[: size.strings]),
        "equal": any(one.equal and one.kept for one in cut),
        "uneven": any(not one.kept for one in cut),
        "box": box,
        "unit": _place_unit(scene.length_unit),
        "letters": [f"{tag} {name}" for name, tag in key_of(scene).items() if not tag.isdigit()],
        "left_out": left_out,
        "points": size.points,
        "plan_mm": round(size.plan_mm, 1),
        "all_strings": [(one.source, one.mic, one.length, one.time) for one in cut],
    }


def _first_to_mend(scene: Scene, prediction: Prediction, findings: Sequence[Finding]) -> list[str]:
    """What must be put right before the stands are set, a line each; of more than fit the rest is counted."""
    uneven = uneven_words(scene, prediction)
    problems = [finding.message for finding in findings if finding.severity == "problem"]
    warned = [f"{finding.message}" for finding in findings if finding.severity == "warning"]
    lines = [*problems, *uneven, *(words for words in warned if not uneven or "ms allowed" not in words)]
    more = len(lines) - _BOX_LINES
    return lines if more <= 0 else [*lines[: _BOX_LINES - 1], f"{more + 1} more: see the findings on the next page."]


def _comb_row(row: Difference) -> tuple[str, ...]:
    return (
        row.source,
        f"{row.mics[0]}, {row.mics[1]}",
        show_ms_within(abs(row.difference_s), row.uncertainty_s),
        show_db(abs(row.level_difference_db)),
        notch_range_words(row),
        depth_words(row.notch_depth_db),
    )


def _tightest(prediction: Prediction) -> list[Spacing]:
    """Of close mics, which the rule is about, the rows that come nearest to breaking it, or break it."""
    own = {(path.source, path.mic): path.distance_m for path in prediction.paths}
    close = [row for row in prediction.spacing if own[row.source, row.mic] <= CLOSE_M]
    return sorted(close, key=lambda row: min(row.mic_distance_ratio, row.path_ratio))[:_MOST_ROWS]


def _spacing_row(row: Spacing) -> tuple[str, ...]:
    kept = {(True, True): "both", (True, False): "mic to mic only", (False, True): "bleed only"}
    return (
        row.source,
        row.mic,
        row.other_mic,
        *spacing_figures(row),
        kept.get((row.passes, row.bleed_passes), "no"),
    )


def _strongest(scene: Scene, prediction: Prediction) -> list[Reflection]:
    """The strongest reflections of what each mic is there to take."""
    on = {mic.name: mic.on for mic in scene.mics}
    rows = [row for row in prediction.reflections if row.source in on[row.mic]]
    return sorted(rows, key=lambda row: -row.level_db)[:_MOST_ROWS]


def _reflection_row(row: Reflection) -> tuple[str, ...]:
    notch = notch_words(row.polarity, row.first_notch_hz)
    return (row.source, row.mic, row.surface, late_words(row), show_db(row.level_db, sign=True), notch)


def _room_words(prediction: Prediction) -> str:
    room = prediction.room
    if room is None:
        return ""
    lowest = ", ".join(show_hz(mode.hz) for mode in room.modes[:5])
    words = f"The room holds {room.volume_m3:.0f} m³. Its lowest modes lie at {lowest}."
    if room.reverberation_s is not None:
        words += f" Reverberation about {room.reverberation_s:.1f} s."
    if room.transition_hz is not None:
        words += f" Below {show_hz(room.transition_hz)} single modes rule, and arithmetic with rays is only a guide."
    return words
