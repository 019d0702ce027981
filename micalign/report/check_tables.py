"""What `check` found, as tables: arrivals, sums, spacing, bleed, reflections, pairs and direct lines.

Lengths are in the scene's own unit. Each function takes the figures and gives tables; what to leave out of a large
scene is decided here, once: the rows that matter most, the rest with ``--all``. No number has more digits than the
positions leave it; an inverted copy has no first notch but a loss of bass.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from micalign.acoustics.comb import (
    Difference,
    PairSource,
    first_notch_range_hz,
)
from micalign.acoustics.prediction import Bleed, Path, Prediction, Spacing
from micalign.acoustics.room import Reflection
from micalign.acoustics.tuned import CLOSE_M
from micalign.findings.tuned import TYPICAL_S
from micalign.report.tables import clean, counted, ruled_table
from micalign.scene.scene import Scene
from micalign.units import (
    METRES,
    show_db,
    show_hz,
    show_hz_range,
    show_length,
    show_ms_known,
    show_ratio,
    significant,
)

if TYPE_CHECKING:
    from rich.table import Table

__all__ = [
    "arrival_tables",
    "bleed_table",
    "depth_words",
    "difference_table",
    "direct_table",
    "heading",
    "late_words",
    "notch_range_words",
    "notch_words",
    "pair_tables",
    "reflection_table",
    "short_arrivals",
    "spacing_figures",
    "spacing_table",
]

_CENTRE_PERCENT: Final = 5.0
"""Share, per cent of the way to a loudspeaker: less is the centre; the figure is good to 17 (Simonsen 1984)."""

_MOST_ROWS: Final = 10  # of a table, unless all are asked for
_MOST_CELLS: Final = 60  # of sources by mics, what a screen shows; beyond, only what each mic is on


def heading(scene: Scene, predicted: Prediction) -> str:
    """How fast sound travels, and in which air."""
    air, speed = scene.air, predicted.speed_of_sound_m_s
    feet = scene.length_unit in {"ft", "in"}
    return (
        f"Sound travels at {speed:.1f} m/s (+- {significant(predicted.speed_uncertainty_m_s, 1)} m/s): "
        f"{'1 ft' if feet else '1 m'} takes {1e3 * (METRES['ft'] if feet else 1.0) / speed:.2f} ms.\n"
        f"Air of {air.temperature_c:g} C, {air.humidity_percent:g} % humidity, {air.pressure_kpa:.1f} kPa "
        "(Cramer 1993)."
    )


def arrival_tables(
    scene: Scene, predicted: Prediction, *, everything: bool = False, width: int = 100
) -> Iterator[Table]:
    """Sources across, mics down: arrival, and below it distance and level; of a large scene the mics' own sources."""
    if not scene.mics:
        return
    if not everything and len(scene.sources) * len(scene.mics) > _MOST_CELLS:
        yield _own_arrivals(scene, predicted)
        return
    per_table = _sources_per_table(scene, predicted, width)
    for start in range(0, len(scene.sources), per_table):
        names = [source.name for source in scene.sources[start : start + per_table]]
        yield _arrival_block(scene, predicted, names, first=start == 0)


def short_arrivals(scene: Scene, predicted: Prediction, width: int) -> Iterator[Table]:
    """When each source arrives at each mic, a line a mic; of a large scene the own sources of the first mics."""
    if not scene.mics:
        return
    if len(scene.sources) * len(scene.mics) > _MOST_CELLS:
        yield _own_arrivals(scene, predicted, most=_MOST_ROWS)
        return
    cells = {(path.source, path.mic): path for path in predicted.paths}
    headings = [clean(source.name).replace(" ", "\n") for source in scene.sources]
    widest = max(7, *(len(word) for heading in headings for word in heading.split("\n")))
    names = max(len(mic.name) for mic in scene.mics)
    side_by_side = max(1, (width - names) // (widest + 2))
    for start in range(0, len(scene.sources), side_by_side):
        block = range(start, min(start + side_by_side, len(scene.sources)))
        shown = [scene.sources[place].name for place in block]
        yield ruled_table(
            "Arrivals in ms (* a source the mic is on)" if start == 0 else "",
            ["mic"],
            [headings[place] for place in block],
            [
                [mic.name, *(_short_arrival(cells[name, mic.name], own=name in mic.on) for name in shown)]
                for mic in scene.mics
            ],
        )


def _short_arrival(path: Path, *, own: bool) -> str:
    words = show_ms_known(path.arrival_s, path.uncertainty_s).removesuffix(" ms")
    return f"*{words}" if own else words


def _sources_per_table(scene: Scene, predicted: Prediction, width: int) -> int:
    """So many that the mics' names (up to 20 characters) and the widest cell fit, three characters between columns."""
    names = min(max(len(mic.name) for mic in scene.mics), 20)
    cells = [_arrival_cell(scene, path, own=False).split("\n")[1] for path in predicted.paths]
    widest = max(len(text) for text in [*cells, *(source.name for source in scene.sources)])
    return max(1, (width - names) // (widest + 3))


def _arrival_block(scene: Scene, predicted: Prediction, names: list[str], *, first: bool) -> Table:
    cells = {(path.source, path.mic): path for path in predicted.paths}
    rows = [
        [mic.name, *(_arrival_cell(scene, cells[name, mic.name], own=name in mic.on) for name in names)]
        for mic in scene.mics
    ]
    return ruled_table(
        "Arrivals" if first else "Arrivals, continued",
        ["mic"],
        [*map(clean, names)],
        rows,
        caption="* the mic is on that source. Levels: 0 dB is 1 m on the axis of the mic; its gain is not in them.",
    )


def _arrival_cell(scene: Scene, path: Path, *, own: bool) -> str:
    mark = "* " if own else ""
    figures = f"{show_length(path.distance_m, scene.length_unit)} {show_db(path.level_db, sign=True)}"
    return f"{mark}{show_ms_known(path.arrival_s, path.uncertainty_s)}\n{figures}"


def _own_arrivals(scene: Scene, predicted: Prediction, *, most: int | None = None) -> Table:
    on = {mic.name: mic.on for mic in scene.mics}
    rows = [
        [
            path.mic,
            path.source,
            show_length(path.distance_m, scene.length_unit),
            show_ms_known(path.arrival_s, path.uncertainty_s),
            show_db(path.level_db, sign=True),
        ]
        for path in predicted.paths
        if path.source in on[path.mic]
    ]
    return ruled_table(
        counted("Arrivals of the sources each mic is on", len(rows[:most]), len(predicted.paths)),
        ["mic", "source"],
        ["distance", "arrival", "level"],
        rows[:most],
        caption="Levels: 0 dB is 1 m on the axis of the mic; its gain is not in them.",
    )


def difference_table(scene: Scene, predicted: Prediction, *, everything: bool = False) -> Table | None:
    """Sources that two mics share: how far apart, and the comb of their sum; the deepest first."""
    on = {mic.name: mic.on for mic in scene.mics}
    chosen = [row for row in predicted.differences if everything or all(row.source in on[name] for name in row.mics)]
    chosen.sort(key=lambda row: row.notch_depth_db or 0.0)
    shown = chosen if everything else chosen[:_MOST_ROWS]
    if not shown:
        return None
    return ruled_table(
        counted("Two mics on one source, added together", len(shown), len(chosen)),
        ["source", "first mic", "second mic"],
        ["second\nlater by", "first notch", "dip", "peak"],
        [_difference_cells(row) for row in shown],
        caption="Notch: its range for positions as sure as the scene says. Dip, peak: against the louder mic alone.",
    )


def _difference_cells(row: Difference) -> list[str]:
    return [
        row.source,
        *row.mics,
        show_ms_known(row.difference_s, row.uncertainty_s, sign=True),
        notch_range_words(row),
        depth_words(row.notch_depth_db),
        show_db(row.peak_height_db, sign=True),
    ]


def spacing_table(scene: Scene, predicted: Prediction, *, everything: bool = False) -> Table | None:
    """The three-to-one rule in both readings, failures first; of close mics alone unless all are asked for."""
    distance, cell = predicted.arrivals.distance_m, predicted.arrivals.cell
    title = f"Three to one, for mics within {show_length(CLOSE_M, scene.length_unit)} of their source"
    rows = [row for row in predicted.spacing if everything or distance[cell(row.source, row.mic)] <= CLOSE_M]
    chosen = sorted(rows, key=lambda row: (row.passes or row.bleed_passes, row.passes, -row.bleed_db))
    shown = chosen if everything else chosen[:_MOST_ROWS]
    if not shown:
        return None
    return ruled_table(
        counted("Three to one" if everything else title, len(shown), len(chosen)),
        ["mic", "on", "other mic"],
        ["mics apart", "path", "bleed direct", "with room", "verdict"],
        [_spacing_cells(row) for row in shown],
        caption="Two readings. Mics apart: the distance between the mics against the mic's to its source, 3:1 or more. "
        "Bleed: the source at the other mic against its own, -9.5 dB or less (the patterns help here); with the room: "
        "its bounces and its reverberation in both, and no null deeper than the mic's rejection.",
    )


def _spacing_cells(row: Spacing) -> list[str]:
    verdict = {(True, True): "ok", (True, False): "bleed fails", (False, True): "distance fails"}
    return [
        row.mic,
        row.source,
        row.other_mic,
        *spacing_figures(row),
        verdict.get((row.passes, row.bleed_passes), "BOTH FAIL"),
    ]


def spacing_figures(row: Spacing) -> tuple[str, ...]:
    """The ratio of distances, that of ways, and the bleed by the direct sound and with the room."""
    bleed = (show_db(level_db, sign=True) for level_db in (row.bleed_db, row.bleed_heard_db))
    return show_ratio(row.mic_distance_ratio), show_ratio(row.path_ratio), *bleed


def bleed_table(predicted: Prediction, *, everything: bool = False) -> Table | None:
    """What else each mic hears: the loudest other source of each, or all of them."""
    chosen = [row for index, row in enumerate(predicted.bleed) if everything or _is_loudest(predicted.bleed, index)]
    shown = chosen if everything else sorted(chosen, key=lambda row: -row.heard_db)[:_MOST_ROWS]
    if not shown:
        return None
    unknown = "" if all(row.level_known for row in shown) else " * taken as equally loud: give level_db or kind."
    return ruled_table(
        counted("What else a mic hears", len(shown), len(chosen)),
        ["mic", "on", "hears"],
        ["direct", "with room"],
        [
            [
                row.mic,
                row.own,
                f"{row.source}{'' if row.level_known else ' *'}",
                show_db(row.direct_db, sign=True),
                show_db(row.heard_db, sign=True),
            ]
            for row in shown
        ],
        caption="Against the source that the mic is on, by how loud both are at 1 m. Statistical: a room's modes make "
        f"it some decibels more or less.{unknown}",
    )


def _is_loudest(rows: Sequence[Bleed], index: int) -> bool:
    """Whether a row is the first of its mic: they come loudest first."""
    return index == 0 or rows[index - 1].mic != rows[index].mic


def reflection_table(scene: Scene, predicted: Prediction, *, everything: bool = False) -> Table | None:
    """The strongest reflection of each source at each mic that is on it."""
    on = {mic.name: mic.on for mic in scene.mics}
    chosen = [row for row in predicted.reflections if everything or row.source in on[row.mic]]
    chosen.sort(key=lambda row: -row.level_db)
    shown = chosen
    if not everything:
        best: dict[tuple[str, str], int] = {}
        for index, row in enumerate(chosen):
            best.setdefault((row.mic, row.source), index)
        shown = [chosen[index] for index in best.values()][:_MOST_ROWS]
    if not shown:
        return None
    rows = [
        [
            row.mic,
            row.source,
            row.surface,
            late_words(row),
            show_db(row.level_db, sign=True),
            notch_words(row.polarity, row.first_notch_hz),
        ]
        for row in shown
    ]
    return ruled_table(
        "Reflections" if everything else "The strongest reflection of each mic's sources (all with --all)",
        ["mic", "source", "surface"],
        ["later by", "level", "first notch"],
        rows,
        caption="Level: against the direct sound, with the mic's pattern towards the image.",
    )


def pair_tables(scene: Scene, predicted: Prediction) -> Iterator[Table]:
    """Each stereo pair: what it is, and each source in its image and in mono."""
    for pair, geometry in zip(scene.pairs, predicted.pair_geometry, strict=True):
        angle = "" if geometry.angle_degrees is None else f", {geometry.angle_degrees:.0f} degrees between the axes"
        apart = show_length(geometry.spacing_m, scene.length_unit)
        yield ruled_table(
            f"Pair '{pair.name}': {geometry.kind}, {apart} apart{angle}",
            ["source", "distance"],
            ["second\nlater by", "level", "equal?", "image", "mono notch", "dip"],
            [_pair_cells(row, scene.length_unit) for row in predicted.pairs if row.pair == pair.name],
            caption=f"First mic '{pair.mics[0]}' left, second '{pair.mics[1]}' right. Image: per cent of the way to a "
            "loudspeaker, good to 17 (Simonsen 1984, Williams 1984).",
        )


def _pair_cells(row: PairSource, unit: str) -> list[str]:
    equal = ("yes" if row.within_tolerance else "NO") if row.equal_to else ""
    return [
        row.source,
        " / ".join(show_length(metres, unit) for metres in row.distances_m),
        show_ms_known(row.difference_s, row.uncertainty_s, sign=True),
        show_db(row.level_difference_db, sign=True),
        equal,
        _image_words(row.image_percent),
        _mono_notch_words(row),
        depth_words(row.mono_notch_depth_db),
    ]


def _image_words(percent: float | None) -> str:
    if percent is None:
        return "no place"
    if abs(percent) < _CENTRE_PERCENT:
        return "centre"
    return f"{abs(percent):.0f} {'right' if percent > 0 else 'left'}"


def direct_table(predicted: Prediction) -> Table | None:
    """DIs against the mics on their sources."""
    if not predicted.di_differences:
        return None
    rows = [
        [
            row.di,
            row.mic,
            row.source,
            show_ms_known(row.difference_s, row.uncertainty_s, sign=True),
            notch_words(row.polarity, row.first_notch_hz),
        ]
        for row in predicted.di_differences
    ]
    return ruled_table(
        "Direct lines",
        ["DI", "mic", "source"],
        ["mic later by", "first notch"],
        rows,
        caption="Through the air and by the DI's own latency; a cabinet's or pickup's own delay comes on top.",
    )


def notch_range_words(row: Difference) -> str:
    """The first notch of two mics' sum, as the range that the positions leave it."""
    if row.polarity < 0:
        return "bass (inverted)"
    return show_hz_range(*row.first_notch_range_hz) if row.first_notch_range_hz else "none"


def _mono_notch_words(row: PairSource) -> str:
    """The first notch of a pair's mono sum, in the words and digits of any other two mics."""
    if row.mono_first_notch_hz is None:
        return "none"
    if row.mono_first_notch_hz == 0.0:
        return "bass"
    return show_hz_range(*first_notch_range_hz(row.difference_s, row.uncertainty_s))


def notch_words(polarity: int, first_notch_hz: float | None) -> str:
    """The first notch of one copy.

    >>> notch_words(1, 612.3), notch_words(-1, 0.0), notch_words(1, None)
    ('612 Hz', 'bass (inverted)', 'none')
    """
    if polarity < 0:
        return "bass (inverted)"
    return show_hz(first_notch_hz) if first_notch_hz else "none"


def late_words(row: Reflection) -> str:
    """How much later a reflection comes than the direct sound."""
    return show_ms_known(row.delay_s, TYPICAL_S)


def depth_words(depth_db: float | None) -> str:
    """How deep a notch is; nothing where there is none.

    >>> depth_words(-9.54), depth_words(None)
    ('-9.5 dB', '')
    """
    return "" if depth_db is None else show_db(depth_db)
