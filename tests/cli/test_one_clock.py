"""Tracks that began at other times, run at other rates or lie in a folder: placed, converted and listed, or refused."""

from __future__ import annotations

import json
from pathlib import Path

import editor
import numpy as np
import pytest
import soundfile
from commands import micalign

RATE = editor.RATE
START = 10 * 3600 * RATE  # ten o'clock


def _rows(said) -> dict[str, dict]:
    return {row["track"]: row for row in said.document["tracks"]}


@pytest.fixture
def stamped(tmp_path) -> list[Path]:
    """One sound; the second file began half a second later and its track is 40.5 samples late in the session."""
    return editor.take(tmp_path, [0.0, 40.5], "WAV PCM_24", starts=[START, START + 24_000])


def test_a_delay_is_one_in_the_session_and_where_tracks_began_is_said(stamped):
    said = micalign("measure", *stamped, "--json")
    (row,) = said.document["tracks"]
    assert row["delay_samples"] == pytest.approx(40.5, abs=0.02)
    assert (row["start_s"], said.document["timestamps"]) == (0.5, "placed")
    assert "placed by their time stamps: 'track 1.wav' begins 500.0 ms after 'track 0.wav'" in said.err
    plain = micalign("measure", *stamped, "--ignore-timestamps", "--max-delay-ms", 1000, "--json")
    assert plain.document["tracks"][0]["delay_samples"] == pytest.approx(40.5 - 24_000, abs=0.02)
    assert plain.document["timestamps"] == "ignored"


@pytest.mark.parametrize("options", [(), ("--keep-all",)])
def test_a_track_that_is_not_moved_keeps_its_place_in_the_session(tmp_path, options):
    """Strangers that began 1.5 s apart: neither is moved, whichever is the reference."""
    noise = np.random.default_rng(5)
    starts = [START, START + 72_000]
    tracks = [
        editor.write(tmp_path / f"{name}.wav", 0.1 * noise.standard_normal(144_000), "WAV PCM_24", stamp=start)
        for name, start in zip("ab", starts, strict=True)
    ]
    for order in (tracks, tracks[::-1]):
        said = micalign("align", *order, "-o", tmp_path / "out", "--force", "--json", *options)
        assert said.status == 1
        assert f"'{order[1].name}' was not moved" in said.err
        begin = editor.stamp_of(order[0]) if not options else starts[0]
        for path in order:
            written = Path(_rows(said)[path.name]["file"])
            assert editor.stamp_of(written) == begin
            played, mine = (editor.laid(one, begin, 250_000) for one in (written, path))
            assert np.array_equal(played, mine)


def test_offsets_of_placed_tracks_are_followed_and_can_be_taken_back(stamped, tmp_path):
    out = tmp_path / "out"
    micalign("align", *stamped, "-o", out, "-q")
    document = json.loads((out / "offsets.json").read_text())
    assert document["timestamps"] == "placed"
    assert micalign("align", "--offsets", out / "offsets.json", "-o", tmp_path / "again", "-q").status == 0
    for path in out.glob("*.wav"):
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes()
    document["tracks"][0]["shift_samples"] = 0.0
    (out / "offsets.json").write_text(json.dumps(document))
    said = micalign("align", "--offsets", out / "offsets.json", "-o", tmp_path / "zero", "--json")
    written = Path(_rows(said)["track 1.wav"]["file"])
    assert editor.stamp_of(written) == START
    assert np.array_equal(editor.laid(written, START, 200_000), editor.laid(stamped[1], START, 200_000))


def test_ignored_stamps_stay_and_files_lie_together_from_their_first_samples(stamped, tmp_path):
    said = micalign("align", *stamped, "-o", tmp_path / "out", "--ignore-timestamps", "--max-delay-ms", 1000, "--json")
    assert said.status == 0
    assert "time stamps that differ were ignored" in said.err
    assert said.document["timestamps"] == "ignored"
    written = [Path(_rows(said)[path.name]["file"]) for path in stamped]
    assert [editor.stamp_of(path) for path in written] == [START, START + 24_000]
    sounds = [soundfile.read(path)[0][30_000:110_000] for path in written]
    assert abs(editor.lag(*sounds)) <= 0.02


def test_a_missing_stamp_is_refused_with_the_choice(stamped, tmp_path):
    bare = editor.write(tmp_path / "bare.wav", editor.band(0.0, 144_000), "WAV PCM_24")
    for command in (["measure"], ["align", "-o", tmp_path / "out"]):
        said = micalign(command[0], stamped[0], bare, *command[1:])
        assert said.status == 2
        assert "'bare.wav' has no time stamp but 'track 0.wav' has one (10:00:00.000)" in said.err
        assert "--ignore-timestamps" in said.err
    assert not (tmp_path / "out").exists()
    assert micalign("measure", stamped[0], bare, "--ignore-timestamps", "-q").status == 0


def test_recorders_without_a_clock_say_nothing(tmp_path):
    """They stamp 0: with or without a chunk, tracks begin together."""
    first = editor.write(tmp_path / "zero.wav", editor.band(0.0, 144_000), "WAV PCM_24", stamp=0)
    bare = editor.write(tmp_path / "bare.wav", editor.band(-9.0, 144_000), "WAV PCM_24")
    said = micalign("measure", first, bare, "--json")
    assert (said.status, said.document["timestamps"], said.err) == (0, None, "")


def test_clocks_that_were_not_set_are_refused_with_the_choice(tmp_path):
    tracks = editor.take(tmp_path, [0.0, 40.5], "WAV PCM_24", starts=[START, START])
    later = editor.write(tmp_path / "later.wav", editor.band(0.0, 144_000), "WAV PCM_24", stamp=2 * START)
    for order, words in (
        ([tracks[0], later], "begins 35997.000 s after"),
        ([later, tracks[0]], "ends 35997.000 s befor"),
    ):
        said = micalign("align", *order, "-o", tmp_path / "out")
        assert said.status == 2
        assert words in said.err
        assert "--ignore-timestamps" in said.err
    assert not (tmp_path / "out").exists()


def test_silence_before_midnight_is_refused(tmp_path):
    tracks = editor.take(tmp_path, [0.0, 1776.0], "WAV PCM_24", starts=[100, 100])
    said = micalign("align", *tracks, "-o", tmp_path / "out", "--keep-all")
    assert said.status == 2
    assert "would begin the day before" in said.err
    assert not (tmp_path / "out").exists()
    assert micalign("align", *tracks, "-o", tmp_path / "out", "-q").status == 0


@pytest.mark.parametrize("rates", [(48_000, 44_100), (44_100, 96_000), (48_000, 96_000)])
def test_other_rates_are_brought_to_the_references(tmp_path, rates):
    """The same sound at two rates, the second 20.25 reference samples late, both stamped."""
    reference, other = rates
    scale = other / reference
    n = np.arange(int(3 * other))
    first = editor.band(0.0, 3 * reference)

    def at(places: np.ndarray) -> np.ndarray:
        """The band-limited sound between its samples, exactly: its spectrum is empty near half the rate."""
        spectrum, k = np.fft.rfft(first), np.arange(len(first) // 2 + 1)
        fine = np.fft.irfft(np.concatenate([spectrum, np.zeros(15 * (len(k) - 1))]), 16 * len(first)) * 16
        return np.interp(places * 16, np.arange(len(fine)), fine, left=0.0, right=0.0)

    start = START // RATE
    a = editor.write(tmp_path / "a.wav", first, "WAV PCM_24", stamp=start * reference, rate=reference)
    late = at(n / scale - 20.25 + reference // 2)
    b = editor.write(tmp_path / "b.wav", late, "WAV FLOAT", stamp=start * other + other // 2, rate=other)
    refused = micalign("align", a, b, "-o", tmp_path / "out")
    assert refused.status == 2
    assert "--resample" in refused.err
    assert not (tmp_path / "out").exists()
    assert micalign("measure", a, b).status == 2
    said = micalign("align", a, b, "-o", tmp_path / "out", "--resample", "--json")
    assert said.status == 0, said.err
    row = _rows(said)["b.wav"]
    assert row["shift_samples"] == pytest.approx(-20.25, abs=0.03)
    assert row["resampled_from_hz"] == other
    written = Path(row["file"])
    assert soundfile.info(written).samplerate == reference
    assert editor.stamp_of(written) == start * reference
    low, high = reference, 2 * reference
    assert abs(editor.lag(first[low:high], soundfile.read(written)[0][low:high])) <= 0.03
    assert micalign("align", "--offsets", tmp_path / "out/offsets.json", "-o", tmp_path / "again", "-q").status == 0
    assert (tmp_path / "again" / written.name).read_bytes() == written.read_bytes()


def test_samples_bit_for_bit_and_another_rate_do_not_go_together(stamped):
    said = micalign("align", *stamped, "--resample", "--whole-samples")
    assert said.status == 2
    assert "does not go with filters or clocks" in said.err


def test_a_folder_stands_for_its_audio_files_and_the_rest_is_named(tmp_path):
    takes = tmp_path / "takes"
    (takes / "old").mkdir(parents=True)
    editor.take(takes, [0.0, 40.5, -9.0], "WAV PCM_24")
    (takes / "notes.txt").write_text("mics: two")
    (takes / "._track 0.wav").write_bytes(b"not audio")
    said = micalign("align", takes, "--json")
    assert said.status == 0, said.err
    assert said.document["reference"] == "track 0.wav"
    assert set(_rows(said)) == {"track 0.wav", "track 1.wav", "track 2.wav"}
    assert f"skipped in {takes}, no audio files: ._track 0.wav, notes.txt, old (a folder)" in said.err
    assert said.document["notes"] == [f"skipped in {takes}, no audio files: ._track 0.wav, notes.txt, old (a folder)"]
    # A reference that is given stays the reference; its file in the folder is no second track.
    other = micalign("measure", takes / "track 2.wav", takes, "--json").document
    assert (other["reference"], [row["track"] for row in other["tracks"]]) == (
        "track 2.wav",
        ["track 0.wav", "track 1.wav"],
    )
    assert micalign("levels", takes, "-q").out.count("track ") >= 3


@pytest.mark.parametrize("command", ["align", "measure", "levels"])
def test_a_folder_without_audio_is_refused(tmp_path, command):
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "notes.txt").write_text("nothing")
    said = micalign(command, tmp_path / "empty")
    assert said.status == 2
    assert "holds no audio file" in said.err
    assert sorted(path.name for path in (tmp_path / "empty").iterdir()) == ["notes.txt"]


SCENE = """
[[source]]
name = "alto"
at = [1.0, 1.0, 1.5]
[[source]]
name = "tenor"
at = [6.0, 1.0, 1.5]
[[mic]]
name = "alto near"
at = [1.0, 1.1, 1.5]
on = "alto"
[[mic]]
name = "alto far"
at = [1.0, 1.4, 1.5]
on = "alto"
[[mic]]
name = "tenor mic"
at = [6.0, 1.1, 1.5]
on = "tenor"
[take.tracks]
"alto near" = "near.wav"
"alto far" = "far.wav"
"tenor mic" = "tenor.wav"
"""


STARTS = {"near": START, "far": START - 7000, "tenor": START + 5000}


@pytest.fixture
def duo(tmp_path) -> Path:
    """The far mic hears the alto 42.3 samples (30 cm) after the near one; the three files began at different times."""
    (tmp_path / "duo.toml").write_text(SCENE)
    for name, start in STARTS.items():
        late, seed = (42.3, 5) if name == "far" else (0.0, 5 if name == "near" else 99)
        sound = editor.band(start - START - late, 144_000, seed=seed)
        sound += 3e-4 * np.random.default_rng(len(name)).standard_normal(144_000)
        editor.write(tmp_path / f"{name}.wav", sound, "WAV PCM_24", stamp=start)
    return tmp_path / "duo.toml"


@pytest.mark.parametrize("options", [(), ("--keep-all",)])
def test_a_scenes_take_is_placed_and_who_shares_no_source_stays_bit_for_bit(duo, tmp_path, options):
    said = micalign("align", "--scene", duo, "-o", tmp_path / "out", "--json", *options)
    assert said.status == 0, said.err
    rows = _rows(said)
    assert said.document["reference"] == "alto near"
    begin = START - (said.document["pad_samples"] or 0)
    written = {name: tmp_path / "out" / f"{name}-aligned.wav" for name in STARTS}
    assert [editor.stamp_of(path) for path in written.values()] == [begin] * 3
    assert rows["alto far"]["shift_samples"] == pytest.approx(-42.3, abs=0.02)
    assert rows["tenor mic"]["reason"] == "shares no source with 'alto near': left as recorded"
    for name in ("near", "tenor"):
        played, mine = (editor.laid(path, START, 160_000) for path in (written[name], tmp_path / f"{name}.wav"))
        assert np.array_equal(played, mine)
    sounds = [editor.laid(written[name], START, 130_000)[3000:] for name in ("near", "far")]
    assert abs(editor.lag(*sounds)) <= 0.02


def test_page_and_figures_place_the_take_as_measure_does(duo, tmp_path):
    """The page tells the delay in the session, not from file to file; figures come from the same take."""
    page = tmp_path / "duo.html"
    for arguments in (["report", duo, "--take", "-o", page], ["draw", duo, "--only", "take", "-o", tmp_path / "drawn"]):
        said = micalign(*arguments)
        assert said.status in {0, 1}, said.err
        assert "placed by their time stamps" in said.err
    assert "0.881 ms" in page.read_text(encoding="utf-8")
