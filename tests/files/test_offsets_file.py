"""offsets.json handed back by a user: edits honoured, faults told with their place, nothing written elsewhere."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from micalign.errors import TakeError
from micalign.files.offsets_file import OffsetsFile, TrackOffset, csv_text, read_offsets

RATE = 48000


def entry(**changes: object) -> dict[str, object]:
    made: dict[str, object] = {
        "track": "snare", "file": "snare.wav", "delay_s": 0.001, "shift_s": -0.001, "shift_samples": -48.0,
        "polarity_flip": False, "reliable": True, "applied": True, "original": "../snare.wav", "channel": 1,
        "sha256": "0" * 64,
    }  # fmt: skip
    return {**made, **changes}


def written(tmp_path: Path, *entries: dict[str, object], **changes: object) -> Path:
    path = tmp_path / "offsets.json"
    document = {"reference": "snare", "sample_rate": RATE, "tracks": list(entries), **changes}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_an_edit_of_either_shift_is_followed(tmp_path):
    (by_samples,) = read_offsets(written(tmp_path, entry(shift_samples=-58.0))).tracks
    assert by_samples.shift_s == pytest.approx(-58 / RATE)
    (by_seconds,) = read_offsets(written(tmp_path, entry(shift_s=-0.002))).tracks
    assert by_seconds.shift_samples == pytest.approx(-96.0)
    (finely,) = read_offsets(written(tmp_path, entry(shift_s=-0.001 + 0.3 / RATE))).tracks
    assert finely.shift_samples == pytest.approx(-47.7)


def test_an_edit_is_told_from_what_the_files_hold(tmp_path):
    """A shift that an all-pass changed by 3 samples, edited to the bare delay: the edit is followed, by either key."""
    held = {"shift_samples": -51.0, "shift_s": -51 / RATE, "written_samples": -51.0}
    (by_samples,) = read_offsets(written(tmp_path, entry(**{**held, "shift_samples": -48.0}))).tracks
    assert by_samples.shift_s == pytest.approx(-0.001)
    (by_seconds,) = read_offsets(written(tmp_path, entry(**{**held, "shift_s": -0.001}))).tracks
    assert by_seconds.shift_samples == pytest.approx(-48.0)


def test_a_set_without_its_reference_is_refused(tmp_path):
    with pytest.raises(TakeError, match="the reference 'overhead' is not among its tracks"):
        read_offsets(written(tmp_path, entry(), reference="overhead"))


@pytest.mark.parametrize("suffix", ["", "/../evil", "x" * 65])
def test_a_suffix_that_leads_elsewhere_is_refused(tmp_path, suffix):
    with pytest.raises(TakeError, match=r"offsets\.json: the suffix"):
        read_offsets(written(tmp_path, entry(), suffix=suffix))


def test_two_edits_that_contradict_are_refused(tmp_path):
    with pytest.raises(TakeError, match=r"track 'snare': shift_samples .* and shift_s .* do not agree"):
        read_offsets(written(tmp_path, entry(shift_samples=-58.0, shift_s=-0.002)))


@pytest.mark.parametrize(
    "name", ["../evil.wav", "/evil.wav", "a/b.wav", "..", "..\\evil.wav", "C:\\evil.wav", "sub/../../x.wav"]
)
def test_a_file_elsewhere_is_refused(tmp_path, name):
    with pytest.raises(TakeError, match="must be a bare file name"):
        read_offsets(written(tmp_path, entry(file=name)))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"shift_sampels": 3}, "'shift_sampels' is not known; did you mean 'shift_samples'"),
        ({"shift_s": "late"}, "track 'snare': 'shift_s'"),
        ({"shift_s": 1e9}, "must be at most 120"),
        ({"polarity_flip": "perhaps"}, "'polarity_flip'"),
        ({"sha256": "abc"}, "'sha256'"),
        ({"channel": 0}, "'channel'"),
    ],
)
def test_a_fault_is_told_with_its_place(tmp_path, changes, words):
    with pytest.raises(TakeError) as caught:
        read_offsets(written(tmp_path, entry(**changes)))
    assert words in str(caught.value)


@pytest.mark.parametrize("value", ["yes", "no", "true", 1, 0.0, None])
@pytest.mark.parametrize("key", ["applied", "reliable", "polarity_flip", "as_recorded", "drift_corrected"])
def test_only_true_and_false_are_a_yes_or_no(tmp_path, key, value):
    """JSON has both; what else reads like one may be meant otherwise."""
    with pytest.raises(TakeError) as caught:
        read_offsets(written(tmp_path, entry(**{key: value})))
    (fault,) = caught.value.faults
    assert fault.endswith(f"track 'snare': '{key}': true or false is needed, without quotes")


@pytest.mark.parametrize(
    ("key", "value"), [("channel", "1"), ("channel", True), ("cut_dbfs", "-60"), ("written_samples", "1")]
)
def test_a_number_in_quotes_is_none(tmp_path, key, value):
    with pytest.raises(TakeError) as caught:
        read_offsets(written(tmp_path, entry(**{key: value})))
    (fault,) = caught.value.faults
    assert fault.endswith(f"track 'snare': '{key}': a number is needed, without quotes")


def test_all_faults_are_told_together(tmp_path):
    with pytest.raises(TakeError) as caught:
        read_offsets(written(tmp_path, entry(channel=0), entry(track="kick", shift_s=None)))
    assert len(caught.value.faults) == 2


def test_a_track_that_stands_twice_is_refused(tmp_path):
    with pytest.raises(TakeError, match="'snare' stands in it twice"):
        read_offsets(written(tmp_path, entry(), entry()))


@given(st.binary(max_size=300))
def test_no_bytes_bring_it_down(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "fuzzed.json"
    path.write_bytes(data)
    with pytest.raises(TakeError):
        read_offsets(path)


def test_an_empty_file_is_called_so(tmp_path):
    (tmp_path / "none.json").write_text(" \n")
    with pytest.raises(TakeError, match="is empty: give the offsets"):
        read_offsets(tmp_path / "none.json")


def test_deep_nesting_is_refused(tmp_path):
    path = tmp_path / "deep.json"
    path.write_text("[" * 100_000)
    with pytest.raises(TakeError, match=r"deep\.json"):
        read_offsets(path)


@given(st.text(max_size=40).filter(bool))
def test_no_name_becomes_a_formula(name):
    sheet = OffsetsFile(reference="a", sample_rate=RATE, tracks=(TrackOffset.model_validate(entry(track=name)),))
    body = csv_text(sheet, speed_of_sound_m_s=343.2).split("\r\n", 1)[1]
    assert body.lstrip('" ')[0] not in "=+-@\t\r" or not body.lstrip('" ')
