"""The inverse-distance law and both readings of the three-to-one rule, in scenes."""

from __future__ import annotations

import outside
import pytest

from micalign.acoustics.prediction import predict
from micalign.acoustics.tuned import BLEED_DB
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene


def _two(source_other: float, mic_other: float, ahead: float = 1.0) -> Scene:
    """Two sources and an omni ``ahead`` of each; sources and mics so far apart to the side."""
    return Scene(
        sources=(Source("a", (0.0, 0.0, 1.0)), Source("b", (source_other, 0.0, 1.0))),
        mics=(Mic("for a", (0.0, ahead, 1.0), on=("a",)), Mic("for b", (mic_other, ahead, 1.0), on=("b",))),
    )


@pytest.mark.parametrize("row", outside.rows(4, "inv_"), ids=lambda row: row["id"])
def test_inverse_distance(row: dict) -> None:
    """Level falls by 20 log10 of the ratio of distances."""
    near, far = row["inputs"]["d1_m"], row["inputs"]["d2_m"]
    scene = Scene(
        sources=(Source("a", (0.0, 0.0, 0.0)),), mics=(Mic("near", (near, 0.0, 0.0)), Mic("far", (0.0, far, 0.0)))
    )
    paths = predict(scene).paths
    outside.confirm(
        f"{near} m to {far} m",
        paths[0].level_db - paths[1].level_db,
        row["expected"],
        within=0.0001,
        source=row["source"],
        unit="dB",
    )


@pytest.mark.parametrize("row", outside.rows(4, "three_"), ids=lambda row: row["id"])
def test_three_to_one(row: dict) -> None:
    """Path reading: the source 3 times as far. Mic reading: mics 3 times as far apart, sources side by side."""
    by_path = "own-vs-other" in row["inputs"]["reading"]
    if by_path:
        scene = Scene(
            sources=(Source("a", (0.0, 0.0, 0.0)),),
            mics=(Mic("own", (1.0, 0.0, 0.0), on=("a",)), Mic("other", (-3.0, 0.0, 0.0))),
        )
    else:
        scene = _two(3.0, 3.0)
    predicted = predict(scene)
    found = next(one for one in predicted.spacing if one.source == "a")
    comb = predicted.differences[0]
    for what, value, key in (
        ("level", -found.bleed_db, "level"),
        ("peak", comb.peak_height_db, "peak"),
        ("dip", comb.notch_depth_db, "dip"),
    ):
        outside.confirm(
            f"{row['inputs']['reading']}: {what}",
            value,
            row["expected"][key],
            within=0.001,
            source=row["source"],
            unit="dB",
        )
    assert found.bleed_passes
    assert found.passes


def test_the_two_readings_differ_by_half_a_decibel() -> None:
    """Mics exactly three times as far apart: 10 dB, not 9.54; ratio sqrt 10."""
    found = predict(_two(3.0, 3.0)).spacing[0]
    outside.confirm("path ratio", found.path_ratio, 10**0.5, within=1e-9, source="geometry", unit="to 1")
    outside.confirm(
        "difference of the readings",
        -found.bleed_db - BLEED_DB,
        0.458,
        within=0.0005,
        source="geometry: 10 dB against 20 log10 3",
        unit="dB",
    )


def test_just_short_of_three_to_one_fails() -> None:
    """A centimetre short of three times fails the first reading, and the second still passes."""
    found = predict(_two(2.99, 2.99)).spacing[0]
    assert not found.passes
    assert found.bleed_passes


def test_two_mics_24_inches_apart() -> None:
    """The handbook's talker 18 in away who moves 3 in to the side: 0.2 ms printed, exact geometry 0.2438 ms."""
    inch = 0.0254
    scene = Scene(
        sources=(Source("talker", (3 * inch, 18 * inch, 0.0)),),
        mics=(Mic("left", (-12 * inch, 0.0, 0.0)), Mic("right", (12 * inch, 0.0, 0.0))),
    )
    predicted = predict(scene)
    path_m = abs(predicted.differences[0].difference_s) * predicted.speed_of_sound_m_s
    source = "Everest and Pohlmann, Master Handbook of Acoustics, chapter 10 (geometry)"
    outside.confirm("path", path_m / inch, 3.306, within=0.0005, source=source, unit="in")
    outside.confirm(
        "time at 1130 ft/s",
        path_m / 0.3048 / 1130 * 1e3,
        0.2438,
        within=0.0001,
        source=source,
        unit="ms",
    )
