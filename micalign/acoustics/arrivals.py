"""What becomes of a sound on its straight way from a source to a mic: when, how loud and how surely does it arrive?

Three steps. The air: how fast sound travels in it, and what it takes. The mic's pattern: how strongly it hears what
comes from an angle, and what comes from everywhere. Both together: every source at every mic.

Air: temperature in degrees Celsius, relative humidity in percent, pressure in kPa, speed in m/s, absorption in dB per
metre. Sources: O. Cramer, "The variation of the specific heat ratio and the speed of sound in air with temperature,
pressure, humidity, and CO2 concentration", J. Acoust. Soc. Am. 93(5), 2510-2516, 1993 (stated error below 300 ppm
from 0 to 30 C and 75 to 102 kPa); ISO 9613-1:1993, equations 3 to 5 and annex B.

First-order patterns s = a + (1 - a) cos(angle), with the omni share a of `micalign.scene.model.PATTERNS`; amplitude,
1 on the axis, negative on a rear lobe (there the mic hears inverted). The pattern is taken as the same at every
frequency; real mics are broader below and narrower above, and no null of theirs is bottomless: `Pattern.heard` says
how strongly a direction is heard at the least. Terms after IEC 60268-4 (from memory): the random energy efficiency is
the power taken from a diffuse field against that of an omni of the same sensitivity on the axis, its inverse the
directivity.

Arrivals are arrays of shape (S, M): sources down, mics across. Metres, seconds, dB. Levels fall with the distance
(6.02 dB for each doubling: a point source in free field) and with the mic's pattern; 0 dB is 1 m on the axis.
Uncertainties are one standard deviation, by first-order propagation from those of the positions and of the air.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from micalign.acoustics.tuned import CLOSE_M
from micalign.arrays import Floats
from micalign.errors import SceneError, unknown
from micalign.scene.model import PATTERNS, Air, Mic, Point, Source
from micalign.scene.scene import Scene
from micalign.scene.tuned import REJECTION_DB
from micalign.units import Listing, Shown, amplitude_from_db, db_from_amplitude, many, show_ms_known

__all__ = [
    "FLOOR_DB",
    "KELVIN_AT_0_C",
    "VALID_PRESSURE_KPA",
    "VALID_TEMPERATURE_C",
    "Arrivals",
    "Pattern",
    "absorption_db_per_m",
    "aims",
    "arrivals",
    "distances_m",
    "floored_db",
    "gains",
    "is_close",
    "is_in_valid_range",
    "mic_gain",
    "speed_of_sound",
    "speed_of_sound_in",
    "speed_uncertainty_m_s",
]

VALID_TEMPERATURE_C: Final = (0.0, 30.0)
"""Degrees Celsius: where Cramer states his error; outside, the same polynomial is still used and `check` says so."""

VALID_PRESSURE_KPA: Final = (75.0, 102.0)
"""Kilopascals, likewise."""

_CO2: Final = 0.00042519  # mole fraction; 100 ppm more or less change the speed by 9 mm/s
KELVIN_AT_0_C: Final = 273.15
"""Kelvin, by the definition of the Celsius scale."""
_STANDARD_KPA: Final = 101.325
"""Kilopascals: the reference pressure of ISO 9613-1."""

# Cramer 1993, table III, a0 to a15 (t in Celsius, p in Pa, xw and xc mole fractions of water and CO2).
_A: Final = (
    *(331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782),
    *(-1.82e-7, 3.73e-8, -2.93e-10, -85.20931, -0.228525, 5.91e-5),
    *(-2.835149, -2.15e-13, 29.179762, 0.000486),
)

_MOST_COLUMNS: Final = 8
"""Sources that a terminal of usual width shows side by side."""

FLOOR_DB: Final = -200.0
"""What stands for minus infinity, so that every level is a finite number."""


def speed_of_sound(temperature_c: float, humidity_percent: float = 50.0, pressure_kpa: float = 101.325) -> float:
    """Speed of sound in moist air, m/s (Cramer 1993, equation 15).

    Parameters
    ----------
    temperature_c : float
        Air temperature; Cramer's range is 0 to 30 C.
    humidity_percent : float
        Relative humidity, 0 to 100.
    pressure_kpa : float
        Air pressure; Cramer's range is 75 to 102 kPa.

    Examples
    --------
    >>> round(speed_of_sound(20.0), 2), round(speed_of_sound(0.0, 0.0), 2)
    (343.98, 331.45)
    """
    t, p = temperature_c, pressure_kpa * 1e3
    a, water = _A, _water_fraction(t, humidity_percent, p)
    dry = a[0] + a[1] * t + a[2] * t**2
    moist = (a[3] + a[4] * t + a[5] * t**2) * water + a[12] * water**2
    pressed = (a[6] + a[7] * t + a[8] * t**2) * p + a[13] * p**2
    gassed = (a[9] + a[10] * t + a[11] * t**2) * _CO2 + a[14] * _CO2**2
    return dry + moist + pressed + gassed + a[15] * water * p * _CO2


def _water_fraction(t: float, humidity_percent: float, p: float) -> float:
    """Mole fraction of water vapour (Cramer 1993, appendix)."""
    kelvin = t + KELVIN_AT_0_C
    saturation_pa = np.exp(1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    return float(humidity_percent / 100.0 * enhancement * saturation_pa / p)


def speed_of_sound_in(air: Air) -> float:
    """Speed of sound in the air of a scene, m/s.

    >>> round(speed_of_sound_in(Air(21.0, 45.0)), 2)
    344.54
    """
    return speed_of_sound(air.temperature_c, air.humidity_percent, air.pressure_kpa)


def speed_uncertainty_m_s(air: Air) -> float:
    """One standard deviation of the speed, from those of temperature and humidity (first order).

    >>> round(speed_uncertainty_m_s(Air(temperature_plus_minus_c=1.0, humidity_plus_minus_percent=10.0)), 2)
    0.64
    """
    step_c, step_percent = 0.05, 0.5
    t, h, p = air.temperature_c, air.humidity_percent, air.pressure_kpa
    per_degree = (speed_of_sound(t + step_c, h, p) - speed_of_sound(t - step_c, h, p)) / (2 * step_c)
    per_percent = (speed_of_sound(t, h + step_percent, p) - speed_of_sound(t, h - step_percent, p)) / (2 * step_percent)
    return float(np.hypot(per_degree * air.temperature_plus_minus_c, per_percent * air.humidity_plus_minus_percent))


def is_in_valid_range(air: Air) -> bool:
    """Whether Cramer's stated error holds for this air."""
    low_c, high_c = VALID_TEMPERATURE_C
    low_kpa, high_kpa = VALID_PRESSURE_KPA
    return low_c <= air.temperature_c <= high_c and low_kpa <= air.pressure_kpa <= high_kpa


def absorption_db_per_m(frequency_hz: Floats, air: Air) -> Floats:
    """What the air takes from a pure tone, dB per metre (ISO 9613-1:1993, equations 3 to 5).

    Examples
    --------
    At 20 C and 70 % a tone of 1 kHz loses 5 dB in a kilometre, one of 8 kHz 77 dB.

    >>> np.round(absorption_db_per_m(np.array([1000.0, 7943.28]), Air(20.0, 70.0)) * 1000, 1)
    array([ 5. , 76.6])
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    kelvin = air.temperature_c + KELVIN_AT_0_C
    ratio, pressure = kelvin / 293.15, air.pressure_kpa / _STANDARD_KPA
    oxygen_hz, nitrogen_hz = _relaxation_hz(kelvin, air.humidity_percent, pressure)
    classical = 1.84e-11 / pressure * np.sqrt(ratio)
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen_hz + frequency**2 / oxygen_hz)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen_hz + frequency**2 / nitrogen_hz)
    absorbed: Floats = 8.686 * frequency**2 * (classical + ratio**-2.5 * (oxygen + nitrogen))
    return absorbed


def _relaxation_hz(kelvin: float, humidity_percent: float, pressure: float) -> tuple[float, float]:
    """Relaxation frequencies of oxygen and nitrogen (ISO 9613-1, equations 3 and 4; vapour by annex B)."""
    saturation = 10.0 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    vapour = humidity_percent * saturation / pressure
    ratio = kelvin / 293.15
    oxygen = pressure * (24.0 + 4.04e4 * vapour * (0.02 + vapour) / (0.391 + vapour))
    nitrogen = pressure * ratio**-0.5 * (9.0 + 280.0 * vapour * float(np.exp(-4.170 * (ratio ** (-1 / 3) - 1.0))))
    return oxygen, nitrogen


@dataclass(frozen=True, eq=False)
class Pattern:
    """The pattern of a mic, or of several: every figure is an array of the shape of ``omni_share``.

    Attributes
    ----------
    omni_share : array
        a in s = a + (1 - a) cos(angle).
    rejection_db : array
        No direction is heard more than this below the axis by a real mic.

    Examples
    --------
    >>> cardioid = Pattern.named("cardioid")
    >>> float(cardioid.gain(np.array(0.0))), float(cardioid.null_degrees)
    (0.5, 180.0)
    >>> round(float(cardioid.random_energy_efficiency), 4), round(float(cardioid.directivity), 3)
    (0.3333, 3.0)
    """

    omni_share: Floats
    rejection_db: Floats

    @classmethod
    def named(cls, name: str, *, rejection_db: float = REJECTION_DB) -> Pattern:
        """The pattern of that name, such as cardioid; `SceneError` where there is none."""
        if name not in PATTERNS:
            raise SceneError(unknown(name, PATTERNS, "pattern"))
        return cls(np.array(PATTERNS[name]), np.array(rejection_db))

    @classmethod
    def of(cls, mics: Iterable[Mic]) -> Pattern:
        """The patterns of M mics, shape (M,)."""
        pairs = np.array([(PATTERNS[mic.pattern], mic.rejection_db) for mic in mics], dtype=float).reshape(-1, 2)
        return cls(pairs[:, 0], pairs[:, 1])

    def gain(self, cos_angle: Floats) -> Floats:
        """Signed amplitude at an angle off the axis, 1 on it; the last axes of ``cos_angle`` are the mics."""
        signed: Floats = self.omni_share + (1.0 - self.omni_share) * cos_angle
        return signed

    def heard(self, gain: Floats) -> Floats:
        """How strongly a real mic hears where the pattern says ``gain``: its size, and no less than the rejection."""
        least: Floats = np.maximum(np.abs(gain), amplitude_from_db(-self.rejection_db))
        return least

    @cached_property
    def random_energy_efficiency(self) -> Floats:
        """Power from a diffuse field against an omni's: the mean of s squared over the sphere, a^2 + (1 - a)^2 / 3."""
        share: Floats = self.omni_share**2 + (1.0 - self.omni_share) ** 2 / 3.0
        return share

    @cached_property
    def directivity(self) -> Floats:
        """By how much more power the axis is heard than the mean of all directions; 1 for an omni."""
        return np.asarray(1.0 / self.random_energy_efficiency)

    @cached_property
    def null_degrees(self) -> Floats:
        """The angle off the axis at which the pattern hears nothing; nan where it has no null."""
        a = np.minimum(self.omni_share, 0.5)
        null: Floats = np.where(self.omni_share <= 0.5, np.degrees(np.arccos(-a / (1.0 - a))), np.nan)
        return null


def mic_gain(scene: Scene, mic: Mic, towards: Point) -> float:
    """Signed amplitude with which a mic hears a point: its pattern alone, without distance, gain or polarity.

    >>> from micalign.scene.model import Source
    >>> mic = Mic("overhead", (0.0, 0.0, 2.0), aim="snare", pattern="cardioid")
    >>> scene = Scene(sources=(Source("snare", (0.0, 0.0, 0.7)),), mics=(mic,))
    >>> mic_gain(scene, mic, (0.0, 0.0, 0.7)), mic_gain(scene, mic, (0.0, 1.0, 2.0))
    (1.0, 0.5)
    """
    axis = aims(scene, (mic,))
    return float(gains(np.array([towards]), np.array([mic.position]), axis, Pattern.of([mic]))[0, 0])


def aims(scene: Scene, mics: tuple[Mic, ...]) -> Floats:
    """The unit vectors along which mics look, shape (M, 3); zero for an omni that looks nowhere."""
    points = [scene.aim_point(mic) or mic.position for mic in mics]
    axes = np.array(points, dtype=float).reshape(-1, 3) - np.array([mic.position for mic in mics]).reshape(-1, 3)
    length = np.linalg.norm(axes, axis=-1, keepdims=True)
    unit: Floats = np.divide(axes, length, out=np.zeros_like(axes), where=length > 0)
    return unit


def gains(points_m: Floats, mics_m: Floats, axes: Floats, pattern: Pattern) -> Floats:
    """Signed amplitudes with which mics hear points.

    Parameters
    ----------
    points_m : array, shape (..., 3)
        Where the sound comes from; images of sources as well as sources.
    mics_m, axes : array, shape (M, 3)
        Where the mics stand and look (unit vectors).
    pattern : Pattern
        Of each mic, shape (M,), or one for all.

    Returns
    -------
    array, shape (..., M)
    """
    way = points_m[..., None, :] - mics_m
    length = np.linalg.norm(way, axis=-1)
    along = np.einsum("...mk,mk->...m", way, axes)
    cosine = np.divide(along, length, out=np.ones_like(along), where=length > 0)
    return pattern.gain(np.clip(cosine, -1.0, 1.0))


def distances_m(sources: Floats, mics: Floats) -> Floats:
    """Distances between every source and every mic: (S, 3) and (M, 3) to (S, M), metres.

    >>> distances_m(np.array([[0.0, 0.0, 0.0]]), np.array([[3.0, 4.0, 0.0], [0.0, 0.0, 1.0]]))
    array([[5., 1.]])
    """
    distance: Floats = np.linalg.norm(np.asarray(sources)[:, None, :] - np.asarray(mics)[None, :, :], axis=-1)
    return distance


def is_close(mic: Mic, sources: Iterable[Source]) -> bool:
    """Whether a mic stands within `CLOSE_M` of a source that it is there for; not known of what has no place yet.

    >>> snare, mic = Source("snare", (0.0, 0.0, 0.8)), Mic("snare mic", (0.0, 0.3, 0.8), on=("snare",))
    >>> is_close(mic, [snare]), is_close(Mic("room", (0.0, 0.3, 0.8)), [snare])
    (True, False)
    """
    own = [source for source in sources if source.name in mic.on]
    return any(source.is_placed and mic.is_placed and mic.metres_to(source) <= CLOSE_M for source in own)


def floored_db(amplitude: Floats) -> Floats:
    """The level of an amplitude, `FLOOR_DB` at the least, so that a null stays a finite number."""
    level: Floats = np.maximum(db_from_amplitude(np.asarray(amplitude, dtype=float)), FLOOR_DB)
    return level


@dataclass(frozen=True, eq=False, repr=False)
class Arrivals(Shown):
    """Every source at every mic.

    Attributes
    ----------
    sources, mics : tuple of str
        Names, in file order.
    source_m, mic_m : array, shape (S, 3) and (M, 3)
    source_sigma_m, mic_sigma_m : array, shape (S,) and (M,)
        One standard deviation of each coordinate.
    axes : array, shape (M, 3)
        Unit vectors along which the mics look; zero for an omni that looks nowhere.
    pattern : Pattern, shape (M,)
    distance_m, arrival_s, uncertainty_s : array, shape (S, M)
    gain : array, shape (S, M)
        Signed amplitude of the pattern towards the source.
    level_db : array, shape (S, M)
        Distance and pattern; 0 for 1 m on the axis. The mic's ``gain_db`` is not in it.
    blend_db : array, shape (S, M)
        The same with ``gain_db``: the level in the blend.
    sign : array, shape (S, M)
        +1 or -1: the mic's polarity times the sign of the lobe that hears the source.
    speed_m_s, speed_sigma_m_s : float
    """

    sources: tuple[str, ...]
    mics: tuple[str, ...]
    source_m: Floats
    mic_m: Floats
    source_sigma_m: Floats
    mic_sigma_m: Floats
    axes: Floats
    pattern: Pattern
    distance_m: Floats
    arrival_s: Floats
    uncertainty_s: Floats
    gain: Floats
    level_db: Floats
    blend_db: Floats
    sign: Floats
    speed_m_s: float
    speed_sigma_m_s: float

    def _listing(self) -> Listing:
        rows = (
            (mic, *map(show_ms_known, late[:_MOST_COLUMNS].tolist(), sigma[:_MOST_COLUMNS].tolist()))
            for mic, late, sigma in zip(self.mics, self.arrival_s.T, self.uncertainty_s.T, strict=True)
        )
        left = len(self.sources) - _MOST_COLUMNS
        more = f"; {left} more of {many(len(self.sources), 'source')} in the arrays" if left > 0 else ""
        title = f"Arrivals; sound travels at {self.speed_m_s:.1f} m/s{more}"
        return Listing(title, ("mic", *self.sources[:_MOST_COLUMNS]), rows, len(self.mics))

    def cell(self, source: str, mic: str) -> tuple[int, int]:
        """Row and column of a source and a mic."""
        return self.sources.index(source), self.mics.index(mic)


def arrivals(scene: Scene) -> Arrivals:
    """Distances, arrival times and levels of a scene whose positions are all known.

    Raises
    ------
    SceneError
        If a source or a mic has no position yet.

    Examples
    --------
    >>> from micalign.scene.model import Mic, Source
    >>> scene = Scene(sources=(Source("kick", (0, 0, 0)),), mics=(Mic("in", (0.5, 0, 0)), Mic("out", (2, 0, 0))))
    >>> np.round(arrivals(scene).level_db, 2)
    array([[ 6.02, -6.02]])
    """
    source_m = np.array([source.position for source in scene.sources], dtype=float).reshape(-1, 3)
    mic_m = np.array([mic.position for mic in scene.mics], dtype=float).reshape(-1, 3)
    axes = aims(scene, scene.mics)
    pattern = Pattern.of(scene.mics)
    distance = distances_m(source_m, mic_m)
    gain = gains(source_m, mic_m, axes, pattern)
    level = floored_db(gain / np.maximum(distance, 1e-6))
    polarity = np.array([mic.polarity for mic in scene.mics], dtype=float)
    source_sigma = np.array([source.plus_minus_m for source in scene.sources], dtype=float)
    mic_sigma = np.array([mic.plus_minus_m for mic in scene.mics], dtype=float)
    speed, speed_sigma = speed_of_sound_in(scene.air), speed_uncertainty_m_s(scene.air)
    return Arrivals(
        sources=tuple(source.name for source in scene.sources),
        mics=tuple(mic.name for mic in scene.mics),
        source_m=source_m,
        mic_m=mic_m,
        source_sigma_m=source_sigma,
        mic_sigma_m=mic_sigma,
        axes=axes,
        pattern=pattern,
        distance_m=distance,
        arrival_s=distance / speed,
        uncertainty_s=_uncertainty_s(distance, source_sigma, mic_sigma, speed, speed_sigma),
        gain=gain,
        level_db=level,
        blend_db=level + np.array([mic.gain_db for mic in scene.mics], dtype=float),
        sign=np.where(gain < 0, -1.0, 1.0) * polarity,
        speed_m_s=speed,
        speed_sigma_m_s=speed_sigma,
    )


def _uncertainty_s(
    distance: Floats, source_sigma: Floats, mic_sigma: Floats, speed: float, speed_sigma: float
) -> Floats:
    """First order: t = d / c, so var t = var d / c^2 + (t / c)^2 var c; var d is the sum of both ends' variances."""
    variance = (source_sigma[:, None] ** 2 + mic_sigma[None, :] ** 2) / speed**2
    sigma: Floats = np.sqrt(variance + (distance / speed**2 * speed_sigma) ** 2)
    return sigma
