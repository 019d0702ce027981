"""The aligned copy of a recording's file: its channels moved, its rate, subtype, container and metadata kept.

All files of a group begin at one instant of the take's clock, the first sample of the reference unless another is asked
for, so that they start together; each ends with its own sound. Where a channel goes through the fractional kernel, a
resampler or a gain, integers get triangular dither; whole shifts are bit for bit.
"""

from __future__ import annotations

import os
import threading
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from micalign.alignment.moved import MovedTrack
from micalign.alignment.resample import rate_of_original
from micalign.alignment.shift import Span, common_span
from micalign.arrays import Floats
from micalign.errors import OutputError, TakeError
from micalign.files.audio import audio_info
from micalign.files.encode import AudioWriter, Written, audio_writer
from micalign.files.metadata import Moved
from micalign.files.outputs import one_name
from micalign.files.sets import FileSet
from micalign.files.signals import held
from micalign.take.tracks import as_recorded

__all__ = ["AlignedFile", "MovedTrack", "group_span", "needed_bytes", "refuse_clashes", "write_aligned"]

_WORKERS: Final = 2  # one reads and filters while another encodes; more only wait for the disk
_BLOCK_VALUES: Final = 1 << 16


@dataclass(frozen=True, slots=True)
class AlignedFile:
    """A file to write: its path, the original whose kind and metadata it keeps, and its channels in their order."""

    path: Path
    source: Path
    channels: tuple[MovedTrack, ...]


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
    workers: int = _WORKERS,
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
        Told after every block which share of all samples is written, 0 to 1; from any thread.

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
    refuse_clashes([file.path for file in files], originals=[file.source for file in files])
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


def refuse_clashes(outputs: Sequence[Path], *, originals: Sequence[Path] = ()) -> None:
    """`OutputError` where two outputs would be one file (also where a disk ignores case), or one is an original."""
    seen: dict[str, Path] = {}
    for path in outputs:
        key = _one_file(path)
        if key in seen:
            raise OutputError(
                f"{seen[key]} and {path} would be one file (disks may ignore case): rename one of the originals"
            )
        seen[key] = path
    for path in outputs:
        for original in originals:
            if _is_same(path, original):
                raise OutputError(f"{path} is an original recording ({original}): choose another folder with --out")


def _one_file(path: Path) -> str:
    return one_name(os.path.join(os.path.realpath(path.parent), path.name))  # noqa: PTH118


def _is_same(path: Path, original: Path) -> bool:
    try:
        return path.samefile(original)
    except OSError:
        return False


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
    block_frames = max(_BLOCK_VALUES // sum(len(file.channels) for file in files), 4096)
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
    return audio_writer(
        file.path,
        sample_rate=rate,
        subtype=info.subtype,
        format=info.format,
        endian=info.endian,
        channels=len(file.channels),
        force=plan.force,
        within=plan.within,
        metadata_from=file.source,
        moved=_moved(file, plan, (info.sample_rate, rate)),
        # Files get draws of their own: the same dither in two tracks would add up in their sum.
        dither_seed=None if exact else zlib.crc32(os.fsencode(file.path.name)),
    )


def _moved(file: AlignedFile, plan: _GroupPlan, rates: tuple[int, int]) -> Moved:
    first = file.channels[0]
    return Moved(
        start_samples=plan.start - first.begun_samples,
        content_samples=round(first.shift_samples) + first.begun_samples - plan.start,
        history=first.history(_span(file, plan.start, whole=plan.whole), whole=plan.whole, gain=plan.gain),
        rates=rates,
    )


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
