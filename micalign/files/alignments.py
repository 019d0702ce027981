"""From tracks on disk to an aligned set on disk: open, measure, plan, write, tell what was done.

The two calls behind ``micalign align``: `align` measures, `apply_offsets` follows an offsets file. Signs as
everywhere: a delay is positive when the event comes later in the track, a shift is positive when it moves the track
later. The written files begin where the reference began, so that they can take their originals' places.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from micalign.alignment.cut import cut_off
from micalign.alignment.gain import LOW_HZ, BlendTrack, sum_gain
from micalign.alignment.moved import MovedTrack, on_one_clock
from micalign.alignment.offsets import Offsets, Remain, Shift
from micalign.alignment.pairings import Measured, measured
from micalign.alignment.phase import PhaseMatch, match_phase
from micalign.alignment.preview import loudest_moment, preview
from micalign.alignment.session import measured_scene, planned
from micalign.errors import TakeError
from micalign.files.aligned import AlignedFile, group_span, write_aligned
from micalign.files.audio import Written, write_audio
from micalign.files.move_list import csv_text
from micalign.files.offsets import OffsetsFile
from micalign.files.outputs import SUFFIX, Targets, original_of, refuse_taken
from micalign.files.sessions import open_loopback
from micalign.files.sheets import Kept, moved_by_sheet, open_sheet, sheet_of
from micalign.files.whole import make_folder, write_text
from micalign.files.wishes import Session, Wish, compromise_wishes, opened, to_match
from micalign.take.model import Take, Track
from micalign.take.placed import as_recorded

__all__ = ["Aligned", "Wish", "align", "apply_offsets"]

Say = Callable[[str], None]
Tell = Callable[[str, float], None]

_HEARD_DB: Final = 0.05  # as the table shows it


@dataclass(frozen=True)
class Aligned:
    """What was done: the offsets as written, what remains of each source, sentences of what is not well.

    ``remarks`` are sentences of what is as it should be and yet worth knowing.
    """

    offsets: OffsetsFile
    folder: Path
    remains: tuple[Remain, ...]
    warnings: tuple[str, ...]
    previews: tuple[Path, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class _SetPlan:
    """What to write: the shifts, what is done to each track, and the moments to listen to."""

    offsets: Offsets
    actions: tuple[MovedTrack, ...]
    phases: Mapping[str, PhaseMatch] = field(default_factory=dict)
    moments_s: Mapping[str, float] = field(default_factory=dict)
    as_told: bool = False


def align(wish: Wish, *, say: Say = lambda _: None, tell: Tell = lambda _words, _share: None) -> Aligned:
    """Measure, plan and write.

    Parameters
    ----------
    wish : Wish
    say : callable
        Told what is being done, for a line of it.
    tell : callable
        Told what is being done and which share of it is done, 0 to 1; from any thread.

    Raises
    ------
    TakeError, SceneError
        If tracks or scene cannot be used.
    OutputError
        If the set cannot be written where it was asked for.
    """
    session = opened(wish)
    heard = [source.name for source in session.scene.sources] if session.scene else ["mix"]
    wish = replace(wish, suffix=SUFFIX if wish.suffix is None else wish.suffix)
    targets = Targets.of(session.ordered, session.folder, heard if wish.preview_s else (), suffix=wish.suffix or "")
    refuse_taken(targets.all, force=wish.force)
    found = _measured(session, wish, tell)
    offsets = planned(found, compromise_wishes(session, wish), gains_db=session.gains_db)
    actions = [_action(track, offsets.shift(track.name), wish) for track in session.ordered]
    phases = _phases(session, actions, offsets) if wish.match_phase else {}
    if wish.match_phase and not phases:
        said = f"{offsets.compromise}; no all-pass would lift the sum of a DI and its mic any further"
        offsets = replace(offsets, compromise=said)
    actions = [_turned(one, phases.get(one.track.name)) for one in actions]
    if not wish.match_phase:
        offsets = replace(offsets, compromise="; ".join([offsets.compromise, *_thin_lows(session, actions, offsets)]))
    moments = {one.source: one.loudest_s for one in found.sources or () if one.loudest_s is not None}
    return _write(session, targets, _SetPlan(offsets, tuple(actions), phases, moments), wish, say, tell)


def apply_offsets(
    path: Path, wish: Wish, *, say: Say = lambda _: None, tell: Tell = lambda _words, _share: None
) -> Aligned:
    """Write the set that an offsets file asks for.

    Only ``out``, ``suffix``, ``keep_all``, ``preview_s`` and ``force`` of the wish count beside it.

    Raises
    ------
    TakeError
        If the file has faults, or an original is missing or changed.
    OutputError
        If the set cannot be written.
    """
    sheet, tracks = open_sheet(path)
    session = Session(tracks, sheet.reference, wish.out or path.parent)
    session = replace(session, tracks=session.ordered)
    by_name = {one.track: one for one in sheet.tracks}
    sheet = sheet.model_copy(update={"tracks": tuple(by_name[track.name] for track in session.tracks)})
    offsets, actions = moved_by_sheet(sheet, session.tracks)
    followed = replace(
        wish,
        whole_samples=sheet.whole_samples,
        headroom_db=sheet.headroom_db,
        suffix=sheet.suffix if wish.suffix is None else wish.suffix,
        keep_all=wish.keep_all or sheet.pad_samples is not None,
    )
    heard = ["mix"] if wish.preview_s else ()
    targets = Targets.of(session.ordered, session.folder, heard, suffix=followed.suffix or "")
    refuse_taken(targets.all, force=wish.force)
    return _write(session, targets, _SetPlan(offsets, actions, as_told=True), followed, say, tell)


def _measured(session: Session, wish: Wish, tell: Tell) -> Measured:
    if session.scene is not None:
        return measured_scene(
            session.scene,
            Take(session.tracks),
            reference=session.reference,
            max_delay_s=wish.max_delay_s,
            progress=tell,
        )
    return measured(
        Take(session.tracks).track(session.reference),
        [track for track in session.tracks if track.name != session.reference],
        max_delay_s=wish.max_delay_s,
        drift=wish.correct_drift,
        loopback=None if wish.loopback is None else open_loopback(wish.tracks[0], wish.loopback)[1],
        progress=tell,
    )


def _action(track: Track, shift: Shift, wish: Wish) -> MovedTrack:
    samples = shift.shift_s * track.sample_rate
    return MovedTrack(
        track,
        float(round(samples)) if wish.whole_samples else samples,
        -1 if shift.polarity_flip else 1,
        (shift.drift_ppm or 0.0) if wish.correct_drift and shift.applied else 0.0,
    )


def _phases(session: Session, actions: Sequence[MovedTrack], offsets: Offsets) -> dict[str, PhaseMatch]:
    """Sections for every DI against the nearest mic of its source; without a scene, for every track."""
    by_name = {one.track.name: one for one in actions}
    found = {}
    for name, against in to_match(session).items():
        if offsets.shift(name).applied and (offsets.shift(against).applied or offsets.shift(against).as_recorded):
            match = match_phase(_moved(by_name[against], {}), _moved(by_name[name], {}))
            if match is not None:
                found[name] = match
    return found


def _thin_lows(session: Session, actions: Sequence[MovedTrack], offsets: Offsets) -> list[str]:
    """A word for every DI that sums worse with its mic in the lows than before: delay and polarity cannot mend that."""
    if session.scene is None and len(actions) != 2:
        return []
    by_name = {one.track.name: one for one in actions}
    said = []
    for name, against in to_match(session).items():
        if offsets.shift(name).applied:
            gain = sum_gain([_moved(by_name[against], {}), _moved(by_name[name], {})])
            before, after = gain.low_before_db, gain.low_after_db
            if before is not None and after is not None and after < before - _HEARD_DB:
                said.append(
                    f"'{name}' and '{against}' sum to {after:+.1f} dB from {LOW_HZ[0]:.0f} to {LOW_HZ[1]:.0f} Hz, "
                    f"{before:+.1f} dB as recorded: the phase turns with frequency there, which no delay mends; "
                    "hear it with --match-phase"
                )
    return said


def _turned(one: MovedTrack, match: PhaseMatch | None) -> MovedTrack:
    if match is None:
        return one
    shift_samples = one.shift_samples + match.shift_s * one.track.sample_rate
    return replace(one, shift_samples=shift_samples, polarity=one.polarity * match.polarity, sections=match.sections)


def _moved(action: MovedTrack, gains_db: Mapping[str, float]) -> BlendTrack:
    gain_db = gains_db.get(action.track.name, 0.0)
    if action.drift_ppm:
        return BlendTrack(on_one_clock(action), 0.0, action.polarity, gain_db, action.sections, before=action.track)
    return BlendTrack(action.track, action.shift_samples, action.polarity, gain_db, action.sections)


def _write(session: Session, targets: Targets, plan: _SetPlan, wish: Wish, say: Say, tell: Tell) -> Aligned:
    files = [
        AlignedFile(path, original_of(one.track)[0].path, (one,))
        for path, one in zip(targets.tracks, plan.actions, strict=True)
    ]
    start = group_span(files, whole=wish.whole_samples).start if wish.keep_all else 0
    cuts = tuple(cut_off(one, start, whole=wish.whole_samples) for one in plan.actions)
    _refuse_emptied(plan.actions, start, whole=wish.whole_samples)
    blend = [_moved(action, session.gains_db) for action in plan.actions]
    gain = sum_gain(blend)
    words = f"writing {len(plan.actions)} tracks to {session.folder}"
    say(words)
    make_folder(session.folder)
    written = write_aligned(
        files,
        start=start,
        whole=wish.whole_samples,
        headroom_db=wish.headroom_db,
        force=wish.force,
        progress=lambda share: tell(words, share),
    )
    previews = _previews(targets, plan, blend, wish)
    kept = Kept(
        session.folder,
        wish.whole_samples,
        wish.headroom_db,
        pad_samples=-start if wish.keep_all else None,
        suffix=wish.suffix or SUFFIX,
    )
    sheet = sheet_of(plan.offsets, plan.actions, written, cuts, gain, kept, phases=plan.phases)
    table = csv_text(sheet, speed_of_sound_m_s=session.speed_of_sound_m_s, through_air=session.through_air)
    write_text(targets.json, sheet.text(), force=wish.force)
    write_text(targets.csv, table, force=wish.force)
    warnings = tuple(_warnings(plan, session.ordered, written))
    return Aligned(sheet, session.folder, plan.offsets.remains, warnings, previews, tuple(_remarks(plan)))


def _refuse_emptied(actions: Sequence[MovedTrack], start: int, *, whole: bool) -> None:
    """A track that would lie wholly before the beginning of its file: nothing of it would be left."""
    for one in actions:
        if one.samples_before(start, whole=whole) >= as_recorded(one.track)[0].frames:
            shift_s = one.shift_samples / one.track.sample_rate
            raise TakeError(
                f"nothing of '{one.track.name}' would be left: moved by {shift_s:+.3f} s it ends before the reference "
                "begins; take a smaller shift, or keep all with --keep-all"
            )


def _previews(targets: Targets, plan: _SetPlan, blend: Sequence[BlendTrack], wish: Wish) -> tuple[Path, ...]:
    if wish.preview_s is None:
        return ()
    reference = next(one.track for one in blend if one.track.name == plan.offsets.reference)
    made: list[Path] = []
    for source, paths in targets.previews.items():
        middle_s = plan.moments_s.get(source)
        middle_s = loudest_moment(reference) if middle_s is None else middle_s
        sounds = preview(blend, middle_s=middle_s, seconds=wish.preview_s)
        for path, sound in zip(paths, sounds, strict=True):
            write_audio(path, [sound], sample_rate=reference.sample_rate, force=wish.force, dither_seed=1)
        made += paths
    return tuple(made)


def _warnings(plan: _SetPlan, tracks: Sequence[Track], written: Sequence[Written]) -> list[str]:
    said = [
        f"'{shift.track}' was not moved: {shift.reason or 'no reliable delay'}"
        for shift in plan.offsets.shifts
        # What a user left out of an offsets file is no fault.
        if not shift.applied and not shift.as_recorded and not plan.as_told
    ]
    clipped = [(track.name, one.clipped) for track, one in zip(tracks, written, strict=True) if one.clipped]
    said += [f"'{name}' clipped at {count} samples: write again with --headroom-db 3" for name, count in clipped]
    return said


def _remarks(plan: _SetPlan) -> list[str]:
    return [f"'{shift.track}' {shift.reason}" for shift in plan.offsets.shifts if shift.as_recorded]
