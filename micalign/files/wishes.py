"""What an alignment is asked for, and the tracks, folder and blend it works on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from micalign.acoustics.air import speed_of_sound_in
from micalign.alignment.onepath.pair import PairSum
from micalign.alignment.pairings import By
from micalign.alignment.session import di_and_mic, wishes_of
from micalign.alignment.wishes import Wishes
from micalign.errors import TakeError
from micalign.files.outputs import original_of
from micalign.files.sessions import Clock, open_pairings, open_scene
from micalign.files.stamps import Laid
from micalign.scene.model import Air, Scene
from micalign.scene.quantities import AlonePlan
from micalign.take.model import Take, Track
from micalign.tdoa.told import Alone

__all__ = ["Session", "Wish", "compromise_wishes", "opened", "to_match"]


@dataclass(frozen=True)
class Wish:
    """What is to be aligned and how: ``tracks`` (the reference first), a ``scene``, or an offsets ``sheet``.

    ``keep_all`` puts silence in front of every file rather than cut off what lies before the reference's beginning;
    ``suffix`` is what aligned files are told from originals by; ``folder`` holds another recording of the scene's
    tracks.
    """

    tracks: tuple[str, ...] = ()
    scene: Path | None = None
    sheet: Path | None = None
    reference: str | None = None
    out: Path | None = None
    max_delay_s: float = 0.05
    by: By = "sum"
    loopback: str | None = None
    correct_drift: bool = False
    match_phase: bool = False
    whole_samples: bool = False
    for_source: str | None = None
    split_pairs: bool = False
    max_shift_s: float | None = None
    headroom_db: float = 0.0
    preview_s: float | None = None
    ignore_timestamps: bool = False
    resample: bool = False
    keep_all: bool = False
    suffix: str | None = None
    alone: tuple[AlonePlan, ...] = ()
    force: bool = False
    folder: Path | None = None

    @property
    def clock(self) -> Clock:
        """How the tracks come to one clock."""
        return Clock(self.ignore_timestamps, self.resample)


MOST_TRACKS: Final = 1024
"""As many as an offsets file holds."""


def _refuse_too_many(count: int) -> None:
    if count > MOST_TRACKS:
        raise TakeError(f"{count} tracks are more than one set can hold: give at most {MOST_TRACKS} at a time")


@dataclass(frozen=True)
class Session:
    """Tracks on one clock with the reference among them, the folder for the set, and gains of the blend."""

    tracks: tuple[Track, ...]
    reference: str
    folder: Path
    laid: Laid
    scene: Scene | None = None
    alone: tuple[Alone, ...] = ()

    @property
    def ordered(self) -> tuple[Track, ...]:
        """The tracks, the reference last."""
        return tuple(sorted(self.tracks, key=lambda track: track.name == self.reference))

    @property
    def gains_db(self) -> dict[str, float]:
        """Each track's level in the blend, where the scene says one."""
        if self.scene is None:
            return {}
        mics = {mic.name: mic.gain_db for mic in self.scene.mics}
        return mics | {di.name: di.gain_db for di in self.scene.dis}

    @property
    def through_air(self) -> frozenset[str]:
        """The tracks of which the scene says that a mic made them."""
        return frozenset() if self.scene is None else frozenset(mic.name for mic in self.scene.mics)

    @property
    def speed_of_sound_m_s(self) -> float:
        """Of the scene's air, or of a room of 20 C."""
        return speed_of_sound_in(self.scene.air if self.scene else Air())


def opened(wish: Wish) -> Session:
    """The tracks that a wish names, and the folder for their aligned set."""
    if wish.scene is not None:
        found = open_scene(wish.scene, reference=wish.reference, clock=wish.clock, alone=wish.alone, folder=wish.folder)
        _refuse_too_many(len(found.take.tracks))
        folder = wish.out or wish.scene.parent / "aligned"
        return Session(found.take.tracks, found.reference, folder, found.laid, found.scene, found.alone)
    pairings = open_pairings(wish.tracks, wish.clock)
    folder = wish.out or original_of(pairings.reference)[0].path.parent / "aligned"
    _refuse_too_many(1 + len(pairings.others))
    # A take refuses what a measurement may do: hold a track against itself.
    tracks = Take((pairings.reference, *pairings.others)).tracks
    return Session(tracks, pairings.reference.name, folder, pairings.laid)


def compromise_wishes(session: Session, wish: Wish) -> Wishes:
    """What the compromise between sources is asked for."""
    if session.scene is None:
        return Wishes(session.reference, max_shift_s=wish.max_shift_s)
    return wishes_of(
        session.scene,
        [track.name for track in session.tracks],
        reference=session.reference,
        for_source=wish.for_source,
        split_pairs=wish.split_pairs,
        max_shift_s=wish.max_shift_s,
    )


def to_match(session: Session, sums: Sequence[PairSum] = ()) -> dict[str, str]:
    """Each DI and its mic: as the scene says, as the tracks tell, or each track and the reference."""
    names = [track.name for track in session.tracks]
    if session.scene is None:
        told = {one.track: _filtered_first(one) for one in sums}
        pairs = [told.get(name, (name, session.reference)) for name in names if name != session.reference]
        return dict(reversed(pairs))
    return di_and_mic(session.scene, names)


def _filtered_first(one: PairSum) -> tuple[str, str]:
    return (one.track, one.reference) if one.filtered == one.track else (one.reference, one.track)
