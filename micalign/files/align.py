"""From tracks on disk to an aligned set on disk: open, measure, plan, write, say what was done.

The two calls behind ``micalign align``: `align` measures, `apply_offsets` follows an offsets file, edits and all. Signs
as everywhere: a delay is positive when the event comes later in the track, a shift is positive when it moves the track
later. The written files begin where the reference began, so that they can take their originals' places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from micalign.alignment.best_sum import match_phase
from micalign.alignment.di_and_mics import PairSum
from micalign.alignment.gain import PhaseMatch, sum_gain
from micalign.alignment.network import Constraints
from micalign.alignment.offsets import MovedTrack, Offsets, Shift
from micalign.alignment.pairings import Measured, measured
from micalign.alignment.session import constraints_of, di_and_mic, measured_scene, planned
from micalign.alignment.tuned import LOW_HZ
from micalign.errors import TakeError
from micalign.files.aligned_audio import SUFFIX, Targets, joined_names, output_names
from micalign.files.aligned_set import (
    Aligned,
    AlignRequest,
    Progress,
    Say,
    Session,
    SetPlan,
    blended,
    inputs_of,
    opened,
    write_set,
)
from micalign.files.audio import open_track
from micalign.files.offsets_file import OffsetsFile, TrackOffset, read_offsets
from micalign.files.sessions import Clock, Laid, laid_on_one_clock, open_loopback, reference_first
from micalign.files.sets import file_hash, one_name
from micalign.take.tracks import Take, Track
from micalign.units import show_db, show_ms

__all__ = ["align", "apply_offsets"]

_LISTEN: Final = (
    'all-pass would not mend that; listen, and leave the move out with "applied": false in offsets.json where the sum '
    "is thinner"
)


def align(
    asked: AlignRequest, *, say: Say = lambda _: None, progress: Progress = lambda _words, _share: None
) -> Aligned:
    """Measure, plan and write.

    Parameters
    ----------
    asked : AlignRequest
    say : callable
        Gets what is being done, for a line of it.
    progress : callable
        Gets what is being done and which share of it is done, 0 to 1; from any thread.

    Raises
    ------
    TakeError, SceneError
        If tracks or scene cannot be used.
    OutputError
        If the set cannot be written where it was asked for.
    """
    session = opened(asked)
    for sentence in session.laid.notes:
        say(sentence)
    heard = [source.name for source in session.scene.sources] if session.scene else ["mix"]
    asked = replace(asked, suffix=SUFFIX if asked.suffix is None else asked.suffix)
    targets = Targets.of(session.ordered, session.folder, heard if asked.preview_s else (), suffix=asked.suffix or "")
    targets.refuse(inputs_of(session, asked), force=asked.force)
    found = _measured(session, asked, progress)
    offsets = planned(found, _constraints(session, asked), gains_db=session.gains_db)
    actions = [_action(track, offsets.shift(track.name), asked) for track in session.ordered]
    phases = _phases(session, actions, found.sums) if asked.match_phase else {}
    refused = _refused(phases, actions, offsets, asked.max_shift_s)
    phases = {di: match for di, match in phases.items() if di not in refused}
    if refused or (asked.match_phase and not phases):
        tried = list(refused.values()) or [
            "all-pass was tried and would not lift the sum of a DI and its mic any further"
        ]
        offsets = replace(offsets, compromise="; ".join([offsets.compromise, *tried]))
    actions = _turned(actions, phases, session.reference)
    if not asked.match_phase:
        offsets = replace(
            offsets, compromise="; ".join([offsets.compromise, *_thin_lows(session, actions, offsets, found.sums)])
        )
    moments = {one.source: one.loudest_s for one in found.sources or () if one.loudest_s is not None}
    return write_set(
        session, targets, SetPlan(offsets, tuple(actions), phases, moments, sums=found.sums), asked, say, progress
    )


def apply_offsets(
    path: Path, asked: AlignRequest, *, say: Say = lambda _: None, progress: Progress = lambda _words, _share: None
) -> Aligned:
    """Write the set that an offsets file asks for.

    Only ``out``, ``suffix``, ``keep_all``, ``preview_s`` and ``force`` of the request count beside it.

    Raises
    ------
    TakeError
        If the file has faults, or an original is missing or changed.
    OutputError
        If the set cannot be written.
    """
    sheet, laid = _open_sheet(path)
    session = Session(laid.tracks, sheet.reference, asked.out or path.parent, laid)
    session = replace(session, tracks=session.ordered)
    by_name = {one.track: one for one in sheet.tracks}
    sheet = sheet.model_copy(update={"tracks": tuple(by_name[track.name] for track in session.tracks)})
    offsets, actions = _moved_by_sheet(sheet, session.tracks, path.name)
    followed = replace(
        asked,
        whole_samples=sheet.whole_samples,
        headroom_db=sheet.headroom_db,
        suffix=sheet.suffix if asked.suffix is None else asked.suffix,
        keep_all=asked.keep_all or sheet.pad_samples is not None,
    )
    heard = ["mix"] if asked.preview_s else ()
    targets = Targets.of(session.ordered, session.folder, heard, suffix=followed.suffix or "")
    names = zip(*(called(session.ordered, sheet.suffix) for called in (output_names, joined_names)), strict=True)
    _refuse_renamed(path, sheet, list(names))
    followed = replace(followed, sheet=path)
    targets.refuse(inputs_of(session, followed), force=asked.force)
    return write_set(session, targets, SetPlan(offsets, actions, as_asked=True), followed, say, progress)


def _refuse_renamed(path: Path, sheet: OffsetsFile, names: Sequence[tuple[str, str]]) -> None:
    """An edited ``file`` would be passed over: what is written is called by its original and the suffix.

    The channel alone is called by the first of its names, with the other channel of its original by the second.
    """
    faults = [
        f"{path}, track '{one.track}': 'file' says how it was called, '{either[0]}'; it names nothing anew: "
        "use --suffix"
        for one, either in zip(sheet.tracks, names, strict=True)
        if one.file is not None and one_name(one.file) not in map(one_name, either)
    ]
    if faults:
        raise TakeError(faults)


def _measured(session: Session, asked: AlignRequest, progress: Progress) -> Measured:
    if session.scene is not None:
        return measured_scene(
            session.scene,
            Take(session.tracks),
            reference=session.reference,
            max_delay_s=asked.max_delay_s,
            by=asked.by,
            alone=session.alone,
            struck=asked.struck,
            progress=progress,
        )
    return measured(
        Take(session.tracks).track(session.reference),
        [track for track in session.tracks if track.name != session.reference],
        max_delay_s=asked.max_delay_s,
        drift=asked.correct_drift,
        by=asked.by,
        on_strokes=asked.by == "sum",
        over_kit=not asked.match_phase,
        stays=asked.reference is not None,
        loopback=None
        if asked.loopback is None
        else open_loopback(reference_first(asked.tracks, asked.reference)[0], asked.loopback, asked.clock).loopback,
        progress=progress,
    )


def _constraints(session: Session, asked: AlignRequest) -> Constraints:
    """What the compromise between sources is asked for."""
    if session.scene is None:
        return Constraints(session.reference, max_shift_s=asked.max_shift_s)
    return constraints_of(
        session.scene,
        [track.name for track in session.tracks],
        reference=session.reference,
        for_source=asked.for_source,
        split_pairs=asked.split_pairs,
        max_shift_s=asked.max_shift_s,
    )


def _to_match(session: Session, sums: Sequence[PairSum] = ()) -> dict[str, str]:
    """Each DI and its mic: as the scene says, as the tracks show, or each track and the reference."""
    names = [track.name for track in session.tracks]
    if session.scene is None:
        filtered = {one.track: _filtered_first(one) for one in sums}
        pairs = [filtered.get(name, (name, session.reference)) for name in names if name != session.reference]
        return dict(reversed(pairs))
    return di_and_mic(session.scene, names)


def _filtered_first(one: PairSum) -> tuple[str, str]:
    return (one.track, one.reference) if one.filtered == one.track else (one.reference, one.track)


def _action(track: Track, shift: Shift, asked: AlignRequest) -> MovedTrack:
    samples = shift.shift_s * track.sample_rate
    return MovedTrack(
        track,
        float(round(samples)) if asked.whole_samples else samples,
        -1 if shift.polarity_flip else 1,
        (shift.drift_ppm or 0.0) if asked.correct_drift and shift.applied else 0.0,
    )


def _phases(session: Session, actions: Sequence[MovedTrack], sums: Sequence[PairSum]) -> dict[str, PhaseMatch]:
    """Sections for every DI against its mic."""
    by_name = {one.track.name: one for one in actions}
    arrivals = {(one.reference, one.track): one.arrival_s for one in sums}
    arrivals |= {(track, reference): -arrival_s for (reference, track), arrival_s in arrivals.items()}
    found = {}
    for di, mic in _to_match(session, sums).items():
        match = match_phase(blended(by_name[mic], {}), blended(by_name[di], {}), arrival_s=arrivals.get((di, mic)))
        if match is not None:
            found[di] = match
    return found


def _thin_lows(session: Session, actions: Sequence[MovedTrack], offsets: Offsets, sums: Sequence[PairSum]) -> list[str]:
    """A word for every DI that sums worse with its mic in the lows than before, where no three lines say it."""
    if session.scene is None and (len(actions) != 2 or sums):
        return []
    by_name = {one.track.name: one for one in actions}
    said = []
    for name, against in _to_match(session, sums).items():
        if offsets.shift(name).applied:
            gain = sum_gain([blended(by_name[against], {}), blended(by_name[name], {})])
            before, after = gain.low_before_db, gain.low_after_db
            # By the digits that are shown: a sum that reads the same is no worse one.
            if before is not None and after is not None and round(after, 1) < round(before, 1):
                helps = match_phase(blended(by_name[against], {}), blended(by_name[name], {})) is not None
                look = "try --match-phase, which turns the phase of the lows alone"
                said.append(
                    f"'{name}' and '{against}' sum to {show_db(after, sign=True)} from {LOW_HZ[0]:.0f} to "
                    f"{LOW_HZ[1]:.0f} Hz, {show_db(before, sign=True)} as recorded: {look if helps else _LISTEN}"
                )
    return said


def _refused(
    phases: Mapping[str, PhaseMatch], actions: Sequence[MovedTrack], offsets: Offsets, max_shift_s: float | None
) -> dict[str, str]:
    """The DIs whose phase stays, and why: sections belong to a shift, and are written with it or not at all."""
    by_name = {one.track.name: one for one in actions}
    refused = {}
    for di, match in phases.items():
        name, further_s = _moved_with(di, match, offsets.reference)
        shift = offsets.shift(name)
        whole_s = by_name[name].shift_samples / by_name[name].track.sample_rate + further_s
        if shift.stays or not shift.applied:
            refused[di] = f"no all-pass turns '{di}', since '{name}' is not moved"
        elif max_shift_s is not None and abs(whole_s) > max_shift_s:
            refused[di] = (
                f"no all-pass turns '{di}': with it '{name}' would be moved by {show_ms(whole_s, sign=True)}, more "
                f"than the {max_shift_s * 1e3:g} ms allowed"
            )
    return refused


def _moved_with(di: str, match: PhaseMatch, reference: str) -> tuple[str, float]:
    """Which track is shifted by how much further with a DI's sections: where the DI stays, its mic the other way."""
    return (match.against, -match.shift_s) if di == reference else (di, match.shift_s)


def _turned(actions: Sequence[MovedTrack], phases: Mapping[str, PhaseMatch], reference: str) -> list[MovedTrack]:
    """Sections on every DI; where that is the reference, which stays where it is, its mic moves instead."""
    out = {one.track.name: one for one in actions}
    for di, match in phases.items():
        out[di] = replace(out[di], sections=match.sections)
        moves, further_s = _moved_with(di, match, reference)
        shift_samples = out[moves].shift_samples + further_s * out[moves].track.sample_rate
        out[moves] = replace(out[moves], shift_samples=shift_samples, polarity=out[moves].polarity * match.polarity)
    return [out[one.track.name] for one in actions]


def _open_sheet(path: Path) -> tuple[OffsetsFile, Laid]:
    """An offsets file and the originals it speaks of, none of them changed since, on the clock it was made on.

    Raises
    ------
    TakeError
        If the file has faults, or an original is missing or changed: all faults together.
    """
    sheet = read_offsets(path)
    tracks: list[Track] = []
    faults: list[str] = []
    hashes: dict[Path, str] = {}
    for one in sheet.tracks:
        try:
            tracks.append(_original(path, one, sheet.sample_rate, hashes))
        except TakeError as error:
            faults += [f"{path}, track '{one.track}': {fault}" for fault in error.faults]
    if faults:
        raise TakeError(faults)
    reference = next(track for track in tracks if track.name == sheet.reference)
    if reference.sample_rate != sheet.sample_rate:
        raise TakeError(f"{path}: the reference cannot be converted, it gives the rate: measure again")
    clock = Clock(ignore_timestamps=sheet.timestamps != "placed", resample=True)
    return sheet, laid_on_one_clock(tracks, reference, clock)


def _original(sheet_path: Path, one: TrackOffset, sample_rate: int, hashes: dict[Path, str]) -> Track:
    original = sheet_path.parent / one.original
    track = open_track(original, name=one.track, channel=one.channel)
    wanted = one.resampled_from_hz or sample_rate
    if track.sample_rate != wanted:
        raise TakeError(f"{original} is at {track.sample_rate} Hz, the offsets are for {wanted} Hz: measure it again")
    if original not in hashes:
        hashes[original] = file_hash(original)
    if hashes[original] != one.sha256:
        raise TakeError(f"{original} changed since the offsets were measured: measure it again with 'micalign align'")
    return track


def _moved_by_sheet(sheet: OffsetsFile, tracks: Sequence[Track], name: str) -> tuple[Offsets, tuple[MovedTrack, ...]]:
    """What an offsets file asks for, edits and all; only what says ``applied`` is applied.

    Why it was so when it was measured is not said again: an edit may have made that untrue.
    """
    shifts, actions = [], []
    for one, track in zip(sheet.tracks, tracks, strict=True):
        applied = one.applied
        edited = ", edited" if one.is_edited else ""
        if edited and not applied:
            edited = ', which gives it what is not applied: that needs "applied": true'
        shifts.append(
            Shift(
                one.track,
                one.delay_s,
                one.uncertainty_s,
                one.shift_s if applied else 0.0,
                polarity_flip=applied and one.polarity_flip,
                reliable=one.reliable,
                applied=applied,
                reason=None if one.track == sheet.reference and not edited else f"as {name} says{edited}",
                drift_ppm=one.drift_ppm,
                as_recorded=one.as_recorded and not applied and not one.is_edited,
                basis=None if one.is_edited else one.basis,
            )
        )
        actions.append(
            MovedTrack(
                track,
                one.shift_samples if applied else 0.0,
                -1 if applied and one.polarity_flip else 1,
                (one.drift_ppm or 0.0) if applied and one.drift_corrected else 0.0,
                tuple((section.hz, section.q) for section in one.all_pass) if applied else (),
            )
        )
    offsets = Offsets(
        sheet.reference, sheet.sample_rate, tuple(shifts), compromise=f"as {name} says", onto=sheet.laid_onto
    )
    return offsets, tuple(actions)
