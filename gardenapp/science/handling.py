"""What people can carry, for covers that are built and covers that are fetched alike."""

from __future__ import annotations

TWO_PEOPLE_KG = 18.0
"""What weighs more is for two people. Common practice, no source: what one person lifts from the
ground without help, in the dark, with little to hold on to."""


def takes_two(mass_kg: float | None) -> bool:
    """Whether something is too heavy for one person; not where nobody has weighed it. [kg]"""
    return mass_kg is not None and mass_kg > TWO_PEOPLE_KG
