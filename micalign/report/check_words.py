"""How is what is predicted put into words: what `check` found, what is wrong first; and the comb of two distances?

Keys of the document are the field names of the rows in `micalign.acoustics`; numbers are rounded far below what
positions can be known to (micrometres, nanoseconds, ten-thousandths of a decibel), which keeps it small. A screen is 24
to 40 lines: a verdict, findings with what mends them, when each source arrives, and what to mind where the work can
hurt someone; the tables come by name.

Of two distances to one sound, or a delay: free field at 20 C, where a level falls by 6 dB for every doubling of the
distance. Levels are against the louder copy alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from functools import cache
from typing import TYPE_CHECKING, Any, Final, Self

from micalign.acoustics.arrivals import FLOOR_DB, speed_of_sound
from micalign.acoustics.comb import (
    notch_depth_db,
    notches_hz,
    peak_height_db,
)
from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import RoomFigures
from micalign.acoustics.tuned import LOWEST
from micalign.findings.finding import Finding
from micalign.findings.rules import RULES
from micalign.report import check_tables as tables
from micalign.report.tables import SEVERITY_STYLES, clean, ruled_table
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene
from micalign.units import (
    db_from_amplitude,
    short_length,
    show_db,
    show_hz,
    show_ms,
    show_ratio,
    show_speed,
    significant,
)

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from micalign.report.narrow_tables import Beside

__all__ = [
    "SECTIONS",
    "TEMPERATURE_C",
    "TwoPaths",
    "caution_lines",
    "check_document",
    "comb_document",
    "comb_table",
    "finding_rows",
    "first_screen",
    "moves",
    "rows",
    "rule_rows",
    "rule_table",
    "sections",
    "verdict",
]

_HARMLESS_HZ: Final = 10_000.0
"""Hertz: a first notch above this is heard by few and hurts little (common practice, no source)."""

_OF_ITS_OWN: Final = 0.05
"""Share of Sabine's time: Eyring's is given too where it differs by more: absorption is known no better."""

_DECIMALS: Final = {"_s": 9, "_m": 6, "_m_s": 4, "_db": 4, "_hz": 3, "_percent": 1, "_degrees": 2, "ratio": 5}

_ROUNDED: Final = frozenset({"notches_hz", "peaks_hz"})  # where they are made

SECTIONS: Final = {
    "findings": "every finding with what mends it",
    "arrivals": "arrival, distance and level of each source at each mic",
    "sums": "two mics on one source, added",
    "spacing": "three to one",
    "bleed": "what else a mic hears",
    "reflections": "the first bounces",
    "pairs": "stereo pairs",
    "direct": "DIs against mics",
    "room": "reverberation and modes",
}
"""What ``--show`` knows, with what it is."""
_FEWEST_LINES: Final = 24  # of a terminal, the least there is
_MOST_LINES: Final = 40  # of a screen, or of what goes to a file (judgement)
Numbers = Mapping[tuple[str, tuple[str, ...]], int]
_MOST_PLACES: Final = 12  # rows of the table of modes

TEMPERATURE_C: Final = 20.0  # of a heated room, where none is given
_RATES_HZ: Final = (44_100, 48_000, 96_000)  # sample rates in common use
_AS_GOOD: Final = 1e-6  # of a ratio: 40 cm and 1.2 m are 3:1, whatever their last bits
_SHOWN_NOTCHES: Final = 5  # the rest follows at even steps


@cache
def _decimals(key: str) -> int:
    endings = [ending for ending in _DECIMALS if key.endswith(ending)]
    return _DECIMALS[max(endings, key=len)] if endings else 6


def rows(items: Sequence[Any], *, leave_out: frozenset[str] = frozenset()) -> list[dict[str, Any]]:
    """Frozen rows as JSON objects, numbers rounded by the unit in their name."""
    if not items:
        return []
    keys = [field.name for field in fields(items[0]) if field.name not in leave_out]
    columns = [_column([getattr(item, key) for item in items], key) for key in keys]
    return [dict(zip(keys, row, strict=True)) for row in zip(*columns, strict=True)]


def _column(values: list[Any], key: str) -> list[Any]:
    if key in _ROUNDED:
        return values
    places = _decimals(key)
    return [round(value, places) if isinstance(value, float) else _plain(value, places) for value in values]


def _plain(value: Any, places: int) -> Any:
    if isinstance(value, tuple):
        return [round(one, places) if isinstance(one, float) else one for one in value]
    return value


def finding_rows(found: Sequence[Finding]) -> list[dict[str, Any]]:
    """Findings as JSON objects; ``changes`` is the remedy that was tried and holds, for a script to apply."""
    leave_out = frozenset({"weight", "about", "alike", "propose", "changes"})
    listed = rows(found, leave_out=leave_out)
    return [{**row, "changes": _changes(finding)} for row, finding in zip(listed, found, strict=True)]


def _changes(finding: Finding) -> list[dict[str, Any]]:
    return [
        {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(change).items()}
        for change in finding.changes
    ]


def check_document(
    name: str, predicted: Prediction, found: Sequence[Finding], *, cautions: Sequence[str] = ()
) -> dict[str, Any]:
    """The document of ``check --json``.

    Parameters
    ----------
    name : str
        What to call the scene: its title, or its file.
    predicted : Prediction
    found : sequence of Finding
    cautions : sequence of str
        What to mind where the work can hurt someone.
    """
    return {
        "scene": name,
        "speed_of_sound_m_s": round(predicted.speed_of_sound_m_s, 4),
        "speed_uncertainty_m_s": round(predicted.speed_uncertainty_m_s, 4),
        "paths": rows(predicted.paths),
        "differences": rows(predicted.differences),
        "spacing": rows(predicted.spacing),
        "bleed": rows(predicted.bleed),
        "reflections": rows(predicted.reflections),
        "room": _room(predicted.room),
        "pairs": rows(predicted.pairs),
        "pair_geometry": rows(predicted.pair_geometry),
        "di_differences": rows(predicted.di_differences),
        "findings": finding_rows(found),
        "cautions": list(cautions),
    }


def _room(room: RoomFigures | None) -> Mapping[str, Any] | None:
    if room is None:
        return None
    document = rows([room], leave_out=frozenset({"modes", "gaps", "pile_ups", "strengths"}))[0]
    document["modes"] = [{"hz": round(mode.hz, 3), "order": list(mode.order), "kind": mode.kind} for mode in room.modes]
    document["gaps"] = [asdict(gap) for gap in room.gaps]
    document["pile_ups"] = [asdict(pile) for pile in room.pile_ups]
    document["mode_strengths"] = [
        {"name": name, "strengths": [round(value, 3) for value in row]} for name, row in room.strengths.items()
    ]
    return document


def verdict(name: str, every: Sequence[Finding], reported: Sequence[Finding], *, everything: bool = False) -> str:
    """How the scene stands, in a sentence; it says why numbers jump where one finding stands for several alike."""
    wrong = sum(finding.severity != "note" for finding in reported)
    if not every:
        return f"{clean(name)}: every rule is met."
    state = "nothing to mend" if wrong == 0 else f"{wrong} to mend"
    jumps = ", numbered as in --all" if len(reported) < len(every) and not everything else ""
    return f"{clean(name)}: {state}, {len(reported) - wrong} to know{jumps}."


def first_screen(
    out: Console,
    scene: Scene,
    predicted: Prediction,
    reported: Sequence[Finding],
    numbers: Numbers,
    minded: Sequence[str],
) -> Iterator[Any]:
    """Findings, arrivals and cautions, as many findings as leave room for the rest."""
    tail = [
        *(table for table in tables.short_arrivals(scene, predicted, out.width)),
        caution_lines(minded),
        f"More: --show {', '.join(SECTIONS)}; or --all. 'micalign check --rules' lists the rules.",
    ]
    lines = min(max(out.height, _FEWEST_LINES), _MOST_LINES) if out.is_terminal else _MOST_LINES
    left = lines - 2 - sum(_height(out, block) for block in tail if block)
    shown = _that_fit(out, reported, numbers, left)
    if shown:
        yield _finding_lines(shown, numbers, blank=0)
    yield _hint(shown, reported)
    yield from tail


def _that_fit(out: Console, reported: Sequence[Finding], numbers: Numbers, left: int) -> list[Finding]:
    """The heaviest, at least one, while they leave room for the rest."""
    shown: list[Finding] = []
    for finding in reported:
        left -= _height(out, _finding_lines([finding], numbers, blank=0)) - bool(shown)
        if shown and left < 2:
            break
        shown.append(finding)
    return shown


def _height(out: Console, block: Any) -> int:
    """Lines of a block, with the empty one after it."""
    return len(out.render_lines(block)) + 1


def _hint(shown: Sequence[Finding], reported: Sequence[Finding]) -> str:
    star = "A star: --mend N --write NEW.toml applies it." if any(finding.changes for finding in shown) else ""
    rest = len(reported) - len(shown)
    more = f"{rest} more: --show findings." if rest else ""
    return " ".join(part for part in (star, more) if part)


def sections(
    scene: Scene,
    predicted: Prediction,
    findings: tuple[Sequence[Finding], Numbers, Sequence[str]],
    wanted: Collection[str],
    *,
    everything: bool,
    width: int,
) -> Iterator[Any]:
    """The blocks of the sections asked for, in the order of `SECTIONS`, findings and cautions first."""
    reported, numbers, minded = findings
    blocks: dict[str, Iterator[Any]] = {
        "findings": iter((_finding_lines(reported, numbers), caution_lines(minded))),
        "arrivals": _arrivals(scene, predicted, everything=everything, width=width),
        "sums": iter((tables.difference_table(scene, predicted, everything=everything),)),
        "spacing": iter((tables.spacing_table(scene, predicted, everything=everything),)),
        "bleed": iter((tables.bleed_table(predicted, everything=everything),)),
        "reflections": iter((tables.reflection_table(scene, predicted, everything=everything),)),
        "pairs": tables.pair_tables(scene, predicted),
        "direct": iter((tables.direct_table(predicted),)),
        "room": iter(
            (
                "\n".join(_room_lines(predicted.room)),
                _mode_table(scene, predicted, everything=everything),
            )
        ),
    }
    for name in SECTIONS:
        if name in wanted:
            yield from blocks[name]


def _arrivals(scene: Scene, predicted: Prediction, *, everything: bool, width: int) -> Iterator[Any]:
    yield tables.heading(scene, predicted)
    yield from tables.arrival_tables(scene, predicted, everything=everything, width=width)


def _room_lines(room: RoomFigures | None) -> Iterator[str]:
    """The room in a few sentences."""
    if room is None:
        return
    if room.reverberation_s is None or room.transition_hz is None:
        yield f"Room of {significant(room.volume_m3, 3)} m3 in which nothing absorbs: it would ring without end."
        return
    yield (
        f"Room of {significant(room.volume_m3, 3)} m3: reverberation {significant(room.reverberation_s, 2)} s (Sabine)"
        f"{_eyring(room)}. Below {show_hz(room.transition_hz)} single modes rule, and rays are only a guide."
    )
    wide = [f"{gap.from_hz:.0f}-{gap.to_hz:.0f}" for gap in room.gaps[:3]]
    if wide:
        yield f"Gaps of more than 20 Hz between modes: {', '.join(wide)} Hz."
    if room.pile_ups:
        yield f"Modes that fall together: {', '.join(show_hz(pile.hz) for pile in room.pile_ups[:4])}."


def _eyring(room: RoomFigures) -> str:
    sabine, eyring = room.reverberation_s or 0.0, room.eyring_s or 0.0
    return f", {significant(eyring, 2)} s (Eyring)" if abs(sabine - eyring) > _OF_ITS_OWN * sabine else ""


def _mode_table(scene: Scene, predicted: Prediction, *, everything: bool = False) -> Table | None:
    """How strongly mics and sources sit in each of the lowest ten modes; of a large scene a dozen mics."""
    room = predicted.room
    if room is None or not room.modes:
        return None
    shown = room.modes[:LOWEST]
    things: list[Source | Mic] = [*scene.mics, *scene.sources]
    named = things if everything else things[:_MOST_PLACES]
    rest = "" if len(named) == len(things) else f" ({len(named)} of {len(things)} places; all with --all)"
    rows = [[thing.name, *(f"{10 * value:.0f}" for value in room.strengths[thing.name])] for thing in named]
    orders = ["".join(map(str, mode.order)) if max(mode.order) < 10 else "-" for mode in shown]
    return ruled_table(
        f"The lowest modes, in Hz, and how strongly each place sits in them{rest}",
        [""],
        [f"{mode.hz:.0f}\n{order}" for mode, order in zip(shown, orders, strict=True)],
        rows,
        caption="10 is full strength, 0 a null. Below each frequency its order: half waves along x, y, z.",
    )


def _finding_lines(
    found: Sequence[Finding], numbers: Mapping[tuple[str, tuple[str, ...]], int], *, blank: int = 1
) -> Beside | None:
    """Each finding by its number: what it is, and below it what mends it; a star marks what ``--mend`` can apply."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    rows = []
    for finding in found:
        said = Text(f"{clean(finding.message)}\n-> {clean(finding.advice)}")
        number = Text(f"{numbers[finding.key]}{'*' if finding.changes else ''}")
        rows.append(([number, Text(finding.severity, style=SEVERITY_STYLES[finding.severity])], said))
    return Beside(rows, blank=blank) if rows else None


def caution_lines(minded: Sequence[str]) -> str:
    """What to mind, a line each."""
    return "\n".join(f"Caution. {clean(one)}" for one in minded)


def rule_rows() -> list[dict[str, str]]:
    """What ``check --rules --json`` prints of each rule."""
    return [{"rule": rule.name, "says": rule.says, "source": rule.source} for rule in RULES]


def rule_table() -> Beside:
    """The rules for a terminal: each by its name, what it says, and below that where it is from."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    lines = [
        ([Text(row["rule"], style="bold")], Text(f"{row['says']}\nSource: {row['source']}")) for row in rule_rows()
    ]
    return Beside(lines, gap=2)


@dataclass(frozen=True, slots=True)
class TwoPaths:
    """A sound and its copy, ``delay_s`` later and ``level_difference_db`` softer; metres where distances are known.

    Examples
    --------
    >>> paths = TwoPaths.of_distances(0.30, 0.95)
    >>> round(paths.delay_s * 1e3, 3), round(paths.level_difference_db, 2)
    (1.89, 10.01)
    """

    delay_s: float
    level_difference_db: float = 0.0
    distances_m: tuple[float, float] | None = None

    @classmethod
    def of_distances(cls, first_m: float, second_m: float, level_difference_db: float | None = None) -> Self:
        """Two mics so far from one source; the level as the distances make it unless it is given."""
        near, far = sorted((first_m, second_m))
        level = db_from_amplitude(far / near) if level_difference_db is None else level_difference_db
        return cls((far - near) / speed_of_sound(TEMPERATURE_C), level, (first_m, second_m))

    @property
    def path_m(self) -> float:
        """How much longer the way of the later copy is."""
        return self.delay_s * speed_of_sound(TEMPERATURE_C)

    @property
    def depth_db(self) -> float | None:
        """How far the sum falls in a notch; None where it cancels wholly."""
        depth = notch_depth_db(self.level_difference_db)
        return None if depth <= FLOOR_DB else depth


def comb_document(paths: TwoPaths) -> dict[str, Any]:
    """What ``comb --json`` prints; ``notch_depth_db`` is null where the two cancel wholly."""
    notches = notches_hz(paths.delay_s)
    return {
        "delay_s": paths.delay_s,
        "path_m": paths.path_m,
        "distances_m": None if paths.distances_m is None else list(paths.distances_m),
        "level_difference_db": paths.level_difference_db,
        "speed_of_sound_m_s": speed_of_sound(TEMPERATURE_C),
        "samples": [{"sample_rate": rate, "delay_samples": paths.delay_s * rate} for rate in _RATES_HZ],
        "first_notch_hz": float(notches[0]) if len(notches) else None,
        "notches_hz": notches[:20].tolist(),
        "notch_depth_db": paths.depth_db,
        "peak_height_db": peak_height_db(paths.level_difference_db),
    }


def comb_table(paths: TwoPaths, unit: str) -> Beside:
    """The figures, a line each."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    return Beside([([Text(name)], Text(words)) for name, words in _comb_lines(paths, unit)], gap=3)


def _comb_lines(paths: TwoPaths, unit: str) -> Iterator[tuple[str, str]]:
    if paths.distances_m is not None:
        yield "distances", " and ".join(short_length(metres, unit) for metres in paths.distances_m)
    air = f"{TEMPERATURE_C:.0f} C, {show_speed(speed_of_sound(TEMPERATURE_C), unit)}"
    yield "delay", f"{show_ms(paths.delay_s)}, {short_length(paths.path_m, unit)} of air at {air}"
    for rate in _RATES_HZ:
        yield "" if rate != _RATES_HZ[0] else "samples", f"{paths.delay_s * rate:.1f} at {rate / 1e3:g} kHz"
    yield "level", _level_words(paths)
    notches = notches_hz(paths.delay_s)
    if not len(notches):
        yield "notches", "none below 20 kHz"
        return
    first = ", ".join(show_hz(value) for value in notches[:_SHOWN_NOTCHES])
    more = f" ... every {show_hz(1 / paths.delay_s)}" if len(notches) > _SHOWN_NOTCHES else ""
    yield "notches", first + more
    depth = "total: both are equally loud" if paths.depth_db is None else show_db(paths.depth_db)
    yield "dip", f"{depth}, against the louder alone"
    yield "peaks", f"{show_db(peak_height_db(paths.level_difference_db), sign=True)}, midway between the notches"


def _level_words(paths: TwoPaths) -> str:
    if paths.level_difference_db == 0:
        return "both equally loud"
    later = "the later one " if paths.level_difference_db > 0 else "the earlier one "
    return f"{later}{show_db(abs(paths.level_difference_db))} softer"


def moves(paths: TwoPaths, unit: str) -> Iterator[str]:
    """What to move, or else to shift."""
    harmless_m = speed_of_sound(TEMPERATURE_C) / (2 * _HARMLESS_HZ)
    if paths.path_m <= harmless_m:
        yield f"Nothing to move: the first notch lies above {show_hz(_HARMLESS_HZ)}, where it hurts little."
        return
    longer, near = short_length(paths.path_m, unit), _fine(harmless_m, unit)
    first = f"Move the farther mic {longer} nearer" if paths.distances_m else f"Make the later path {longer} shorter"
    yield f"{first}: no notch is left. Equal to {near}, the first stays above {show_hz(_HARMLESS_HZ)}."
    yield from _apart(paths, unit)
    shift = f"{show_ms(paths.delay_s)} ({paths.delay_s * 48_000:.0f} samples at 48 kHz)"
    yield f"Or shift the earlier track {shift} later: that mends this one sound, and no other."


def _apart(paths: TwoPaths, unit: str) -> Iterator[str]:
    """By the rule of three to one: the dip of a copy a third as strong is 3.5 dB."""
    if paths.distances_m is None:
        return
    near, far = sorted(paths.distances_m)
    if far / near >= 3.0 - _AS_GOOD:
        yield f"Or leave it: {show_ratio(far / near)} in distance keeps the rule of 3:1, a dip of 3.5 dB at most."
    else:
        depth = show_db(-20 * math.log10(1 - 1 / 3)).lstrip("-")
        yield f"Or move it out to {short_length(3 * near, unit)} or more (3:1): the dip is then {depth} at most."


def _fine(metres: float, unit: str) -> str:
    return short_length(metres, unit) if unit in {"in", "ft"} else f"{metres * 1e3:.0f} mm"
