"""Pages of the shed: things, materials, covers, walks round it."""
