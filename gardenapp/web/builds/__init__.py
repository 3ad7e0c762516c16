"""Pages of covers to be built, and their drawings."""
