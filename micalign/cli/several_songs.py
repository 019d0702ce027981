"""Several songs in one call of ``measure``, ``levels``, ``align`` or ``compare``: done in turn, reported together.

Each is a line, all are one table at the end, or one document.
"""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from micalign.cli.output import console, note, print_json
from micalign.errors import MicalignError
from micalign.report.tables import PROBLEM, WARNING, bare_table, clean, shortened

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.files.songs import Finished, Song

__all__ = [
    "Outcome",
    "Several",
    "refuse_one_take",
]

_VERDICTS: Final = ("good", "look at it", "not done")
_STYLES: Final = (None, WARNING, PROBLEM)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came out for one song.

    Parameters
    ----------
    status : int
        As the command's exit status for it alone: 0 good, 1 something is wrong, 2 it could not be done.
    line : str
        In a line.
    document : dict, optional
        What ``--json`` prints for it alone.
    faults : tuple of str
        Why it could not be done.
    made : tuple of str
        The files that were written.
    minded : str
        In a word or two, where nothing is wrong and yet it is not all good.
    """

    status: int
    line: str
    document: dict[str, Any] | None = None
    faults: tuple[str, ...] = ()
    made: tuple[str, ...] = ()
    minded: str = ""

    @classmethod
    def failed(cls, faults: Sequence[str]) -> Outcome:
        """Of a song that could not be done."""
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        return cls(2, shortened(clean(faults[0]), 300) + more, faults=tuple(faults))

    @property
    def kept(self) -> dict[str, Any]:
        """As it is kept in a file."""
        return {
            "status": self.status,
            "told": self.line,
            "document": self.document,
            "made": list(self.made),
            "minded": self.minded,
        }

    @classmethod
    def known(cls, kept: dict[str, Any]) -> Outcome:
        """What was kept so."""
        return cls(
            int(kept["status"]),
            str(kept["told"]),
            kept["document"],
            (),
            tuple(map(str, kept["made"])),
            str(kept.get("minded", "")),
        )


def _songs_table(songs: Sequence[tuple[str, Outcome]]) -> Table:
    """One row a song: what was found, and a verdict."""
    table = bare_table("Songs")
    for heading in ("song", "found"):
        table.add_column(heading, overflow="fold")
    table.add_column("verdict", overflow="fold")
    for name, outcome in songs:
        style = WARNING if outcome.minded else _STYLES[outcome.status]
        table.add_row(clean(name), clean(outcome.line), outcome.minded or _VERDICTS[outcome.status], style=style)
    return table


def _songs_words(songs: Sequence[tuple[str, Outcome]]) -> str:
    """How many songs came out how."""
    states = ("good", "to look at", "not done")
    counted = Counter(outcome.minded or states[outcome.status] for _, outcome in songs)
    order = dict.fromkeys([states[0], *(outcome.minded for _, outcome in songs if outcome.minded), *states[1:]])
    words = ", ".join(f"{counted[word]} {word}" for word in order if counted[word])
    from micalign.units import many  # noqa: PLC0415 - numpy, which --help must not pay for

    return f"{many(len(songs), 'song')}: {words}."


def _songs_document(songs: Sequence[tuple[str, Outcome]]) -> dict[str, Any]:
    """One document: each song with its own document as ``--json`` prints it for that song alone, null where none is."""
    return {"songs": list(_rows(songs)), "exit_status": max((outcome.status for _, outcome in songs), default=0)}


def _rows(songs: Sequence[tuple[str, Outcome]]) -> Iterator[dict[str, Any]]:
    for name, outcome in songs:
        yield {
            "song": name,
            "exit_status": outcome.status,
            "told": outcome.line,
            "faults": list(outcome.faults),
            "result": outcome.document,
        }


def refuse_one_take(**given: Any) -> None:
    """Refuse options, by their names, that are about one recording."""
    for name, value in given.items():
        if value:
            raise click.UsageError(f"--{name.replace('_', '-')} is about one recording: give it with one song alone")


@dataclass(frozen=True)
class Several:
    """The songs of one call of a command."""

    command: str
    songs: tuple[Song, ...]

    @classmethod
    def asked(
        cls, command: str, scenes: Sequence[Path], folders: Sequence[Path], *, resume: Path | None, quiet: bool
    ) -> Several | Song:
        """The songs; one alone where a scene, a folder of tracks or neither names one take."""
        from micalign.files.songs import Song, songs_in, songs_of_scenes  # noqa: PLC0415 - so that --help costs click

        scene = scenes[0] if scenes else None
        if folders and len(scenes) > 1:
            raise click.UsageError("give one scene with --songs, or several scenes without: one set-up for all songs")
        songs, notes = songs_in(folders, scene) if folders else (songs_of_scenes(scenes), ())
        # A folder of tracks that is named alone is shown in full; one that holds a song is shown as a list of one.
        if not folders or [song.folder for song in songs] == list(folders):
            if resume is not None and len(songs) < 2:
                raise click.UsageError("--resume goes with several songs: one has nothing to go on with")
            if len(songs) < 2:
                return songs[0] if songs else Song("")
        for sentence in notes:
            note(sentence, quiet=quiet)
        return cls(command, songs)

    def run(
        self,
        one: Callable[[Song], Outcome],
        *,
        asked: Mapping[str, Any],
        resume: Path | None,
        force: bool = False,
        as_json: bool,
        quiet: bool,
    ) -> int:
        """Do what is missing, show all, and return the exit status of the worst.

        ``asked`` holds the options that what is kept hangs on; ``resume`` names the file it is kept in.
        """
        from micalign.files.songs import Finished  # noqa: PLC0415 - as above

        options = {key: repr(value) for key, value in asked.items()}
        kept = Finished(resume, {"command": self.command, **options}, force=force)
        known = {song: Outcome.known(was) for song in self.songs if (was := kept.done(song)) is not None}
        if known:
            note(f"{len(known)} of {len(self.songs)} songs are done, as {resume} says; without it all are done anew",
                 quiet=quiet)  # fmt: skip
        done: list[tuple[str, Outcome]] = []
        try:
            for song in self.songs:
                outcome = known.get(song) or self._tried(song, one, kept)
                done.append((song.name, outcome))
                note(f"{song.name}: {outcome.line}", quiet=quiet)
        except KeyboardInterrupt:
            note(self._stopped(len(done), resume), quiet=quiet)
            raise
        return self._show(done, as_json=as_json)

    def _tried(self, song: Song, one: Callable[[Song], Outcome], kept: Finished) -> Outcome:

        try:
            outcome = one(song)
        except MicalignError as error:
            return Outcome.failed(error.faults)
        kept.keep(song, outcome.kept)
        return outcome

    def _stopped(self, count: int, resume: Path | None) -> str:
        if resume is None:
            return "nothing is kept of songs that are done: --resume FILE keeps them as they come"
        return f"{count} of {len(self.songs)} songs are done and kept in {resume}: the same command goes on from there"

    def _show(self, done: Sequence[tuple[str, Outcome]], *, as_json: bool) -> int:

        status = max((outcome.status for _, outcome in done), default=0)
        if as_json:
            print_json(_songs_document(done))
            return status
        out = console()
        out.print(_songs_table(done))
        out.print(_songs_words(done))
        look = next((song for song, (_, outcome) in zip(self.songs, done, strict=True) if outcome.status == 1), None)
        if look is not None:
            out.print(f"One song in full: {self._alone(look)}")
        return status

    def _alone(self, song: Song) -> str:
        """The command that looks at one song alone, as a shell takes it."""
        words = ["micalign", self.command]
        if song.scene is not None:
            words += [*(() if self.command == "compare" else ("--scene",)), str(song.scene)]
        if song.folder is not None:
            words += ["--songs", str(song.folder)]
        return shlex.join(words)
