"""The tracks that one command works on, on one clock: a reference and others, or the take that a scene names.

When each recording began is known by the time stamp in its file: a broadcast time reference counts samples since
midnight at the file's own rate (EBU Tech 3285). Tracks that began at other times are placed by it before anything is
measured, so that a delay is one in the session, not from file to file. A recorder without a clock writes 0: where all
stamps are 0 there is none. Tracks of other sample rates are brought to the reference's where that is asked for.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from micalign.alignment.shift import at_rate
from micalign.errors import SceneError, TakeError, nearest, some
from micalign.files.audio import each_of_take, each_track, original_of, parse_spec, real_path
from micalign.files.metadata import rescaled, time_reference_of
from micalign.files.scenes import read_scene
from micalign.files.songs import alone_elsewhere, expanded, recorded_in
from micalign.scene.quantities import AlonePlan, AloneStretch
from micalign.take.tracks import Take, Track, called_after, placed, track_named
from micalign.take.tuned import NAMES_SHOWN
from micalign.tdoa.delays import Alone
from micalign.units import show_ms

if TYPE_CHECKING:
    from micalign.alignment.solo import FoundAlone
    from micalign.scene.scene import Scene

__all__ = [
    "Clock",
    "Laid",
    "LineTake",
    "Pairings",
    "SceneTake",
    "laid_on_one_clock",
    "open_linecheck",
    "open_loopback",
    "open_pairings",
    "open_recorded",
    "open_scene",
    "reference_first",
    "unread_notes",
]


_CHOICE: Final = "lay all from their first samples with --ignore-timestamps"


@dataclass(frozen=True, slots=True)
class Clock:
    """How tracks come to one clock: whether stamps are passed over, and other rates brought to the reference's."""

    ignore_timestamps: bool = False
    resample: bool = False


@dataclass(frozen=True)
class Laid:
    """Tracks on the reference's clock, in their order, and how they came there.

    Parameters
    ----------
    tracks : tuple of Track
    timestamps : str or None
        ``placed`` where stamps say that tracks began at different times, ``ignored`` where they say so and do not
        count, None where they say nothing or one time for all.
    starts_s : mapping
        By how much later than the reference each placed track began.
    notes : tuple of str
        Sentences for the user.
    """

    tracks: tuple[Track, ...]
    timestamps: Literal["placed", "ignored"] | None = None
    starts_s: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def laid_on_one_clock(tracks: Sequence[Track], reference: Track, clock: Clock | None = None) -> Laid:
    """The tracks as the reference's clock saw them.

    Parameters
    ----------
    tracks : sequence of Track
        Channels of files; the reference may be among them.
    reference : Track
        Its first sample is the clock's 0.
    clock : Clock, optional
        Whether all tracks are taken to begin together, and those of other rates brought to the reference's; neither if
        left out.

    Raises
    ------
    TakeError
        If rates differ and are not to be resampled; if some tracks have a stamp and others none, or share no moment.
    """
    asked = clock or Clock()
    if not asked.resample:
        _refuse_other_rates(tracks, reference)
    stamps = {track.name: _stamp_s(track) for track in (*tracks, reference)}
    counted = {} if asked.ignore_timestamps else _counted(stamps, reference.name)
    shown = tuple(_on_clock(track, reference, counted) for track in tracks)
    known = [stamp for stamp in stamps.values() if stamp is not None]
    timestamps: Literal["placed", "ignored"] | None = None
    if len(set(known)) > 1:
        timestamps = "ignored" if asked.ignore_timestamps else "placed"
    first = counted.get(reference.name, Fraction(0))
    starts = {name: float(stamp - first) for name, stamp in counted.items() if timestamps == "placed"}
    _refuse_apart(tracks, reference, starts)
    notes = [
        *unread_notes((reference, *tracks)),
        *_rate_notes(tracks, reference),
        *_stamp_notes(timestamps, starts, reference.name),
    ]
    return Laid(shown, timestamps, starts, tuple(notes))


def _refuse_other_rates(tracks: Sequence[Track], reference: Track) -> None:
    for track in tracks:
        if track.sample_rate != reference.sample_rate:
            raise TakeError(
                f"'{track.name}' is at {track.sample_rate} Hz but '{reference.name}' at {reference.sample_rate} Hz: "
                "bring all to the reference's rate with --resample"
            )


def _stamp_s(track: Track) -> Fraction | None:
    """Exact, so that one time at two rates is one."""
    stamp = time_reference_of(original_of(track)[0].path)
    return None if stamp is None else Fraction(stamp, track.sample_rate)


def _counted(stamps: Mapping[str, Fraction | None], reference: str) -> dict[str, Fraction]:
    """The stamps that count; none where they say nothing."""
    known = {name: stamp for name, stamp in stamps.items() if stamp is not None}
    if not any(known.values()):
        return {}
    missing = next((name for name in stamps if name not in known), None)
    if missing is not None:
        one = reference if reference in known else next(iter(known))
        raise TakeError(
            f"'{missing}' has no time stamp but '{one}' has one ({_time_of_day(float(known[one]))}), so when it began "
            f"is not known: {_CHOICE}"
        )
    return known


def _on_clock(track: Track, reference: Track, counted: Mapping[str, Fraction]) -> Track:
    whole, rest = 0, 0.0
    if counted:
        own, first = (int(counted[one.name] * one.sample_rate) for one in (track, reference))
        count = rescaled(own, track.sample_rate, reference.sample_rate)
        whole, rest = count - first, own * reference.sample_rate / track.sample_rate - count
    if track.sample_rate != reference.sample_rate:
        track = at_rate(track, reference.sample_rate, later_samples=rest)
    return placed(track, whole)


def _refuse_apart(tracks: Sequence[Track], reference: Track, starts: Mapping[str, float]) -> None:
    """Where two share no moment, a clock was not set."""
    for track in tracks:
        start_s = starts.get(track.name, 0.0)
        if start_s >= reference.duration_s or start_s + track.duration_s <= 0.0:
            late = start_s > 0.0
            gap_s = start_s - reference.duration_s if late else -start_s - track.duration_s
            words = f"begins {_apart(gap_s)} after" if late else f"ends {_apart(gap_s)} before"
            raise TakeError(
                f"by their time stamps '{track.name}' {words} '{reference.name}' {'ends' if late else 'begins'}: was a "
                f"clock not set? Then {_CHOICE}"
            )


def unread_notes(tracks: Sequence[Track]) -> list[str]:
    """Which files hold more samples than are read: the recorder was stopped and started, or files were joined."""
    files = {info.path: info for info in (original_of(track)[0] for track in tracks)}
    more = [
        f"'{path}' ({one.unread_frames / one.sample_rate:.3f} s, {one.duration_s:.3f} s are read)"
        for path, one in files.items()
        if one.unread_frames
    ]
    words = "some samples are not read, since they lie in a further chunk of the file"
    return [f"{words}; export it anew from the recorder: {some(more, NAMES_SHOWN)}"] if more else []


def _rate_notes(tracks: Sequence[Track], reference: Track) -> list[str]:
    other = [f"'{one.name}' ({one.sample_rate} Hz)" for one in tracks if one.sample_rate != reference.sample_rate]
    return [f"brought to the reference's {reference.sample_rate} Hz: {some(other, NAMES_SHOWN)}"] if other else []


def _stamp_notes(timestamps: str | None, starts: Mapping[str, float], reference: str) -> list[str]:
    if timestamps == "ignored":
        return ["time stamps that differ were ignored: every file is taken to begin at one instant, lay them so"]
    moved = [
        f"'{name}' begins {_apart(abs(start_s))} {'after' if start_s > 0 else 'before'} '{reference}'"
        for name, start_s in starts.items()
        if start_s
    ]
    return [f"placed by their time stamps: {some(moved, NAMES_SHOWN)}"] if moved else []


def _apart(seconds: float) -> str:
    """
    >>> _apart(0.0375), _apart(1.5)
    ('37.50 ms', '1.500 s')
    """
    return show_ms(seconds) if seconds < 1.0 else f"{seconds:.3f} s"


def _time_of_day(seconds: float) -> str:
    """
    >>> _time_of_day(36000.25), _time_of_day(100.0)
    ('10:00:00.250', '00:01:40.000')
    """
    whole = math.floor(seconds)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{seconds % 60:06.3f}"


@dataclass(frozen=True)
class Pairings:
    """A reference and the tracks to hold against it, on its clock; ``loopback`` is what came back, where one is."""

    reference: Track
    others: tuple[Track, ...]
    laid: Laid
    loopback: Track | None = None


@dataclass(frozen=True)
class SceneTake:
    """A scene with its positions, as far as tapes fix them, and its recording on the reference's clock.

    ``alone``: where one source sounds alone, in this recording or in one of its own.
    """

    scene: Scene
    take: Take
    reference: str
    laid: Laid
    alone: tuple[Alone, ...] = ()


@dataclass(frozen=True)
class LineTake:
    """The tracks of a line check on one clock, and where each source sounds alone.

    ``own`` names the tracks of each source's own, ``found`` the stretches that were found by themselves, ``unnamed``
    the sources of ``alone`` that nobody named.
    """

    tracks: tuple[Track, ...]
    alone: tuple[Alone, ...]
    scene: Scene | None
    own: Mapping[str, Sequence[str]]
    found: tuple[FoundAlone, ...]
    unnamed: tuple[str, ...]
    notes: tuple[str, ...]


def open_pairings(specs: Sequence[str | os.PathLike[str]], clock: Clock | None = None) -> Pairings:
    """The reference, and the tracks to hold against it; a file may be held against itself.

    Raises
    ------
    TakeError
        If a file cannot be read, the rates differ, or there is nothing to hold against the reference.
    """
    listed, notes = expanded(specs)
    first, rest = listed[0], list(listed[1:])
    again = first in rest
    opened = each_track([first, *(spec for spec in rest if spec != first)])
    laid = laid_on_one_clock(opened, opened[0], clock)
    reference, *others = Take(laid.tracks).tracks
    if again:
        others.insert(rest.index(first), reference)
        notes = (*notes, f"'{reference.name}' is named twice: held against itself it has no delay, which says nothing")
    if not others:
        raise TakeError(f"{first} is the reference, and there is no track to hold against it: name one more file")
    return Pairings(reference, tuple(others), replace(laid, notes=(*notes, *laid.notes)))


def reference_first(specs: Sequence[str], reference: str | None) -> tuple[str, ...]:
    """The specs with that of the reference first: as it is written there, or called as its track or file is.

    Of a file of several channels one may be named, as in ``both.wav:2``; a file's name may stand without its ending.
    Another file is added to them.

    Raises
    ------
    TakeError
        If none of the tracks is called so and there is no such file, or several are.

    Examples
    --------
    >>> reference_first(["takes/kick.wav", "takes/left.wav"], "left")
    ('takes/left.wav', 'takes/kick.wav')
    """
    if reference is None:
        return tuple(specs)
    every = tuple(dict.fromkeys(_parted(expanded(specs)[0], reference)))
    files = [parse_spec(spec) for spec in every]
    names, stems = [one.path.name for one in files], [one.path.stem for one in files]
    for called in (every, [one.short for one in files], names, stems):
        found = [spec for spec, name in zip(every, called, strict=True) if name == reference]
        if len(found) > 1:
            raise TakeError(f"--reference '{reference}' may be {some(found, NAMES_SHOWN)}: write it as one of these")
        if found:
            return (found[0], *(spec for spec in every if spec != found[0]))
    return _added(every, reference)


def _added(specs: Sequence[str], reference: str) -> tuple[str, ...]:
    """A file that none of the specs is called as, in front of them; in place of the one that is the same file."""
    wanted, files = parse_spec(reference), [parse_spec(spec) for spec in specs]
    if not wanted.path.is_file():
        beside = next((near for one in files if (near := one.path.parent / reference).is_file()), None)
        known = some(list(dict.fromkeys(one.path.stem for one in files)), NAMES_SHOWN)
        hint = f"; is it {beside}, beside them?" if beside else nearest(reference, [one.path.name for one in files])
        raise TakeError(f"--reference '{reference}' is no file and none of the tracks: {known}{hint}")
    same = [real_path(one.path) == real_path(wanted.path) and wanted.channel in (None, one.channel) for one in files]
    return (reference, *(spec for spec, is_same in zip(specs, same, strict=True) if not is_same))


def _parted(specs: Sequence[str], reference: str) -> Iterator[str]:
    """The specs, but that file by its channels of which the reference names one."""
    wanted = parse_spec(reference)
    for spec in specs:
        file = parse_spec(spec)
        if file.channel is None and wanted.channel is not None and file.path.name == wanted.path.name:
            yield from (f"{spec}:{number + 1}" for number in range(len(each_track([spec]))))
        else:
            yield spec


def open_recorded(
    specs: Sequence[str | os.PathLike[str]], loopback: str | os.PathLike[str], clock: Clock | None = None
) -> Pairings:
    """What was played, the tracks it concerns (the loopback itself where none is named), and the loopback."""
    recorded = open_loopback(specs[0], loopback, clock)
    if len(expanded(specs)[0]) == 1:
        return recorded
    return replace(open_pairings(specs, clock), loopback=recorded.loopback)


def open_loopback(
    played: str | os.PathLike[str], loopback: str | os.PathLike[str], clock: Clock | None = None
) -> Pairings:
    """What was played, and the recording of it that came back; `TakeError` unless each is one channel."""
    first = expanded([played])[0][0]
    found = open_pairings([first, loopback], clock)
    if len(found.others) != 1:
        raise TakeError(
            f"{first} and the loopback {loopback} hold {len(found.others) + 1} channels, one each is needed: name the "
            "channel, as in 'file.wav:1'"
        )
    return replace(found, loopback=found.others[0])


def open_linecheck(
    named: Sequence[str],
    *,
    clock: Clock | None = None,
    alone: Sequence[AlonePlan] = (),
    struck: Sequence[AloneStretch] = (),
) -> LineTake:
    """A scene's recording, or the tracks of some files, with the stretches that are given or found.

    What is given for any source is all that counts; only where nothing is, stretches are found.

    Raises
    ------
    SceneError, TakeError
        If scene or tracks cannot be used, a stretch cannot be, or none is given and none is found.
    """
    if len(named) == 1 and (named[0] == "-" or Path(named[0]).suffix.casefold() == ".toml"):
        one = open_scene(named[0], clock=clock, alone=alone)
        from micalign.alignment.network import own_tracks  # noqa: PLC0415 - 40 ms that tracks alone must not pay

        own = own_tracks(one.scene, [track.name for track in one.take.tracks])
        return _line_take(one.take, one.alone, one.scene, own, struck, one.laid.notes)
    faults = [f"--{plan.no_stretch}; a folder of its own needs a scene" for plan in alone if plan.folder is not None]
    if faults:
        raise TakeError(faults)
    pair = open_pairings(named, clock)
    take = Take((pair.reference, *pair.others))
    names = [track.name for track in take.tracks]
    own = {plan.source: (name,) for plan in alone if (name := called_after(plan.source, names)) is not None}
    from micalign.alignment.solo import alone_in  # noqa: PLC0415 - as above

    return _line_take(take, alone_in(take, alone), None, own, struck, pair.laid.notes)


def _line_take(
    take: Take,
    given: tuple[Alone, ...],
    scene: Scene | None,
    own: Mapping[str, Sequence[str]],
    struck: Sequence[AloneStretch],
    notes: tuple[str, ...],
) -> LineTake:
    from micalign.alignment.solo import found_alone, joined, refuse_silent  # noqa: PLC0415 - as above

    if given:
        refuse_silent(given)
        return LineTake(take.tracks, given, scene, own, (), (), notes)
    found = found_alone(take, own, struck=struck)
    if not found:
        raise TakeError(
            "no stretch was found in which one source sounds alone: strike each of them four times or more with pauses "
            'between and nothing else, or say where with --alone "snare=0:05-0:14"'
        )
    alone = joined(take, found)
    return LineTake(take.tracks, alone, scene, own, found, tuple(one.source for one in alone), notes)


def open_scene(
    scene_path: str | os.PathLike[str],
    *,
    reference: str | None = None,
    clock: Clock | None = None,
    alone: Sequence[AlonePlan] = (),
    folder: Path | None = None,
) -> SceneTake:
    """A scene with its positions and its recording, laid on the clock of the reference.

    ``alone`` says of sources where they sound alone, instead of what the scene says of them. ``folder`` holds another
    recording of the same tracks, to be read instead of the scene's own.

    Raises
    ------
    SceneError, TakeError
        If scene or tracks cannot be used, or the take has no such reference.
    """
    from micalign.alignment.session import default_reference  # noqa: PLC0415 - as above

    own = read_scene(Path(scene_path))
    scene = _placed(recorded_in(own, Path(scene_path), folder))
    if folder is not None and own.take is not None:
        alone = [alone_elsewhere(one, own.take.folder) for one in alone]
    tracks = each_of_take(scene, scene_path)
    name = reference or default_reference(scene, [track.name for track in tracks])
    laid = laid_on_one_clock(tracks, track_named(tracks, name), clock)
    take = Take(laid.tracks)
    return SceneTake(scene, take, name, laid, _alone(scene, scene_path, take, name, clock, alone))


def _alone(
    scene: Scene,
    scene_path: str | os.PathLike[str],
    take: Take,
    reference: str,
    clock: Clock | None,
    more: Sequence[AlonePlan],
) -> tuple[Alone, ...]:
    """Where sources sound alone: in the take itself, and in recordings that have a folder of their own."""
    known = [source.name for source in scene.sources]
    strange = [plan.source for plan in more if plan.source not in known]
    if strange:
        raise SceneError(
            [f"--alone names '{one}', but no source is called that{nearest(one, known)}" for one in strange]
        )
    from micalign.alignment.solo import alone_in  # noqa: PLC0415 - as above
    from micalign.scene.model import TakePlan  # noqa: PLC0415 - as above

    plan = scene.take or TakePlan()
    plans = {one.source: one for one in (*plan.alone, *more)}.values()
    found = list(alone_in(take, [one for one in plans if one.folder is None]))
    for one in plans:
        if one.folder is not None:
            there = replace(scene, take=replace(plan, folder=one.folder))
            if not (Path(scene_path).parent / one.folder).is_dir():
                where = "--" if one in more else f"{scene_path}: "
                raise TakeError(f"{where}{one.no_stretch}, or the folder of a recording of its own, beside the scene")
            tracks = each_of_take(there, scene_path)
            first = next((track for track in tracks if track.name == reference), tracks[0])
            found += alone_in(Take(laid_on_one_clock(tracks, first, clock).tracks), [one])
    return tuple(found)


def _placed(scene: Scene) -> Scene:
    if scene.is_placed:
        return scene
    from micalign.acoustics.survey import surveyed  # noqa: PLC0415 - only tapes need scipy's least squares

    try:
        return surveyed(scene)
    except SceneError:
        # Positions only narrow a measurement: what is missing is not needed here.
        return scene
