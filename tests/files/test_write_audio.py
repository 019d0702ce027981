"""Audio out of blocks: the same kind in and out, bit for bit where nothing had to be rounded, whole or not at all."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import chunks
import numpy as np
import pytest
import soundfile

from micalign.errors import OutputError
from micalign.files import encode
from micalign.files.audio import audio_info, open_tracks
from micalign.files.encode import write_audio
from micalign.files.metadata import Shape

KINDS = [
    ("WAV", "PCM_U8"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"),
    ("RF64", "PCM_24"), ("RF64", "FLOAT"), ("WAVEX", "PCM_24"),
    ("AIFF", "PCM_S8"), ("AIFF", "PCM_16"), ("AIFF", "PCM_24"), ("AIFF", "PCM_32"), ("AIFF", "FLOAT"),
    ("AIFF", "DOUBLE"), ("FLAC", "PCM_S8"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"), ("W64", "PCM_24"),
    ("CAF", "PCM_32"), ("AU", "PCM_16"),
]  # fmt: skip


def _recorded(path: Path, container: str, subtype: str, channels: int, rng: np.random.Generator) -> np.ndarray:
    """A file of every bit of its width, written by the reference library; its samples in that library's reading."""
    if subtype.startswith("PCM"):
        values = rng.integers(-(1 << 31), (1 << 31) - 1, (70_001, channels), dtype=np.int32, endpoint=True)
        values[:2] = [[-(1 << 31)], [(1 << 31) - 1]]
    else:
        values = rng.uniform(-1.5, 1.5, (70_001, channels))
        values[:2] = [[1e-310 if subtype == "DOUBLE" else 1e-40], [1.0]]
    soundfile.write(path, values, 44100, subtype, format=container)
    return _as_read(path, subtype)


def _as_read(path: Path, subtype: str) -> np.ndarray:
    return soundfile.read(path, dtype="int32" if subtype.startswith("PCM") else "float64", always_2d=True)[0]


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(("container", "subtype"), KINDS)
def test_read_and_written_again_every_bit_is_there(
    tmp_path: Path, rng: np.random.Generator, container: str, subtype: str, channels: int
) -> None:
    """The reference library reads the same from the copy as from the original, in the same kind of file."""
    source, out = tmp_path / "source", tmp_path / "out"
    wanted = _recorded(source, container, subtype, channels, rng)
    info = audio_info(source)
    tracks = open_tracks([source]).tracks
    blocks = (np.stack(parts, axis=1) for parts in zip(*(track.blocks(30_011) for track in tracks), strict=True))
    written = write_audio(
        out,
        blocks,
        sample_rate=info.sample_rate,
        subtype=info.subtype,
        format=info.format,
        endian=info.endian,
        channels=channels,
        metadata_from=source,
    )
    assert np.array_equal(_as_read(out, subtype), wanted)
    assert written.frames == len(wanted)
    assert written.clipped == 0
    found, original = soundfile.info(out), soundfile.info(source)
    assert (found.subtype, found.samplerate, found.channels) == (original.subtype, 44100, channels)
    assert found.format == original.format or {found.format, original.format} <= {"WAV", "WAVEX"}


def test_a_flipped_copy_flips_back(tmp_path: Path, rng: np.random.Generator) -> None:
    """Polarity is exact but for the one integer that has no opposite: it is counted."""
    values = rng.integers(-32767, 32767, 1000, endpoint=True) / 32768
    written = write_audio(tmp_path / "a.wav", [-values], sample_rate=48000, subtype="PCM_16")
    assert written.clipped == 0
    assert np.array_equal(-soundfile.read(tmp_path / "a.wav")[0], values)
    assert write_audio(tmp_path / "b.wav", [-np.array([-1.0])], sample_rate=48000, subtype="PCM_16").clipped == 1


def test_what_would_clip_is_counted_and_its_peak_told(tmp_path: Path) -> None:
    """Integers are held at the rail; a float file keeps what goes beyond full scale."""
    block = np.array([0.5, 1.25, -1.5, 1.0])
    written = write_audio(tmp_path / "a.wav", [block, block], sample_rate=48000, subtype="PCM_24")
    assert (written.clipped, written.peak) == (6, 1.5)
    assert soundfile.read(tmp_path / "a.wav")[0].max() == 1 - 2**-23
    written = write_audio(tmp_path / "b.wav", [block], sample_rate=48000, subtype="FLOAT")
    assert (written.clipped, written.peak) == (0, 1.5)
    assert soundfile.read(tmp_path / "b.wav")[0].tolist() == block.tolist()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT"])
def test_a_sample_that_is_no_number_is_never_written(tmp_path: Path, bad: float, subtype: str) -> None:
    """And no file stands there."""
    with pytest.raises(OutputError, match="no number"):
        write_audio(tmp_path / "a.wav", [np.zeros(4), np.array([0.0, bad])], sample_rate=48000, subtype=subtype)
    assert list(tmp_path.iterdir()) == []


def test_dither_is_added_only_where_it_is_asked_for(tmp_path: Path) -> None:
    """The same seed writes the same bytes; silence without dither stays silence."""
    for name, seed in (("a", 5), ("b", 5), ("c", None)):
        write_audio(tmp_path / name, [np.zeros(500)], sample_rate=48000, subtype="PCM_16", dither_seed=seed)
    first, again, plain = ((tmp_path / name).read_bytes() for name in "abc")
    assert first == again
    assert soundfile.read(tmp_path / "a")[0].any()
    assert not soundfile.read(tmp_path / "c")[0].any()
    assert plain != first


@pytest.mark.parametrize("frames", [0, 1, 3])
@pytest.mark.parametrize(("container", "subtype"), [("WAV", "PCM_24"), ("WAV", "PCM_U8"), ("AIFF", "PCM_24")])
def test_short_and_odd_files_are_well_formed(tmp_path: Path, frames: int, container: str, subtype: str) -> None:
    """Every size adds up, with a pad byte where the audio ends on an odd byte."""
    write_audio(tmp_path / "a", [np.zeros(frames)], sample_rate=48000, subtype=subtype, format=container)
    chunks.taken_apart((tmp_path / "a").read_bytes())
    assert soundfile.info(tmp_path / "a").frames == frames


def test_a_channel_mask_is_kept(tmp_path: Path) -> None:
    """The original's own format chunk where it fits; a mask of 0 (no loudspeakers) for many channels without one."""
    source = tmp_path / "source.wav"
    form = chunks.fmt(4, mask=0x107, valid=20)
    source.write_bytes(chunks.riff([(b"fmt ", form), (b"data", bytes(24))]))
    write_audio(tmp_path / "a.wav", [np.zeros((2, 4))], sample_rate=48000, channels=4, metadata_from=source)
    assert chunks.only(chunks.taken_apart((tmp_path / "a.wav").read_bytes()), b"fmt ") == form
    write_audio(tmp_path / "b.wav", [np.zeros((2, 2))], sample_rate=48000, channels=2, metadata_from=source)
    assert chunks.only(chunks.taken_apart((tmp_path / "b.wav").read_bytes()), b"fmt ") == chunks.fmt(2)
    write_audio(tmp_path / "c.wav", [np.zeros((2, 4))], sample_rate=48000, channels=4)
    assert chunks.only(chunks.taken_apart((tmp_path / "c.wav").read_bytes()), b"fmt ") == chunks.fmt(4, mask=0)


def test_valid_bits_are_kept_to(tmp_path: Path, rng: np.random.Generator) -> None:
    """Twenty bits in twenty-four: dither falls on the twentieth; without it the lowest bits stay as they are."""
    source = tmp_path / "source.wav"
    source.write_bytes(chunks.riff([(b"fmt ", chunks.fmt(mask=4, valid=20)), (b"data", bytes(24))]))
    samples = rng.integers(-(1 << 22), 1 << 22, 500) / 2**23
    for seed in (3, None):
        out = tmp_path / f"{seed}.wav"
        write_audio(out, [samples], sample_rate=48000, metadata_from=source, dither_seed=seed)
        low = soundfile.read(out, dtype="int32")[0] & 0xFFF
        assert low.any() == (seed is None)


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_a_file_that_outgrows_its_sizes_becomes_rf64(tmp_path: Path, subtype: str) -> None:
    """With the limit set low: the placeholder becomes ds64, and the reference library reads every sample."""
    samples = np.linspace(-0.5, 0.5, 1001)
    for largest, container in ((10_000, "WAV"), (1000, "RF64")):
        path = tmp_path / f"{container}-{subtype}.wav"
        with path.open("w+b") as file:
            writer = encode.WavWriter(file, Shape(48000, 1, 24), subtype, largest=largest)
            values = np.int32(np.rint(samples * 2**23)) << 8 if subtype == "PCM_24" else samples
            writer.write(values[:, np.newaxis])
            writer.finish()
        parts = chunks.taken_apart(path.read_bytes())
        assert parts[0][0] == (b"JUNK" if container == "WAV" else b"ds64")
        assert soundfile.info(path).format == container
        assert np.abs(soundfile.read(path)[0] - samples).max() < 2**-23
        if container == "RF64":
            riff, data, frames, table = struct.unpack("<QQQI", parts[0][1])
            assert (riff, data) == (path.stat().st_size - 8, len(chunks.only(parts, b"data")))
            assert (frames, table) == (1001, 0)


def test_blocks_that_fail_leave_no_file(tmp_path: Path) -> None:
    """An original that breaks off half-way: the error goes on its way, the folder stays clean."""

    def blocks() -> object:
        yield np.zeros(1000)
        raise RuntimeError("the track broke off")

    for container in ("WAV", "FLAC", "AIFF"):
        with pytest.raises(RuntimeError, match="broke off"):
            write_audio(tmp_path / "a", blocks(), sample_rate=48000, format=container)  # type: ignore[arg-type]
        assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_refused_before_any_work(tmp_path: Path) -> None:
    """No block is asked for."""
    (tmp_path / "a.wav").write_bytes(b"old")

    def blocks() -> object:
        raise AssertionError("worked in vain")
        yield

    with pytest.raises(OutputError, match="exists"):
        write_audio(tmp_path / "a.wav", blocks(), sample_rate=48000)  # type: ignore[arg-type]


def test_an_original_is_never_written_over(tmp_path: Path) -> None:
    """Not even with force: its own metadata would be read from what is being lost."""
    soundfile.write(tmp_path / "a.wav", np.zeros(50), 48000, "PCM_24")
    before = (tmp_path / "a.wav").read_bytes()
    with pytest.raises(OutputError, match="is an original"):
        write_audio(tmp_path / "a.wav", [np.ones(9)], sample_rate=48000, metadata_from=tmp_path / "a.wav", force=True)
    assert (tmp_path / "a.wav").read_bytes() == before


def test_a_container_of_32_bits_is_not_filled_beyond_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An AIFF of more than 4 GiB would be written with a wrong length: refused, with the way out."""
    monkeypatch.setattr(encode.tuned, "NARROW_BYTES", 3000)
    with pytest.raises(OutputError, match=r"AIFF holds at most 4 GiB; convert the original to WAV"):
        write_audio(tmp_path / "a.aiff", [np.zeros(900), np.zeros(200)], sample_rate=48000, format="AIFF")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("container", "subtype", "channels", "rate"),
    [("FLAC", "FLOAT", 1, 48000), ("WAV", "PCM_S8", 1, 48000), ("WAV", "PCM_24", 0, 48000), ("WAV", "PCM_24", 1, 0)],
)
def test_what_no_such_file_can_hold_is_said(
    tmp_path: Path, container: str, subtype: str, channels: int, rate: int
) -> None:
    """In a sentence that names the file."""
    with pytest.raises(OutputError, match=re.escape(str(tmp_path / "a"))):
        write_audio(tmp_path / "a", [], sample_rate=rate, subtype=subtype, format=container, channels=channels)


def test_a_target_that_is_a_folder_or_odd_name(tmp_path: Path) -> None:
    """Odd names work in the encoder too; they reach the disk byte for byte."""
    names = ["two\nlines.flac", "drum 🥁.flac", os.fsdecode(b"fl\xf6te.flac")]
    for name in names:
        write_audio(tmp_path / name, [np.zeros(10)], sample_rate=48000, format="FLAC")
        assert (tmp_path / name).read_bytes()[:4] == b"fLaC"
    (tmp_path / "dir.wav").mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        write_audio(tmp_path / "dir.wav", [np.zeros(10)], sample_rate=48000)


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit there")
@pytest.mark.parametrize("container", ["WAV", "FLAC", "AIFF"])
def test_a_disk_that_fills_up_is_said(tmp_path: Path, container: str) -> None:
    """A size limit stands in for it: one sentence, no file, no temporary."""
    code = (
        "import resource\n"
        "import numpy as np\n"
        "from micalign.errors import OutputError\n"
        "from micalign.files.encode import write_audio\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\n"
        "noise = np.random.default_rng(0).uniform(-1, 1, 40_000)\n"
        "try:\n"
        f"    write_audio({str(tmp_path / 'a')!r}, [noise, noise], sample_rate=48000, format={container!r})\n"
        "except OutputError as error:\n"
        "    print('SAID', error)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert "SAID" in said.stdout
    assert "cannot be written" in said.stdout
    assert said.stderr == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("blocks", "options", "words"),
    [
        ([np.zeros((10, 2))], {}, r"the shape \(10, 2\): give a list of arrays, each \(frames, 1\)"),
        ([np.zeros(10)], {"channels": 2}, r"the shape \(10,\): give a list of arrays, each \(frames, 2\)"),
        (np.zeros(10), {}, r"the shape \(\): give a list of arrays"),
        ([np.zeros(10)], {"sample_rate": 48000.0}, r"whole numbers, not 48000\.0 and 1"),
        ([np.array([1e30])], {"subtype": "FLOAT"}, r"a sample is 1e\+30 times full scale, beyond all sound"),
    ],
)
def test_what_a_notebook_hands_over_wrongly_is_said(
    tmp_path: Path, blocks: Any, options: dict[str, Any], words: str
) -> None:
    """In a sentence, and no file is left."""
    with pytest.raises(OutputError, match=words):
        write_audio(tmp_path / "tone.wav", blocks, **{"sample_rate": 48000, **options})
    assert list(tmp_path.iterdir()) == []


def test_kinds_may_be_written_in_small_letters(tmp_path: Path) -> None:
    """Or samples would go to an encoder, which clips without a word."""
    written = write_audio(tmp_path / "tone.wav", [[0.0, 1.5]], sample_rate=48000, format="wav", subtype="pcm_16")
    assert written.clipped == 1
    assert audio_info(tmp_path / "tone.wav").subtype == "PCM_16"


def test_a_signal_as_soon_as_signals_may_come_closes_the_encoder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that is left open writes its header when it is collected, to a file that is closed by then: a traceback."""
    opened: list[soundfile.SoundFile] = []
    create, waiting = soundfile.SoundFile, [KeyboardInterrupt]

    @contextmanager
    def held() -> Iterator[None]:
        yield
        if waiting and opened:
            raise waiting.pop()

    def made(*words: Any, **more: Any) -> soundfile.SoundFile:
        opened.append(create(*words, **more))
        return opened[-1]

    monkeypatch.setattr(encode, "held", held)
    monkeypatch.setattr(soundfile, "SoundFile", made)
    with pytest.raises(KeyboardInterrupt):
        write_audio(tmp_path / "out.flac", [np.zeros(100)], sample_rate=48000, subtype="PCM_16", format="FLAC")
    assert opened[0].closed
