"""Any edit of an offsets file ends in offsets or in sentences, and nothing is written outside the folder asked for."""

from __future__ import annotations

import json
import os
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hostile
import numpy as np
import pytest
import soundfile
from commands import micalign
from hypothesis import given, settings
from hypothesis import strategies as st

from micalign.errors import TakeError
from micalign.files.offsets_file import csv_text, read_offsets

_KEYS = [
    "track", "file", "delay_s", "shift_s", "shift_samples", "polarity_flip", "reliable", "applied", "reason", "sha256",
    "drift_ppm", "all_pass", "original", "channel", "reference", "sample_rate", "tracks", "headroom_db", "zz",
]  # fmt: skip
_PLACES = ["../late.wav", "/etc/passwd", "/dev/zero", "..", ".", "", "a/b.wav", "a\\b.wav", "\0", "ref.wav", "x" * 300]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)  # the disk's pace is not what is tested here
        yield tmp_path_factory.mktemp("offsets")


@pytest.fixture(scope="module")
def sheet(folder: Path) -> dict[str, Any]:
    """A whole one, with its originals beside it."""
    hits = np.random.default_rng(7).standard_normal(8000) * np.exp(-np.arange(8000) / 600) * 0.2
    soundfile.write(folder / "ref.wav", hits, 8000, "PCM_16")
    soundfile.write(folder / "late.wav", np.roll(hits, 9), 8000, "PCM_16")
    said = micalign("align", folder / "ref.wav", folder / "late.wav", "-o", folder / "out")
    assert said.status == 0, said.err
    found: dict[str, Any] = json.loads((folder / "out" / "offsets.json").read_text("utf-8"))
    return found


def _value(draws: random.Random) -> Any:
    return draws.choice([draws.choice(_PLACES), hostile.anything(draws), draws.choice([0, -9, 0.00112, True, None])])


def _edited(sheet: dict[str, Any], draws: random.Random) -> bytes:
    """A sheet in which some values, keys or bytes are others."""
    new = json.loads(json.dumps(sheet))
    for _ in range(draws.randrange(1, 3)):
        whole = new["tracks"] if isinstance(new.get("tracks"), list) else []
        tracks = [one for one in whole if isinstance(one, dict)]
        table = new if draws.random() < 0.2 or not tracks else draws.choice(tracks)
        key = draws.choice(_KEYS)
        if draws.random() < 0.1:
            table.pop(key, None)
        elif key in table or draws.random() < 0.1:
            table[key] = _value(draws)
    text = json.dumps(new, ensure_ascii=draws.random() < 0.5)
    if draws.random() < 0.3:
        text = hostile.damaged(text, draws, [json.dumps(word) for word in [*hostile.NAMES, *_PLACES]])
    return text.encode("utf-8", "surrogatepass")


def _read(path: Path, data: bytes) -> bool:
    path.write_bytes(data)
    begun = time.process_time()
    try:
        offsets = read_offsets(path)
    except TakeError as error:
        assert all(str(path) in fault and len(fault) < 6000 for fault in error.faults)
        return False
    finally:
        assert time.process_time() - begun < 5.0
    json.loads(offsets.text())
    assert all(one.file is None or Path(one.file).name == one.file for one in offsets.tracks)
    rows = csv_text(offsets, speed_of_sound_m_s=343.2).split("\r\n")
    assert len(rows) == len(offsets.tracks) + 2
    assert not any(row.lstrip('"').startswith(("=", "+", "-", "@")) for row in rows)
    return True


@given(
    st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
)
@settings(max_examples=100)
def test_any_bytes_are_no_offsets_in_words(folder: Path, data: bytes) -> None:
    """Mostly no JSON."""
    _read(folder / "any.json", data)


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"a":' * 50_000, "9" * 100_000, "NaN", "null", "[]", '{"tracks": [[]]}']
)
def test_deep_and_bare_json_is_no_offsets_in_words(folder: Path, text: str) -> None:
    """Nesting beyond the reader, numbers beyond any, and JSON that is no table."""
    assert not _read(folder / "bare.json", text.encode())


@pytest.mark.parametrize("seed", range(50))
def test_an_edited_sheet_is_one_or_is_none_in_words(folder: Path, sheet: dict[str, Any], seed: int) -> None:
    """A quick share of the long run."""
    _read(folder / "edited.json", _edited(sheet, random.Random(f"quick {seed}")))


def _applied(folder: Path, data: bytes) -> int:
    """Hand the sheet to align and look at every file there was and is."""
    before = {path: path.read_bytes() for path in folder.glob("*.wav")}
    (folder / "out" / "edited.json").write_bytes(data)
    begun = time.process_time()
    said = micalign("align", "--offsets", folder / "out" / "edited.json", "-o", folder / "again", "--force", "-q")
    assert time.process_time() - begun < 5.0
    assert said.status in {0, 1, 2}
    assert "defect" not in said.err, (said.err, data)
    assert {path: path.read_bytes() for path in folder.glob("*.wav")} == before
    return said.status


@pytest.mark.parametrize("seed", range(15))
def test_align_follows_an_edited_sheet_or_says_why_not(folder: Path, sheet: dict[str, Any], seed: int) -> None:
    """The originals stay as they are."""
    _applied(folder, _edited(sheet, random.Random(f"align {seed}")))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_fifteen_thousand_edited_sheets(folder: Path, sheet: dict[str, Any], seed: int) -> None:
    """Three thousand from each seed, read; sixty of them applied. A good share must be whole."""
    draws = random.Random(seed)
    found, applied = 0, []
    for number in range(3000):
        data = _edited(sheet, draws)
        try:
            found += _read(folder / "edited.json", data)
            if number % 50 == 0:
                applied.append(_applied(folder, data))
        except BaseException as error:
            error.add_note(f"seed {seed}, case {number}: {data!r}")
            raise
    assert found > 300
    assert applied.count(2) < len(applied)
