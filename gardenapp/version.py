"""Which version this is: said once, here."""

__version__ = "0.7.0"
