"""offsets.json and offsets.csv: what alignment did, to be read, edited and applied again.

``offsets.json`` holds a SHA-256 of every original, so that shifts are never applied to a file that changed. Edit
``shift_samples`` (or ``shift_s``), ``polarity_flip`` or ``applied`` and hand the file to ``micalign align --offsets``.
``file`` is a bare name: nothing is ever written outside the output folder. ``offsets.csv`` holds the same for a
spreadsheet; cells that a spreadsheet could take for a formula are quoted.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from micalign.errors import TakeError
from micalign.files.specs import refuse_special, spoken_read
from micalign.scene.crosscheck import nearest

__all__ = ["AllPass", "OffsetsFile", "SumGainDb", "TrackOffset", "csv_text", "file_hash", "read_offsets"]

_MOST_BYTES: Final = 10_000_000
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_CHUNK: Final = 1 << 20
_UNEDITED_SAMPLES: Final = 0.6  # a shift in whole samples is up to half a sample from the delay


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class AllPass(_Strict):
    """One all-pass section on a track."""

    hz: float = Field(gt=0, lt=100_000)
    q: float = Field(gt=0, lt=100)


class SumGainDb(_Strict):
    """Coherent gain of the sum of all tracks; null for silence."""

    before: float | None
    after: float | None


class TrackOffset(_Strict):
    """One track: what was measured and what is applied; ``original`` is relative to the offsets file."""

    track: str = Field(min_length=1, max_length=4096)
    file: str | None = None
    delay_s: float
    uncertainty_s: float = 0.0
    shift_s: float = Field(ge=-120, le=120)
    shift_samples: float
    polarity_flip: bool
    reliable: bool
    applied: bool
    reason: str | None = None
    drift_ppm: float | None = Field(default=None, ge=-1000, le=1000)
    drift_corrected: bool = False
    all_pass: tuple[AllPass, ...] = Field(default=(), max_length=8)
    original: str = Field(min_length=1, max_length=4096)
    channel: int = Field(ge=1, le=1024)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class OffsetsFile(_Strict):
    """The whole document."""

    micalign: Literal["offsets"] = "offsets"
    version: Literal[1] = 1
    reference: str
    sample_rate: int = Field(gt=0, le=10_000_000)
    whole_samples: bool = False
    headroom_db: float = Field(default=0.0, ge=0, le=60)
    tracks: tuple[TrackOffset, ...] = Field(max_length=1024)
    sum_gain_db: SumGainDb = SumGainDb(before=None, after=None)
    bands: tuple[dict[str, float | None], ...] = ()
    remains: tuple[dict[str, str | float | int | None], ...] = ()
    phases: tuple[dict[str, str | float | int | None], ...] = ()
    compromise: str = ""

    def text(self) -> str:
        """As it is written."""
        return json.dumps(self.model_dump(mode="json"), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex."""
    found = hashlib.sha256()
    refuse_special(path)
    with spoken_read(path), path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            found.update(chunk)
    return found.hexdigest()


def read_offsets(path: str | os.PathLike[str]) -> OffsetsFile:
    """The offsets that a user hands back, every key checked.

    Raises
    ------
    TakeError
        All faults together, each with its place.
    """
    where = Path(path)
    document = _parsed(where)
    try:
        offsets = OffsetsFile.model_validate(document)
    except ValidationError as error:
        raise TakeError([_sentence(where, document, fault) for fault in error.errors()[:20]]) from error
    faults = [fault for one in offsets.tracks if (fault := _fault(where, one, offsets.sample_rate))]
    names = [one.track for one in offsets.tracks]
    if not names:
        faults.append(f"{where}: 'tracks' is empty: give the offsets.json that align wrote")
    faults += [
        f"{where}: the track '{name}' stands in it twice" for name in sorted(set(names)) if names.count(name) > 1
    ]
    if faults:
        raise TakeError(faults)
    return offsets.model_copy(update={"tracks": tuple(_edited(one, offsets.sample_rate) for one in offsets.tracks)})


def _parsed(where: Path) -> Any:
    if refuse_special(where, wanted="the offsets.json") > _MOST_BYTES:
        raise TakeError(f"{where} is larger than any offsets file: is it the right one?")
    with spoken_read(where):
        data = where.read_bytes()
    try:
        return json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise TakeError(f"{where} is no text: give the offsets.json that align wrote") from error
    except json.JSONDecodeError as error:
        raise TakeError(
            f"{where}, line {error.lineno}, column {error.colno}: {error.msg}: is a comma missing?"
        ) from error
    except (RecursionError, ValueError) as error:
        raise TakeError(f"{where} is no offsets file: give the offsets.json that align wrote") from error


def _sentence(where: Path, document: Any, fault: Any) -> str:
    place = list(fault["loc"])
    words = str(where)
    if place[:1] == ["tracks"] and len(place) > 1 and isinstance(place[1], int):
        words += f", track {_track_name(document, place[1])}"
        place = place[2:]
    key = ".".join(str(part) for part in place)
    if fault["type"] == "extra_forbidden":
        known = [*TrackOffset.model_fields, *OffsetsFile.model_fields]
        return f"{words}: the key '{key}' is not known{nearest(key, known)}"
    message = str(fault["msg"])
    return f"{words}: '{key}': {message[:1].lower()}{message[1:]}" if key else f"{words}: {message}"


def _track_name(document: Any, index: int) -> str:
    try:
        return f"'{document['tracks'][index]['track']!s:.80}'"
    except (KeyError, IndexError, TypeError):
        return f"number {index + 1}"


def _fault(where: Path, one: TrackOffset, rate: int) -> str | None:
    if one.file is not None and (Path(one.file).name != one.file or "\\" in one.file or one.file in {".", ".."}):
        return f"{where}, track '{one.track}': 'file' must be a bare file name, not '{one.file}'"
    edits = [_edit_samples(one, shift, rate) for shift in (one.shift_samples, one.shift_s * rate)]
    if _disagree(one, rate) and min(edits) > _UNEDITED_SAMPLES:
        return (
            f"{where}, track '{one.track}': shift_samples ({one.shift_samples:g}) and shift_s ({one.shift_s:g}) "
            f"do not agree at {rate} Hz: change both, or take one edit back"
        )
    return None


def _disagree(one: TrackOffset, rate: int) -> bool:
    return abs(one.shift_samples - one.shift_s * rate) > 1e-3


def _edit_samples(one: TrackOffset, shift_samples: float, rate: int) -> float:
    """How far a shift is from the one that was measured (or from none, where none was applied)."""
    measured = abs(shift_samples + one.delay_s * rate)
    return measured if one.reliable else min(measured, abs(shift_samples))


def _edited(one: TrackOffset, rate: int) -> TrackOffset:
    """Both shifts as the edited one says: the one further from what was measured."""
    in_s = one.shift_s * rate
    if _edit_samples(one, in_s, rate) > _edit_samples(one, one.shift_samples, rate) and _disagree(one, rate):
        return one.model_copy(update={"shift_samples": in_s})
    return one.model_copy(update={"shift_s": one.shift_samples / rate})


def csv_text(offsets: OffsetsFile, *, speed_of_sound_m_s: float) -> str:
    """The same for a spreadsheet, one row a track.

    >>> entry = TrackOffset(track="=2+2", delay_s=0.001, shift_s=-0.001, shift_samples=-48, polarity_flip=True,
    ...     reliable=True, applied=True, original="a.wav", channel=1, sha256="0" * 64)
    >>> sheet = OffsetsFile(reference="a", sample_rate=48000, tracks=(entry,))
    >>> print(csv_text(sheet, speed_of_sound_m_s=343.2).splitlines()[1])
    '=2+2,flip,-48.000,-1.0000,-34.32,yes,
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["track", "polarity", "samples", "ms", "centimetres of air", "reliable", "note"])
    for one in offsets.tracks:
        centimetres = one.shift_s * speed_of_sound_m_s * 100.0
        writer.writerow(
            [
                _cell(one.track),
                "flip" if one.polarity_flip else "same",
                f"{one.shift_samples:.3f}",
                f"{one.shift_s * 1e3:.4f}",
                f"{centimetres:.2f}",
                "yes" if one.reliable else "no",
                _cell(_note(one)),
            ]
        )
    return out.getvalue()


def _note(one: TrackOffset) -> str:
    words = [] if one.applied else ["not applied"]
    words += [one.reason] if one.reason else []
    words += [f"all-pass {section.hz:.0f} Hz Q {section.q:.2f}" for section in one.all_pass]
    return "; ".join(words)


def _cell(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    plain = "".join(char if char.isprintable() else " " for char in text)
    return f"'{plain}" if plain.lstrip().startswith(_FORMULA) or text.startswith(_FORMULA) else plain
