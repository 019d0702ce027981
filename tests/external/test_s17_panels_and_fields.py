"""Panels, the reverberant field and standing waves against published formulas, worked by other means.

Published are the formulas: J. H. Rindel, "Attenuation of sound reflections due to diffraction", Nordic Acoustical
Meeting 1986 (from memory), for a panel's lower limit; the reverberation radius 0.057 sqrt(V / T) of H. Kuttruff, Room
Acoustics (from memory); Hopkins and Stryker, Proc. IRE 36, 1948. The values are derived from them here, through
vectors instead of the program's heights above a plane.
"""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import outside
import pytest
from scipy.spatial.transform import Rotation

from micalign.acoustics.arrivals import Pattern
from micalign.acoustics.prediction import predict
from micalign.acoustics.room import (
    Mode,
    critical_distance_m,
    gaps,
    lower_limit_hz,
    mode_strengths,
    modes,
    panel_frame,
    reverberation_s,
    strikes,
)
from micalign.scene.model import Absorption, Mic, Panel, Room, Source
from micalign.scene.scene import Scene

RINDEL = "Rindel 1986 (formula, from memory): f = c a* / (2 S cos(angle)), a* = 2 a1 a2 / (a1 + a2)"
KUTTRUFF = "Kuttruff, Room Acoustics (formula, from memory): 0.057 sqrt(V / T)"
HOPKINS = "Hopkins and Stryker 1948 (formula): 4 / R against 1 / (4 pi r^2)"
ROOM = Room((5.0, 4.0, 3.0), Absorption(*[0.19] * 6))


@pytest.mark.parametrize(("above_source", "above_mic", "across"), [(1.0, 1.0, 1.0), (0.5, 2.0, 1.5), (3.0, 0.6, 0.4)])
def test_from_where_a_panel_reflects_in_full(above_source: float, above_mic: float, across: float) -> None:
    """The lowest frequency of a table top of 1.4 by 0.9 m, from straight above to a slanting angle"""
    # The bounce lies at the panel's middle: both ways meet it at one angle.
    slope = across / (above_source + above_mic)
    source = np.array([-slope * above_source, 0.0, 0.7 + above_source])
    mic = np.array([slope * above_mic, 0.0, 0.7 + above_mic])
    middle = np.array([0.0, 0.0, 0.7])
    a1, a2 = np.linalg.norm(source - middle), np.linalg.norm(mic - middle)
    cosine = (source - middle)[2] / a1
    expected = 343.2 * 2 * a1 * a2 / (a1 + a2) / (2 * 1.4 * 0.9 * cosine)
    frame = panel_frame(Panel("table", (0.0, 0.0, 0.7), (0.0, 0.0, 1.0), (1.4, 0.9)))
    found = float(lower_limit_hz(frame, source[None], mic[None], 343.2)[0, 0])
    outside.confirm(
        f"{above_source:g} and {above_mic:g} m above", found, expected, within=0.01, source=RINDEL, unit="Hz"
    )


@pytest.mark.parametrize("normal", [(0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (1.0, 0.0, 0.0)])
def test_a_turned_panel_lies_as_the_right_hand_turns(normal: tuple[float, float, float]) -> None:
    """25 degrees about the face's own direction, thumb along it; where a narrow panel reflects tells which way"""
    straight = panel_frame(Panel("p", (0.0, 0.0, 0.0), normal, (2.0, 0.2)))
    turned = panel_frame(Panel("p", (0.0, 0.0, 0.0), normal, (2.0, 0.2), turn_degrees=25.0))
    turn = Rotation.from_rotvec(np.radians(25.0) * np.array(normal))
    for axis, value in enumerate(turn.apply(straight.across)):
        outside.confirm(
            f"its width along {'xyz'[axis]}",
            float(turned.across[axis]),
            float(value),
            within=1e-9,
            source="scipy Rotation",
        )
    end = turn.apply(0.9 * straight.across) + np.array(normal)
    struck = strikes(turned, end, end)
    outside.confirm("its far end reflects", float(struck), 1.0, within=0, source="geometry")


def test_the_critical_distance_of_a_handbook() -> None:
    """60 cubic metres at 0.54 s: where direct and reverberant sound are equal"""
    time = reverberation_s(ROOM, 343.0)[0] or 0.0
    expected = 0.057 * (60.0 / time) ** 0.5
    # 0.057 is the two-digit rounding of sqrt(0.161 / (16 pi)) = 0.0566.
    outside.confirm(
        "reverberation radius", critical_distance_m(ROOM), expected, within=0.006, source=KUTTRUFF, unit="m"
    )


@pytest.mark.parametrize("pattern", ["omni", "cardioid", "hypercardioid"])
def test_a_close_mic_hears_the_field_that_is_published(pattern: str) -> None:
    """Direct sound, six first bounces and what is left of 4 / R after them, times the pattern's share of all around"""
    mic = Mic("m", (2.0, 1.8, 1.5), aim="s", pattern=pattern, on=("s",), rejection_db=60.0)
    found = predict(Scene(room=ROOM, sources=(Source("s", (2.3, 2.2, 1.4)),), mics=(mic,)))
    a, surface = 0.19, 94.0
    constant = surface * a / (1 - a)
    share = {"omni": 1.0, "cardioid": 1 / 3, "hypercardioid": 0.25}[pattern]
    later = 4 / constant * (1 - a) * share * 4 * np.pi
    direct = 10 ** (found.paths[0].level_db / 10)
    bounces = sum(10 ** ((found.paths[0].level_db + row.level_db) / 10) for row in found.reflections)
    expected = 10 * np.log10(direct + bounces + later)
    outside.confirm(
        f"{pattern} at 0.5 m", found.paths[0].heard_db, float(expected), within=0.01, source=HOPKINS, unit="dB"
    )
    sensitivity = float(Pattern.named(pattern).directivity) ** 0.5
    printed = {"omni": 1.0, "cardioid": 1.7, "hypercardioid": 2.0}[pattern]
    outside.confirm(
        f"{pattern}: distance factor",
        sensitivity,
        printed,
        within=0.05,
        source="Eargle, The Microphone Book, ch. 5 (from memory)",
    )


def test_a_place_in_a_standing_wave() -> None:
    """The pressure of the first modes in a corner, a quarter of the way and in the middle: products of cosines"""
    orders = (Mode(34.3, (1, 0, 0)), Mode(54.9, (1, 1, 0)), Mode(68.6, (2, 0, 0)))
    places = np.array([[0.0, 0.0, 0.0], [1.25, 1.0, 1.0], [2.5, 2.0, 1.5]])
    found = mode_strengths((5.0, 4.0, 3.0), orders, places)
    expected = [[1.0, 1.0, 1.0], [0.70711, 0.5, 0.0], [0.0, 0.0, 1.0]]
    for row, (values, wanted) in enumerate(zip(found, expected, strict=True)):
        for column, value in enumerate(wanted):
            outside.confirm(
                f"place {row + 1}, mode {column + 1}", float(values[column]), value, within=1e-5,
                source="Rayleigh, rigid walls: cos(n pi x / L) (formula)",
            )  # fmt: skip


def test_gaps_between_modes() -> None:
    """Neighbours more than 20 Hz apart in a small booth: which, from a list made by counting"""
    size = (1.9, 1.7, 2.1)
    orders = [order for order in product(range(8), repeat=3) if any(order)]
    counted = sorted(343.0 / 2 * float(np.linalg.norm(np.array(order) / size)) for order in orders)
    wanted = [(a, b) for a, b in pairwise(counted) if b - a > 20.0 and a < 150.0 and b < 300.0]
    found = gaps(modes(size, 343.0), 150.0)
    outside.confirm("how many", len(found), len(wanted), within=0, source="Gilford 1959 (20 Hz, from memory)")
    assert wanted
    outside.confirm(
        "the first begins at", found[0].from_hz, wanted[0][0], within=0.001, source="Rayleigh (formula)", unit="Hz"
    )
