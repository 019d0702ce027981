"""What ``align`` writes, played as an editor would: each file where its stamp says (or zero), beside untouched tracks.

A moved track must meet the untouched reference within 0.02 samples (0.4 us, 0.14 mm of air); a kept one must be the
original's samples, bit for bit, where they were.
"""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import editor
import numpy as np
import pytest
import soundfile
from commands import micalign

RATE = editor.RATE
SHIFTS = {
    "earlier": [0.0, 1839.37, 40.5, 700.0, 12.25, 333.33, 2000.1, 5.7],
    "later": [0.0, -1839.37, -40.5, -700.0, -12.25, -333.33, -2000.1, -5.7],
    "mixed": [0.0, 1839.37, -40.5, 700.0, -12.25, -333.33, 2000.1, 0.0],
}


def _rows(said) -> dict[str, dict]:
    return {row["track"]: row for row in said.document["tracks"]}


def _assert_in_place(
    originals: list[Path], rows: dict[str, dict], pad: int = 0, within: float = 0.02, first: int = 4000
) -> None:
    """Every written file against the untouched reference; those that were not moved against themselves."""
    start = (editor.stamp_of(originals[0]) or 0) - 4000
    untouched = editor.laid(originals[0], start, 160_000)
    heard = slice(4000 + 3000, 4000 + 110_000)
    for path in originals:
        row = rows[path.name]
        played = editor.laid(Path(row["file"]), start, 160_000)
        if editor.stamp_of(path) is None:
            played = np.roll(played, -pad)
        else:
            assert editor.stamp_of(Path(row["file"])) == editor.stamp_of(originals[0]) - pad
        late = editor.lag(untouched[heard], played[heard])
        assert abs(late) <= within, (path.name, late)
        if row["shift_samples"] == 0.0:
            mine = editor.laid(path, start, 160_000)
            # Unless all is kept, what lies before the reference's own beginning is cut off.
            assert np.array_equal(played[first:], mine[first:]), path.name


def _play(folder: Path, kind: str, moves: str, count: int, *options: str, seed: int = 0, stamps: bool = False) -> None:
    draws = np.random.default_rng(seed)
    starts = [40_000_000, *(40_000_000 + draws.integers(-30_000, 30_000, count - 1))] if stamps else None
    originals = editor.take(folder, SHIFTS[moves][:count], kind, starts=starts)
    said = micalign("align", *originals, "-o", folder / "out", "--json", *options)
    assert said.status == 0, said.err
    document = json.loads((folder / "out" / "offsets.json").read_text())
    assert (document["pad_samples"] is None) == ("--keep-all" not in options)
    within = 0.52 if "--whole-samples" in options else 0.02
    _assert_in_place(originals, _rows(said), document["pad_samples"] or 0, within)


@pytest.mark.parametrize(
    ("kind", "moves", "count", "options", "stamps"),
    [
        ("WAV PCM_16", "earlier", 2, (), False),
        ("WAV PCM_24", "mixed", 8, (), True),
        ("WAV FLOAT", "later", 2, ("--keep-all",), True),
        ("FLAC PCM_24", "mixed", 2, ("--keep-all",), False),
        ("RF64 PCM_24", "earlier", 2, (), True),
    ],
)
def test_every_file_lies_where_its_original_lay(tmp_path, kind, moves, count, options, stamps):
    _play(tmp_path, kind, moves, count, *options, stamps=stamps)


EVERY = [
    (kind, moves, count, option, stamps)
    for kind, moves, count, option, stamps in product(
        editor.KINDS, SHIFTS, (2, 8), ("", "--keep-all", "--whole-samples"), (False, True)
    )
    if not (stamps and kind.startswith("FLAC"))  # a FLAC carries no time reference
]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(len(EVERY)))
def test_every_kind_of_set_lies_where_its_originals_lay(tmp_path, seed):
    kind, moves, count, option, stamps = EVERY[seed]
    _play(tmp_path, kind, moves, count, *[option] * bool(option), seed=seed, stamps=stamps)


def test_the_reference_is_the_same_samples_from_the_first_to_the_last(tmp_path):
    originals = editor.take(tmp_path, SHIFTS["mixed"][:3], "WAV PCM_24")
    rows = _rows(micalign("align", *originals, "-o", tmp_path / "out", "--json"))
    written, original = (soundfile.read(path, dtype="int32")[0] for path in (rows["track 0.wav"]["file"], originals[0]))
    assert np.array_equal(written, original)


def test_what_is_cut_off_is_told_where_it_is_louder_than_the_tracks_own_noise(tmp_path):
    """The late track's first 37 ms hold a count-in in one take, and nothing but noise in the other."""
    reference, late = editor.take(tmp_path, [0.0, 1776.0], "WAV PCM_24", frames=240_000)
    samples, _ = soundfile.read(late)
    samples[:1776] = 3e-4 * np.random.default_rng(1).standard_normal(1776)
    soundfile.write(late, samples, RATE, "PCM_24")
    said = micalign("align", reference, late, "-o", tmp_path / "quiet", "-q")
    assert (said.status, "Cut off" in said.out) == (0, False)
    samples[1000:1480] = 0.1 * np.sin(0.3 * np.arange(480))  # a hundredth of a second at -23.0 dBFS
    soundfile.write(late, samples, RATE, "PCM_24")
    said = micalign("align", reference, late, "-o", tmp_path / "loud", "-q")
    told = " ".join(said.out.split())
    assert said.status == 0
    assert "Cut off: track 1.wav loses its first 37.00 ms (1776 samples), as loud as -23." in told
    assert "its own noise is -70." in told  # 3e-4 is -70.5 dBFS
    row = json.loads((tmp_path / "loud" / "offsets.json").read_text())["tracks"][0]
    assert (row["cut_samples"], row["cut_is_heard"], row["cut_s"]) == (1776, True, 0.037)
    assert "loses the first 1776 samples" in (tmp_path / "loud" / "offsets.csv").read_text()


def test_padding_is_told_everywhere(tmp_path):
    originals = editor.take(tmp_path, [0.0, 1776.0], "WAV PCM_24")
    said = micalign("align", *originals, "-o", tmp_path / "out", "--keep-all", "-q")
    document = json.loads((tmp_path / "out" / "offsets.json").read_text())
    pad = document["pad_samples"]
    assert 1776 <= pad <= 1776 + 64  # the kernel's tail
    assert document["pad_s"] == pad / RATE
    assert f"Padded: {pad} samples" in said.out
    assert all(line.endswith(f",{pad}") for line in (tmp_path / "out" / "offsets.csv").read_text().splitlines()[1:])
    measured = micalign("measure", originals[0], tmp_path / "out" / "track 0-aligned.wav", "--json").document
    assert measured["tracks"][0]["delay_samples"] == pytest.approx(pad, abs=0.01)
    assert f"reads +{pad / 48:.2f} ms" in " ".join(said.out.split())


def test_a_track_that_would_be_gone_is_refused_before_anything_is_written(tmp_path):
    originals = editor.take(tmp_path, [0.0, 30.0], "WAV PCM_24")
    micalign("align", *originals, "-o", tmp_path / "out", "-q")
    sheet = tmp_path / "out" / "offsets.json"
    document = json.loads(sheet.read_text())
    document["tracks"][0]["shift_samples"] = -150_000.0
    sheet.write_text(json.dumps(document))
    said = micalign("align", "--offsets", sheet, "-o", tmp_path / "gone")
    assert said.status == 2
    assert "nothing of 'track 1.wav' would be left" in said.err
    assert not (tmp_path / "gone").exists()
    assert micalign("align", "--offsets", sheet, "-o", tmp_path / "kept", "--keep-all", "-q").status == 0


def test_a_second_run_writes_the_same_bytes_and_an_edit_to_zero_the_original_samples(tmp_path):
    originals = editor.take(tmp_path, [0.0, 133.37, -20.6], "WAV PCM_16")
    out = tmp_path / "out"
    micalign("align", *originals, "-o", out, "-q")
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    assert micalign("align", *originals, "-o", out, "-q", "--force").status == 0
    assert {path.name: path.read_bytes() for path in out.iterdir()} == first
    document = json.loads((out / "offsets.json").read_text())
    for key, name in (("shift_samples", "zero"), ("shift_s", "zero in seconds")):
        edited = json.loads(json.dumps(document))
        edited["tracks"][0][key] = 0.0
        (out / "edited.json").write_text(json.dumps(edited))
        said = micalign("align", "--offsets", out / "edited.json", "-o", tmp_path / name, "--json")
        assert said.status == 0, said.err
        rows = _rows(said)
        assert rows["track 1.wav"]["shift_samples"] == 0.0
        written, original = (
            soundfile.read(path, dtype="int16")[0] for path in (rows["track 1.wav"]["file"], originals[1])
        )
        assert np.array_equal(written, original)
        other = Path(rows["track 2.wav"]["file"])
        assert other.read_bytes() == first[other.name]


@pytest.mark.parametrize(
    ("suffix", "words"), [("", "is empty"), ("/x", "cannot be part"), ("a\nb", "cannot be part"), ("x" * 65, "65 char")]
)
def test_a_suffix_that_no_name_can_have_is_refused(tmp_path, suffix, words):
    originals = editor.take(tmp_path, [0.0, 30.0], "WAV PCM_24", frames=20_000)
    said = micalign("align", *originals, "-o", tmp_path / "out", "--suffix", suffix)
    assert said.status == 2
    assert words in said.err
    assert not (tmp_path / "out").exists()


def test_aligned_files_are_named_apart_also_of_two_originals_of_one_name(tmp_path):
    for name in "ab":
        (tmp_path / name).mkdir()
    first, second = editor.take(tmp_path, [0.0, 30.0], "WAV PCM_24")
    one, two = first.rename(tmp_path / "a" / "mic.wav"), second.rename(tmp_path / "b" / "MIC.wav")
    micalign("align", one, two, "-o", tmp_path / "out", "--suffix", " in time", "-q")
    names = sorted(path.name for path in (tmp_path / "out").glob("*.wav"))
    assert names == ["MIC in time.wav", "mic-2 in time.wav"]
    table = (tmp_path / "out" / "offsets.csv").read_text().splitlines()
    assert any("b/MIC.wav" in line and "MIC in time.wav" in line for line in table)
    assert any("a/mic.wav" in line and "mic-2 in time.wav" in line for line in table)


def test_the_table_for_people_is_not_taken_for_the_offsets(tmp_path):
    originals = editor.take(tmp_path, [0.0, 30.0], "WAV PCM_24")
    micalign("align", *originals, "-o", tmp_path / "out", "-q")
    said = micalign("align", "--offsets", tmp_path / "out" / "offsets.csv", "-o", tmp_path / "again")
    assert said.status == 2
    assert "give the offsets.json beside it" in said.err
    assert not (tmp_path / "again").exists()


def _stereo(folder: Path, late: int, *, polarity: int = 1) -> tuple[Path, Path]:
    """A mono reference, and a stereo file of two sides of which the second lies ``late`` samples after the first."""
    draws = np.random.default_rng(5)
    sound = 0.1 * draws.standard_normal(4 * RATE)
    sides = [np.roll(sound, 40), polarity * np.roll(sound, 40 + late)]
    soundfile.write(folder / "near.wav", sound, RATE, "PCM_24")
    soundfile.write(folder / "pair.wav", np.stack(sides, axis=1), RATE, "PCM_24")
    return folder / "near.wav", folder / "pair.wav"


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_stereo_file_whose_channels_move_alike_comes_back_as_one(tmp_path, polarity):
    near, pair = _stereo(tmp_path, 0, polarity=polarity)
    said = micalign("align", near, pair, "-o", tmp_path / "out", "--whole-samples", "--json")
    assert said.status == 0, said.err
    assert {Path(row["file"]).name for row in said.document["tracks"]} == {"near-aligned.wav", "pair-aligned.wav"}
    original, _ = soundfile.read(pair, dtype="int32")
    written, _ = soundfile.read(tmp_path / "out" / "pair-aligned.wav", dtype="int32")
    # Each channel has its own polarity.
    assert np.array_equal(written, original[40:] * [1, polarity])
    sheet = tmp_path / "out" / "offsets.json"
    assert micalign("align", "--offsets", sheet, "-o", tmp_path / "again", "-q").status == 0
    again, _ = soundfile.read(tmp_path / "again" / "pair-aligned.wav", dtype="int32")
    assert np.array_equal(again, written)


def test_a_stereo_file_whose_channels_move_apart_comes_back_as_two_and_is_told(tmp_path):
    near, pair = _stereo(tmp_path, 17)
    said = micalign("align", near, pair, "-o", tmp_path / "out")
    assert {path.name for path in (tmp_path / "out").glob("pair*")} == {"pair-1-aligned.wav", "pair-2-aligned.wav"}
    assert "'pair.wav' is written as a file for each of its two channels" in said.err
    assert micalign("align", near, f"{pair}:2", "-o", tmp_path / "one", "-q").status == 0
    assert {path.name for path in (tmp_path / "one").glob("pair*")} == {"pair-2-aligned.wav"}


def test_a_channel_that_was_taken_out_of_an_offsets_file_leaves_the_other_with_a_file_of_its_own(tmp_path):
    near, pair = _stereo(tmp_path, 0)
    assert micalign("align", near, pair, "-o", tmp_path / "out", "--whole-samples", "-q").status == 0
    sheet = tmp_path / "out" / "offsets.json"
    document = json.loads(sheet.read_text())
    document["tracks"] = [row for row in document["tracks"] if row["track"] != "pair.wav:1"]
    sheet.write_text(json.dumps(document))
    said = micalign("align", "--offsets", sheet, "-o", tmp_path / "again", "-q")
    assert said.status == 0, said.err
    assert {path.name for path in (tmp_path / "again").glob("pair*")} == {"pair-2-aligned.wav"}
    document["tracks"][0]["file"] = "pair-1-aligned.wav"
    sheet.write_text(json.dumps(document))
    said = micalign("align", "--offsets", sheet, "-o", tmp_path / "renamed", "-q")
    assert (said.status, "it names nothing anew" in said.err) == (2, True)
