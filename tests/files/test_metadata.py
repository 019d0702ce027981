"""What a recording says beside its audio reaches the aligned file, moved with the audio."""

from __future__ import annotations

import struct
from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile

from micalign.files.encode import write_audio
from micalign.files.metadata import Moved

AUDIO = bytes(3 * 100)


def _bext(time_reference: int, history: bytes = b"") -> bytes:
    fixed = bytearray(602)
    fixed[:12] = b"Barn, take 3"
    struct.pack_into("<Q", fixed, 338, time_reference)
    struct.pack_into("<H", fixed, 346, 2)
    struct.pack_into("<h", fixed, 412, -2300)
    return bytes(fixed) + history


def _carried(tmp_path: Path, before: chunks.Chunks, after: chunks.Chunks = (), **moved: object) -> chunks.Chunks:
    """The chunks of what is written after an original that holds these."""
    source = tmp_path / "original.wav"
    source.write_bytes(chunks.riff([*before, (b"fmt ", chunks.fmt()), (b"data", AUDIO), *after]))
    out = tmp_path / "out.wav"
    write_audio(
        out,
        [np.zeros(150)],
        sample_rate=48000,
        metadata_from=source,
        moved=Moved(**moved),  # type: ignore[arg-type]
        force=True,
    )
    assert soundfile.info(out).frames == 150
    return chunks.taken_apart(out.read_bytes())


@pytest.mark.parametrize("moved", [0, -1, -480, 77, 1 << 33])
def test_the_time_reference_moves_with_the_first_sample(tmp_path: Path, moved: int) -> None:
    """Also across the border of 32 bits; the rest of the fixed part stays byte for byte."""
    start = (1 << 32) + 100
    original = _bext(start)
    found = chunks.only(_carried(tmp_path, [(b"bext", original)], start_samples=moved), b"bext")
    low, high = struct.unpack_from("<II", found, 338)
    assert low + (high << 32) == start + moved
    assert found[:338] + found[346:602] == original[:338] + original[346:]


def test_a_file_cannot_begin_before_midnight(tmp_path: Path) -> None:
    """A count since midnight has no negative values: it stays at 0 rather than wrap to the next day."""
    found = chunks.only(_carried(tmp_path, [(b"bext", _bext(10))], start_samples=-11), b"bext")
    assert found[338:346] == bytes(8)


@pytest.mark.parametrize("history", [b"", b"A=PCM,F=48000,W=24,T=recorder\r\n", b"no line end", b"padded\r\n\0\0\0"])
def test_the_coding_history_gets_a_line(tmp_path: Path, history: bytes) -> None:
    """In the words of EBU R 98, after what stood there."""
    found = chunks.only(_carried(tmp_path, [(b"bext", _bext(0, history))], history="moved, +3\r\n"), b"bext")
    assert len(found) % 2 == 0  # a common reader of RF64 asks it
    lines = found[602:].rstrip(b"\0").decode("ascii").split("\r\n")
    assert lines[-2:] == ["A=PCM,F=48000,W=24,M=mono,T=moved  +3  ", ""]
    assert lines[:-2] == ([history.rstrip(b"\0").rstrip().decode()] if history else [])


IXML = b"""<?xml version="1.0"?><BWFXML><SCENE>barn</SCENE><SPEED>
<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>5</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>"""


def test_ixml_moves_its_own_stamp(tmp_path: Path) -> None:
    """It repeats the time reference: both must say the same."""
    found = chunks.only(_carried(tmp_path, [(b"iXML", IXML)], start_samples=-6), b"iXML")
    assert found == IXML.replace(b"HI>1<", b"HI>0<").replace(b"LO>5<", b"LO>4294967295<")


def test_texts_are_carried_byte_for_byte(tmp_path: Path) -> None:
    """INFO and adtl lists, odd lengths with their pad byte, in front of the audio or behind it as they stood."""
    info = (b"LIST", b"INFOINAM\x05\0\0\0barn\0\0")
    labels = (b"LIST", b"adtllabl\x07\0\0\0\1\0\0\0hi\0\0")
    tags = (b"id3 ", b"ID3 odd")
    found = _carried(tmp_path, [info, (b"iXML", IXML)], [labels, tags])
    names = [name for name, _ in found]
    assert names.index(b"iXML") < names.index(b"data") < names.index(b"id3 ")
    assert [one for one in found if one[0] == b"LIST"] == [info, labels]
    assert chunks.only(found, b"id3 ") == tags[1]


def test_cues_and_loops_move_with_the_sound(tmp_path: Path) -> None:
    """A cue marks a hit: it must still lie on it."""
    cue = struct.pack("<I", 2) + struct.pack("<II4sIII", 1, 40, b"data", 0, 0, 40)
    cue += struct.pack("<II4sIII", 2, 0, b"data", 0, 0, 90)
    smpl = struct.pack("<9I", 0, 0, 20833, 60, 0, 0, 0, 1, 0) + struct.pack("<6I", 0, 0, 10, 20, 0, 0)
    found = _carried(tmp_path, [], [(b"cue ", cue), (b"smpl", smpl)], content_samples=7)
    moved = chunks.only(found, b"cue ")
    assert struct.unpack_from("<II4sIII", moved, 4) == (1, 47, b"data", 0, 0, 47)
    assert struct.unpack_from("<II4sIII", moved, 28) == (2, 0, b"data", 0, 0, 97)
    loops = chunks.only(found, b"smpl")
    assert struct.unpack_from("<6I", loops, 36) == (0, 0, 17, 27, 0, 0)
    assert loops[:36] == smpl[:36]


def test_places_are_told_at_the_new_rate(tmp_path: Path) -> None:
    """After a change of rate: cues, loops, the loops' sample period (ns) and iXML's stamps and rates."""
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 441, b"data", 0, 0, 441)
    smpl = struct.pack("<9I", 0, 0, 22676, 60, 0, 0, 0, 1, 0) + struct.pack("<6I", 0, 0, 882, 44_100, 0, 0)
    stamps = b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
    stamps += b"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>88200</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
    rates = b"<FILE_SAMPLE_RATE>44100</FILE_SAMPLE_RATE><TIMESTAMP_SAMPLE_RATE>44100</TIMESTAMP_SAMPLE_RATE>"
    before = [(b"iXML", stamps + rates), (b"cue ", cue), (b"smpl", smpl)]
    found = _carried(tmp_path, before, start_samples=-3, content_samples=5, rates=(44_100, 48_000))
    assert struct.unpack_from("<II4sIII", chunks.only(found, b"cue "), 4) == (1, 485, b"data", 0, 0, 485)
    loops = chunks.only(found, b"smpl")
    assert struct.unpack_from("<6I", loops, 36) == (0, 0, 965, 48_005, 0, 0)
    assert struct.unpack_from("<I", loops, 8) == (20833,)
    assert chunks.only(found, b"iXML") == (stamps.replace(b"88200", b"95997") + rates.replace(b"44100", b"48000"))


def test_a_cue_cannot_move_before_the_file(tmp_path: Path) -> None:
    """It stays at the first sample."""
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 4, b"data", 0, 0, 4)
    moved = chunks.only(_carried(tmp_path, [], [(b"cue ", cue)], content_samples=-5), b"cue ")
    assert struct.unpack_from("<II4sIII", moved, 4) == (1, 0, b"data", 0, 0, 0)


@pytest.mark.parametrize("name", [b"cue ", b"smpl", b"bext"])
@pytest.mark.parametrize("data", [b"", b"\xff", b"\xff" * 31, b"\xff" * 37])
def test_a_damaged_chunk_is_left_out_and_named(tmp_path: Path, name: bytes, data: bytes) -> None:
    """A count that promises more than there is could trip a decoder over the whole file."""
    source = tmp_path / "original.wav"
    source.write_bytes(chunks.riff([(name, data), (b"fmt ", chunks.fmt()), (b"data", AUDIO)]))
    written = write_audio(tmp_path / "out.wav", [np.zeros(9)], sample_rate=48000, metadata_from=source)
    assert written.left_out == (name.decode().strip(),)
    assert soundfile.info(tmp_path / "out.wav").frames == 9


@pytest.mark.parametrize("data", [b"", b"\xff" * 31, IXML[:100]])
def test_a_damaged_text_is_still_a_text(tmp_path: Path, data: bytes) -> None:
    """Nothing in it is counted, so it is carried as it is."""
    assert chunks.only(_carried(tmp_path, [(b"iXML", data)], start_samples=3), b"iXML") == data


def test_what_may_depend_on_lost_samples_is_left_out_and_named(tmp_path: Path) -> None:
    """An envelope of peaks is made anew by who needs it; an unknown chunk is reported."""
    source = tmp_path / "original.wav"
    extra = [(b"levl", b"peaks"), (b"JUNK", bytes(8)), (b"zzzz", b"?"), (b"zzzz", b"?")]
    source.write_bytes(chunks.riff([(b"fmt ", chunks.fmt()), (b"data", AUDIO), *extra]))
    written = write_audio(tmp_path / "out.wav", [np.zeros(9)], sample_rate=48000, metadata_from=source)
    assert written.left_out == ("zzzz",)
    assert [name for name, _ in chunks.taken_apart((tmp_path / "out.wav").read_bytes())] == [b"JUNK", b"fmt ", b"data"]


def test_aiff_names_and_markers_are_carried(tmp_path: Path) -> None:
    """Big-endian, with Pascal strings; the size of the whole is mended."""
    source = tmp_path / "original.aiff"
    soundfile.write(source, np.zeros(100), 48000, "PCM_24", format="AIFF")
    marks = struct.pack(">H", 2) + struct.pack(">hI", 1, 10) + b"\x03hit" + struct.pack(">hI", 2, 20) + b"\x02ab\0"
    found = chunks.taken_apart(source.read_bytes())
    extra = [(b"NAME", b"barn"), (b"MARK", marks), (b"APPL", b"????")]
    source.write_bytes(chunks.riff([*found, *extra], form=b"FORM", kind=b"AIFF", order=">"))
    out = tmp_path / "out.aiff"
    written = write_audio(
        out,
        [np.zeros(120)],
        sample_rate=48000,
        format="AIFF",
        metadata_from=source,
        moved=Moved(content_samples=20),
    )
    again = chunks.taken_apart(out.read_bytes())
    assert chunks.only(again, b"NAME") == b"barn"
    moved = chunks.only(again, b"MARK")
    assert struct.unpack_from(">hI", moved, 2) == (1, 30)
    assert struct.unpack_from(">hI", moved, 12) == (2, 40)
    assert written.left_out == ("APPL",)
    assert soundfile.info(out).frames == 120


def _flac_blocks(data: bytes) -> list[tuple[int, bytes]]:
    """The metadata blocks of a FLAC, by its published layout: a type, 24 bits of length, the data; the last marked."""
    assert data[:4] == b"fLaC"
    found, at, last = [], 4, False
    while not last:
        last = bool(data[at] & 0x80)
        length = int.from_bytes(data[at + 1 : at + 4], "big")
        found.append((data[at] & 0x7F, data[at + 4 : at + 4 + length]))
        at += 4 + length
    assert data[at] == 0xFF  # the sync code of the first frame
    return found


def _with_blocks(data: bytes, *blocks: tuple[int, bytes]) -> bytes:
    """A FLAC with blocks put in behind its first."""
    made = b"".join(bytes([kind]) + len(block).to_bytes(3, "big") + block for kind, block in blocks)
    return data[:42] + made + data[42:]


@pytest.mark.parametrize("picture_bytes", [10, 3_000_000])
def test_flac_comments_and_pictures_are_carried(tmp_path: Path, rng: np.random.Generator, picture_bytes: int) -> None:
    """Byte for byte, whatever their keys; a cue sheet speaks of places and is named; the audio is whole."""
    source, out = tmp_path / "original.flac", tmp_path / "out.flac"
    with soundfile.SoundFile(source, "w", 48000, 1, "PCM_24", format="FLAC") as file:
        file.title = "Barn, Flöte"
        file.write(np.zeros(100))
    image = rng.integers(0, 256, picture_bytes, dtype=np.uint8).tobytes()
    picture = struct.pack(">II9sI4I", 3, 9, b"image/png", 0, 1, 1, 24, 0) + struct.pack(">I", len(image)) + image
    source.write_bytes(_with_blocks(source.read_bytes(), (6, picture), (5, bytes(396)), (2, b"riffrest")))
    samples = rng.uniform(-0.5, 0.5, 300_000)
    written = write_audio(out, [samples], sample_rate=48000, format="FLAC", metadata_from=source)
    assert written.left_out == ("CUESHEET", "APPLICATION")
    blocks = _flac_blocks(out.read_bytes())
    assert chunks.only(blocks, 6) == picture  # type: ignore[arg-type]
    assert chunks.only(blocks, 4) == chunks.only(_flac_blocks(source.read_bytes()), 4)  # type: ignore[arg-type]
    with soundfile.SoundFile(out) as file:
        assert file.title == "Barn, Flöte"
        assert np.abs(file.read() - samples).max() <= 2**-24


@pytest.mark.parametrize(("kind", "name"), [(4, "VORBIS_COMMENT"), (6, "PICTURE")])
@pytest.mark.parametrize("data", [b"", b"abc", b"\xff" * 60])
def test_a_damaged_flac_block_is_left_out_and_named(tmp_path: Path, kind: int, name: str, data: bytes) -> None:
    """A decoder would refuse the whole file over it."""
    source, out = tmp_path / "original.flac", tmp_path / "out.flac"
    soundfile.write(source, np.zeros(100), 48000, "PCM_24")
    source.write_bytes(_with_blocks(source.read_bytes(), (kind, data)))
    written = write_audio(out, [np.zeros(50)], sample_rate=48000, format="FLAC", metadata_from=source)
    assert written.left_out == (name,)
    assert soundfile.info(out).frames == 50


@pytest.mark.parametrize("cut", [3, 4, 7, 30, 60])
def test_a_damaged_flac_brings_no_tags(tmp_path: Path, cut: int) -> None:
    """Nothing is made up."""
    source, out = tmp_path / "original.flac", tmp_path / "out.flac"
    soundfile.write(source, np.zeros(100), 48000, "PCM_24")
    source.write_bytes(source.read_bytes()[:cut])
    write_audio(out, [np.zeros(50)], sample_rate=48000, format="FLAC", metadata_from=source)
    assert soundfile.info(out).frames == 50


@pytest.mark.parametrize(("container", "endian"), [("CAF", "FILE"), ("WAV", "BIG")])
def test_metadata_that_cannot_be_carried_is_named(tmp_path: Path, container: str, endian: str) -> None:
    """Never lost in silence."""
    source = tmp_path / "original"
    soundfile.write(source, np.zeros(100), 48000, "PCM_24", endian, format=container)
    written = write_audio(tmp_path / "out", [np.zeros(9)], sample_rate=48000, format=container, metadata_from=source)
    assert len(written.left_out) == 1
    assert "all metadata" in written.left_out[0]
