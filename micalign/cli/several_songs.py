"""Several songs in one call of ``measure``, ``levels``, ``align`` or ``compare``: done in turn, told together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from micalign.cli.options import PATH
from micalign.cli.output import console, note, print_json
from micalign.errors import MicalignError

if TYPE_CHECKING:
    from micalign.files.songs import Finished, Song
    from micalign.report.songs_words import Outcome

__all__ = ["Several", "refuse_one_take", "songs_options"]


def songs_options(command: click.decorators.FC) -> click.decorators.FC:
    """``--songs`` and ``--resume``."""
    command = click.option(
        "--resume",
        type=PATH,
        metavar="FILE",
        help="With several songs: keep in FILE what is done, and go on from there when run again.  "
        "[default: 'songs.json' beside aligned sets, else nothing is kept]",
    )(command)
    return click.option(
        "--songs",
        multiple=True,
        type=PATH,
        metavar="FOLDER",
        help="Several songs, each a folder of tracks in FOLDER; with a scene, its tracks in each. May be repeated.  "
        "[default: one take]",
    )(command)


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
        # A folder of tracks that is named alone is told in full; one that holds a song is told as a list of one.
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
        """Do what is missing, tell all, and return the exit status of the worst.

        ``asked`` holds the options that what is kept hangs on; ``resume`` names the file it is kept in.
        """
        from micalign.files.songs import Finished  # noqa: PLC0415 - as above
        from micalign.report.songs_words import Outcome, song_line  # noqa: PLC0415 - as above

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
                note(song_line(song.name, outcome), quiet=quiet)
        except KeyboardInterrupt:
            note(self._stopped(len(done), resume), quiet=quiet)
            raise
        return self._show(done, as_json=as_json)

    def _tried(self, song: Song, one: Callable[[Song], Outcome], kept: Finished) -> Outcome:
        from micalign.report.songs_words import Outcome  # noqa: PLC0415 - as above

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
        from micalign.report.songs_words import songs_document, songs_table, songs_words  # noqa: PLC0415 - as above

        status = max((outcome.status for _, outcome in done), default=0)
        if as_json:
            print_json(songs_document(done))
            return status
        out = console()
        out.print(songs_table(done))
        out.print(songs_words(done))
        look = next((song for song, (_, outcome) in zip(self.songs, done, strict=True) if outcome.status == 1), None)
        if look is not None:
            out.print(f"One song in full: {self._alone(look)}")
        return status

    def _alone(self, song: Song) -> str:
        """The command that looks at one song alone."""
        scene = "" if song.scene is None else f" {'' if self.command == 'compare' else '--scene '}{song.scene}"
        return f"micalign {self.command}{scene}{'' if song.folder is None else f' --songs {song.folder}'}"
