"""What ``check`` found, as a JSON document.

Keys are the field names of the rows in `micalign.acoustics`; numbers are rounded far below what positions can be
known to (micrometres, nanoseconds, ten-thousandths of a decibel), which keeps the document small.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from functools import cache
from typing import Any, Final

from micalign.acoustics.prediction import Prediction
from micalign.acoustics.room import RoomFigures
from micalign.findings.finding import Finding

__all__ = ["check_document", "finding_rows", "rows"]

_DECIMALS: Final = {"_s": 9, "_m": 6, "_m_s": 4, "_db": 4, "_hz": 3, "_percent": 1, "_degrees": 2, "ratio": 5}

_ROUNDED: Final = frozenset({"notches_hz", "peaks_hz"})  # where they are made


@cache
def _decimals(key: str) -> int:
    endings = [ending for ending in _DECIMALS if key.endswith(ending)]
    return _DECIMALS[max(endings, key=len)] if endings else 6


def rows(items: Sequence[Any], *, leave_out: frozenset[str] = frozenset()) -> list[dict[str, Any]]:
    """Frozen rows as JSON objects, numbers rounded by the unit in their name."""
    if not items:
        return []
    keys = [field.name for field in fields(items[0]) if field.name not in leave_out]
    columns = [_column([getattr(item, key) for item in items], key) for key in keys]
    return [dict(zip(keys, row, strict=True)) for row in zip(*columns, strict=True)]


def _column(values: list[Any], key: str) -> list[Any]:
    if key in _ROUNDED:
        return values
    places = _decimals(key)
    return [round(value, places) if isinstance(value, float) else _plain(value, places) for value in values]


def _plain(value: Any, places: int) -> Any:
    if isinstance(value, tuple):
        return [round(one, places) if isinstance(one, float) else one for one in value]
    return value


def finding_rows(found: Sequence[Finding]) -> list[dict[str, Any]]:
    """Findings as JSON objects; ``changes`` is the remedy that was tried and holds, for a script to apply."""
    leave_out = frozenset({"weight", "about", "alike", "propose", "changes"})
    listed = rows(found, leave_out=leave_out)
    return [{**row, "changes": _changes(finding)} for row, finding in zip(listed, found, strict=True)]


def _changes(finding: Finding) -> list[dict[str, Any]]:
    return [{key: _listed(value) for key, value in asdict(change).items()} for change in finding.changes]


def _listed(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def check_document(
    name: str, predicted: Prediction, found: Sequence[Finding], *, cautions: Sequence[str] = ()
) -> dict[str, Any]:
    """The document of ``check --json``.

    Parameters
    ----------
    name : str
        What to call the scene: its title, or its file.
    predicted : Prediction
    found : sequence of Finding
    cautions : sequence of str
        What to mind where the work can hurt someone.
    """
    return {
        "scene": name,
        "speed_of_sound_m_s": round(predicted.speed_of_sound_m_s, 4),
        "speed_uncertainty_m_s": round(predicted.speed_uncertainty_m_s, 4),
        "paths": rows(predicted.paths),
        "differences": rows(predicted.differences),
        "spacing": rows(predicted.spacing),
        "bleed": rows(predicted.bleed),
        "reflections": rows(predicted.reflections),
        "room": _room(predicted.room),
        "pairs": rows(predicted.pairs),
        "pair_geometry": rows(predicted.pair_geometry),
        "di_differences": rows(predicted.di_differences),
        "findings": finding_rows(found),
        "cautions": list(cautions),
    }


def _room(room: RoomFigures | None) -> Mapping[str, Any] | None:
    if room is None:
        return None
    document = rows([room], leave_out=frozenset({"modes", "gaps", "pile_ups", "strengths"}))[0]
    document["modes"] = [{"hz": round(mode.hz, 3), "order": list(mode.order), "kind": mode.kind} for mode in room.modes]
    document["gaps"] = [asdict(gap) for gap in room.gaps]
    document["pile_ups"] = [asdict(pile) for pile in room.pile_ups]
    document["mode_strengths"] = [
        {"name": name, "strengths": [round(value, 3) for value in row]} for name, row in room.strengths.items()
    ]
    return document
