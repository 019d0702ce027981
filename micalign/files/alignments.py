"""From tracks on disk to an aligned set on disk: open, measure, plan, write, tell what was done.

The one call behind ``micalign align``. Signs as everywhere: a delay is positive when the event comes later in the
track, a shift is positive when it moves the track later.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from micalign.acoustics.air import speed_of_sound_in
from micalign.alignment.compromise import Wishes
from micalign.alignment.gain import Moved, SumGain, sum_gain
from micalign.alignment.offsets import Offsets, Remain, Shift
from micalign.alignment.session import Measured, default_reference, measured, measured_scene, planned, wishes_of
from micalign.files.aligned import AlignedFile, MovedTrack, write_aligned
from micalign.files.audio import Written
from micalign.files.offsets import OffsetsFile, SumGainDb, TrackOffset, csv_text, file_hash
from micalign.files.outputs import original_of, output_paths, refuse_taken
from micalign.files.sessions import open_pairings, open_scene
from micalign.files.whole import make_folder, write_text
from micalign.scene.model import Air, Scene
from micalign.take.model import Take, Track

__all__ = ["Aligned", "Wish", "align"]

Say = Callable[[str], None]


@dataclass(frozen=True)
class Wish:
    """What is to be aligned and how; either ``tracks`` (the reference first) or a ``scene``."""

    tracks: tuple[str, ...] = ()
    scene: Path | None = None
    reference: str | None = None
    out: Path | None = None
    max_delay_s: float = 0.05
    whole_samples: bool = False
    for_source: str | None = None
    split_pairs: bool = False
    max_shift_s: float | None = None
    headroom_db: float = 0.0
    force: bool = False


@dataclass(frozen=True)
class Aligned:
    """What was done: the offsets as written, what remains of each source, and sentences of what is not well."""

    offsets: OffsetsFile
    folder: Path
    remains: tuple[Remain, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Session:
    """Tracks with the reference among them, the folder for the set, and gains of the blend."""

    tracks: tuple[Track, ...]
    reference: Track
    folder: Path
    scene: Scene | None

    @property
    def ordered(self) -> tuple[Track, ...]:
        """The tracks, the reference last."""
        return (*(track for track in self.tracks if track is not self.reference), self.reference)

    @property
    def gains_db(self) -> dict[str, float]:
        """Each track's level in the blend, where the scene says one."""
        if self.scene is None:
            return {}
        mics = {mic.name: mic.gain_db for mic in self.scene.mics}
        return mics | {di.name: di.gain_db for di in self.scene.dis}

    @property
    def speed_of_sound_m_s(self) -> float:
        """Of the scene's air, or of a room of 20 C."""
        return speed_of_sound_in(self.scene.air if self.scene else Air())


def align(wish: Wish, *, say: Say = lambda _: None) -> Aligned:
    """Measure, plan and write.

    Parameters
    ----------
    wish : Wish
    say : callable
        Told what is being done, for a line of progress.

    Raises
    ------
    TakeError, SceneError
        If tracks or scene cannot be used.
    OutputError
        If the set cannot be written where it was asked for.
    """
    session = _opened(wish)
    paths = output_paths(session.ordered, session.folder)
    sheets = (session.folder / "offsets.json", session.folder / "offsets.csv")
    refuse_taken([*paths, *sheets], force=wish.force)
    offsets = _planned(session, wish, say)
    actions = [_action(track, offsets.shift(track.name), whole=wish.whole_samples) for track in session.ordered]
    gain = sum_gain([_moved(action, session.gains_db) for action in actions])
    say(f"writing {len(actions)} tracks to {session.folder}")
    make_folder(session.folder)
    written = write_aligned(
        [AlignedFile(path, original_of(one.track)[0].path, (one,)) for path, one in zip(paths, actions, strict=True)],
        whole=wish.whole_samples,
        headroom_db=wish.headroom_db,
        force=wish.force,
    )
    sheet = _sheet(session, wish, offsets, actions, written, gain)
    write_text(sheets[0], sheet.text(), force=wish.force)
    write_text(sheets[1], csv_text(sheet, speed_of_sound_m_s=session.speed_of_sound_m_s), force=wish.force)
    return Aligned(sheet, session.folder, offsets.remains, tuple(_warnings(offsets, session.ordered, written)))


def _opened(wish: Wish) -> _Session:
    if wish.scene is not None:
        scene, take = open_scene(wish.scene)
        name = wish.reference or default_reference(scene, [track.name for track in take.tracks])
        folder = wish.out or wish.scene.parent / "aligned"
        return _Session(take.tracks, take.track(name), folder, scene)
    reference, others = open_pairings(wish.tracks)
    folder = wish.out or original_of(reference)[0].path.parent / "aligned"
    return _Session((reference, *others), reference, folder, None)


def _planned(session: _Session, wish: Wish, say: Say) -> Offsets:
    found = _measured(session, wish, say)
    names = [track.name for track in session.tracks]
    if session.scene is None:
        wishes = Wishes(session.reference.name, max_shift_s=wish.max_shift_s)
    else:
        wishes = wishes_of(
            session.scene,
            names,
            reference=session.reference.name,
            for_source=wish.for_source,
            split_pairs=wish.split_pairs,
            max_shift_s=wish.max_shift_s,
        )
    return planned(found, wishes, gains_db=session.gains_db)


def _measured(session: _Session, wish: Wish, say: Say) -> Measured:
    if session.scene is None:
        others = [track for track in session.tracks if track is not session.reference]
        return measured(session.reference, others, max_delay_s=wish.max_delay_s)
    return measured_scene(
        session.scene,
        Take(session.tracks),
        reference=session.reference.name,
        max_delay_s=wish.max_delay_s,
        progress=lambda source: say(f"measuring {source} on its own"),
    )


def _action(track: Track, shift: Shift, *, whole: bool) -> MovedTrack:
    samples = shift.shift_s * track.sample_rate
    return MovedTrack(track, float(round(samples)) if whole else samples, -1 if shift.polarity_flip else 1)


def _moved(action: MovedTrack, gains_db: Mapping[str, float]) -> Moved:
    gain_db = gains_db.get(action.track.name, 0.0)
    return Moved(action.track, action.shift_samples, action.polarity, gain_db, action.sections)


def _sheet(
    session: _Session,
    wish: Wish,
    offsets: Offsets,
    actions: Sequence[MovedTrack],
    written: Sequence[Written],
    gain: SumGain,
) -> OffsetsFile:
    hashes = {path: file_hash(path) for path in {original_of(one.track)[0].path for one in actions}}
    entries = [
        _entry(one, offsets.shift(one.track.name), done, session.folder, hashes)
        for one, done in zip(actions, written, strict=True)
    ]
    return OffsetsFile(
        reference=offsets.reference,
        sample_rate=offsets.sample_rate,
        whole_samples=wish.whole_samples,
        headroom_db=wish.headroom_db,
        tracks=tuple(entries),
        sum_gain_db=SumGainDb(before=gain.before_db, after=gain.after_db),
        bands=tuple(
            {"centre_hz": band.centre_hz, "before_db": band.before_db, "after_db": band.after_db} for band in gain.bands
        ),
        remains=tuple(_remain(one) for one in offsets.remains),
        compromise=offsets.compromise,
    )


def _entry(action: MovedTrack, shift: Shift, written: Written, folder: Path, hashes: Mapping[Path, str]) -> TrackOffset:
    info, channel = original_of(action.track)
    return TrackOffset(
        track=action.track.name,
        file=written.path.name,
        delay_s=shift.delay_s,
        uncertainty_s=shift.uncertainty_s,
        shift_s=action.shift_samples / action.track.sample_rate,
        shift_samples=action.shift_samples,
        polarity_flip=shift.polarity_flip,
        reliable=shift.reliable,
        applied=shift.applied,
        reason=shift.reason,
        drift_ppm=shift.drift_ppm,
        original=_relative(info.path, folder),
        channel=channel,
        sha256=hashes[info.path],
    )


def _relative(path: Path, folder: Path) -> str:
    try:
        return os.path.relpath(path, folder)
    except ValueError:
        return str(path.resolve())


def _remain(one: Remain) -> dict[str, str | float | int | None]:
    return {
        "source": one.source,
        "track": one.track,
        "against": one.against,
        "remain_s": one.remain_s,
        "uncertainty_s": one.uncertainty_s,
        "polarity": one.polarity,
        "first_notch_hz": one.first_notch_hz,
    }


def _warnings(offsets: Offsets, tracks: Sequence[Track], written: Sequence[Written]) -> list[str]:
    said = [
        f"'{shift.track}' was not moved: {shift.reason or 'no reliable delay'}"
        for shift in offsets.shifts
        if not shift.applied
    ]
    clipped = [(track.name, one.clipped) for track, one in zip(tracks, written, strict=True) if one.clipped]
    said += [f"'{name}' clipped at {count} samples: write again with --headroom-db 3" for name, count in clipped]
    return said
