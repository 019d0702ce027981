"""An aligned set: what is asked for, and what is written of it (audio, previews, offsets.json and offsets.csv).

The files begin where the reference began (or earlier, by one padding for all): who would lose all of its sound, or get
a time stamp before midnight, is refused before anything is written.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from micalign.acoustics.arrivals import speed_of_sound_in
from micalign.alignment.di_and_mics import PairSum
from micalign.alignment.gain import (
    BlendTrack,
    LostBand,
    PhaseMatch,
    SumGain,
    lost_bands,
    loudest_moment,
    preview,
    sum_gain,
)
from micalign.alignment.offsets import Cut, MovedTrack, Offsets, Remain, Shift, cut_off, on_one_clock
from micalign.alignment.pairings import By
from micalign.alignment.tuned import LOW_HZ
from micalign.errors import TakeError, named
from micalign.files import tuned
from micalign.files.aligned_audio import SUFFIX, Targets, files_of, group_span, needed_bytes, write_aligned
from micalign.files.audio import original_of, parse_spec, refuse_changed
from micalign.files.encode import Written, write_audio
from micalign.files.metadata import rescaled, time_reference_of
from micalign.files.offsets_file import AllPass, OffsetsFile, SumGainDb, TrackOffset, WrittenFile, csv_text
from micalign.files.sessions import Clock, Laid, open_pairings, open_scene, reference_first
from micalign.files.sets import FileSet, file_hash, whole_set
from micalign.files.whole import refuse_full
from micalign.scene.model import Air
from micalign.scene.quantities import AlonePlan, AloneStretch
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track, as_recorded
from micalign.tdoa.delays import Alone

__all__ = [
    "AlignRequest",
    "Aligned",
    "Progress",
    "Say",
    "Session",
    "SetPlan",
    "blended",
    "inputs_of",
    "opened",
    "write_set",
]


@dataclass(frozen=True)
class AlignRequest:
    """What is to be aligned and how: ``tracks`` (the reference first), a ``scene``, or an offsets ``sheet``.

    ``keep_all`` puts silence in front of every file rather than cut off what lies before the reference's beginning;
    ``suffix`` keeps aligned files apart from originals; ``folder`` holds another recording of the scene's
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
    struck: tuple[AloneStretch, ...] = ()
    force: bool = False
    folder: Path | None = None

    @property
    def clock(self) -> Clock:
        """How the tracks come to one clock."""
        return Clock(self.ignore_timestamps, self.resample)


def _refuse_too_many(count: int) -> None:
    if count > tuned.MOST_TRACKS:
        raise TakeError(f"{count} tracks are more than one set can hold: give at most {tuned.MOST_TRACKS} at a time")


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


def opened(ask: AlignRequest) -> Session:
    """The tracks that a request names, and the folder for their aligned set."""
    if ask.scene is not None:
        found = open_scene(ask.scene, reference=ask.reference, clock=ask.clock, alone=ask.alone, folder=ask.folder)
        _refuse_too_many(len(found.take.tracks))
        folder = ask.out or ask.scene.parent / "aligned"
        return Session(found.take.tracks, found.reference, folder, found.laid, found.scene, found.alone)
    pairings = open_pairings(reference_first(ask.tracks, ask.reference), ask.clock)
    folder = ask.out or original_of(pairings.reference)[0].path.parent / "aligned"
    # A measurement may hold a track against itself; here `align snare.wav *.wav` names the reference once more.
    others = [track for track in pairings.others if track is not pairings.reference]
    if not others:
        raise TakeError(
            f"'{pairings.reference.name}' is the reference, and there is no track to lay onto it: name one more file"
        )
    _refuse_too_many(1 + len(others))
    tracks = Take((pairings.reference, *others)).tracks
    return Session(tracks, pairings.reference.name, folder, pairings.laid)


Say = Callable[[str], None]
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Aligned:
    """What was done: the offsets as written, what remains of each source, sentences of what is not well.

    ``remarks`` are sentences of what is as it should be and yet worth knowing, ``notes`` of how the tracks came to one
    clock.
    """

    offsets: OffsetsFile
    folder: Path
    remains: tuple[Remain, ...]
    warnings: tuple[str, ...]
    previews: tuple[Path, ...] = ()
    remarks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sums: tuple[PairSum, ...] = ()


@dataclass(frozen=True)
class SetPlan:
    """What to write: the shifts, what is done to each track, and the moments to listen to."""

    offsets: Offsets
    actions: tuple[MovedTrack, ...]
    phases: Mapping[str, PhaseMatch] = field(default_factory=dict)
    moments_s: Mapping[str, float] = field(default_factory=dict)
    as_asked: bool = False
    sums: tuple[PairSum, ...] = ()


def write_set(
    session: Session, targets: Targets, plan: SetPlan, asked: AlignRequest, say: Say, progress: Progress
) -> Aligned:
    """Write a set: audio, previews and offsets.

    Raises
    ------
    TakeError
        If a track would lose all of its sound, or its file would begin before midnight; nothing is written then.
    OutputError
        If a file cannot be written.
    """
    targets = targets.joined(plan.actions, asked.suffix or "")
    files = files_of(targets.tracks, plan.actions)
    start = group_span(files, whole=asked.whole_samples).start if asked.keep_all else 0
    cuts = tuple(cut_off(one, start, whole=asked.whole_samples) for one in plan.actions)
    _refuse_emptied(plan.actions, start, whole=asked.whole_samples)
    _refuse_before_midnight(plan.actions, start)
    refuse_full(session.folder, needed_bytes(files, start, whole=asked.whole_samples))
    blend = [blended(action, session.gains_db) for action in plan.actions]
    gain = sum_gain(blend)
    words = f"writing {len(plan.actions)} tracks to {session.folder}"

    def refuse() -> None:
        targets.refuse(inputs_of(session, asked), force=asked.force)

    with whole_set(session.folder, refuse=refuse, head=targets.json.name) as made:
        say(words)
        made_of = write_aligned(
            files,
            start=start,
            whole=asked.whole_samples,
            headroom_db=asked.headroom_db,
            within=made,
            progress=lambda share: progress(words, share),
        )
        by_path = {file.path: one for file, one in zip(files, made_of, strict=True)}
        written = [by_path[path] for path in targets.tracks]
        previews = _previews(targets, plan, blend, asked, made)
        sheet = _sheet(session, plan, asked, start, list(zip(written, cuts, strict=True)), gain)
        sheet = _with_sheets(made, targets, sheet, session)
        refuse_changed(one.track for one in plan.actions)
    warnings = tuple(_warnings(plan, session.ordered, written))
    said = (*_remarks(plan, sheet, targets), *_lost_words(lost_bands(gain), gain)), session.laid.notes, plan.sums
    return Aligned(sheet, session.folder, plan.offsets.remains, warnings, previews, *said)


def _with_sheets(made: FileSet, targets: Targets, sheet: OffsetsFile, session: Session) -> OffsetsFile:
    """Write offsets.csv, and offsets.json with the SHA-256 of every other file of the set."""
    table = csv_text(sheet, speed_of_sound_m_s=session.speed_of_sound_m_s, through_air=session.through_air)
    made.write_text(targets.csv, table)
    whole = sheet.model_copy(update={"files": tuple(WrittenFile(**one) for one in made.manifest(targets.json.name))})
    made.write_text(targets.json, whole.text())
    return whole


def inputs_of(session: Session, asked: AlignRequest) -> list[Path]:
    """Every file that is read."""
    others = [asked.scene, asked.sheet, None if asked.loopback is None else parse_spec(asked.loopback).path]
    return [*(original_of(track)[0].path for track in session.tracks), *(path for path in others if path is not None)]


def _refuse_emptied(actions: Sequence[MovedTrack], start: int, *, whole: bool) -> None:
    """A track that would lie wholly before the beginning of its file: nothing of it would be left."""
    for one in actions:
        if one.samples_before(start, whole=whole) >= as_recorded(one.track)[0].frames:
            shift_s = one.shift_samples / one.track.sample_rate
            raise TakeError(
                f"nothing of '{one.track.name}' would be left: moved by {shift_s:+.3f} s it ends before the reference "
                "begins; take a smaller shift, or keep all with --keep-all"
            )


def _refuse_before_midnight(actions: Sequence[MovedTrack], start: int) -> None:
    """A time stamp counts from midnight on: silence in front of a file stamped then has no time of day."""
    for one in actions:
        path = original_of(one.track)[0].path
        stamp, earlier = time_reference_of(path), one.begun_samples - start
        rate = original_of(one.track)[0].sample_rate
        if stamp and rescaled(stamp, rate, one.track.sample_rate) < earlier:
            raise TakeError(
                f"{path} is stamped {stamp / rate:.3f} s after midnight, and with silence in front its aligned file "
                "would begin the day before, which no time stamp can say: leave out --keep-all"
            )


def _previews(
    targets: Targets, plan: SetPlan, blend: Sequence[BlendTrack], asked: AlignRequest, made_in: FileSet
) -> tuple[Path, ...]:
    if asked.preview_s is None:
        return ()
    reference = next(one.track for one in blend if one.track.name == plan.offsets.reference)
    made: list[Path] = []
    for source, paths in targets.previews.items():
        middle_s = plan.moments_s.get(source)
        middle_s = loudest_moment(reference) if middle_s is None else middle_s
        sounds = preview(blend, middle_s=middle_s, seconds=asked.preview_s)
        for path, sound in zip(paths, sounds, strict=True):
            write_audio(path, [sound], sample_rate=reference.sample_rate, dither_seed=tuned.DITHER_SEED, within=made_in)
        made += paths
    return tuple(made)


def _warnings(plan: SetPlan, tracks: Sequence[Track], written: Sequence[Written]) -> list[str]:
    # What a user left out of an offsets file is no fault.
    left = () if plan.as_asked else [one for one in plan.offsets.shifts if not one.applied and not one.as_recorded]
    reasons: dict[str, list[str]] = {}
    for shift in left:
        reasons.setdefault(shift.reason or "no reliable delay", []).append(shift.track)
    said = [
        f"{named(names)} {'was' if len(names) == 1 else 'were'} not moved: {reason}"
        for reason, names in reasons.items()
    ]
    cut = {one.path: (track.name, one.clipped) for track, one in zip(tracks, written, strict=True) if one.clipped}
    clipped = list(cut.values())
    said += [f"'{name}' clipped at {count} samples: write again with --headroom-db 3" for name, count in clipped]
    return said


def _lost_words(lost: Sequence[LostBand], gain: SumGain) -> Iterator[str]:
    """The third octaves that the sum loses, the worst first, with what it gains on the whole where it does."""
    if lost:
        worst, *more = lost
        by, which = "by several moves together", "some"
        if worst.track:
            by = f"most of it by the move of '{worst.track}', which costs {worst.costs_db:.1f} dB there"
            which = "it"
        whole = (gain.before_db, gain.after_db, "in all")
        lows = (gain.low_before_db, gain.low_after_db, f"at {LOW_HZ[0]:.0f}-{LOW_HZ[1]:.0f} Hz")
        gained = [
            f"{after - before:.1f} dB {where}"
            for before, after, where in (whole, lows)
            if before is not None and after is not None and after - before >= tuned.HEARD_DB
        ]
        won = f"gains {' and '.join(gained)}, and " if gained else ""
        also = f" ({', '.join(_band_lost(one) for one in more)})" if more else ""
        yield (
            f"the sum of all tracks {won}loses {_band_lost(worst)}{also}: {by}; "
            f'listen, and leave {which} out with "applied": false in offsets.json where the sum is thinner'
        )


def _band_lost(one: LostBand) -> str:
    return f"{one.lost_db:.1f} dB at {one.low_hz:.0f}-{one.high_hz:.0f} Hz"


def _remarks(plan: SetPlan, sheet: OffsetsFile, targets: Targets) -> Iterator[str]:
    left = () if plan.as_asked else plan.offsets.shifts
    alike: dict[str | None, list[str]] = {}
    for shift in left:
        if shift.as_recorded:
            alike.setdefault(shift.reason, []).append(shift.track)
    yield from (f"{named(names)} {reason}" for reason, names in alike.items())
    for name in targets.parted([one.track for one in plan.actions]):
        yield f"'{name}' is written as a file for each of its two channels, since they are not moved alike"
    older = sorted({one.file for one in sheet.files} - {path.name for path in targets.all})
    if older:
        yield f"of an older set there is still {', '.join(older)}"


def blended(action: MovedTrack, gains_db: Mapping[str, float]) -> BlendTrack:
    """A track as it is added up: with what is done to it, at its gain in the blend."""
    gain_db = gains_db.get(action.track.name, 0.0)
    if action.drift_ppm:
        return BlendTrack(on_one_clock(action), 0.0, action.polarity, gain_db, action.sections, before=action.track)
    return BlendTrack(action.track, action.shift_samples, action.polarity, gain_db, action.sections)


def _sheet(
    session: Session,
    plan: SetPlan,
    asked: AlignRequest,
    start: int,
    done: Sequence[tuple[Written, Cut]],
    gain: SumGain,
) -> OffsetsFile:
    """What was done, as it is kept."""
    hashes = {path: file_hash(path) for path in {original_of(one.track)[0].path for one in plan.actions}}
    entries = [
        _entry(session, one, plan.offsets.shift(one.track.name), *what, hashes)
        for one, what in zip(plan.actions, done, strict=True)
    ]
    return OffsetsFile(
        reference=plan.offsets.reference,
        laid_onto=plan.offsets.onto,
        sample_rate=plan.offsets.sample_rate,
        whole_samples=asked.whole_samples,
        headroom_db=asked.headroom_db,
        pad_s=-start / plan.offsets.sample_rate if asked.keep_all else None,
        pad_samples=-start if asked.keep_all else None,
        suffix=asked.suffix or SUFFIX,
        timestamps=session.laid.timestamps,
        tracks=tuple(entries),
        sum_gain_db=SumGainDb(before=gain.before_db, after=gain.after_db),
        bands=tuple(asdict(band) for band in gain.bands),
        remains=tuple(asdict(one) | {"first_notch_hz": one.first_notch_hz} for one in plan.offsets.remains),
        phases=tuple(_phase(name, one) for name, one in plan.phases.items()),
        compromise=plan.offsets.compromise,
    )


def _entry(
    session: Session, action: MovedTrack, shift: Shift, written: Written, cut: Cut, hashes: Mapping[Path, str]
) -> TrackOffset:
    info, channel = original_of(action.track)
    rate = action.track.sample_rate
    return TrackOffset(
        track=action.track.name,
        file=written.path.name,
        delay_s=shift.delay_s,
        uncertainty_s=shift.uncertainty_s,
        shift_s=action.shift_samples / rate,
        shift_samples=action.shift_samples,
        written_samples=action.shift_samples,
        polarity_flip=action.polarity < 0,
        written_flip=action.polarity < 0,
        reliable=shift.is_to_act_on,
        applied=shift.applied and not shift.stays,
        as_recorded=shift.stays,
        reason=shift.reason,
        basis=shift.basis,
        drift_ppm=shift.drift_ppm,
        drift_corrected=action.drift_ppm != 0.0,
        all_pass=tuple(AllPass(hz=frequency, q=q) for frequency, q in action.sections),
        cut_s=cut.samples / rate,
        cut_samples=cut.samples,
        cut_dbfs=cut.level_dbfs,
        noise_floor_dbfs=cut.floor_dbfs,
        cut_is_heard=cut.is_heard,
        start_s=session.laid.starts_s.get(action.track.name, 0.0),
        resampled_from_hz=None if info.sample_rate == rate else info.sample_rate,
        original=_relative(info.path, session.folder),
        channel=channel,
        sha256=hashes[info.path],
    )


def _relative(path: Path, folder: Path) -> str:
    try:
        # Through links: `..` leads out of the folder behind a link, not out of the link.
        return os.path.relpath(os.path.realpath(path), os.path.realpath(folder))
    except ValueError:  # another drive
        return str(path.resolve())


def _phase(track: str, one: PhaseMatch) -> dict[str, str | float | int | None]:
    return {
        "track": track,
        "against": one.against,
        "sections": len(one.sections),
        "polarity": one.polarity,
        "shift_s": one.shift_s,
        "before_db": one.before_db,
        "after_db": one.after_db,
        "low_hz": one.band_hz[0],
        "high_hz": one.band_hz[1],
    }
