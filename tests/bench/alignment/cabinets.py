"""Measured impulse responses of loudspeaker cabinets, fetched when they are asked for.

Source: the Debian package ``rakarrack`` (0.6.1), files ``/usr/share/rakarrack/1.wav`` to ``9.wav``, one microphone
before one cabinet each, 44.1 kHz. Licence of the package: GNU GPL, version 2 (``/usr/share/doc/rakarrack/copyright``).
They are not part of this repository: nothing is copied out of the package but into a folder for temporary files.

Odd numbers are for development, even ones for the figures that are reported.
"""

from __future__ import annotations

import subprocess
import tempfile
from math import gcd
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import resample_poly

PACKAGE = "rakarrack"
HALVES = {"development": (1, 3, 5, 7, 9), "held-out": (2, 4, 6, 8)}
LONGEST_S = 0.12
LEAD_S = 0.001
ONSET = 0.1  # of the highest peak: where a response is taken to begin


class NotToBeHadError(Exception):
    """Without the package manager or a network; the message says which package."""


def response(number: int, rate: int) -> tuple[np.ndarray, float]:
    """A cabinet's response with its silence before cut to a millisecond, of unit energy, and when it begins (s)."""
    sound, own = sf.read(_folder() / f"{number}.wav", always_2d=True)
    common = gcd(rate, own)
    sound = resample_poly(sound[:, 0], rate // common, own // common)
    first = int(np.argmax(np.abs(sound) > ONSET * np.abs(sound).max()))
    lead = min(int(LEAD_S * rate), first)
    sound = sound[first - lead : first + int(LONGEST_S * rate)]
    fade = min(int(0.02 * rate), len(sound) // 4)
    sound[-fade:] *= np.linspace(1.0, 0.0, fade)
    return sound / np.sqrt(np.sum(sound**2)), lead / rate


def _folder() -> Path:
    kept = Path(tempfile.gettempdir()) / "measured-cabinets"
    data = kept / "usr/share" / PACKAGE
    if not (data / "9.wav").exists():
        kept.mkdir(exist_ok=True)
        _run(["apt-get", "download", PACKAGE], kept)
        _run(["dpkg", "-x", str(next(iter(kept.glob(f"{PACKAGE}_*.deb")))), "."], kept)
    return data


def _run(words: list[str], folder: Path) -> None:
    try:
        subprocess.run(words, cwd=folder, check=True, capture_output=True, timeout=120)
    except (OSError, subprocess.SubprocessError) as error:
        raise NotToBeHadError(f"Debian package '{PACKAGE}' (measured cabinets): {error}") from error
