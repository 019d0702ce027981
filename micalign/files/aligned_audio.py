"""The aligned copies of recordings' files: what they are called, and their channels moved, all else kept.

An aligned file is called as its original with a suffix, so that neither is taken for the other; rate, subtype,
container and metadata are kept. All files of a group begin at one instant of the take's clock, the first sample of the
reference unless another is asked for, so that they start together; each ends with its own sound. Where a channel goes
through the fractional kernel, a resampler or a gain, integers get triangular dither; whole shifts are bit for bit.
"""

from __future__ import annotations

import os
import re
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from micalign.alignment.offsets import MovedTrack
from micalign.alignment.shift import Span, common_span, rate_of_original
from micalign.arrays import Floats
from micalign.errors import OutputError, TakeError
from micalign.files import tuned
from micalign.files.audio import audio_info, original_of
from micalign.files.decode import AudioInfo
from micalign.files.encode import AudioWriter, Job, Written, audio_writer
from micalign.files.metadata import Moved
from micalign.files.sets import FileSet, finish_killed, free_name, one_name, refuse_in_the_way
from micalign.files.whole import LONGEST_NAME_BYTES, held, refuse_no_folder
from micalign.take.tracks import Track, as_recorded

__all__ = [
    "SUFFIX",
    "AlignedFile",
    "Targets",
    "files_of",
    "group_span",
    "joined_names",
    "needed_bytes",
    "output_names",
    "refuse_clashes",
    "refuse_inputs",
    "suffix_fault",
    "write_aligned",
]


SUFFIX: Final = "-aligned"
_ENDINGS: Final = {
    **dict.fromkeys(("WAV", "WAVEX", "RF64"), (".wav", ".wave", ".bwf", ".rf64")),
    "AIFF": (".aiff", ".aif", ".aifc"),
    "FLAC": (".flac",),
    "MP3": (".mp3",),
    "OGG": (".ogg", ".oga", ".opus"),
    "W64": (".w64",),
    "CAF": (".caf",),
}
"""How the names of a container's files end, its usual ending first; containers in soundfile's words."""
_NOT_IN_NAMES: Final = frozenset('/\\:*?"<>|')  # a path's own characters, and what some disk refuses


def suffix_fault(suffix: str) -> str | None:
    """What is wrong with a suffix, None where it can be part of every file's name.

    >>> suffix_fault("-aligned"), suffix_fault("")
    (None, "the suffix '' is empty: an aligned file would be called as its original; try '-aligned'")
    """
    if not suffix.strip():
        return f"the suffix '{suffix}' is empty: an aligned file would be called as its original; try '{SUFFIX}'"
    if len(suffix) > tuned.LONGEST_SUFFIX:
        return f"the suffix is {len(suffix)} characters long: at most {tuned.LONGEST_SUFFIX} can be, try '{SUFFIX}'"
    if not suffix.isprintable() or _NOT_IN_NAMES & set(suffix):
        return f"the suffix {suffix!r} cannot be part of every file's name: use letters, digits, '-', '_' and blanks"
    return None


def _output_paths(
    tracks: Sequence[Track], folder: Path, *, suffix: str = SUFFIX, taken: Iterable[str] = ()
) -> tuple[Path, ...]:
    """Where each track's aligned file goes: the original's name and the suffix, kept apart where two would be one.

    ``taken`` are names of the set's other files.

    Raises
    ------
    OutputError
        If a name cannot be one, or is that of an original: the originals stay.
    """
    fault = suffix_fault(suffix)
    if fault is not None:
        raise OutputError(fault)
    used = {one_name(name) for name in taken}
    paths = []
    for track in tracks:
        paths.append(folder / _name(track, suffix, used))
    _refuse_too_long(paths)
    refuse_inputs(paths, [original_of(track)[0].path for track in tracks])
    return tuple(paths)


def output_names(tracks: Sequence[Track], suffix: str) -> tuple[str, ...]:
    """The bare names of those files, each of its track."""
    used = {one_name(name) for name in ("offsets.json", "offsets.csv")}
    return tuple(_name(track, suffix, used) for track in tracks)


def joined_names(tracks: Sequence[Track], suffix: str) -> tuple[str, ...]:
    """How each track's file is called where it holds both channels of a stereo original; "" where there is none.

    So also where the other channel is not among the tracks (any more).
    """
    used = {one_name(name) for name in ("offsets.json", "offsets.csv", *output_names(tracks, suffix))}
    names: dict[str, str] = {}
    for track in tracks:
        info, _ = original_of(track)
        if info.channels == 2 and (path := os.path.realpath(info.path)) not in names:
            names[path] = free_name(info.path.stem, _end(track, suffix), used)
    return tuple(names.get(os.path.realpath(original_of(track)[0].path), "") for track in tracks)


def _stereo(tracks: Sequence[Track]) -> list[tuple[int, int]]:
    """The places of the two channels of each stereo original, the first before the second."""
    places = {(os.path.realpath(info.path), channel): k for k, track in enumerate(tracks)
              for info, channel in (original_of(track),) if info.channels == 2}  # fmt: skip
    return [(k, places[path, 2]) for (path, channel), k in places.items() if channel == 1 and (path, 2) in places]


def _end(track: Track, suffix: str) -> str:
    return f"{suffix}{_ending(original_of(track)[0])}"


def _name(track: Track, suffix: str, used: set[str]) -> str:
    info, channel = original_of(track)
    stem = info.path.stem if info.channels == 1 else f"{info.path.stem}-{channel}"
    return free_name(stem, _end(track, suffix), used)


def _ending(info: AudioInfo) -> str:
    """The original's own ending, unless it is another container's: an MP3 called ``.wav`` is written as ``.mp3``."""
    ending = info.path.suffix
    foreign = any(ending.lower() in endings for endings in _ENDINGS.values())
    own = _ENDINGS.get(info.format, (ending,))
    return own[0] if foreign and ending.lower() not in own else ending


def _refuse_too_long(paths: Sequence[Path]) -> None:
    for path in paths:
        if len(os.fsencode(path.name)) > LONGEST_NAME_BYTES:
            raise OutputError(f"{path} cannot be written: the name is too long for a disk, choose a shorter --suffix")


def refuse_inputs(outputs: Iterable[Path], inputs: Iterable[Path]) -> None:
    """`OutputError` where an output is one of the files that are read: by its path, a link, or the file behind it."""
    paths = list(inputs)
    keys = {_key(path) for path in paths}
    files = {found for path in paths if (found := _file(path)) is not None}
    for path in outputs:
        if _key(path) in keys or _file(path) in files:
            raise OutputError(
                f"{path} is an original, which is never replaced: choose another folder with --out, or another --suffix"
            )


def _key(path: Path) -> str:
    return one_name(os.path.realpath(path))


def _file(path: Path) -> tuple[int, int] | None:
    """What a name leads to: two names of one file (hard links, mounts) lead to the same."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino


@dataclass(frozen=True)
class Targets:
    """Every file that will be written."""

    tracks: tuple[Path, ...]
    json: Path
    csv: Path
    previews: Mapping[str, tuple[Path, Path]]

    @classmethod
    def of(cls, tracks: Sequence[Track], folder: Path, heard: Iterable[str], *, suffix: str = SUFFIX) -> Targets:
        """For these tracks, and a preview of each name heard."""
        used: set[str] = set()
        previews = {}
        for name in heard:
            slug = _slug(name, used)
            previews[name] = (folder / f"preview-{slug}-before.wav", folder / f"preview-{slug}-after.wav")
        others = ["offsets.json", "offsets.csv", *(path.name for pair in previews.values() for path in pair)]
        paths = _output_paths(tracks, folder, suffix=suffix, taken=others)
        return cls(paths, folder / "offsets.json", folder / "offsets.csv", previews)

    def joined(self, actions: Sequence[MovedTrack], suffix: str) -> Targets:
        """With one file for both channels of a stereo original that are moved alike: it takes the original's place."""
        tracks = [one.track for one in actions]
        paths, names = list(self.tracks), joined_names(tracks, suffix)
        for pair in _stereo(tracks):
            one, other = (actions[k] for k in pair)
            if one.goes_with(other):
                for k in pair:
                    paths[k] = self.json.parent / names[k]
        return replace(self, tracks=tuple(paths))

    def parted(self, tracks: Sequence[Track]) -> list[str]:
        """The stereo originals whose channels have a file each."""
        return [original_of(tracks[k])[0].path.name for k, other in _stereo(tracks)
                if self.tracks[k] != self.tracks[other]]  # fmt: skip

    def refuse(self, inputs: Iterable[Path], *, force: bool) -> None:
        """`OutputError` where one may not be written: it is read from, or stands there and is not of an older set.

        An offsets file may be followed into its own folder: it is the head of the set that gives way.
        """
        refuse_no_folder(self.json.parent)
        refuse_inputs(self.all, [path for path in inputs if _key(path) != _key(self.json)])
        finish_killed(self.json.parent)
        refuse_in_the_way(self.json.parent, [path.name for path in self.all], self.json.name, force=force)

    @property
    def all(self) -> list[Path]:
        """All of them."""
        return [*self.tracks, self.json, self.csv, *(path for pair in self.previews.values() for path in pair)]


def _slug(name: str, used: set[str]) -> str:
    stem = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[: tuned.LONGEST_SLUG] or "source"
    number, slug = 1, stem
    while slug in used:
        number += 1
        slug = f"{stem}-{number}"
    used.add(slug)
    return slug


@dataclass(frozen=True, slots=True)
class AlignedFile:
    """A file to write: its path, the original whose kind and metadata it keeps, and its channels in their order."""

    path: Path
    source: Path
    channels: tuple[MovedTrack, ...]


def files_of(paths: Sequence[Path], actions: Sequence[MovedTrack]) -> list[AlignedFile]:
    """The files that hold these tracks, each at its path; channels of one file in their original's order."""
    groups: dict[Path, list[MovedTrack]] = {}
    for path, one in zip(paths, actions, strict=True):
        groups.setdefault(path, []).append(one)
    return [
        AlignedFile(
            path,
            original_of(group[0].track)[0].path,
            tuple(sorted(group, key=lambda one: original_of(one.track)[1])),
        )
        for path, group in groups.items()
    ]


def group_span(files: Sequence[AlignedFile], *, whole: bool = False) -> Span:
    """The stretch of the take's clock that holds all the files with nothing of any track cut off."""
    return common_span(channel.span(whole=whole) for file in files for channel in file.channels)


def write_aligned(
    files: Sequence[AlignedFile],
    *,
    start: int = 0,
    whole: bool = False,
    headroom_db: float = 0.0,
    force: bool = False,
    within: FileSet | None = None,
    workers: int = tuned.WORKERS,
    progress: Callable[[float], None] | None = None,
) -> tuple[Written, ...]:
    """Write the files of a group, each whole or not at all.

    Files of one original are written in step, so that it is decoded once; different originals by several workers.

    Parameters
    ----------
    files : sequence of AlignedFile
        What to write.
    start : int
        The instant of the take's clock at which every file begins, in samples: 0 is the reference's first sample, and
        `group_span` says where nothing is cut off. A file's time stamp follows its first sample.
    whole : bool
        Whole-sample shifts: bit for bit.
    headroom_db : float
        How much lower to write every file, so that nothing clips.
    force : bool
        Replace files that exist; an original is never replaced.
    within : FileSet, optional
        The set that the files belong to: they appear with the set.
    workers : int
        Files worked on at once.
    progress : callable, optional
        Gets after every block the share of all samples that is written, 0 to 1; from any thread.

    Returns
    -------
    tuple of Written
        In the order of ``files``.

    Raises
    ------
    OutputError
        If two outputs are one file, an output is an original, or one cannot be written.
    TakeError
        If an original cannot be read to its end.
    """
    refuse_clashes(file.path for file in files)
    refuse_inputs([file.path for file in files], [file.source for file in files])
    stopped = threading.Event()
    count, counted = 0, threading.Lock()
    total = max(sum(_span(file, start, whole=whole).frames for file in files), 1)

    def done(frames: int) -> None:
        nonlocal count
        if stopped.is_set():
            raise OutputError("stopped")
        with counted:
            count += frames
            share = count / total
        if progress is not None:
            progress(share)

    groups = _by_source(files)
    plan = _GroupPlan(
        start,
        whole=whole,
        gain=1.0 if headroom_db == 0.0 else 10.0 ** (-headroom_db / 20.0),
        force=force,
        within=within,
        workers=max(workers // len(groups), 1),
        done=done,
    )
    with ThreadPoolExecutor(max(min(workers, len(groups)), 1)) as pool:
        try:
            with held():  # nobody would wait for a thread that a signal meets while it starts
                waiting = [pool.submit(_write_group, group, plan) for group in groups]
            written = {one.path: one for future in waiting for one in future.result()}
        except BaseException:
            # An error or Ctrl-C ends the others at their next block; what they had begun vanishes.
            stopped.set()
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return tuple(written[file.path] for file in files)


def refuse_clashes(outputs: Iterable[Path]) -> None:
    """`OutputError` where two outputs would be one file, also where a disk ignores case."""
    seen: dict[str, Path] = {}
    for path in outputs:
        key = one_name(os.path.join(os.path.realpath(path.parent), path.name))  # noqa: PTH118
        if key in seen:
            raise OutputError(
                f"{seen[key]} and {path} would be one file (disks may ignore case): rename one of the originals"
            )
        seen[key] = path


@dataclass(frozen=True, slots=True)
class _GroupPlan:
    """What all files of a group share."""

    start: int
    whole: bool
    gain: float
    force: bool
    within: FileSet | None
    workers: int
    done: Callable[[int], object]


def needed_bytes(files: Sequence[AlignedFile], start: int, *, whole: bool = False) -> int:
    """How much disk the files will take: as much for each sample as their originals."""
    total = 0.0
    for file in files:
        info = audio_info(file.source)
        share = _span(file, start, whole=whole).frames / max(info.frames, 1) * len(file.channels) / info.channels
        total += file.source.stat().st_size * share
    return round(total)


def _span(file: AlignedFile, start: int, *, whole: bool) -> Span:
    """What a file covers: from where all begin to the end of its own channels."""
    return Span(start, max([start, *(channel.span(whole=whole).stop for channel in file.channels)]))


def _by_source(files: Sequence[AlignedFile]) -> list[list[AlignedFile]]:
    groups: dict[str, list[AlignedFile]] = {}
    for file in files:
        groups.setdefault(os.path.realpath(file.source), []).append(file)
    return list(groups.values())


def _write_group(files: Sequence[AlignedFile], plan: _GroupPlan) -> tuple[Written, ...]:
    """Write the files of one original in step."""
    block_frames = max(tuned.BLOCK_VALUES // sum(len(file.channels) for file in files), tuned.LEAST_BLOCK_FRAMES)
    with ExitStack() as resources:
        writers = [resources.enter_context(_writer(file, plan)) for file in files]
        streams = [_interleaved(file, plan, block_frames) for file in files]
        pool = resources.enter_context(ThreadPoolExecutor(plan.workers)) if plan.workers > 1 < len(files) else None
        longest = max(_span(file, plan.start, whole=plan.whole).frames for file in files)
        for _ in range(0, longest, block_frames):
            # The next block of every file, before any goes on: all find its page decoded.
            steps = (pool.map if pool else map)(_write_next, writers, streams)
            for frames in steps:
                plan.done(frames)
    return tuple(writer.written for writer in writers)


def _write_next(writer: AudioWriter, blocks: Iterator[Floats]) -> int:
    block = next(blocks, None)
    if block is None:
        return 0
    writer.put(block)
    return len(block)


def _writer(file: AlignedFile, plan: _GroupPlan) -> AbstractContextManager[AudioWriter]:
    info = audio_info(file.source)
    _refuse_other_rate(file, info.sample_rate)
    rate = file.channels[0].track.sample_rate
    exact = plan.gain == 1.0 and all(channel.is_exact(whole=plan.whole) for channel in file.channels)
    moved, channels = _moved(file, plan, (info.sample_rate, rate)), len(file.channels)
    return audio_writer(
        Job(file.path, info.format, info.subtype, rate, channels, info.endian, file.source, moved),
        force=plan.force,
        within=plan.within,
        # Files get draws of their own: the same dither in two tracks would add up in their sum.
        dither_seed=None if exact else zlib.crc32(os.fsencode(file.path.name)),
    )


def _moved(file: AlignedFile, plan: _GroupPlan, rates: tuple[int, int]) -> Moved:
    first = file.channels[0]
    return Moved(
        start_samples=plan.start - first.begun_samples,
        content_samples=round(first.shift_samples) + first.begun_samples - plan.start,
        history=_history(file, plan),
        rates=rates,
    )


def _history(file: AlignedFile, plan: _GroupPlan) -> str:
    span = _span(file, plan.start, whole=plan.whole)
    done = [channel.history(span, whole=plan.whole, gain=plan.gain) for channel in file.channels]
    if len(set(done)) == 1:
        return done[0]
    return "; ".join(f"channel {number}: {words}" for number, words in enumerate(done, 1))


def _refuse_other_rate(file: AlignedFile, sample_rate: int) -> None:
    for channel in file.channels:
        original, _ = rate_of_original(as_recorded(channel.track)[0])
        if original.sample_rate != sample_rate:
            raise TakeError(
                f"{file.source} is at {sample_rate} Hz, but track '{channel.track.name}' at "
                f"{original.sample_rate} Hz: was the file changed meanwhile?"
            )


def _interleaved(file: AlignedFile, plan: _GroupPlan, block_frames: int) -> Iterator[Floats]:
    span = _span(file, plan.start, whole=plan.whole)
    streams = [
        channel.blocks(span, whole=plan.whole, gain=plan.gain, block_frames=block_frames) for channel in file.channels
    ]
    for blocks in zip(*streams, strict=True):
        yield blocks[0] if len(blocks) == 1 else np.stack(blocks, axis=1)
