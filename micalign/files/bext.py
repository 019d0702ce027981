"""The broadcast extension of a WAV (EBU Tech 3285 v2): its time reference moved, a line added to its history.

``TimeReference`` is the first sample's count since midnight, 64 bits, low word first, at byte 338; the coding history
is text from byte 602 on, a line to each step in the words of EBU R 98.
"""

from __future__ import annotations

import re
import struct
from typing import Final

__all__ = ["FIXED_BYTES", "Rates", "history_line", "moved_bext", "moved_ixml", "rescaled", "time_reference"]

FIXED_BYTES: Final = 602
Rates = tuple[int, int]
"""A file's sample rate before and after (Hz)."""

_ONE_RATE: Final[Rates] = (1, 1)
_TIME_AT: Final = 338
_WORD: Final = 1 << 32


def time_reference(bext: bytes) -> int | None:
    """The first sample's count since midnight; None where the chunk is too short to say.

    >>> time_reference(bytes(338) + (5).to_bytes(4, "little") + (1).to_bytes(4, "little")) - 2**32
    5
    """
    if len(bext) < _TIME_AT + 8:
        return None
    low, high = struct.unpack_from("<II", bext, _TIME_AT)
    return int(high) * _WORD + int(low)


def rescaled(count: int, rate: int, new_rate: int) -> int:
    """The same instant counted at another rate, rounded.

    >>> rescaled(44_100, 44_100, 48_000), rescaled(1, 2, 1)
    (48000, 1)
    """
    return (2 * count * new_rate + rate) // (2 * rate)


def moved_bext(bext: bytes, start_moved: int, line: str, *, rates: Rates = _ONE_RATE) -> bytes | None:
    """The chunk for a file whose first sample lies ``start_moved`` samples later, with a line more of history.

    None where it is too short to be one.

    A file that would begin before midnight begins at midnight: a time of day knows no negative count.
    """
    if len(bext) < FIXED_BYTES:
        return None
    moved = min(max(rescaled(time_reference(bext) or 0, *rates) + start_moved, 0), _WORD * _WORD - 1)
    head = bext[:_TIME_AT] + struct.pack("<II", moved % _WORD, moved // _WORD) + bext[_TIME_AT + 8 : FIXED_BYTES]
    history = bext[FIXED_BYTES:].rstrip(b"\0")
    if history and not history.endswith(b"\n"):
        history += b"\r\n"
    chunk = head + history + line.encode("ascii", "replace") + b"\r\n"
    # Even: a common reader of RF64 loses its way behind a chunk of odd length, padded or not.
    return chunk + b"\0" * (len(chunk) % 2)


def history_line(sample_rate: int, bits: int, channels: int, text: str) -> str:
    """A line of coding history in the words of EBU R 98; commas and line ends in the text become spaces.

    >>> history_line(48000, 24, 1, "shifted, +3 samples")
    'A=PCM,F=48000,W=24,M=mono,T=shifted  +3 samples'
    """
    mode = {1: "M=mono,", 2: "M=stereo,"}.get(channels, "")
    plain = re.sub(r"[,\r\n\0]", " ", text)
    return f"A=PCM,F={sample_rate},W={bits},{mode}T={plain}"


_STAMPS: Final = (
    (b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", b"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"),
    (b"BWF_TIME_REFERENCE_HIGH", b"BWF_TIME_REFERENCE_LOW"),
)
_RATES: Final = (b"FILE_SAMPLE_RATE", b"TIMESTAMP_SAMPLE_RATE")


def moved_ixml(text: bytes, start_moved: int, *, rates: Rates = _ONE_RATE) -> bytes:
    """The text of an iXML chunk with its copies of time reference and rate changed alike; everything else as it was.

    >>> moved_ixml(b"<BWF_TIME_REFERENCE_LOW>7</BWF_TIME_REFERENCE_LOW>"
    ...            b"<BWF_TIME_REFERENCE_HIGH>0</BWF_TIME_REFERENCE_HIGH>", -2)[:50]
    b'<BWF_TIME_REFERENCE_LOW>5</BWF_TIME_REFERENCE_LOW>'
    """
    for high_tag, low_tag in _STAMPS:
        high, low = _tag(high_tag).search(text), _tag(low_tag).search(text)
        if high is None or low is None:
            continue
        count = rescaled(int(high[2]) * _WORD + int(low[2]), *rates)
        moved = min(max(count + start_moved, 0), _WORD * _WORD - 1)
        text = _tag(high_tag).sub(rb"\g<1>%d\g<3>" % (moved // _WORD), text, count=1)
        text = _tag(low_tag).sub(rb"\g<1>%d\g<3>" % (moved % _WORD), text, count=1)
    if rates[0] != rates[1]:
        for tag in _RATES:
            text = _tag(tag).sub(rb"\g<1>%d\g<3>" % rates[1], text, count=1)
    return text


def _tag(name: bytes) -> re.Pattern[bytes]:
    return re.compile(rb"(<%s>\s*)([0-9]{1,20})(\s*</%s>)" % (name, name))
