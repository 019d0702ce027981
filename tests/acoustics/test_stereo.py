"""Pairs and direct lines in scenes: classes, tolerance, image, mono sum, DIs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from micalign.acoustics.comb import image_percent
from micalign.acoustics.prediction import Prediction, predict
from micalign.scene.model import Di, Mic, Pair, Source
from micalign.scene.scene import Scene


def _predicted(spacing_m: float, patterns: tuple[str, str] = ("cardioid", "cardioid"), **pair: object) -> Prediction:
    mics = tuple(
        Mic(name, (2.0 + side * spacing_m / 2, 1.0, 2.0), aim=(2.0 + side, 2.0, 2.0), pattern=pattern, on=("voice",))
        for name, side, pattern in zip(("left", "right"), (-1, 1), patterns, strict=True)
    )
    scene = Scene(
        sources=(Source("voice", (2.0, 3.0, 1.5)), Source("guitar", (3.2, 2.5, 1.2))),
        mics=mics,
        pairs=(Pair("p", ("left", "right"), **pair),),  # type: ignore[arg-type]
    )
    return predict(scene)


@pytest.mark.parametrize(
    ("spacing_m", "patterns", "kind"),
    [
        (0.0, ("cardioid", "cardioid"), "coincident"),
        (0.17, ("cardioid", "cardioid"), "near-coincident"),
        (0.60, ("omni", "omni"), "spaced"),
        (0.02, ("cardioid", "figure-8"), "mid-side"),
    ],
)
def test_class_by_geometry(spacing_m: float, patterns: tuple[str, str], kind: str) -> None:
    """Up to 5 cm coincident, up to 40 cm near-coincident, beyond spaced; a figure-8 beside another is mid-side."""
    geometry = _predicted(spacing_m, patterns).pair_geometry[0]
    assert geometry.kind == kind
    assert geometry.spacing_m == pytest.approx(spacing_m)


def test_angle_between_the_axes() -> None:
    """Two axes 45 degrees to each side, shifted with the capsules: the aim points tell."""
    assert _predicted(0.0).pair_geometry[0].angle_degrees == pytest.approx(90.0)


def test_an_omni_that_looks_nowhere_has_no_angle() -> None:
    """No aim, no axis: null rather than a made-up angle."""
    scene = Scene(
        sources=(Source("s", (2, 3, 1)),),
        mics=(Mic("a", (1.7, 1, 2)), Mic("b", (2.3, 1, 2))),
        pairs=(Pair("ab", ("a", "b")),),
    )
    assert predict(scene).pair_geometry[0].angle_degrees is None


def test_tolerance_and_distances() -> None:
    """A source on the middle line is equal and central; one to the right is sooner at the right mic."""
    voice, guitar = _predicted(0.3, equal_to=("voice",), tolerance_s=50e-6).pairs
    assert voice.equal_to
    assert voice.within_tolerance
    assert voice.distances_m[0] == pytest.approx(voice.distances_m[1])
    assert voice.image_percent == pytest.approx(0.0, abs=1e-6)
    assert not guitar.equal_to
    assert not guitar.within_tolerance
    assert guitar.difference_s < 0
    assert guitar.image_percent is not None
    assert guitar.image_percent > 20


def test_mid_side_has_no_image_before_it_is_decoded() -> None:
    """The raw channels of mid-side are no left and right."""
    assert all(row.image_percent is None for row in _predicted(0.0, ("cardioid", "figure-8")).pairs)


@given(st.floats(-2e-3, 2e-3), st.floats(-30, 30))
def test_the_image_is_odd_and_bounded(difference_s: float, level_db: float) -> None:
    """Swap the channels and the image goes to the other side; never beyond a loudspeaker."""
    there, back = image_percent(difference_s, level_db), image_percent(-difference_s, -level_db)
    assert there == pytest.approx(-back, abs=1e-9)
    assert -100 <= there <= 100


@given(st.floats(0, 1.2e-3), st.floats(0, 1.2e-3))
def test_a_larger_difference_never_pulls_less(one: float, other: float) -> None:
    """Later at the right mic pulls left, the more the later."""
    near, far = sorted((one, other))
    assert image_percent(far, 0.0) <= image_percent(near, 0.0) <= 0


def test_the_mono_sum_is_the_comb_of_the_two() -> None:
    """First notch, dip and peak are those of the pair's difference."""
    predicted = _predicted(0.6, ("omni", "omni"))
    voice, guitar = predicted.pairs
    row = next(row for row in predicted.differences if row.source == "guitar")
    assert row.first_notch_hz is not None
    assert guitar.mono_first_notch_hz == pytest.approx(row.first_notch_hz, rel=1e-5)
    assert guitar.mono_notch_depth_db == pytest.approx(row.notch_depth_db)
    assert voice.mono_first_notch_hz is None


def test_a_di_is_ahead_by_the_travel_of_sound() -> None:
    """The mic's arrival minus the DI's latency; the polarity of both counts."""
    scene = Scene(
        sources=(Source("bass", (0.0, 0.0, 0.5)),),
        mics=(Mic("near", (1.0, 0, 0.5), on=("bass",)), Mic("room", (4.0, 0, 0.5))),
        dis=(Di("di", "bass", latency_s=0.0005, polarity=-1),),
    )
    predicted = predict(scene)
    assert [row.mic for row in predicted.di_differences] == ["near"]
    row = predicted.di_differences[0]
    assert row.difference_s == pytest.approx(1 / predicted.speed_of_sound_m_s - 0.0005)
    assert row.polarity == -1
    assert row.first_notch_hz == 0.0
    assert row.uncertainty_s == predicted.paths[0].uncertainty_s


def test_a_di_that_no_mic_shares_is_held_against_all() -> None:
    """Where no mic is on the DI's source, every mic hears it anyway."""
    scene = Scene(
        sources=(Source("bass", (0.0, 0.0, 0.5)),),
        mics=(Mic("a", (1.0, 0, 0.5)), Mic("b", (4.0, 0, 0.5))),
        dis=(Di("di", "bass"),),
    )
    assert [row.mic for row in predict(scene).di_differences] == ["a", "b"]
