"""Cutting pieces from boards with the least waste."""
