"""The aligned copies of a group: right in time against each other, same kind of files, originals untouched."""

from __future__ import annotations

import hashlib
import os
import struct
from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile

from micalign.alignment.gain import LostBand, SumGain
from micalign.alignment.offsets import MovedTrack, Shift, followed
from micalign.errors import OutputError, TakeError
from micalign.files import align, aligned_audio, aligned_set
from micalign.files.aligned_audio import AlignedFile, group_span, output_names, refuse_clashes, write_aligned
from micalign.files.aligned_set import Session, _lost_words
from micalign.files.audio import open_track, open_tracks
from micalign.files.decode import Decoder
from micalign.files.encode import Written
from micalign.files.sessions import Laid
from micalign.take.tracks import Track, placed

RATE = 48000
one_lsb_24 = 2.0**-23


def _hit(at: float, frames: int = 20_000) -> np.ndarray:
    """A band-limited click at a place between samples, known at every instant."""
    n = np.arange(frames) - at
    return 0.4 * np.cos(0.9 * n) * np.exp(-((n / 40) ** 2))


def _group(folder: Path, places: list[float], subtype: str = "PCM_24") -> list[Path]:
    paths = [folder / f"track {number}.wav" for number in range(len(places))]
    for path, at in zip(paths, places, strict=True):
        soundfile.write(path, _hit(at), RATE, subtype)
    return paths


def _files(paths: list[Path], shifts: list[float], out: Path, **each: object) -> list[AlignedFile]:
    out.mkdir(exist_ok=True)
    return [
        AlignedFile(out / path.name, path, (MovedTrack(open_track(path), shift, **each),))  # type: ignore[arg-type]
        for path, shift in zip(paths, shifts, strict=True)
    ]


def _digests(paths: list[Path]) -> list[str]:
    return [hashlib.sha256(path.read_bytes()).hexdigest() for path in paths]


def test_a_group_comes_out_in_time(tmp_path: Path) -> None:
    """Three hits 133.37 and 48.2 samples apart lie on each other to a few steps of 24 bits; originals stay."""
    places = [10_000.0, 10_133.37, 9_951.8]
    paths = _group(tmp_path, places)
    before = _digests(paths)
    files = _files(paths, [0.0, -133.37, 48.2], tmp_path / "out")
    written = write_aligned(files)
    assert _digests(paths) == before
    assert [one.path for one in written] == [file.path for file in files]
    # Each ends with its own sound, 64 samples of the kernel's tail included where there is one.
    assert [one.frames for one in written] == [20_000, 20_000 - 134 + 64, 20_000 + 48 + 64]
    for one in written:
        wanted = _hit(10_000.0, one.frames)
        info = soundfile.info(one.path)
        assert (info.frames, info.subtype, info.samplerate) == (one.frames, "PCM_24", RATE)
        # Rounding in and out with dither: at most 2 steps; the kernel's error of -115 dB is 15 steps of 24 bits at
        # full scale, on a hit whose band ends far below 20 kHz a fraction of one.
        assert np.abs(soundfile.read(one.path)[0] - wanted).max() < 3 * one_lsb_24


@pytest.mark.parametrize(
    ("name", "kind", "written"),
    [
        ("kick.wav", ("MP3", "MPEG_LAYER_III"), "kick-aligned.mp3"),
        ("kick.WAV", ("FLAC", "PCM_24"), "kick-aligned.flac"),
        ("kick.aif", ("WAV", "PCM_24"), "kick-aligned.wav"),
        ("kick.aif", ("AIFF", "PCM_24"), "kick-aligned.aif"),
        ("kick.wave", ("RF64", "PCM_24"), "kick-aligned.wave"),
        ("kick", ("FLAC", "PCM_24"), "kick-aligned"),
    ],
)
def test_a_file_is_called_as_what_it_is(tmp_path: Path, name: str, kind: tuple[str, str], written: str) -> None:
    """An MP3 named .wav comes out as .mp3, whose kind it keeps; an ending of no container stays."""
    container, subtype = kind
    soundfile.write(tmp_path / name, _hit(5000.0), RATE, subtype, format=container)
    assert output_names([open_track(tmp_path / name)], "-aligned") == (written,)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_whole_samples_are_bit_for_bit(tmp_path: Path, rng: np.random.Generator, subtype: str) -> None:
    """The written samples are the original's, moved: what lies before the beginning is gone, unless all is kept."""
    paths = [tmp_path / "a.wav", tmp_path / "b.wav"]
    for path in paths:
        soundfile.write(path, rng.uniform(-0.99, 0.99, 5000), RATE, subtype)
    files = _files(paths, [0.0, -7.4], tmp_path / "out")
    span = group_span(files, whole=True)
    assert (span.start, span.stop) == (-7, 5000)
    write_aligned(files, whole=True)
    for path, file, shift in zip(paths, files, (0, -7), strict=True):
        assert np.array_equal(soundfile.read(file.path)[0], soundfile.read(path)[0][-shift:])
    write_aligned(files, whole=True, start=span.start, force=True)
    for path, file, shift in zip(paths, files, (0, -7), strict=True):
        assert np.array_equal(soundfile.read(file.path)[0], np.pad(soundfile.read(path)[0], (shift + 7, 0)))


def test_a_multichannel_original_is_decoded_once(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Six files of one original, each with its own shift: every frame is read once, every file has its channel."""
    source = tmp_path / "kit.wav"
    frames = 200_000
    soundfile.write(source, rng.uniform(-0.5, 0.5, (frames, 6)), RATE, "PCM_16")
    read: list[int] = []
    real = Decoder.read

    def counted(self: Decoder, first: int, count: int) -> np.ndarray:
        read.append(count)
        return real(self, first, count)

    monkeypatch.setattr(Decoder, "read", counted)
    files = [
        AlignedFile(tmp_path / f"{number}.wav", source, (MovedTrack(track, float(-100 * number)),))
        for number, track in enumerate(open_tracks([source]).tracks)
    ]
    write_aligned(files)
    assert sum(read) == frames
    original = soundfile.read(source)[0]
    for number, file in enumerate(files):
        found = soundfile.read(file.path)[0]
        assert np.array_equal(found, original[100 * number :, number])


def _stamped(path: Path, stamp: int | None) -> Path:
    bext = bytearray(602)
    struct.pack_into("<Q", bext, 338, stamp or 0)
    extra = [] if stamp is None else [(b"bext", bytes(bext))]
    path.write_bytes(chunks.riff([*extra, (b"fmt ", chunks.fmt()), (b"data", bytes(3000))]))
    return path


def _stamp(path: Path) -> int:
    return int(struct.unpack_from("<Q", chunks.only(chunks.taken_apart(path.read_bytes()), b"bext"), 338)[0])


def test_a_stamp_follows_the_first_sample(tmp_path: Path) -> None:
    """A file that begins where its original began keeps its stamp; one on another's clock says when it begins now."""
    paths = [_stamped(tmp_path / "a.wav", 5_000_000), _stamped(tmp_path / "b.wav", 5_000_400)]
    late = AlignedFile(tmp_path / "late.wav", paths[1], (MovedTrack(placed(open_track(paths[1]), 400), -30.0),))
    files = [*_files(paths[:1], [0.0], tmp_path / "out"), late]
    written = write_aligned(files)
    assert [_stamp(file.path) for file in files] == [5_000_000, 5_000_000]
    assert [one.frames for one in written] == [1000, 1000 + 400 - 30]
    write_aligned(files, force=True, start=-70)
    assert [_stamp(file.path) for file in files] == [4_999_930, 4_999_930]


def test_cues_stay_on_their_hits(tmp_path: Path) -> None:
    """A mark on a sample of the original lies on the same sound in the copy: 100 later, and 7 of silence in front."""
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 40, b"data", 0, 0, 40)
    source, out = tmp_path / "a.wav", tmp_path / "out.wav"
    data = bytes(3 * 40) + b"\0\0\x40" + bytes(3 * 59)
    source.write_bytes(chunks.riff([(b"fmt ", chunks.fmt()), (b"data", data), (b"cue ", cue)]))
    write_aligned([AlignedFile(out, source, (MovedTrack(open_track(source), 100.0),))], start=-7)
    found = chunks.only(chunks.taken_apart(out.read_bytes()), b"cue ")
    place = struct.unpack_from("<II4sIII", found, 4)[5]
    assert place == 40 + 100 + 7
    assert int(np.argmax(soundfile.read(out)[0])) == place


def test_what_was_done_stands_in_the_history(tmp_path: Path) -> None:
    """Shift, flip, drift and level, for whoever opens the file in ten years."""
    path = _stamped(tmp_path / "a.wav", 1000)
    out = tmp_path / "out.wav"
    moved = MovedTrack(open_track(path), -30.25, polarity=-1, drift_ppm=12.0)
    write_aligned([AlignedFile(out, path, (moved,))], headroom_db=3.0)
    history = chunks.only(chunks.taken_apart(out.read_bytes()), b"bext")[602:].decode()
    for said in ("moved -30.250 samples", "polarity flipped", "drift +12.00 ppm taken out", "gain -3.0 dB", "W=24"):
        assert said in history


def test_dither_is_not_shared_by_two_tracks(tmp_path: Path) -> None:
    """Noise that is the same in two tracks would add up in their sum; a second run writes the same bytes."""
    paths = _group(tmp_path, [10_000.0, 10_000.0], "PCM_16")
    files = _files(paths, [0.5, 0.5], tmp_path / "out")
    write_aligned(files)
    first, second = (soundfile.read(file.path)[0] for file in files)
    noise, other = first[:5000], second[:5000]
    assert noise.any()
    assert abs(np.corrcoef(noise, other)[0, 1]) < 0.1  # 5000 independent draws: seven standard errors
    before = _digests([file.path for file in files])
    write_aligned(files, force=True, workers=1)
    assert _digests([file.path for file in files]) == before


def test_headroom_keeps_a_hot_track_from_clipping(tmp_path: Path) -> None:
    """Between samples a wave may rise beyond full scale: counted, and gone with headroom."""
    path = tmp_path / "hot.wav"
    n = np.arange(5000)
    soundfile.write(path, np.sin(np.pi / 2 * n + np.pi / 4) * 0.999 * np.sqrt(2), RATE, "PCM_24")
    (file,) = _files([path], [0.5], tmp_path / "out")
    (hot,) = write_aligned([file])
    assert hot.clipped > 1000
    assert hot.peak > 1.3
    (cool,) = write_aligned([file], headroom_db=6.0, force=True)
    assert cool.clipped == 0
    assert cool.peak == pytest.approx(hot.peak * 10 ** (-6 / 20), rel=1e-6)


def test_progress_tells_the_truth(tmp_path: Path) -> None:
    """Every block of every file counts once: the share rises, from any thread, to exactly all."""
    files = _files(_group(tmp_path, [1e4, 1e4, 1e4]), [0.0, 3.5, -2.0], tmp_path / "out")
    shares: list[float] = []
    write_aligned(files, progress=shares.append)
    assert sorted(shares) == pytest.approx([1 / 3, 2 / 3, 1.0], abs=0.002)
    assert max(shares) == 1.0


@pytest.mark.parametrize("name", ["track 0.wav", "TRACK 0.WAV"])
def test_two_tracks_never_share_a_file(tmp_path: Path, name: str) -> None:
    """Also where the names differ in case only: on many disks that is one file."""
    paths = _group(tmp_path, [1e4, 1e4])
    first, second = _files(paths, [0.0, 0.0], tmp_path / "out")
    clash = AlignedFile(second.path.with_name(name), second.source, second.channels)
    with pytest.raises(OutputError, match="would be one file"):
        write_aligned([first, clash])
    assert list((tmp_path / "out").iterdir()) == []


def test_an_original_is_never_replaced(tmp_path: Path) -> None:
    """Not by name, not through a link of either kind, not with force, not by a file of another track."""
    paths = _group(tmp_path, [1e4, 1e4])
    before = _digests(paths)
    soft, hard = tmp_path / "soft.wav", tmp_path / "hard.wav"
    soft.symlink_to(paths[0])
    os.link(paths[0], hard)
    tracks = (MovedTrack(open_track(paths[0])),)
    for target in (paths[0], paths[1], soft, hard, tmp_path / "." / paths[1].name):
        with pytest.raises(OutputError, match="is an original"):
            write_aligned(
                [AlignedFile(target, paths[0], tracks), AlignedFile(tmp_path / "b.wav", paths[1], tracks)], force=True
            )
    assert _digests(paths) == before
    assert not (tmp_path / "b.wav").exists()


def test_out_in_the_originals_folder_is_fine_with_new_names(tmp_path: Path) -> None:
    """Nothing is lost, and nothing is mixed up."""
    (path,) = _group(tmp_path, [1e4])
    before = _digests([path])
    write_aligned([AlignedFile(tmp_path / "track 0 aligned.wav", path, (MovedTrack(open_track(path), 2.0),))])
    assert _digests([path]) == before
    assert sorted(found.name for found in tmp_path.iterdir()) == ["track 0 aligned.wav", "track 0.wav"]


def test_a_fault_in_one_file_ends_the_others(tmp_path: Path) -> None:
    """The error names its file; nothing half-written is left of any."""
    paths = [tmp_path / f"{number}.wav" for number in range(4)]
    for number, path in enumerate(paths):
        samples = np.zeros(400_000)
        samples[5000] = np.nan if number == 1 else 0.0
        soundfile.write(path, samples, RATE, "FLOAT")
    files = _files(paths, [0.5, 0.5, 0.5, 0.5], tmp_path / "out")
    with pytest.raises(TakeError, match=r"1\.wav holds a sample that is no number"):
        write_aligned(files)
    left = [path.name for path in (tmp_path / "out").iterdir()]
    assert "1.wav" not in left
    assert not [name for name in left if name.startswith(".")]
    assert all(soundfile.info(tmp_path / "out" / name).frames == group_span(files).stop for name in left)


def test_an_interrupt_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C arrives in the main thread while the workers write."""
    files = _files(_group(tmp_path, [1e4, 1e4, 1e4]), [0.5, 0.5, 0.5], tmp_path / "out")
    real = aligned_audio._write_group

    def slow(group: list[AlignedFile], plan: object) -> tuple[Written, ...]:
        if group[0] is files[0]:
            raise KeyboardInterrupt
        return real(group, plan)  # type: ignore[arg-type]

    monkeypatch.setattr(aligned_audio, "_write_group", slow)
    with pytest.raises(KeyboardInterrupt):
        write_aligned(files)
    for path in (tmp_path / "out").iterdir():
        assert not path.name.startswith(".")
        assert soundfile.info(path).frames == group_span(files).stop


def test_an_original_that_changed_its_rate_is_said(tmp_path: Path) -> None:
    """The file was replaced between measuring and writing."""
    (path,) = _group(tmp_path, [1e4])
    files = _files([path], [1.0], tmp_path / "out")
    soundfile.write(path, np.zeros(100), 44100, "PCM_24")
    with pytest.raises(TakeError, match="was the file changed meanwhile"):
        write_aligned(files)


def test_clashes_are_told_apart_by_folder(tmp_path: Path) -> None:
    """One name in two folders is two files."""
    refuse_clashes([tmp_path / "a" / "x.wav", tmp_path / "b" / "x.wav"])
    with pytest.raises(OutputError, match="would be one file"):
        refuse_clashes([tmp_path / "a" / "x.wav", tmp_path / "a" / ".." / "A" / "x.wav"])
    with pytest.raises(OutputError, match="would be one file"):
        refuse_clashes([tmp_path / "fl\u00f6te.wav", tmp_path / "flo\u0308te.wav"])


@pytest.mark.parametrize(
    ("after_db", "low_after_db", "said"),
    [
        (1.9, 3.2, "the sum of all tracks gains 0.9 dB in all and 2.1 dB at 60-250 Hz, and loses 1.8 dB at 45-56 Hz: "),
        (0.6, 3.2, "the sum of all tracks gains 2.1 dB at 60-250 Hz, and loses 1.8 dB at 45-56 Hz: "),
        (1.0, None, "the sum of all tracks loses 1.8 dB at 45-56 Hz: "),
    ],
)
def test_a_lost_band_is_weighed_against_what_the_sum_gains(after_db, low_after_db, said) -> None:
    """Said alone, a narrow band's loss makes a better sum look like a worse one."""
    lost = LostBand(44.7, 56.2, 1.8, "kick", 1.4)
    (words,) = _lost_words([lost], SumGain(1.0, after_db, (), 1.1, low_after_db))
    assert words.startswith(f"{said}most of it by the move of 'kick', which costs 1.4 dB there; listen")
    assert list(_lost_words([], SumGain(1.0, after_db, ()))) == []


def test_every_lost_band_is_named_the_worst_first() -> None:
    lost = [LostBand(447.0, 562.0, 2.8, "", 0.0), LostBand(44.7, 56.2, 1.8, "kick", 1.4)]
    (words,) = _lost_words(lost, SumGain(1.0, 1.0, ()))
    assert words == (
        "the sum of all tracks loses 2.8 dB at 447-562 Hz (1.8 dB at 45-56 Hz): by several moves together; listen, and "
        'leave some out with "applied": false in offsets.json where the sum is thinner'
    )


@pytest.mark.parametrize(("after_db", "is_told"), [(2.06, False), (2.04, True)])
def test_a_thinner_sum_is_told_where_its_digits_say_so(monkeypatch, after_db, is_told) -> None:
    """2.13 and 2.06 dB both read 2.1."""
    tracks = tuple(Track.from_array(name, np.zeros(9), RATE) for name in ("mic", "di"))
    moved = Shift("di", -1e-3, 1e-6, 1e-3, polarity_flip=False, reliable=True, applied=True)
    offsets = followed([moved], reference="mic", sample_rate=RATE)
    monkeypatch.setattr(align, "sum_gain", lambda _: SumGain(1.0, 1.0, (), 2.13, after_db))
    said = align._thin_lows(Session(tracks, "mic", Path(), Laid(())), [MovedTrack(one) for one in tracks], offsets, ())
    assert bool(said) is is_told
    # Nothing is advised that was not tried: all-pass mends no silence.
    assert not any("--match-phase" in words for words in said)
    monkeypatch.setattr(align, "match_phase", lambda *_: object())
    said = align._thin_lows(Session(tracks, "mic", Path(), Laid(())), [MovedTrack(one) for one in tracks], offsets, ())
    assert ["try --match-phase" in words for words in said] == [True] * is_told


def test_a_file_where_the_set_is_to_lie_is_refused_before_anything_is_measured(tmp_path, monkeypatch):
    paths = _group(tmp_path, [9000.0, 9010.0])
    monkeypatch.setattr(align, "_measured", lambda *_: pytest.fail("it was measured first"))
    asked = aligned_set.AlignRequest(tracks=tuple(map(str, paths)), out=paths[1])
    with pytest.raises(OutputError, match="is a file, a folder is needed there"):
        align.align(asked)
