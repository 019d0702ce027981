"""The sheets of an aligned set: offsets.json, to be read, edited and applied again; offsets.csv for people.

``offsets.json`` holds a SHA-256 of every original, so that shifts are never applied to a file that changed. Edit
``shift_samples`` (or ``shift_s``), ``polarity_flip`` or ``applied`` and hand the file to ``micalign align --offsets``;
``written_samples`` says what the files hold, so that an edit is known from what stood there. ``file`` is a bare name:
nothing is ever written outside the output folder.

The table is to be followed by hand in any editor: the sign stands in words in the heading, and each shift is also given
as a delay where no track may move earlier. Cells that a spreadsheet could take for a formula are quoted.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from micalign.errors import TakeError, nearest
from micalign.files import tuned
from micalign.files.aligned_audio import SUFFIX, suffix_fault
from micalign.files.headers import refuse_special, spoken_read

__all__ = [
    "AllPass",
    "OffsetsFile",
    "SumGainDb",
    "TrackOffset",
    "WrittenFile",
    "csv_text",
    "read_offsets",
]


_DAY_S: Final = 86_400.0  # time stamps count from midnight


def _no_truth(value: object) -> object:
    if isinstance(value, bool | str):
        raise ValueError("a number is needed")
    return value


Number = Annotated[float, BeforeValidator(_no_truth)]
"""A number; true and "1" are none."""

Whole = Annotated[int, BeforeValidator(_no_truth)]
"""A whole number, as strictly."""

Truth = Annotated[bool, Field(strict=True)]
"""True or false; 1, "yes" and "no" are neither."""


_WANTED: Final = {
    "missing": "it is missing: give the entry back that align wrote",
    "value_error": "a number is needed, without quotes",
    "float": "a number is needed",
    "int": "a whole number is needed",
    "bool": "true or false is needed, without quotes",
    "finite": "a finite number is needed",
    "string": "text of a sensible length, in quotes, is needed",
    "tuple": "a list in [ ] is needed",
    "too_long": "the list is too long",
    "dict": "a table in { } is needed",
    "model": "a table in { } is needed",
    "none": "null is needed",
}
"""What is wanted, by the beginning of the checker's name for the fault."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class AllPass(_Strict):
    """One all-pass section on a track."""

    hz: Number = Field(ge=tuned.LOWEST_HZ, lt=tuned.HIGHEST_HZ)
    q: Number = Field(gt=0, le=tuned.HIGHEST_Q)


class SumGainDb(_Strict):
    """Coherent gain of the sum of all tracks; null for silence."""

    before: Number | None
    after: Number | None


class WrittenFile(_Strict):
    """A file of the set and its SHA-256: only what is unchanged since may be replaced."""

    file: str = Field(min_length=1, max_length=tuned.LONGEST_TEXT)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class TrackOffset(_Strict):
    """One track: what was measured and what is applied; ``original`` is relative to the offsets file.

    ``basis`` is what its shift follows from: that all is laid onto it, when the sound arrives in it, where it adds up
    best, or nothing, since it was left as recorded. With "reference" and "recorded" ``delay_s`` was not measured but
    follows from the shifts, as exactly as those are known. Where it is not ``applied``, it is what the shift would
    follow from; null where a user edited the shift. ``as_recorded``: nothing is done to the track by right, so that it
    is neither ``reliable`` nor ``applied``; its file is written all the same. An edit of it is marked ``applied`` too.

    ``cut_samples`` of the original lie before its file's first sample, as loud as ``cut_dbfs`` (null: silent).
    ``start_s`` is by how much later than the reference it began by its time stamp; shifts count from there.
    """

    track: str = Field(min_length=1, max_length=tuned.LONGEST_TEXT)
    file: str | None = None
    delay_s: Number
    uncertainty_s: Number = 0.0
    shift_s: Number = Field(ge=-tuned.MOST_SHIFT_S, le=tuned.MOST_SHIFT_S)
    shift_samples: Number
    written_samples: Number | None = None
    polarity_flip: Truth
    written_flip: Truth | None = None
    reliable: Truth
    applied: Truth
    as_recorded: Truth = False
    reason: str | None = None
    basis: Literal["reference", "arrival", "sum", "recorded"] | None = None
    drift_ppm: Number | None = Field(default=None, ge=-tuned.MOST_DRIFT_PPM, le=tuned.MOST_DRIFT_PPM)
    drift_corrected: Truth = False
    all_pass: tuple[AllPass, ...] = Field(default=(), max_length=tuned.MOST_SECTIONS)
    cut_s: Number = Field(default=0.0, ge=0)
    cut_samples: Whole = Field(default=0, ge=0)
    cut_dbfs: Number | None = None
    noise_floor_dbfs: Number | None = None
    cut_is_heard: Truth = False
    start_s: Number = Field(default=0.0, ge=-_DAY_S, le=_DAY_S)
    resampled_from_hz: Whole | None = Field(default=None, gt=0, le=tuned.MOST_RATE_HZ)
    original: str = Field(min_length=1, max_length=tuned.LONGEST_TEXT)
    channel: Whole = Field(ge=1, le=tuned.MOST_TRACKS)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")

    @property
    def is_edited(self) -> bool:
        """Whether its shift or its polarity is another than what was written."""
        written = self.written_samples
        is_moved = written is None or abs(self.shift_samples - written) > tuned.AGREE_SAMPLES
        return is_moved or self.written_flip not in (None, self.polarity_flip)


class OffsetsFile(_Strict):
    """The whole document; ``laid_onto`` is the track that stays where another than the reference stands over a kit.

    Where silence was put in front of all files, ``pad_samples`` says how much; else it is null, and the files begin
    with the reference's first sample.
    """

    micalign: Literal["offsets"] = "offsets"
    version: Literal[1] = 1
    reference: str
    laid_onto: str | None = None
    sample_rate: Whole = Field(gt=0, le=tuned.MOST_RATE_HZ)
    whole_samples: Truth = False
    headroom_db: Number = Field(default=0.0, ge=0, le=tuned.MOST_HEADROOM_DB)
    pad_s: Number | None = Field(default=None, ge=0, le=_DAY_S)
    pad_samples: Whole | None = Field(default=None, ge=0, le=round(_DAY_S) * tuned.MOST_RATE_HZ)
    suffix: str = SUFFIX
    timestamps: Literal["placed", "ignored"] | None = None
    tracks: tuple[TrackOffset, ...] = Field(max_length=tuned.MOST_TRACKS)
    sum_gain_db: SumGainDb = SumGainDb(before=None, after=None)
    bands: tuple[dict[str, float | None], ...] = ()
    remains: tuple[dict[str, str | float | int | None], ...] = ()
    phases: tuple[dict[str, str | float | int | None], ...] = ()
    compromise: str = ""
    files: tuple[WrittenFile, ...] = Field(default=(), max_length=tuned.MOST_FILES)

    def text(self) -> str:
        """As it is written."""
        return json.dumps(self.model_dump(mode="json"), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


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
        raise TakeError(
            [_sentence(where, document, fault) for fault in error.errors()[: tuned.FAULTS_SHOWN]]
        ) from error
    faults = [fault for one in offsets.tracks if (fault := _fault(where, one, offsets.sample_rate))]
    names = [one.track for one in offsets.tracks]
    if not names:
        faults.append(f"{where}: 'tracks' is empty: give the offsets.json that align wrote")
    faults += [
        f"{where}: the track '{name}' stands in it twice" for name in sorted(set(names)) if names.count(name) > 1
    ]
    if names and offsets.reference not in names:
        faults.append(f"{where}: the reference '{offsets.reference}' is not among its tracks: give its own entry back")
    if names and offsets.laid_onto is not None and offsets.laid_onto not in names:
        faults.append(f"{where}: 'laid_onto', '{offsets.laid_onto}', is not among its tracks: leave it as it was")
    if fault := suffix_fault(offsets.suffix):
        faults.append(f"{where}: {fault}")
    if faults:
        raise TakeError(faults)
    return offsets.model_copy(update={"tracks": tuple(_edited(one, offsets.sample_rate) for one in offsets.tracks)})


def _parsed(where: Path) -> Any:
    if where.suffix.casefold() == ".csv":
        raise TakeError(f"{where} is for people and spreadsheets: edit and give the offsets.json beside it")
    if refuse_special(where, wanted="the offsets.json") > tuned.LARGEST_OFFSETS_BYTES:
        raise TakeError(f"{where} is larger than any offsets file: is it the right one?")
    with spoken_read(where):
        data = where.read_bytes()
    if not data.strip():
        raise TakeError(f"{where} is empty: give the offsets.json that align wrote")
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
    message = _message(fault)
    return f"{words}: '{key}': {message[:1].lower()}{message[1:]}" if key else f"{words}: {message}"


def _message(fault: Any) -> str:
    """A checker's word in ours."""
    limits = fault.get("ctx", {})
    for key, words in (("ge", "at least"), ("gt", "more than"), ("le", "at most"), ("lt", "less than")):
        if key in limits:
            return f"must be {words} {limits[key]:g}"
    kind = str(fault["type"])
    for start, words in _WANTED.items():
        if kind.startswith(start):
            return words
    return "this does not belong here: give the offsets.json that align wrote, edited only where it says so"


def _track_name(document: Any, index: int) -> str:
    try:
        return f"'{document['tracks'][index]['track']!s:.80}'"
    except (KeyError, IndexError, TypeError):
        return f"number {index + 1}"


def _fault(where: Path, one: TrackOffset, rate: int) -> str | None:
    if one.file is not None and (Path(one.file).name != one.file or "\\" in one.file or one.file in {".", ".."}):
        return f"{where}, track '{one.track}': 'file' must be a bare file name, not '{one.file}'"
    if abs(one.shift_samples) > tuned.MOST_SHIFT_S * rate:
        return (
            f"{where}, track '{one.track}': a shift of {one.shift_samples:g} samples is more than "
            f"{tuned.MOST_SHIFT_S:g} s at {rate} Hz: give a smaller one"
        )
    for k, section in enumerate(one.all_pass):
        if section.hz >= rate / 2:
            return (
                f"{where}, track '{one.track}': 'all_pass.{k}.hz': must be less than {rate / 2:g}, half the sample rate"
            )
    edits = [_edit_samples(one, shift, rate) for shift in (one.shift_samples, one.shift_s * rate)]
    if _disagree(one, rate) and min(edits) > tuned.UNEDITED_SAMPLES:
        return (
            f"{where}, track '{one.track}': shift_samples ({one.shift_samples:g}) and shift_s ({one.shift_s:g}) "
            f"do not agree at {rate} Hz: change both, or take one edit back"
        )
    return None


def _disagree(one: TrackOffset, rate: int) -> bool:
    return abs(one.shift_samples - one.shift_s * rate) > tuned.AGREE_SAMPLES


def _edit_samples(one: TrackOffset, shift_samples: float, rate: int) -> float:
    """How far a shift is from what stood there; where that is not kept, from what was measured or from none."""
    if one.written_samples is not None:
        return abs(shift_samples - one.written_samples)
    measured = abs(shift_samples + one.delay_s * rate)
    return measured if one.reliable else min(measured, abs(shift_samples))


def _edited(one: TrackOffset, rate: int) -> TrackOffset:
    """Both shifts as the edited one says: the one further from what stood there."""
    in_s = one.shift_s * rate
    if _edit_samples(one, in_s, rate) > _edit_samples(one, one.shift_samples, rate) and _disagree(one, rate):
        return one.model_copy(update={"shift_samples": in_s})
    return one.model_copy(update={"shift_s": one.shift_samples / rate})


_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_LATER: Final = "positive: move this track LATER"
_COLUMNS: Final = (
    "track",
    "original file",
    "channel",
    "written file",
    "sample rate in Hz",
    f"shift in samples ({_LATER})",
    f"shift in ms ({_LATER})",
    "delay only: samples (no track moves earlier)",
    "delay only: ms (no track moves earlier)",
    "polarity",
    "reliable",
    "remark",
    "centimetres of air (tracks of a mic)",
    "silence put in front of the written file in samples",
)


def csv_text(offsets: OffsetsFile, *, speed_of_sound_m_s: float, through_air: Collection[str] = ()) -> str:
    """The same to be followed by hand, one row a track, each shift also as a delay where no track may move earlier.

    Parameters
    ----------
    offsets : OffsetsFile
    speed_of_sound_m_s : float
    through_air : collection of str
        The tracks that a mic made: their shifts are also given in centimetres.

    Examples
    --------
    >>> entry = TrackOffset(track="=2+2", delay_s=0.001, shift_s=-0.001, shift_samples=-48, polarity_flip=True,
    ...     reliable=True, applied=True, original="a.wav", channel=1, sha256="0" * 64)
    >>> still = entry.model_copy(update={"track": "b", "shift_s": 0.0, "shift_samples": 0.0, "polarity_flip": False})
    >>> sheet = OffsetsFile(reference="b", sample_rate=48000, tracks=(entry, still))
    >>> for row in csv_text(sheet, speed_of_sound_m_s=343.2, through_air={"=2+2"}).splitlines()[1:]:
    ...     print(row)
    '=2+2,a.wav,1,,48000,-48.000,-1.0000,0.000,0.0000,flip,yes,,-34.3,0
    b,a.wav,1,,48000,0.000,0.0000,48.000,1.0000,same,yes,,,0
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    earliest = min([0.0, *(one.shift_samples for one in offsets.tracks)])
    for one in offsets.tracks:
        later = one.shift_samples - earliest
        centimetres = one.shift_s * speed_of_sound_m_s * 100.0
        writer.writerow(
            [
                _cell(one.track),
                _cell(one.original),
                one.channel,
                _cell(one.file or ""),
                offsets.sample_rate,
                f"{one.shift_samples:.3f}",
                f"{one.shift_s * 1e3:.4f}",
                f"{later:.3f}",
                f"{later / offsets.sample_rate * 1e3:.4f}",
                "flip" if one.polarity_flip else "same",
                "yes" if one.reliable else "no",
                _cell(_note(one)),
                f"{centimetres:.1f}" if (one.applied or one.as_recorded) and one.track in through_air else "",
                offsets.pad_samples or 0,
            ]
        )
    return out.getvalue()


def _note(one: TrackOffset) -> str:
    words = [] if one.applied or one.as_recorded else ["not moved"]
    words += [one.reason] if one.reason else []
    words += [f"converted from {one.resampled_from_hz} Hz"] if one.resampled_from_hz else []
    words += [f"its time stamp is {one.start_s:+.6f} s from the reference's"] if one.start_s else []
    words += [f"all-pass {section.hz:.0f} Hz Q {section.q:.2f}" for section in one.all_pass]
    words += [f"the written file loses the first {one.cut_samples} samples"] if one.cut_is_heard else []
    return "; ".join(words)


def _cell(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    plain = "".join(char if char.isprintable() else " " for char in text)
    return f"'{plain}" if plain.lstrip().startswith(_FORMULA) or text.startswith(_FORMULA) else plain
