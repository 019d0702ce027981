"""How fast does sound travel in this air, and what does the air take from it?

Temperature in degrees Celsius, relative humidity in percent, pressure in kPa, speed in m/s, absorption in dB per
metre. Sources: O. Cramer, "The variation of the specific heat ratio and the speed of sound in air with temperature,
pressure, humidity, and CO2 concentration", J. Acoust. Soc. Am. 93(5), 2510-2516, 1993 (stated error below 300 ppm
from 0 to 30 C and 75 to 102 kPa); ISO 9613-1:1993, equations 3 to 5 and annex B.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Floats
from micalign.scene.surroundings import Air

__all__ = [
    "KELVIN_AT_0_C",
    "VALID_PRESSURE_KPA",
    "VALID_TEMPERATURE_C",
    "absorption_db_per_m",
    "is_in_valid_range",
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
