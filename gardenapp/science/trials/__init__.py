"""What two loggers, one inside and one outside, say of a cover."""
