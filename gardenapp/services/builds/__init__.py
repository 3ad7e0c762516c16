"""Covers to be built: designs, cut plans, materials, the building itself."""
