"""Broadcast extension, sizes and format chunks against the published layouts."""

from __future__ import annotations

import struct
from pathlib import Path

import chunks
import numpy as np
import outside
import pytest
import soundfile

from micalign.files.audio import audio_info, open_track
from micalign.files.encode import LARGEST_RIFF, write_audio
from micalign.files.metadata import FIXED_BYTES, Moved, moved_bext, time_reference

EBU_3285 = "EBU Tech 3285 v2 (2011)"
EBU_3306 = "EBU Tech 3306 (2007)"
BEXT = {row["inputs"]["field"]: row["expected"] for row in outside.rows(11, "bext_")}


def _bext(low: int, high: int) -> bytes:
    """Every field filled with its own letter, the time reference at the published places."""
    out = bytearray(FIXED_BYTES)
    for number, field in enumerate(name for name in BEXT if name != "CodingHistory"):
        place = BEXT[field]
        out[place["offset"] : place["offset"] + place["size"]] = bytes([65 + number]) * place["size"]
    struct.pack_into("<I", out, BEXT["TimeReferenceLow"]["offset"], low)
    struct.pack_into("<I", out, BEXT["TimeReferenceHigh"]["offset"], high)
    return bytes(out)


def test_the_fixed_part_ends_where_the_history_begins() -> None:
    """The text begins right behind the reserved bytes."""
    outside.confirm(
        "bext: first byte of the coding history", FIXED_BYTES, BEXT["CodingHistory"]["offset"],
        within=0, source=EBU_3285, unit="byte",
    )  # fmt: skip


@pytest.mark.parametrize("row", outside.rows(11, "tref_"), ids=lambda row: row["id"])
def test_the_time_reference_counts_samples_since_midnight(row: dict[str, object]) -> None:
    """Low word first, 64 bits: an hour, and a day, which at 88.2 kHz and above needs the high word."""
    rate, expected = row["inputs"]["fs"], row["expected"]  # type: ignore[index]
    whole = _bext(expected["day_low"], expected["day_high"])  # type: ignore[index]
    outside.confirm(
        f"bext: time reference of 24:00:00 at {rate} Hz", time_reference(whole) or -1, expected["day"],  # type: ignore[index]
        within=0, source=EBU_3285, unit="samples",
    )  # fmt: skip
    hour_earlier = moved_bext(whole, -expected["hour"], "")  # type: ignore[index]
    assert hour_earlier is not None
    outside.confirm(
        f"bext: moved an hour earlier, at {rate} Hz", time_reference(hour_earlier) or -1, 23 * 3600 * rate,
        within=0, source=EBU_3285, unit="samples",
    )  # fmt: skip


def test_moving_touches_no_other_field() -> None:
    """Field by field at the published offsets."""
    before, after = _bext(5, 0), moved_bext(_bext(5, 0), 7, "line")
    assert after is not None
    for field, place in BEXT.items():
        if field in {"TimeReferenceLow", "CodingHistory"}:
            continue
        stretch = slice(place["offset"], place["offset"] + place["size"])
        assert after[stretch] == before[stretch], field
    assert after[BEXT["CodingHistory"]["offset"] :] == b"line\r\n"


@pytest.mark.parametrize("row", outside.rows(11, "4gib_"), ids=lambda row: row["id"])
def test_the_32_bit_sizes_end_where_arithmetic_says(row: dict[str, object]) -> None:
    """The limit at which a file becomes RF64, as recording time."""
    given = row["inputs"]
    seconds = LARGEST_RIFF / (given["channels"] * given["bytes"] * given["fs"])  # type: ignore[index]
    outside.confirm(
        f"WAV limit: {given['channels']} ch, {given['bytes']} bytes, {given['fs']} Hz",  # type: ignore[index]
        seconds, row["expected"], within=0.001, source="arithmetic on 2^32 - 1 bytes", unit="s",  # type: ignore[arg-type]
    )  # fmt: skip


def test_an_rf64_is_laid_out_as_published(tmp_path: Path) -> None:
    """RF64, sizes of all ones, ds64 first with its three 64-bit fields; a second reader agrees."""
    path = tmp_path / "a.wav"
    write_audio(path, [np.linspace(-0.5, 0.5, 1000)], sample_rate=48000, format="RF64")
    raw = path.read_bytes()
    assert raw[:4] + raw[4:8] + raw[8:16] == b"RF64" + b"\xff" * 4 + b"WAVEds64"
    size, riff, data, count, table = struct.unpack_from("<IQQQI", raw, 16)
    for what, found, expected in [
        ("ds64 bytes without a table", size, 28),
        ("riffSize: bytes behind the first eight", riff, len(raw) - 8),
        ("dataSize", data, 3000),
        ("sampleCount", count, 1000),
        ("tableLength", table, 0),
    ]:
        outside.confirm(f"RF64: {what}", found, expected, within=0, source=EBU_3306)
    assert soundfile.info(path).format == "RF64"


def test_the_extensible_format_chunk_is_laid_out_as_published(tmp_path: Path) -> None:
    """Tag FFFE, 40 bytes, cbSize 22, and the sub-format's GUID."""
    path = tmp_path / "a.wav"
    write_audio(path, [np.zeros((10, 4))], sample_rate=48000, channels=4)
    form = chunks.only(chunks.taken_apart(path.read_bytes()), b"fmt ")
    tag, extra, valid, mask = struct.unpack_from("<H", form)[0], *struct.unpack_from("<HHI", form, 16)
    source = "Microsoft, WAVEFORMATEXTENSIBLE"
    for what, found, expected in [
        ("tag", tag, 0xFFFE),
        ("bytes", len(form), 40),
        ("cbSize", extra, 22),
        ("wValidBitsPerSample", valid, 24),
    ]:
        outside.confirm(f"extensible format: {what}", found, expected, within=0, source=source)
    assert mask == 0
    assert form[24:40] == bytes.fromhex("0100 0000 0000 1000 8000 00aa 0038 9b71")


def test_masks_of_a_reference_writer_are_kept(tmp_path: Path) -> None:
    """4, 3, 0x33 and 0x3F for 1, 2, 4 and 6 channels, as libsndfile writes them, survive the copy."""
    for channels, mask in ((1, 4), (2, 3), (4, 0x33), (6, 0x3F)):
        source, out = tmp_path / "source.wav", tmp_path / "out.wav"
        soundfile.write(source, np.zeros((10, channels)), 48000, "PCM_24", format="WAVEX")
        block = np.zeros((10, channels))
        write_audio(out, [block], sample_rate=48000, channels=channels, metadata_from=source, force=True)
        form = chunks.only(chunks.taken_apart(out.read_bytes()), b"fmt ")
        outside.confirm(
            f"channel mask of {channels} channels", struct.unpack_from("<I", form, 20)[0], mask,
            within=0, source="observed of libsndfile 1.2.2",
        )  # fmt: skip
        assert audio_info(out).channels == channels


def test_a_reference_reader_sees_the_carried_extension(tmp_path: Path) -> None:
    """A file with a broadcast extension comes out readable by the reference library, its time moved in the file."""
    source, out = tmp_path / "source.wav", tmp_path / "out.wav"
    whole = _bext(1000, 0)
    source.write_bytes(
        chunks.riff([(b"bext", whole), (b"fmt ", chunks.fmt()), (b"data", bytes(300)), (b"LIST", b"INFO")])
    )
    moved = Moved(start_samples=-63, history="moved")
    write_audio(out, [open_track(source).read()], sample_rate=48000, metadata_from=source, moved=moved)
    assert soundfile.info(out).frames == 100
    low = struct.unpack_from("<I", chunks.only(chunks.taken_apart(out.read_bytes()), b"bext"), 338)[0]
    outside.confirm(
        "bext: TimeReferenceLow in the file, moved 63 samples earlier", low, 937,
        within=0, source=EBU_3285, unit="samples",
    )  # fmt: skip
