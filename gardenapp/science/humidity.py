"""Moisture in the air: vapour pressure, dew point, frost point, wet bulb.

The water-surface formulas are those of FAO Irrigation and Drainage Paper 56; they stay on
the water curve below 0 °C, as dew points in forecasts do. The ice curve is a separate
function, for frost points and for comparing with tables that change over at 0 °C.
"""

from __future__ import annotations

import math

from gardenapp.errors import OutOfRange
from gardenapp.messages import Number, say

_E0_HPA = 6.108  # FAO-56 eq. 11, 0.6108 kPa
_A = 17.27  # FAO-56 eq. 11
_B_C = 237.3  # FAO-56 eq. 11
_LOWEST_C, _HIGHEST_C = -60.0, 60.0
_VAPOUR_GAS_CONSTANT = 461.5  # [J kg-1 K-1], gas constant of water vapour
_VENTILATED_PSYCHROMETER_PER_K = 0.000662  # FAO-56 eq. 16, ventilated (Asmann) type
_KELVIN = 273.15


def _in_range(name: str, value_c: float) -> float:
    if not _LOWEST_C <= value_c <= _HIGHEST_C:
        raise OutOfRange(
            say(
                "%(name)s must be %(least)s to %(most)s °C, not %(value)s",
                name=name,
                least=Number(_LOWEST_C),
                most=Number(_HIGHEST_C),
                value=value_c,
            )
        )
    return value_c


def _humidity_in_range(humidity_percent: float) -> float:
    if not 0.0 < humidity_percent <= 100.0:
        raise OutOfRange(
            say(
                "%(name)s must be above 0 and at most 100, not %(value)s",
                name="humidity_percent",
                value=humidity_percent,
            )
        )
    return humidity_percent


def saturation_vapour_pressure_hpa(temperature_c: float) -> float:
    """Vapour pressure of air that can hold no more water, over water.

    Parameters
    ----------
    temperature_c : air or surface temperature, -60 to 60. [°C]

    Returns
    -------
    Saturation vapour pressure. [hPa]

    Raises OutOfRange outside that.

    References
    ----------
    FAO Irrigation and Drainage Paper 56, eq. 11.

    Examples
    --------
    >>> round(saturation_vapour_pressure_hpa(15.0), 2)
    17.05
    """
    t = _in_range("temperature_c", temperature_c)
    return _E0_HPA * math.exp(_A * t / (t + _B_C))


def saturation_vapour_pressure_ice_hpa(temperature_c: float) -> float:
    """Vapour pressure in balance with ice, for frost points; -60 to 0 °C.

    Lower than over water at the same temperature, so hoar forms on a leaf a little
    warmer than the dew point. Raises OutOfRange above the triple point.

    References
    ----------
    Hyland and Wexler 1983, as in ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5.
    """
    t = _in_range("temperature_c", temperature_c)
    if t > 0.01:
        raise OutOfRange(
            say(
                "%(name)s must be at most 0.01 °C over ice, not %(value)s",
                name="temperature_c",
                value=t,
            )
        )
    k = t + _KELVIN
    return 0.01 * math.exp(
        -5.6745359e3 / k
        + 6.3925247
        - 9.677843e-3 * k
        + 6.2215701e-7 * k**2
        + 2.0747825e-9 * k**3
        - 9.484024e-13 * k**4
        + 4.1635019 * math.log(k)
    )


def vapour_pressure_hpa(temperature_c: float, humidity_percent: float) -> float:
    """Actual vapour pressure from temperature and relative humidity. [hPa]

    Raises OutOfRange for a humidity of 0 or less, or above 100.
    """
    share = _humidity_in_range(humidity_percent) / 100.0
    return saturation_vapour_pressure_hpa(temperature_c) * share


def dew_point_from_vapour_pressure_c(pressure_hpa: float) -> float:
    """Temperature at which this much vapour would saturate the air. [°C]

    The exact inverse of FAO-56 eq. 11. Raises OutOfRange unless the answer lies in
    -60 to 60 °C.
    """
    lowest = saturation_vapour_pressure_hpa(_LOWEST_C)
    highest = saturation_vapour_pressure_hpa(_HIGHEST_C)
    # The slack lets a value that has been there and back through exp and log return home.
    if not lowest * 0.999 <= pressure_hpa <= highest * 1.001:
        raise OutOfRange(
            say(
                "vapour pressure must be %(lowest)s to %(highest)s hPa, not %(value)s",
                lowest=Number(lowest, ".4f"),
                highest=Number(highest, ".1f"),
                value=pressure_hpa,
            )
        )
    x = math.log(pressure_hpa / _E0_HPA)
    return _B_C * x / (_A - x)


def dew_point_c(screen_c: float, humidity_percent: float) -> float:
    """Temperature at which the evening air would be saturated.

    Parameters
    ----------
    screen_c : air in a ventilated screen, -60 to 60. [°C]
    humidity_percent : relative humidity over water, above 0 to 100. [%]

    Returns
    -------
    Dew point, over water. [°C]

    Raises OutOfRange for arguments outside that, and where the air is so dry that the
    dew point would lie below -60 °C.

    References
    ----------
    Inverse of FAO-56 eq. 11.

    Examples
    --------
    >>> round(dew_point_c(25.0, 54.0), 4)
    15.0478
    """
    return dew_point_from_vapour_pressure_c(vapour_pressure_hpa(screen_c, humidity_percent))


def relative_humidity_percent(temperature_c: float, dew_point_c: float) -> float:
    """Relative humidity over water from temperature and dew point. [%]

    Raises OutOfRange where the dew point lies above the temperature.
    """
    if dew_point_c > temperature_c:
        raise OutOfRange(
            say(
                "dew_point_c %(dew_point_c)s cannot lie above the temperature %(temperature_c)s",
                dew_point_c=dew_point_c,
                temperature_c=temperature_c,
            )
        )
    return 100.0 * (
        saturation_vapour_pressure_hpa(dew_point_c) / saturation_vapour_pressure_hpa(temperature_c)
    )


def frost_point_c(temperature_c: float, humidity_percent: float) -> float:
    """Temperature at which hoar begins on a surface: the ice-curve dew point.

    At or above 0 °C the dew point is returned, for there dew forms before any ice.
    Solved by halving, to a millikelvin. Raises as `dew_point_c`.
    """
    dew = dew_point_c(temperature_c, humidity_percent)
    if dew >= 0.0:
        return dew
    target = vapour_pressure_hpa(temperature_c, humidity_percent)
    low, high = _LOWEST_C, 0.0
    for _ in range(40):
        middle = (low + high) / 2.0
        if saturation_vapour_pressure_ice_hpa(middle) < target:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def absolute_humidity_gm3(temperature_c: float, humidity_percent: float) -> float:
    """Water held in a cubic metre of air. [g m-3]

    Shows why 90 % under a sunny cover is far more water than 90 % outside. Ideal gas
    with R = 461.5 J kg-1 K-1.
    """
    pascal = 100.0 * vapour_pressure_hpa(temperature_c, humidity_percent)
    return 1000.0 * pascal / (_VAPOUR_GAS_CONSTANT * (temperature_c + _KELVIN))


def pressure_hpa(elevation_m: float) -> float:
    """Usual air pressure at a height above the sea. [hPa]

    FAO-56 eq. 7; meant for -500 to 9000 m, otherwise OutOfRange.
    """
    if not -500.0 <= elevation_m <= 9000.0:
        raise OutOfRange(
            say(
                "%(name)s must be -500 to 9000, not %(value)s",
                name="elevation_m",
                value=elevation_m,
            )
        )
    return float(1013.0 * ((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26)


def psychrometric_constant_hpa_per_k(air_pressure_hpa: float) -> float:
    """FAO-56 eq. 8, for energy balances, 0.665e-3 times the pressure. [hPa K-1]"""
    return 0.665e-3 * air_pressure_hpa


def wet_bulb_c(
    temperature_c: float, humidity_percent: float, air_pressure_hpa: float = 1013.0
) -> float:
    """What a wetted, ventilated thermometer (or a sprinkled leaf) would read. [°C]

    Solved by halving on FAO-56 eq. 15 and 16, water curve throughout; below 0 °C an iced bulb
    reads a few tenths higher.
    """
    target = vapour_pressure_hpa(temperature_c, humidity_percent)
    slope = _VENTILATED_PSYCHROMETER_PER_K * air_pressure_hpa
    low, high = max(_LOWEST_C, temperature_c - 40.0), temperature_c
    for _ in range(50):
        middle = (low + high) / 2.0
        if saturation_vapour_pressure_hpa(middle) - slope * (temperature_c - middle) < target:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
