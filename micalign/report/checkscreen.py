"""What does `check` put on a terminal? What is wrong first, on one screen; tables by name.

A screen is 24 to 40 lines: a verdict, findings with what mends them, when each source arrives, and what to mind where
the work can hurt someone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.prediction import Prediction
from micalign.findings.finding import Finding
from micalign.report import bleedtables as bleed
from micalign.report import checktables as tables
from micalign.report import checkwords as words
from micalign.report.plain import clean
from micalign.scene.model import Scene

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["SECTIONS", "first_screen", "sections", "verdict"]

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

_FEWEST_LINES: Final = 24
_MOST_LINES: Final = 40

Numbers = Mapping[tuple[str, tuple[str, ...]], int]


def verdict(name: str, every: Sequence[Finding], told: Sequence[Finding]) -> str:
    """How the scene stands, in a sentence."""
    wrong = sum(finding.severity != "note" for finding in told)
    if not every:
        return f"{clean(name)}: every rule is met."
    state = "nothing to mend" if wrong == 0 else f"{wrong} to mend"
    return f"{clean(name)}: {state}, {len(told) - wrong} to know."


def first_screen(
    out: Console,
    scene: Scene,
    predicted: Prediction,
    told: Sequence[Finding],
    numbers: Numbers,
    minded: Sequence[str],
) -> Iterator[Any]:
    """Findings, arrivals and cautions, as many findings as leave room for the rest."""
    tail = [
        *(table for table in tables.short_arrivals(scene, predicted, out.width)),
        words.caution_lines(minded),
        f"More: --show {', '.join(SECTIONS)}; or --all. 'micalign check --rules' lists the rules.",
    ]
    lines = min(max(out.height, _FEWEST_LINES), _MOST_LINES) if out.is_terminal else _MOST_LINES
    left = lines - 2 - sum(_height(out, block) for block in tail if block)
    shown = _that_fit(out, told, numbers, left)
    if shown:
        yield words.finding_lines(shown, numbers, blank=0)
    yield _hint(shown, told)
    yield from tail


def _that_fit(out: Console, told: Sequence[Finding], numbers: Numbers, left: int) -> list[Finding]:
    """The heaviest, at least one, while they leave room for the rest."""
    shown: list[Finding] = []
    for finding in told:
        left -= _height(out, words.finding_lines([finding], numbers, blank=0)) - bool(shown)
        if shown and left < 2:
            break
        shown.append(finding)
    return shown


def _height(out: Console, block: Any) -> int:
    """Lines of a block, with the empty one after it."""
    return len(out.render_lines(block)) + 1


def _hint(shown: Sequence[Finding], told: Sequence[Finding]) -> str:
    star = "A star: --mend N --write NEW.toml applies it." if any(finding.changes for finding in shown) else ""
    rest = len(told) - len(shown)
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
    told, numbers, minded = findings
    blocks: dict[str, Iterator[Any]] = {
        "findings": iter((words.finding_lines(told, numbers), words.caution_lines(minded))),
        "arrivals": _arrivals(scene, predicted, everything=everything, width=width),
        "sums": iter((tables.difference_table(scene, predicted, everything=everything),)),
        "spacing": iter((bleed.spacing_table(scene, predicted, everything=everything),)),
        "bleed": iter((bleed.bleed_table(predicted, everything=everything),)),
        "reflections": iter((tables.reflection_table(scene, predicted, everything=everything),)),
        "pairs": tables.pair_tables(scene, predicted),
        "direct": iter((tables.direct_table(predicted),)),
        "room": iter(
            (
                "\n".join(words.room_lines(predicted.room)),
                words.mode_table(scene, predicted, everything=everything),
            )
        ),
    }
    for name in SECTIONS:
        if name in wanted:
            yield from blocks[name]


def _arrivals(scene: Scene, predicted: Prediction, *, everything: bool, width: int) -> Iterator[Any]:
    yield tables.heading(scene, predicted)
    yield from tables.arrival_tables(scene, predicted, everything=everything, width=width)
