"""How are several songs told: one line each, one table at the end, one document?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from micalign.report.tables import PROBLEM, WARNING, bare_table, clean, one_line, shortened
from micalign.units import many

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["Outcome", "song_line", "songs_document", "songs_table", "songs_words"]

_VERDICTS: Final = ("good", "look at it", "not done")
_STYLES: Final = (None, WARNING, PROBLEM)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came out for one song.

    Parameters
    ----------
    status : int
        As the command's exit status for it alone: 0 good, 1 something is wrong, 2 it could not be done.
    told : str
        In a line.
    document : dict, optional
        What ``--json`` prints for it alone.
    faults : tuple of str
        Why it could not be done.
    made : tuple of str
        The files that were written.
    """

    status: int
    told: str
    document: dict[str, Any] | None = None
    faults: tuple[str, ...] = ()
    made: tuple[str, ...] = ()

    @classmethod
    def failed(cls, faults: Sequence[str]) -> Outcome:
        """Of a song that could not be done."""
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        return cls(2, shortened(one_line(faults[0]), 300) + more, faults=tuple(faults))

    @property
    def kept(self) -> dict[str, Any]:
        """As it is kept in a file."""
        return asdict(self)

    @classmethod
    def known(cls, kept: dict[str, Any]) -> Outcome:
        """What was kept so."""
        return cls(int(kept["status"]), str(kept["told"]), kept["document"], (), tuple(map(str, kept["made"])))


def song_line(name: str, outcome: Outcome) -> str:
    """One song in one line."""
    return f"{name}: {outcome.told}"


def songs_table(songs: Sequence[tuple[str, Outcome]]) -> Table:
    """One row a song: what was found, and a verdict."""
    table = bare_table("Songs")
    for heading in ("song", "found"):
        table.add_column(heading, overflow="fold")
    table.add_column("verdict", overflow="fold")
    for name, outcome in songs:
        style = _STYLES[outcome.status]
        table.add_row(clean(name), clean(outcome.told), _VERDICTS[outcome.status], style=style)
    return table


def songs_words(songs: Sequence[tuple[str, Outcome]]) -> str:
    """How many songs came out how."""
    counts = [sum(outcome.status == status for _, outcome in songs) for status in range(len(_VERDICTS))]
    told = ("good", "to look at", "not done")
    words = ", ".join(f"{count} {word}" for count, word in zip(counts, told, strict=True) if count)
    return f"{many(len(songs), 'song')}: {words}."


def songs_document(songs: Sequence[tuple[str, Outcome]]) -> dict[str, Any]:
    """One document: each song with its own document as ``--json`` prints it for that song alone, null where none is."""
    return {"songs": list(_rows(songs)), "exit_status": max((outcome.status for _, outcome in songs), default=0)}


def _rows(songs: Sequence[tuple[str, Outcome]]) -> Iterator[dict[str, Any]]:
    for name, outcome in songs:
        yield {
            "song": name,
            "exit_status": outcome.status,
            "told": outcome.told,
            "faults": list(outcome.faults),
            "result": outcome.document,
        }
