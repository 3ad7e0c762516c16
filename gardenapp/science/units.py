"""Display and entry units to SI and back.

A temperature and a difference of temperatures convert by different functions: 2 K of
lift is 3.6 °F of lift, never 35.6.
"""

from __future__ import annotations

KG_PER_POUND = 0.45359237  # exact, international yard and pound agreement 1959
METRES_PER_FOOT = 0.3048  # exact, international yard and pound agreement 1959
CM_PER_INCH = 2.54  # exact, same agreement
MPS_PER_KMH = 1000.0 / 3600.0
MPS_PER_MPH = 1609.344 / 3600.0  # exact statute mile
MPS_PER_KNOT = 1852.0 / 3600.0  # exact international nautical mile


def c_to_f(temperature_c: float) -> float:
    """A temperature in °F, for display."""
    return temperature_c * 9.0 / 5.0 + 32.0


def f_to_c(temperature_f: float) -> float:
    """A temperature in °C, from one entered in °F."""
    return (temperature_f - 32.0) * 5.0 / 9.0


def difference_k_to_f(difference_k: float) -> float:
    """A difference (lift, margin, offset, spread) in °F: 9/5 and no 32."""
    return difference_k * 9.0 / 5.0


def difference_f_to_k(difference_f: float) -> float:
    """A difference in K from one given in °F: 5/9 and no 32."""
    return difference_f * 5.0 / 9.0


def kmh_to_mps(speed_kmh: float) -> float:
    """Wind in m/s from km/h."""
    return speed_kmh * MPS_PER_KMH


def mph_to_mps(speed_mph: float) -> float:
    """Wind in m/s from miles an hour."""
    return speed_mph * MPS_PER_MPH


def mps_to_mph(speed_mps: float) -> float:
    """Wind in miles an hour from m/s."""
    return speed_mps / MPS_PER_MPH


def knots_to_mps(speed_knots: float) -> float:
    """Wind in m/s from knots."""
    return speed_knots * MPS_PER_KNOT


def inch_to_cm(length_inch: float) -> float:
    """A length in cm from inches."""
    return length_inch * CM_PER_INCH


def cm_to_inch(length_cm: float) -> float:
    """A length in inches from cm."""
    return length_cm / CM_PER_INCH


def ft_to_m(length_ft: float) -> float:
    """A length in metres from feet."""
    return length_ft * METRES_PER_FOOT


def m_to_ft(length_m: float) -> float:
    """A length in feet from metres."""
    return length_m / METRES_PER_FOOT


def kg_to_lb(mass_kg: float) -> float:
    """Kilograms to pounds."""
    return mass_kg / KG_PER_POUND


def lb_to_kg(mass_lb: float) -> float:
    """Pounds to kilograms."""
    return mass_lb * KG_PER_POUND
