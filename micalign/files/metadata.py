"""What a recording's file says beside its audio, carried over to the aligned one.

Chunks that name places in the audio (``cue``, ``smpl``, AIFF's ``MARK``) move with it, the broadcast time reference
moves with the file's first sample, texts are carried byte for byte. A chunk whose meaning is not known may depend on
samples that are no longer there: it is left out, and named, as a damaged one is.

The broadcast extension (EBU Tech 3285 v2) holds ``TimeReference``, the first sample's count since midnight, 64 bits,
low word first, at byte 338; its coding history is text from byte 602 on, a line to each step in the words of EBU R 98.

A FLAC begins with blocks of metadata (a type, a length of 24 bits, the data), the last one marked: comments and
pictures say nothing of places in the audio and are carried byte for byte; a cue sheet or a foreign application's block
may.
"""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, Literal

from micalign.files import tuned
from micalign.files.headers import Chunk, read_chunk, read_layout, spoken_read

__all__ = [
    "FIXED_BYTES",
    "Carried",
    "Moved",
    "Rates",
    "Shape",
    "carried_blocks",
    "carry",
    "insert_blocks",
    "moved_bext",
    "rescaled",
    "time_reference",
    "time_reference_of",
]


@dataclass(frozen=True, slots=True)
class Moved:
    """How an aligned file differs from its original.

    Parameters
    ----------
    start_samples : int
        How much later on the clock its first sample lies (negative where silence was put in front).
    content_samples : int
        How much later in the file the sound lies, rounded.
    history : str
        What was done, for the coding history.
    rates : tuple of int
        The sample rate of the original and of the aligned file; the counts above are at the latter.
    """

    start_samples: int = 0
    content_samples: int = 0
    history: str = ""
    rates: Rates = (1, 1)


@dataclass(frozen=True, slots=True)
class Shape:
    """Rate (Hz), channels and bits of the file that is written."""

    sample_rate: int
    channels: int
    bits: int


@dataclass(frozen=True, slots=True)
class Carried:
    """Chunks to write in front of the audio and behind it, a FLAC's blocks, and the names of those left out."""

    before: tuple[tuple[bytes, bytes], ...] = ()
    after: tuple[tuple[bytes, bytes], ...] = ()
    left_out: tuple[str, ...] = ()
    blocks: tuple[tuple[int, bytes], ...] = ()


_KINDS: Final = {"AIFF": b"AIFF", "WAV": b"WAVE", "WAVEX": b"WAVE", "RF64": b"WAVE"}


def carry(source: Path, container: str, shape: Shape, moved: Moved) -> Carried:
    """What a file of ``container`` (``WAV``, ``FLAC`` ...) whose audio moved so takes over from ``source``.

    Raises
    ------
    TakeError
        If the source cannot be read.
    """
    if container == "FLAC":
        blocks, lost = carried_blocks(source)
        return Carried(left_out=lost, blocks=blocks)
    if container not in _KINDS:
        return Carried(left_out=(f"all metadata ({container})",))
    return _carried_chunks(source, _KINDS[container], shape, moved)


def _carried_chunks(source: Path, kind: bytes, shape: Shape, moved: Moved) -> Carried:
    layout = read_layout(source)
    if layout is None or _family(layout.kind) != kind:
        return Carried()
    if layout.form == b"RIFX":
        return Carried(left_out=("all metadata (big-endian WAV)",))
    data = layout.first(b"data") or layout.first(b"SSND")
    before: list[tuple[bytes, bytes]] = []
    after: list[tuple[bytes, bytes]] = []
    left_out: list[str] = []
    room = tuned.LARGEST_METADATA_BYTES
    for chunk in layout.chunks:
        change = _change(chunk, kind, shape, moved) if chunk.size <= room else None
        changed = None if change is None else change(read_chunk(source, chunk))
        if changed is not None:
            side = before if data is None or chunk.start < data.start else after
            side.append((chunk.name, changed))
            room -= chunk.size
        elif chunk.name not in _MADE_ANEW:
            left_out.append(chunk.name.decode("ascii").strip())
    return Carried(tuple(before), tuple(after), tuple(dict.fromkeys(left_out)))


def _family(kind: bytes) -> bytes:
    return b"AIFF" if kind == b"AIFC" else kind


def _change(chunk: Chunk, kind: bytes, shape: Shape, moved: Moved) -> Change | None:
    """What happens to a chunk's bytes; None where it is not carried."""
    if chunk.is_cut:
        return None
    if chunk.name in _AS_THEY_ARE[kind]:
        return lambda data: data
    line = _history_line(shape.sample_rate, shape.bits, shape.channels, moved.history)
    moving: dict[bytes, Change] = {
        b"bext": lambda data: moved_bext(data, moved.start_samples, line, rates=moved.rates),
        b"iXML": lambda data: _moved_ixml(data, moved.start_samples, rates=moved.rates),
        b"cue ": lambda data: _moved_cues(data, moved),
        b"smpl": lambda data: _moved_loops(data, moved),
        b"MARK": lambda data: _moved_markers(data, moved),
    }
    return moving.get(chunk.name) if (chunk.name == b"MARK") == (kind == b"AIFF") else None


def time_reference_of(source: Path) -> int | None:
    """The broadcast time reference of a WAV, in samples since midnight; None where it has none."""
    layout = read_layout(source)
    chunk = layout.first(b"bext") if layout is not None and layout.byte_order == "<" else None
    return None if chunk is None or chunk.is_cut else time_reference(read_chunk(source, chunk))


FIXED_BYTES: Final = 602  # of a broadcast extension, before its coding history (EBU Tech 3285)
Rates = tuple[int, int]
"""A file's sample rate before and after (Hz)."""


_ONE_RATE: Final[Rates] = (1, 1)  # any two that are the same
_TIME_AT: Final = 338  # byte of the time reference (EBU Tech 3285)
_WORD: Final = 1 << 32  # what the high word of a count stands for


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


def _history_line(sample_rate: int, bits: int, channels: int, text: str) -> str:
    """A line of coding history in the words of EBU R 98; commas and line ends in the text become spaces.

    >>> _history_line(48000, 24, 1, "shifted, +3 samples")
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


def _moved_ixml(text: bytes, start_moved: int, *, rates: Rates = _ONE_RATE) -> bytes:
    """The text of an iXML chunk with its copies of time reference and rate changed alike; everything else as it was.

    >>> _moved_ixml(b"<BWF_TIME_REFERENCE_LOW>7</BWF_TIME_REFERENCE_LOW>"
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


_AS_THEY_ARE: Final = {
    b"WAVE": frozenset({b"LIST", b"inst", b"id3 ", b"ID3 ", b"_PMX", b"axml", b"chna", b"DISP", b"CSET"}),
    b"AIFF": frozenset({b"NAME", b"AUTH", b"(c) ", b"ANNO", b"COMT", b"INST", b"ID3 ", b"AESD"}),
}
_MADE_ANEW: Final = frozenset(
    {b"fmt ", b"data", b"ds64", b"fact", b"PEAK", b"levl", b"JUNK", b"junk", b"FLLR", b"PAD ", b"FAKE", b"fake"}
    | {b"COMM", b"SSND", b"FVER"}
)
_MAX_32: Final = (1 << 32) - 1  # the largest count of 32 bits
Change = Callable[[bytes], bytes | None]
"""What becomes of a chunk's bytes; None where they are damaged, since a decoder could stumble over them."""


def _move(data: bytearray, form: str, at: int, moved: Moved) -> None:
    (old,) = struct.unpack_from(form, data, at)
    struct.pack_into(form, data, at, min(max(rescaled(old, *moved.rates) + moved.content_samples, 0), _MAX_32))


def _moved_cues(data: bytes, moved: Moved) -> bytes | None:
    """Cue points (24 bytes each after the count): the sample offset, and the position where it says the same."""
    (count,) = struct.unpack_from("<I", data) if len(data) >= 4 else (1,)
    if len(data) < 4 + 24 * count:
        return None
    out = bytearray(data)
    for at in range(4, 4 + 24 * count, 24):
        same = out[at + 4 : at + 8] == out[at + 20 : at + 24]
        _move(out, "<I", at + 20, moved)
        if same:
            _move(out, "<I", at + 4, moved)
    return bytes(out)


def _moved_loops(data: bytes, moved: Moved) -> bytes | None:
    """Sample loops (24 bytes each from byte 36 on): first and last sample; at byte 8 a sample's period in ns."""
    (count,) = struct.unpack_from("<I", data, 28) if len(data) >= 36 else (1,)
    if len(data) < 36 + 24 * count:
        return None
    out = bytearray(data)
    if moved.rates[0] != moved.rates[1]:
        struct.pack_into("<I", out, 8, round(1e9 / moved.rates[1]))
    for at in range(36, 36 + 24 * count, 24):
        _move(out, "<I", at + 8, moved)
        _move(out, "<I", at + 12, moved)
    return bytes(out)


def _moved_markers(data: bytes, moved: Moved) -> bytes | None:
    """AIFF markers: number (2 bytes), place (4), a name that begins with its length, padded to an even count."""
    (count,) = struct.unpack_from(">H", data) if len(data) >= 2 else (1,)
    out = bytearray(data)
    at = 2
    for _ in range(count):
        if at + 7 > len(out):
            return None
        _move(out, ">I", at + 2, moved)
        name_bytes = out[at + 6] + 1
        at += 6 + name_bytes + name_bytes % 2
    return bytes(out)


_COMMENT, _PICTURE = 4, 6  # kinds of a FLAC's metadata blocks
_NAMES: Final = {2: "APPLICATION", _COMMENT: "VORBIS_COMMENT", 5: "CUESHEET", _PICTURE: "PICTURE"}
_LAST: Final = 0x80  # marks the last block of a FLAC's head


@dataclass(frozen=True, slots=True)
class _Block:
    kind: int
    data: bytes


def _is_comment(data: bytes) -> bool:
    """Whether it is a vendor's name, a count and so many texts, each behind its length (little-endian)."""
    at = _behind_text(data, 0, "little")
    count = int.from_bytes(data[at : at + 4], "little")
    at += 4
    for _ in range(min(count, len(data))):
        at = _behind_text(data, at, "little")
    return at == len(data)


def _is_picture(data: bytes) -> bool:
    """Whether type, two texts behind their lengths, four numbers and the picture behind its length fill it."""
    at = _behind_text(data, _behind_text(data, 4, "big"), "big")
    return _behind_text(data, at + 16, "big") == len(data)


def _behind_text(data: bytes, at: int, order: Literal["little", "big"]) -> int:
    return at + 4 + int.from_bytes(data[at : at + 4], order)


_SOUND: Final = {_COMMENT: _is_comment, _PICTURE: _is_picture}
"""A decoder refuses a whole file over one damaged block, so only sound ones are carried."""


def carried_blocks(source: Path) -> tuple[tuple[tuple[int, bytes], ...], tuple[str, ...]]:
    """The blocks (type and data) to carry over from a FLAC, and the names of those left out; none of other files."""
    with spoken_read(source), source.open("rb") as file:
        blocks, _ = _read_blocks(file, wanted=_SOUND)
    carried: list[tuple[int, bytes]] = []
    left_out: list[str] = []
    room = tuned.LARGEST_METADATA_BYTES
    for block in blocks:
        if block.kind in _SOUND and len(block.data) <= room and _SOUND[block.kind](block.data):
            carried.append((block.kind, block.data))
            room -= len(block.data)
        elif block.kind in _NAMES:
            left_out.append(_NAMES[block.kind])
    return tuple(carried), tuple(dict.fromkeys(left_out))


def insert_blocks(path: Path, carried: Sequence[tuple[int, bytes]]) -> None:
    """Put blocks into a finished FLAC; its own comments give way to carried ones."""
    if not carried:
        return
    replaced = {kind for kind, _ in carried} & {_COMMENT}
    with path.open("r+b") as file:
        own, audio_at = _read_blocks(file)
        kept = [(block.kind, block.data) for block in own if block.kind not in replaced]
        head = _head([*kept, *carried])
        _move_tail(file, audio_at, len(head))
        file.seek(0)
        file.write(head)


def _read_blocks(file: BinaryIO, *, wanted: Container[int] = range(128)) -> tuple[list[_Block], int]:
    """The blocks, and where the audio begins; no blocks where it is no FLAC or is damaged.

    Kinds that are not wanted, and what is too large to be carried, come without their data.
    """
    blocks: list[_Block] = []
    room = tuned.LARGEST_METADATA_BYTES
    if file.read(4) != b"fLaC":
        return [], 0
    while len(blocks) < tuned.MOST_BLOCKS:
        head = file.read(4)
        length = int.from_bytes(head[1:], "big")
        at = file.tell()
        # Padding, a cue sheet's or an application's gigabytes are passed over.
        data = file.read(length) if head[:1] and head[0] & ~_LAST in wanted and length <= room else b""
        room -= len(data)
        if len(head) < 4 or file.seek(0, os.SEEK_END) < at + length:
            return [], 0
        file.seek(at + length)
        blocks.append(_Block(head[0] & ~_LAST, data))
        if head[0] & _LAST:
            return blocks, file.tell()
    return [], 0


def _head(blocks: Sequence[tuple[int, bytes]]) -> bytes:
    last = len(blocks) - 1
    parts = [
        bytes([kind | (_LAST if number == last else 0)]) + len(data).to_bytes(3, "big") + data
        for number, (kind, data) in enumerate(blocks)
    ]
    return b"fLaC" + b"".join(parts)


def _move_tail(file: BinaryIO, source: int, target: int) -> None:
    """Move everything from ``source`` on to ``target``, piece by piece, from the end that is not overwritten."""
    end = file.seek(0, os.SEEK_END)
    places = range(source, end, tuned.PIECE_BYTES)
    for place in reversed(places) if target > source else places:
        file.seek(place)
        piece = file.read(tuned.PIECE_BYTES)
        file.seek(place + target - source)
        file.write(piece)
    file.truncate(end + target - source)
