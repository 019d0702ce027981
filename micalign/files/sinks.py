"""Where the samples of a container go, and how the original's metadata comes with them.

WAV is written by us byte by byte, since its metadata needs places that an encoder does not offer; everything else goes
through soundfile. What cannot be carried is named.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy.typing as npt

from micalign.errors import OutputError
from micalign.files.flac import carried_blocks, insert_blocks
from micalign.files.metadata import Carried, Moved, Shape, carry
from micalign.files.pcm import BYTES
from micalign.files.riff import append_chunks
from micalign.files.signals import held
from micalign.files.wav import WavWriter, source_format

__all__ = ["Job", "Sink", "can_hold", "carried_for", "is_plain", "open_sink", "refuse_too_long"]

_OWN: Final = frozenset({"WAV", "WAVEX", "RF64"})
_KINDS: Final = {"AIFF": b"AIFF", "WAV": b"WAVE", "WAVEX": b"WAVE", "RF64": b"WAVE"}
_NARROW: Final = frozenset({"AIFF", "AU", "SVX", "NIST", "IRCAM"})
_NARROW_BYTES: Final = (1 << 32) - (1 << 24)  # room for the metadata

if TYPE_CHECKING:
    import soundfile

Sink = Callable[[npt.NDArray[Any]], None]


@dataclass(frozen=True, slots=True)
class Job:
    """What to write, and after which original."""

    path: Path
    container: str
    subtype: str
    shape: Shape
    endian: str
    source: Path | None
    moved: Moved
    carried: Carried = field(default_factory=Carried)


def can_hold(container: str, subtype: str) -> bool:
    """Whether such a file can hold such samples."""
    if container in _OWN and subtype in BYTES:
        return True
    import soundfile  # noqa: PLC0415 - 20 ms that plain WAV need not pay

    return bool(soundfile.check_format(container, subtype))


def is_plain(job: Job) -> bool:
    """Whether the file is written by us, without an encoder."""
    return job.container in _OWN and job.subtype in BYTES


def carried_for(job: Job) -> Carried:
    """The original's metadata for the new file."""
    if job.source is None:
        return Carried()
    if job.container == "FLAC":
        return Carried(left_out=carried_blocks(job.source)[1])
    if job.container not in _KINDS:
        return Carried(left_out=(f"all metadata ({job.container})",))
    return carry(job.source, _KINDS[job.container], job.shape, job.moved)


def refuse_too_long(job: Job, frames: int) -> None:
    """Containers of 32-bit sizes that nothing widens would be written with a wrong length."""
    if job.container in _NARROW and frames * job.shape.channels * job.shape.bits // 8 > _NARROW_BYTES:
        raise OutputError(
            f"{job.path} was not written: {job.container} holds at most 4 GiB; convert the original to WAV, which "
            "becomes RF64 by itself"
        )


@contextmanager
def open_sink(partial: Path, job: Job) -> Iterator[Sink]:
    """Where samples go: int32 left-justified for integers, floats for the rest."""
    if is_plain(job):
        with partial.open("r+b", buffering=1 << 16) as file:
            like = None if job.source is None else source_format(job.source)
            wav = WavWriter(file, job.shape, job.subtype, job.carried, like, always_wide=job.container == "RF64")
            yield wav.write
            wav.finish()
        return
    with partial.open("r+b", buffering=0) as raw:
        pen = _Pen(raw)
        with _encoder(pen, job) as file:
            yield lambda values: _encode(file, pen, values, job)
        pen.refuse_lost()
    append_chunks(partial, (*job.carried.before, *job.carried.after))
    if job.container == "FLAC" and job.source is not None:
        insert_blocks(partial, carried_blocks(job.source)[0])


class _Pen:
    """The file an encoder writes to. It keeps what the system says: an encoder's last flush fails without a word."""

    def __init__(self, file: io.FileIO) -> None:
        self._file = file
        self._error: OSError | None = None
        self.seek, self.tell, self.read, self.readinto = file.seek, file.tell, file.read, file.readinto

    def write(self, data: bytes) -> int:
        """As many bytes as the disk took."""
        done = 0
        try:
            while self._error is None and done < len(data):
                done += self._file.write(data[done:])
        except OSError as error:
            self._error = error
        return done

    def refuse_lost(self) -> None:
        """The system's own error where a write was lost."""
        if self._error is not None:
            raise self._error


@contextmanager
def _encoder(pen: _Pen, job: Job) -> Iterator[soundfile.SoundFile]:
    import soundfile  # noqa: PLC0415

    shape = job.shape
    try:
        # Signals wait while the encoder runs: an exception would be lost in its calls back to the pen.
        with held():
            file = soundfile.SoundFile(
                pen, "w", shape.sample_rate, shape.channels, job.subtype, job.endian, format=job.container
            )
        try:
            yield file
        finally:
            with held():
                file.close()
    except soundfile.LibsndfileError as error:
        pen.refuse_lost()
        raise OutputError(
            f"{job.path} cannot be written: {job.container} does not take {shape.channels} channels of {job.subtype} "
            f"at {shape.sample_rate} Hz; convert the original to WAV first"
        ) from error


def _encode(file: soundfile.SoundFile, pen: _Pen, values: npt.NDArray[Any], job: Job) -> None:
    import soundfile  # noqa: PLC0415

    try:
        with held():
            file.write(values)
    except (soundfile.LibsndfileError, AssertionError) as error:
        pen.refuse_lost()
        raise OutputError(
            f"{job.path} cannot be written: the encoder stopped; is the take too long for {job.container}?"
        ) from error
