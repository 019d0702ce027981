"""Samples as they stand in the file, in any order, from any thread, each page decoded once for all its channels."""

from __future__ import annotations

import struct
import threading
from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile

from micalign.errors import TakeError
from micalign.files.audio import audio_info, inventory_of_tracks, open_track, open_tracks
from micalign.files.decode import AudioFile, Decoder
from micalign.files.sessions import laid_on_one_clock
from micalign.files.tuned import PAGE_FRAMES
from micalign.report.levels_words import take_levels
from micalign.take.tracks import Take, placed


@pytest.mark.parametrize("container", ["WAV", "FLAC", "AIFF"])
def test_any_stretch_in_any_order(tmp_path: Path, rng: np.random.Generator, container: str) -> None:
    """Across page borders, backwards, single samples and the whole: the reference library's own samples."""
    path = tmp_path / "a"
    frames = 2 * PAGE_FRAMES + 1234
    soundfile.write(path, rng.uniform(-1, 1, (frames, 2)), 48000, "PCM_24", format=container)
    wanted = soundfile.read(path)[0]
    tracks = open_tracks([path]).tracks
    starts = [0, PAGE_FRAMES - 1, PAGE_FRAMES, frames - 1, 5, 2 * PAGE_FRAMES - 7, *rng.integers(0, frames, 20)]
    for start in starts:
        for wished in (1, 2, 100, PAGE_FRAMES + 3, frames):
            count = min(wished, frames - start)
            for channel, track in enumerate(tracks):
                assert np.array_equal(track.read(start, count), wanted[start : start + count, channel])


def test_a_page_is_decoded_once_for_all_channels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight channels read in step, each at its own shift, cost one reading of the file."""
    path = tmp_path / "kit.wav"
    frames = 6 * PAGE_FRAMES
    soundfile.write(path, np.zeros((frames, 8)), 48000, "PCM_16")
    read: list[int] = []
    real = Decoder.read

    def counted(self: Decoder, first: int, count: int) -> np.ndarray:
        read.append(count)
        return real(self, first, count)

    monkeypatch.setattr(Decoder, "read", counted)
    tracks = open_tracks([path]).tracks
    for start in range(0, frames, 1 << 17):
        for channel, track in enumerate(tracks):
            track.read(start - 100 * channel, 1 << 17)
    assert sum(read) == frames


def test_a_hit_in_a_file_of_many_channels_costs_no_long_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hits lie anywhere: 64 channels of 5 s took minutes to measure where each hit decoded 1.4 s of them all."""
    path = tmp_path / "desk.wav"
    soundfile.write(path, np.zeros((PAGE_FRAMES, 16), np.int16), 48000, "PCM_16")
    read: list[int] = []
    real = Decoder.read
    monkeypatch.setattr(Decoder, "read", lambda self, first, count: read.append(count) or real(self, first, count))
    open_tracks([path]).tracks[3].read(30_000, 100)
    assert sum(read) <= 2 * PAGE_FRAMES // 16


def test_many_threads_read_one_file(tmp_path: Path, rng: np.random.Generator) -> None:
    """Each gets its own samples, whatever the others read meanwhile; also through the decoder."""
    for container in ("WAV", "FLAC"):
        path = tmp_path / container
        soundfile.write(path, rng.uniform(-1, 1, (3 * PAGE_FRAMES, 4)), 48000, "PCM_16", format=container)
        wanted = soundfile.read(path)[0]
        tracks = open_tracks([path]).tracks
        wrong: list[int] = []

        def read(channel: int, seed: int) -> None:
            places = np.random.default_rng(seed)
            for start in places.integers(0, 3 * PAGE_FRAMES - 5000, 15):
                if not np.array_equal(tracks[channel].read(start, 5000), wanted[start : start + 5000, channel]):  # noqa: B023
                    wrong.append(channel)  # noqa: B023

        threads = [threading.Thread(target=read, args=(number % 4, number)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == []


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_placed(tmp_path: Path, bad: float) -> None:
    """File, channel and time to the sample; the other channel reads well."""
    samples = np.zeros((96_000, 2))
    samples[72_012, 1] = bad
    path = tmp_path / "a.wav"
    soundfile.write(path, samples, 48000, "FLOAT")
    tracks = open_tracks([path]).tracks
    assert not tracks[0].read().any()
    with pytest.raises(TakeError, match=r"a\.wav channel 2 holds a sample that is no number .* at 1\.500250 s"):
        for _ in tracks[1].blocks(5000):
            pass
    soundfile.write(tmp_path / "one.wav", samples[:, 1], 48000, "FLOAT")
    track = open_tracks([tmp_path / "one.wav"]).tracks[0]
    assert not track.frames_at(np.array([0, 80_000]), 1000).any()
    with pytest.raises(TakeError, match=r"one\.wav holds a sample that is no number .* at 1\.500250 s"):
        track.frames_at(np.array([0, 72_000]), 1000)


def test_a_signalling_nan_is_placed_without_a_warning(tmp_path: Path) -> None:
    """Bytes that the processor itself complains of: once found by fuzzing."""
    data = bytes(40) + bytes.fromhex("9c9d9e7f") + bytes(40)
    path = tmp_path / "a.wav"
    path.write_bytes(chunks.riff([(b"fmt ", chunks.fmt(bits=32, tag=chunks.FLOAT)), (b"data", data)]))
    with pytest.raises(TakeError, match=r"no number \(NaN or infinite\) at 0\.000208 s"):
        open_track(path).read()


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_a_file_that_shrinks_to_less_than_is_asked_for_is_said(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(4 * PAGE_FRAMES), 48000, subtype)
    track = open_track(path)
    track.read(0, 10)
    with path.open("r+b") as file:
        file.truncate(2000)
    with pytest.raises(TakeError, match=r"cannot be read on at \d\.\d+ s of 5\.461 s"):
        track.read(3 * PAGE_FRAMES, 10)
    with pytest.raises(TakeError, match=r"cannot be read on at \d\.\d+ s of 5\.461 s"):
        track.frames_at(np.array([20, 3 * PAGE_FRAMES]), 10)


@pytest.mark.parametrize("frames", [5001, 5000])
def test_of_two_chunks_of_samples_the_first_that_holds_any_is_read(
    tmp_path: Path, rng: np.random.Generator, frames: int
) -> None:
    """An empty one before the real one, as a recorder left it that was stopped and started."""
    path, alone, data = tmp_path / "a.wav", tmp_path / "alone.wav", rng.bytes(3 * frames)
    form = (b"fmt ", chunks.fmt(bits=24))
    path.write_bytes(chunks.riff([form, (b"data", b""), (b"data", data)]))
    alone.write_bytes(chunks.riff([form, (b"data", data)]))
    expected, _ = soundfile.read(alone)
    assert len(expected) == frames
    np.testing.assert_array_equal(open_track(path).read(), expected)
    assert audio_info(path).unread_frames == 0


@pytest.mark.parametrize("frames", [(1000, 501), (1000, 500), (501, 501)])
def test_what_lies_in_a_second_chunk_of_samples_is_told(
    tmp_path: Path, rng: np.random.Generator, frames: tuple[int, int]
) -> None:
    """The first is read, whatever the decoder would choose; an empty one and metadata between count for nothing."""
    path, whole, form = tmp_path / "a.wav", tmp_path / "whole.wav", (b"fmt ", chunks.fmt(bits=24))
    parts = [rng.bytes(3 * count) for count in frames]
    path.write_bytes(chunks.riff([form, (b"data", parts[0]), (b"LIST", b"INFO"), (b"data", b""), (b"data", parts[1])]))
    whole.write_bytes(chunks.riff([form, (b"data", parts[0])]))
    info = audio_info(path)
    assert (info.frames, info.unread_frames) == frames
    np.testing.assert_array_equal(open_track(path).read(), soundfile.read(whole)[0])
    (said,) = laid_on_one_clock([open_track(path), open_track(whole)], open_track(path)).notes
    assert f"'{path}' ({frames[1] / 48000:.3f} s, {frames[0] / 48000:.3f} s are read)" in said
    (remark,) = take_levels(inventory_of_tracks([path])).together
    assert (remark.rule, remark.severity) == ("unread", "problem")
    assert f"'a.wav' ({frames[1] / 48000:.3f} s)" in remark.message
    assert take_levels(inventory_of_tracks([whole])).together == ()


def test_a_place_near_the_end_is_counted_from_it(tmp_path: Path) -> None:
    """Seconds alone would say the same of both: 5.461 s of 5.461 s."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(4 * PAGE_FRAMES), 48000, "PCM_16")
    track = open_track(path)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size - 14)
    with pytest.raises(TakeError, match=r"cannot be read on at 5\.461 s, 7 samples before its end \("):
        track.read(4 * PAGE_FRAMES - 100, 100)


def test_an_extensible_format_of_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    path, form = tmp_path / "a.wav", bytearray(chunks.fmt(bits=16, mask=0))
    for tail, works in ((form[26:], True), (b"\x01" * 14, False)):
        form[26:] = tail
        path.write_bytes(chunks.riff([(b"fmt ", bytes(form)), (b"data", bytes(2000))]))
        if works:
            assert open_track(path).frames == 1000
        else:
            with pytest.raises(TakeError):
                open_track(path)


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_a_file_that_shrinks_while_it_is_read_is_said(tmp_path: Path, rng: np.random.Generator, container: str) -> None:
    """Up to which second it could be read."""
    path = tmp_path / "a"
    soundfile.write(path, rng.uniform(-1, 1, 4 * PAGE_FRAMES), 48000, "PCM_16", format=container)
    track = open_track(path)
    blocks = track.blocks(PAGE_FRAMES)
    next(blocks)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)
    with pytest.raises(TakeError, match=r"cannot be read on at [12]\.\d+ s of 5\.461 s"):
        list(blocks)


def test_a_file_that_vanishes_while_it_is_read_is_said(tmp_path: Path) -> None:
    """A card that is pulled."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(3 * PAGE_FRAMES), 48000, "PCM_16")
    track = open_track(path)
    path.unlink()
    with pytest.raises(TakeError, match="no such file"):
        track.read(2 * PAGE_FRAMES, 10)


@pytest.mark.timeout(20)
def test_nothing_is_read_beyond_the_end(tmp_path: Path) -> None:
    """A track gives silence there; its source says where it ends, and does not search for ever."""
    soundfile.write(tmp_path / "a.wav", np.ones(10) / 2, 48000, "PCM_16")
    track = open_track(tmp_path / "a.wav")
    assert track.read(8, 5).tolist() == [0.5, 0.5, 0.0, 0.0, 0.0]
    for start, frames in ((8, 5), (10, 1), (5 * PAGE_FRAMES, 1)):
        with pytest.raises(TakeError, match="the samples end there"):
            track.samples.read(start, frames)


def test_denormals_dc_and_full_scale_are_just_samples(tmp_path: Path) -> None:
    """Nothing is flushed, centred or held; floats written as integers of 32 bits are far above full scale."""
    values = np.array([5e-324, -5e-324, 1e-310, 1.0, -1.0, 1e10, 0.0, -0.0])
    soundfile.write(tmp_path / "a.wav", values, 192_000, "DOUBLE")
    assert open_track(tmp_path / "a.wav").read().tobytes() == values.tobytes()


@pytest.mark.parametrize(("subtype", "value"), [("DOUBLE", 1.7e308), ("DOUBLE", -1e11), ("FLOAT", 1e38)])
def test_samples_beyond_all_sound_are_refused_with_their_place(tmp_path: Path, subtype: str, value: float) -> None:
    """Their squares would be infinite, and every figure made of them nonsense."""
    soundfile.write(tmp_path / "a.wav", np.array([0.0, value]), 48_000, subtype)
    with pytest.raises(
        TakeError, match=r"holds a sample of -?\de\+\d+ times full scale at 0\.000021 s: cut that place"
    ):
        open_track(tmp_path / "a.wav").read()


@pytest.mark.parametrize("form", ["RF64", "BW64", "EXTENSIBLE", "LIST first", "no pad byte", "streamed"])
def test_kinds_of_headers(tmp_path: Path, form: str) -> None:
    """Made by hand: wide sizes, the broadcast wave of 64 bits, a channel mask, chunks in front, an unknown length."""
    data = np.arange(-50, 50, dtype="<i2").tobytes()
    audio = [(b"fmt ", chunks.fmt(1, bits=16)), (b"data", data)]
    made = {
        "RF64": chunks.rf64(audio, len(data), 100),
        "BW64": b"BW64" + chunks.rf64(audio, len(data), 100)[4:],
        "EXTENSIBLE": chunks.riff([(b"fmt ", chunks.fmt(1, bits=16, mask=4)), (b"data", data)]),
        "LIST first": chunks.riff([(b"LIST", b"INFOodd"), *audio, (b"LIST", b"INFO")]),
        "no pad byte": chunks.riff([(b"LIST", b"INFOodd"), *audio]).replace(b"odd\0", b"odd"),
        "streamed": chunks.riff(audio).replace(b"data\xc8\0\0\0", b"data\xff\xff\xff\xff"),
    }[form]
    path = tmp_path / "a.wav"
    path.write_bytes(made)
    assert (open_track(path).read() * 32768).tolist() == list(range(-50, 50))


def test_other_wide_chunks_are_stepped_over(tmp_path: Path) -> None:
    """The table in ds64 names chunks beside the audio that outgrew 32 bits."""
    data, form = np.arange(-50, 50, dtype="<i2").tobytes(), chunks.fmt(1, bits=16)
    wide = struct.pack("<QQQI4sQ", 0, len(data), 100, 1, b"bigg", 20)
    path = tmp_path / "a.wav"
    path.write_bytes(
        b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack("<I", len(wide)) + wide + b"bigg\xff\xff\xff\xff" + bytes(20)
        + b"fmt " + struct.pack("<I", len(form)) + form + b"data\xff\xff\xff\xff" + data
    )  # fmt: skip
    assert (open_track(path).read() * 32768).tolist() == list(range(-50, 50))


def test_what_no_plain_reader_knows_goes_to_the_decoder(tmp_path: Path, rng: np.random.Generator) -> None:
    """Compressed and big-endian files are read through the reference library."""
    for subtype, endian in (("ULAW", "FILE"), ("PCM_16", "BIG")):
        path = tmp_path / subtype
        soundfile.write(path, rng.uniform(-1, 1, 1000), 48000, subtype, endian, format="WAV")
        assert np.array_equal(open_track(path).read(), soundfile.read(path)[0])
        assert AudioFile(path).info.subtype == subtype


def test_no_file_is_left_open(tmp_path: Path) -> None:
    """A hundred tracks read to their end hold no file of the system."""
    handles = Path("/proc/self/fd")
    if not handles.exists():
        pytest.skip("no list of open files here")
    for number in range(100):
        soundfile.write(tmp_path / str(number), np.zeros(10), 48000, "PCM_16", format=["WAV", "FLAC"][number % 2])
    tracks = open_tracks(tmp_path / str(number) for number in range(100)).tracks
    before = len(list(handles.iterdir()))
    for track in tracks:
        track.read()
    assert len(list(handles.iterdir())) == before


@pytest.mark.parametrize("channels", [1, 2])
def test_short_stretches_anywhere_are_those_of_the_pages(
    tmp_path: Path, rng: np.random.Generator, channels: int
) -> None:
    """Hits read here and there, across the borders of pages, and on from where the last one ended."""
    samples = np.round(rng.uniform(-1, 1, (3 * (1 << 16) + 777, channels)) * (2**23 - 1)) / 2**23
    path = tmp_path / "hits.wav"
    soundfile.write(path, samples, 48_000, "PCM_24")
    file = AudioFile(path)
    for start in [70_000, 5, (1 << 16) - 50, 2 * (1 << 16) - 1, 0, len(samples) - 100]:
        np.testing.assert_array_equal(file.read(channels - 1, start, 100), samples[start : start + 100, -1])
        more = samples[start + 100 : start + 150, -1]
        np.testing.assert_array_equal(file.read(channels - 1, start + 100, len(more)), more)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "AIFF", "W64"])
@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("channels", [1, 3])
def test_samples_read_from_where_they_lie_are_the_decoders(
    tmp_path: Path, rng: np.random.Generator, container: str, subtype: str, channels: int
) -> None:
    """Every kind of sample, to the bit, with metadata before and behind."""
    if not soundfile.check_format(container, subtype):
        pytest.skip(f"no {subtype} in {container}")
    path = tmp_path / "a"
    full = rng.uniform(-1, 1, (PAGE_FRAMES + 77, channels))
    full[:2] = [[-1.0], [1.0]]
    soundfile.write(path, full, 48000, subtype, format=container)
    if container != "W64":
        with soundfile.SoundFile(path, "r+") as file:
            file.title = "behind or before"
    wanted = soundfile.read(path, always_2d=True)[0]
    for channel, track in enumerate(Take(open_tracks([path]).tracks).tracks):
        assert np.array_equal(track.read(0, len(wanted)), wanted[:, channel])
        starts = np.array([PAGE_FRAMES, 0, len(wanted) - 40, 17, -30, len(wanted)])
        beyond = np.pad(wanted[:, channel], 80)
        for of, begun in ((track, 0), (placed(track, 11), 11), (placed(track, -11), -11)):
            frames = of.frames_at(starts + begun, 80)
            assert np.array_equal(frames, [of.read(int(start), 80) for start in starts + begun])
            assert begun < 0 or np.array_equal(frames, beyond[(starts + 80)[:, None] + np.arange(80)])
            assert of.frames_at(starts[:0], 80).shape == (0, 80)


@pytest.mark.parametrize("frame_bytes", [3, 4, 6])
def test_a_frame_wider_than_its_samples_goes_to_the_decoder(tmp_path: Path, frame_bytes: int) -> None:
    """Headers whose frame is no whole number of samples: as the decoder reads them."""
    sound = np.arange(-600, 600, dtype="<i4") << 8
    form = struct.pack("<HHIIHH", 1, 1, 48000, 48000 * frame_bytes, frame_bytes, 24)
    path = tmp_path / "wide.wav"
    path.write_bytes(chunks.riff([(b"fmt ", form), (b"data", sound.tobytes()), (b"JUNK", bytes(1200))]))
    wanted = soundfile.read(path)[0]
    found = open_track(path)
    assert found.frames == len(wanted)
    assert np.array_equal(found.read(0, len(wanted)), wanted)
