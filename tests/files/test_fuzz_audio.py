"""Any bytes in place of an audio file end in samples or in a sentence: no other error, no hang, no flood of memory."""

from __future__ import annotations

import os
import random
import struct
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.errors import MicalignError
from micalign.files.audio import open_tracks
from micalign.files.encode import write_audio
from micalign.files.headers import crashed_frames
from micalign.files.metadata import Moved

_NAMES = [b"fmt ", b"data", b"ds64", b"bext", b"iXML", b"cue ", b"smpl", b"LIST", b"fact", b"JUNK", b"COMM", b"SSND",
          b"MARK", b"NAME", b"zzzz", b"\0\xff\1\2"]  # fmt: skip
_SIZES = st.one_of(
    st.sampled_from([0, 1, 2, 7, 16, 18, 28, 40, 602, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF]),
    st.integers(0, 4000),
)


def _cue(count: int) -> bytes:
    return struct.pack("<I", count) + struct.pack("<II4sIII", 1, 40, b"data", 0, 0, 40)


_CONTENTS = st.one_of(
    st.binary(max_size=64),
    st.builds(
        chunks.fmt,
        st.sampled_from([0, 1, 2, 8, 65535]),
        st.sampled_from([0, 1, 48000, 65535]),
        st.sampled_from([0, 8, 12, 16, 24, 32, 64, 255]),
        st.sampled_from([0, 1, 3, 6, 17, 0xFFFE]),
    ),
    st.just(chunks.fmt(2, mask=3)),
    st.builds(_cue, st.sampled_from([0, 1, 2, 0xFFFFFFFF])),
    st.just(bytes(28)),
    st.just(b"\xff" * 28),
    st.just(bytes(700)),
)


@st.composite
def _made_of_chunks(draw: st.DrawFn) -> bytes:
    """Chunks in any order with sizes that need not be true."""
    form = draw(st.sampled_from([b"RIFF", b"RF64", b"BW64", b"RIFX", b"FORM", b"riff"]))
    kind = draw(st.sampled_from([b"WAVE", b"AIFF", b"AIFC", b"AVI "]))
    order = ">" if form in {b"RIFX", b"FORM"} else "<"
    out = form + struct.pack(order + "I", draw(_SIZES)) + kind
    for _ in range(draw(st.integers(0, 7))):
        data = draw(_CONTENTS)
        size = draw(st.one_of(st.just(len(data)), _SIZES))
        out += draw(st.sampled_from(_NAMES)) + struct.pack(order + "I", size) + data
        out += bytes(draw(st.sampled_from([len(data) % 2, 0, 1])))
    return out


def _seeds() -> list[bytes]:
    """Sound files of several kinds, to be damaged."""
    audio = [(b"fmt ", chunks.fmt(2, bits=16)), (b"data", bytes(range(200)))]
    extras = [
        (b"bext", bytes(610)),
        (b"iXML", b"<BWF_TIME_REFERENCE_LOW>1</BWF_TIME_REFERENCE_LOW>"),
        (b"cue ", _cue(1)),
    ]
    made = [
        chunks.riff([*extras, *audio, (b"LIST", b"INFOabc")]),
        chunks.rf64(audio, 200, 50),
        chunks.riff([(b"fmt ", chunks.fmt(1, bits=32, tag=chunks.FLOAT)), (b"data", bytes(range(200)))]),
    ]
    for container, subtype in (("AIFF", "PCM_24"), ("FLAC", "PCM_16"), ("WAV", "IMA_ADPCM"), ("CAF", "PCM_16")):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            path = Path(os.environ.get("TMPDIR", "/tmp")) / f"micalign-seed-{os.getpid()}"
            soundfile.write(path, np.linspace(-0.5, 0.5, 300), 48000, subtype, format=container)
            made.append(path.read_bytes())
            path.unlink()
    return made


_SEEDS = _seeds()


@st.composite
def _damaged(draw: st.DrawFn) -> bytes:
    """A sound file with some bytes changed, cut, doubled or put elsewhere."""
    out = bytearray(_SEEDS[draw(st.integers(0, len(_SEEDS) - 1))])
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, max(len(out) - 1, 0)))
        match draw(st.sampled_from(["set", "set", "size", "cut", "insert", "double"])):
            case "set":
                out[at : at + 1] = bytes([draw(st.integers(0, 255))])
            case "size":
                out[at : at + 4] = struct.pack("<I", draw(_SIZES))
            case "cut":
                del out[at : at + draw(st.integers(1, 64))]
            case "insert":
                out[at:at] = draw(st.binary(max_size=16))
            case _:
                out[at:at] = out[at : at + 64]
    return bytes(out)


ANY_FILE = st.one_of(st.binary(max_size=300), _made_of_chunks(), _damaged())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)  # the disk's pace is not what is tested here
        yield tmp_path_factory.mktemp("fuzz")


def _tried(folder: Path, data: bytes) -> str:
    source, out = folder / "source", folder / "out.wav"
    source.write_bytes(data)
    begun = time.process_time()  # a busy machine must not look like a hang; a true one meets the test's timeout
    try:
        crashed_frames(source)
        take = open_tracks([source])
        for track in take.tracks[:3]:
            for block, _ in zip(track.blocks(1000), range(5), strict=False):
                assert np.isfinite(block).all()
        _copied(source, out)
        outcome = "read"
    except MicalignError as error:
        assert all(str(source) in fault or str(out) in fault or "source" in fault for fault in error.faults)
        outcome = "refused"
    assert time.process_time() - begun < 5.0
    return outcome


def _copied(source: Path, out: Path) -> None:
    """Whatever was read can be written with its metadata, and read again by the reference library."""
    moved = Moved(start_samples=-5, content_samples=5, history="moved")
    write_audio(out, [np.zeros(20)], sample_rate=48000, metadata_from=source, moved=moved, force=True)
    assert soundfile.info(out).frames == 20


@given(ANY_FILE)
@settings(max_examples=150)
def test_any_bytes_end_in_samples_or_a_sentence(folder: Path, data: bytes) -> None:
    """A quick share of the long run."""
    _tried(folder, data)


@pytest.mark.long
@pytest.mark.timeout(7200)
@given(ANY_FILE)
@settings(max_examples=10_000)
def test_ten_thousand_files_of_any_bytes(folder: Path, data: bytes) -> None:
    """The same, for long; the examples are the same on every run."""
    _tried(folder, data)


def _at_random(draws: random.Random) -> bytes:
    """A damaged sound file or made-up chunks, without a search for the smallest example: ten times as fast."""
    if draws.random() < 0.3:
        parts = [(draws.choice(_NAMES), draws.choice(_PARTS)) for _ in range(draws.randrange(7))]
        form, kind = draws.choice([(b"RIFF", b"WAVE"), (b"RF64", b"WAVE"), (b"FORM", b"AIFF"), (b"FORM", b"AIFC")])
        out = bytearray(chunks.riff(parts, form=form, kind=kind, order=">" if form == b"FORM" else "<"))
    else:
        out = bytearray(draws.choice(_SEEDS))
    for _ in range(draws.randrange(6)):
        at = draws.randrange(min(len(out), 400) + 1)
        match draws.randrange(5):
            case 0:
                out[at : at + 1] = bytes([draws.randrange(256)])
            case 1:
                size = draws.choice(
                    [0, 1, 2, 16, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF, draws.randrange(4000)]
                )
                out[at : at + 4] = struct.pack(draws.choice("<>") + "I", size)
            case 2:
                del out[at : at + draws.randrange(1, 64)]
            case 3:
                out[at:at] = draws.randbytes(draws.randrange(16))
            case _:
                out[at:at] = out[at : at + 64]
    return bytes(out)


_PARTS = [chunks.fmt(channels, bits=bits, tag=tag) for channels in (0, 1, 2, 65535) for bits in (0, 8, 16, 24, 32, 64)
          for tag in (0, 1, 3)]  # fmt: skip
_PARTS += [chunks.fmt(2, mask=3), _cue(0), _cue(1), _cue(0xFFFFFFFF), bytes(28), b"\xff" * 28, bytes(700), b"", b"odd"]


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("seed", range(10))
def test_a_hundred_thousand_damaged_files(folder: Path, seed: int) -> None:
    """Ten thousand from each seed; a good share of them must be readable, or the test would only knock at the door."""
    draws = random.Random(seed)
    outcomes: list[str] = []
    for number in range(10_000):
        data = _at_random(draws)
        try:
            outcomes.append(_tried(folder, data))
        except BaseException as error:
            error.add_note(f"seed {seed}, case {number}: {data!r}")
            raise
    assert outcomes.count("read") > 1000
    assert outcomes.count("refused") > 1000
