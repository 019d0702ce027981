"""Chunk files made and taken apart byte by byte, sharing no code with the package."""

from __future__ import annotations

import struct
from collections.abc import Sequence

Chunks = Sequence[tuple[bytes, bytes]]

PCM, FLOAT = 1, 3


def fmt(
    channels: int = 1, rate: int = 48000, bits: int = 24, tag: int = PCM, *, mask: int | None = None, valid: int = 0
) -> bytes:
    """The data of a format chunk; extensible where a channel mask is given."""
    frame_bytes = channels * bits // 8 % 65536
    core = struct.pack("<HIIHH", channels, rate, rate * frame_bytes % (1 << 32), frame_bytes, bits)
    if mask is None:
        return struct.pack("<H", tag) + core
    guid = struct.pack("<H", tag) + bytes.fromhex("0000 0000 1000 8000 00aa 0038 9b71")
    return struct.pack("<H", 0xFFFE) + core + struct.pack("<HHI", 22, valid or bits, mask) + guid


def riff(chunks: Chunks, *, form: bytes = b"RIFF", kind: bytes = b"WAVE", order: str = "<") -> bytes:
    """A whole file of chunks, each padded to an even length."""
    body = b"".join(name + struct.pack(order + "I", len(data)) + data + bytes(len(data) % 2) for name, data in chunks)
    return form + struct.pack(order + "I", len(body) + 4) + kind + body


def rf64(chunks: Chunks, data_bytes: int, frames: int) -> bytes:
    """An RF64 whose data chunk says 0xFFFFFFFF and whose ds64 knows better."""
    whole = bytearray(riff([(b"ds64", bytes(28)), *chunks], form=b"RF64"))
    struct.pack_into("<QQQI", whole, 20, len(whole) - 8, data_bytes, frames, 0)
    whole[4:8] = b"\xff" * 4
    at = whole.index(b"data")
    whole[at + 4 : at + 8] = b"\xff" * 4
    return bytes(whole)


def taken_apart(data: bytes) -> list[tuple[bytes, bytes]]:
    """The chunks of a whole, well-formed file; asserts that every size adds up and every pad byte is there."""
    order = ">" if data[:4] == b"FORM" else "<"
    (size,) = struct.unpack(order + "I", data[4:8])
    wide = data[:4] == b"RF64"
    if wide:
        assert size == 0xFFFFFFFF
        assert data[12:16] == b"ds64"
        size, data_bytes = struct.unpack_from("<QQ", data, 20)
    assert size == len(data) - 8
    chunks, at = [], 12
    while at < len(data):
        name, (length,) = data[at : at + 4], struct.unpack(order + "I", data[at + 4 : at + 8])
        if wide and name == b"data":
            assert length == 0xFFFFFFFF
            length = data_bytes
        chunks.append((name, data[at + 8 : at + 8 + length]))
        assert len(chunks[-1][1]) == length
        at += 8 + length + length % 2
    assert at == len(data)
    return chunks


def only(chunks: Chunks, name: bytes) -> bytes:
    """The data of the one chunk of that name."""
    found = [data for found_name, data in chunks if found_name == name]
    assert len(found) == 1, f"{name!r} stands {len(found)} times"
    return found[0]
