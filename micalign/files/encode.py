"""An audio file out of blocks of samples: same rate and subtype as asked, whole or not at all, nothing clipped unsaid.

Integers are made here, not in the encoder, since that one saturates without a word.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import soundfile

from micalign.alignment.dither import to_integers
from micalign.arrays import Floats
from micalign.errors import OutputError
from micalign.files.whole import whole_file

__all__ = ["Written", "write_audio"]

_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: the file, its frames, samples held at full scale, and the highest sample met (1 = full)."""

    path: Path
    frames: int
    clipped: int
    peak: float


def write_audio(
    path: str | os.PathLike[str],
    blocks: Iterable[Floats],
    *,
    sample_rate: int,
    subtype: str = "PCM_24",
    format: str = "WAV",  # noqa: A002 - the word of the trade, and soundfile's
    channels: int = 1,
    force: bool = False,
    metadata_from: str | os.PathLike[str] | None = None,
    dither_seed: int | None = None,
) -> Written:
    """Write blocks of samples as an audio file, whole or not at all.

    Parameters
    ----------
    path : path
        The file to write.
    blocks : iterable of ndarray, shape (frames,) or (frames, channels)
        Float64, full scale +-1, one after the other.
    sample_rate : int
        Hertz.
    subtype, format : str
        In soundfile's words: ``PCM_16``, ``PCM_24``, ``PCM_32``, ``FLOAT``, ``DOUBLE``; ``WAV``, ``RF64``, ``AIFF``,
        ``FLAC``.
    channels : int
        Columns of each block.
    force : bool
        Replace a file that exists.
    metadata_from : path, optional
        The original, whose metadata chunks are carried over.
    dither_seed : int, optional
        Adds triangular dither before rounding to integers; without it, samples that are integers stay exact.

    Returns
    -------
    Written
        Frames, clipped samples and peak.

    Raises
    ------
    OutputError
        If the file exists and ``force`` is off, or cannot be written.
    """
    _refuse_unwritable(path, sample_rate, channels, format, subtype)
    with whole_file(path, force=force) as partial:
        encoder = _Encoder(partial, sample_rate, channels, format, subtype, dither_seed)
        frames, clipped, peak = encoder.write(blocks)
    return Written(Path(path), frames, clipped, peak)


def _refuse_unwritable(
    path: str | os.PathLike[str], sample_rate: int, channels: int, container: str, subtype: str
) -> None:
    if not soundfile.check_format(container, subtype):
        raise OutputError(f"{path}: a {container} file cannot hold {subtype} samples: choose another format")
    if not 1 <= channels <= 1024 or not 1 <= sample_rate <= 10_000_000:
        raise OutputError(f"{path}: {channels} channels at {sample_rate} Hz cannot be written as audio")


@dataclass(slots=True)
class _Encoder:
    partial: Path
    sample_rate: int
    channels: int
    format: str
    subtype: str
    dither_seed: int | None

    def write(self, blocks: Iterable[Floats]) -> tuple[int, int, float]:
        frames, clipped, peak = 0, 0, 0.0
        rng = None if self.dither_seed is None else np.random.default_rng(self.dither_seed)
        name: Any = str(self.partial) if sys.platform == "win32" else os.fsencode(self.partial)
        with soundfile.SoundFile(name, "w", self.sample_rate, self.channels, self.subtype, format=self.format) as file:
            for block in blocks:
                values = block.reshape(len(block), self.channels)
                peak = max(peak, float(np.abs(values).max(initial=0.0)))
                encoded, held = self._encoded(values, rng)
                file.write(encoded)
                clipped += held
                frames += len(block)
        return frames, clipped, peak

    def _encoded(self, values: Floats, rng: np.random.Generator | None) -> tuple[npt.NDArray[Any], int]:
        bits = _BITS.get(self.subtype)
        if bits is None:
            return values, 0
        made = to_integers(values, bits, dither=rng)
        # The encoder takes integers left-justified in 32 bits.
        return made.values << (32 - bits), made.clipped
