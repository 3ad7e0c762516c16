"""Covers drawn to measure: pieces, film, mass, wind, what they are likely to add."""
