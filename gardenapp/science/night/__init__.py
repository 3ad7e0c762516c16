"""One night at the plant: sun, curve, exposure, damage, morning."""
