"""The aligned set on disk: one mono file for each track, all of one start and length, originals untouched.

Every file keeps its original's container, subtype, rate and metadata. The set begins early enough for the earliest
shifted track and ends with the latest, so nothing is cut off at either end; dropped into a session at one point, the
files line up. Shifts are samples, positive later.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from micalign.alignment.phase import all_pass_blocks
from micalign.alignment.shift import Span, common_span, shifted_blocks, shifted_span
from micalign.arrays import Floats
from micalign.errors import OutputError, TakeError
from micalign.files.audio import AudioInfo, Moved, Written, write_audio
from micalign.files.decode import ChannelSamples
from micalign.files.whole import make_folder
from micalign.take.model import Track

__all__ = ["Action", "common_stretch", "original_of", "output_paths", "refuse_taken", "write_aligned"]

_KEPT_FORMATS: Final = {"WAV": ".wav", "WAVEX": ".wav", "RF64": ".wav", "W64": ".w64", "AIFF": ".aiff", "FLAC": ".flac"}
_WHOLE_NUMBERS: Final = frozenset({"PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32"})
_KEPT_SUBTYPES: Final = _WHOLE_NUMBERS | {"FLOAT", "DOUBLE"}
_TAIL_FRAMES: Final = 4800  # an all-pass rings on; 0.1 s at 48 kHz is 60 dB down for every section fitted here


@dataclass(frozen=True, slots=True)
class Action:
    """What is done to one track on its way into the aligned set; sections are all-passes as (hertz, Q)."""

    track: Track
    shift_samples: float = 0.0
    polarity: int = 1
    sections: tuple[tuple[float, float], ...] = ()
    whole: bool = False

    @property
    def changes_samples(self) -> bool:
        """Whether samples come out as other numbers than they went in, sign apart."""
        return bool(self.sections) or (not self.whole and abs(self.shift_samples - round(self.shift_samples)) > 1e-6)


def original_of(track: Track) -> tuple[AudioInfo, int]:
    """The file a track comes from and its channel in it, from 1."""
    samples = track.samples
    if not isinstance(samples, ChannelSamples):
        raise TakeError(f"track '{track.name}' does not come from a file")
    return samples.file.info, samples.channel + 1


def output_paths(tracks: Sequence[Track], folder: Path) -> tuple[Path, ...]:
    """Where each track's aligned file goes: the original's name, told apart where two would be one.

    Raises
    ------
    OutputError
        If a name would be that of an original: the originals stay.
    """
    taken: set[str] = set()
    paths = []
    for track in tracks:
        info, channel = original_of(track)
        stem = info.path.stem if info.channels == 1 else f"{info.path.stem}-{channel}"
        suffix = (
            info.path.suffix
            if info.format in _KEPT_FORMATS and info.path.suffix
            else _KEPT_FORMATS.get(info.format, ".wav")
        )
        paths.append(folder / _free(stem, suffix, taken))
    _refuse_originals(tracks, paths)
    return tuple(paths)


def _free(stem: str, suffix: str, taken: set[str]) -> str:
    number, name = 1, f"{stem}{suffix}"
    # Names that differ only in case are one file on many disks.
    while name.casefold() in taken:
        number += 1
        name = f"{stem}-{number}{suffix}"
    taken.add(name.casefold())
    return name


def _refuse_originals(tracks: Sequence[Track], paths: Sequence[Path]) -> None:
    originals = {_key(original_of(track)[0].path) for track in tracks}
    for path in paths:
        if _key(path) in originals:
            raise OutputError(f"{path} is an original, which micalign never replaces: choose another folder with --out")


def _key(path: Path) -> str:
    return os.path.realpath(path).casefold()


def refuse_taken(paths: Sequence[Path], *, force: bool) -> None:
    """Refuse before the work begins, and all together, what exists and may not be replaced."""
    taken = [] if force else [path for path in paths if os.path.lexists(path)]
    if taken:
        more = f" (and {len(taken) - 1} more)" if len(taken) > 1 else ""
        raise OutputError(f"{taken[0]}{more} exists: choose another place with --out, or replace it with --force")


def common_stretch(actions: Sequence[Action]) -> Span:
    """The stretch of the take's clock that holds every track after its shift."""
    return common_span(_span(one) for one in actions)


def _span(one: Action) -> Span:
    span = shifted_span(one.track.frames, one.shift_samples, whole=one.whole)
    return Span(span.start, span.stop + _TAIL_FRAMES) if one.sections else span


def write_aligned(
    actions: Sequence[Action],
    paths: Sequence[Path],
    *,
    headroom_db: float = 0.0,
    force: bool = False,
    progress: Callable[[str], None] | None = None,
) -> tuple[Written, ...]:
    """Write every track as its action says.

    Parameters
    ----------
    actions, paths : sequences of one length
        What to write and where; the paths' folder is made where it is missing.
    headroom_db : float
        How much all tracks are turned down, so that none clips.
    force : bool
        Replace files that exist.
    progress : callable, optional
        Told each track's name before it is written.

    Returns
    -------
    tuple of Written
        Frames, clipped samples and peak of each.

    Raises
    ------
    OutputError
        If a file exists and ``force`` is off, or cannot be written.
    """
    refuse_taken(paths, force=force)
    span = common_stretch(actions)
    written = []
    for one, path in zip(actions, paths, strict=True):
        if progress is not None:
            progress(one.track.name)
        make_folder(path.parent)
        written.append(_write(one, path, span, headroom_db=headroom_db, force=force))
    return tuple(written)


def _write(one: Action, path: Path, span: Span, *, headroom_db: float, force: bool) -> Written:
    info, _ = original_of(one.track)
    format_, subtype = _container(info)
    dithered = subtype in _WHOLE_NUMBERS and (one.changes_samples or headroom_db != 0.0)
    return write_audio(
        path,
        _blocks(one, span, 10.0 ** (-headroom_db / 20.0)),
        sample_rate=info.sample_rate,
        subtype=subtype,
        format=format_,
        endian=info.endian if format_ == info.format else "FILE",
        force=force,
        metadata_from=info.path,
        moved=Moved(span.start, round(one.shift_samples) - span.start, _history(one)),
        # One seed a file, so that a second run writes the same bytes and two tracks do not share their dither.
        dither_seed=zlib.crc32(os.fsencode(path.name)) if dithered else None,
    )


def _blocks(one: Action, span: Span, gain: float) -> Iterator[Floats]:
    blocks = shifted_blocks(one.track, one.shift_samples, whole=one.whole, polarity=one.polarity, gain=gain, span=span)
    return all_pass_blocks(blocks, one.sections, sample_rate=one.track.sample_rate) if one.sections else blocks


def _container(info: AudioInfo) -> tuple[str, str]:
    """The original's own, or 24-bit WAV for one that would lose sound each time it is written."""
    if info.format in _KEPT_FORMATS and info.subtype in _KEPT_SUBTYPES:
        return info.format, info.subtype
    return "WAV", "PCM_24"


def _history(one: Action) -> str:
    words = [f"shifted {one.shift_samples:+.3f} samples"]
    if one.polarity < 0:
        words.append("polarity flipped")
    words += [f"all-pass {frequency:.0f} Hz Q {q:.2f}" for frequency, q in one.sections]
    return ", ".join(words)
