"""The rest of ``check`` for a terminal: the room, the findings, the list of rules."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import LOWEST, RoomFigures
from micalign.findings.finding import Finding
from micalign.findings.rules import RULES
from micalign.report.plain import clean
from micalign.report.tables import SEVERITY_STYLES, ruled_table
from micalign.scene.model import Mic, Scene, Source
from micalign.units import show_hz, significant

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.report.roomy import Beside

__all__ = [
    "caution_lines",
    "finding_lines",
    "mode_table",
    "room_lines",
    "rule_rows",
    "rule_table",
]


_MOST_PLACES: Final = 12


def room_lines(room: RoomFigures | None) -> Iterator[str]:
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
    return f", {significant(eyring, 2)} s (Eyring)" if abs(sabine - eyring) > 0.05 * sabine else ""


def mode_table(scene: Scene, predicted: Prediction, *, everything: bool = False) -> Table | None:
    """How strongly mics and sources sit in each of the lowest ten modes; of a large scene a dozen mics."""
    room = predicted.room
    if room is None or not room.modes:
        return None
    shown = room.modes[:LOWEST]
    things: list[Source | Mic] = [*scene.mics, *scene.sources]
    named = things if everything else things[:_MOST_PLACES]
    rest = "" if len(named) == len(things) else f" ({len(named)} of {len(things)} places; all with --all)"
    rows = [[thing.name, *map(_strength, room.strengths[thing.name])] for thing in named]
    orders = ["".join(map(str, mode.order)) if max(mode.order) < 10 else "-" for mode in shown]
    return ruled_table(
        f"The lowest modes, in Hz, and how strongly each place sits in them{rest}",
        [""],
        [f"{mode.hz:.0f}\n{order}" for mode, order in zip(shown, orders, strict=True)],
        rows,
        caption="10 is full strength, 0 a null. Below each frequency its order: half waves along x, y, z.",
    )


def _strength(value: float) -> str:
    return f"{10 * value:.0f}"


def finding_lines(
    found: Sequence[Finding], numbers: Mapping[tuple[str, tuple[str, ...]], int], *, blank: int = 1
) -> Beside | None:
    """Each finding by its number: what it is, and below it what mends it; a star marks what ``--mend`` can apply."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.roomy import Beside  # noqa: PLC0415

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


def rule_table() -> Table:
    """The rules for a terminal."""
    return ruled_table("Rules", ["rule", "says", "source"], [], [list(row.values()) for row in rule_rows()])
