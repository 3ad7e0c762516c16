"""Pages of the garden and its people."""
