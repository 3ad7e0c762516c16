"""Which version this is: said once, here."""

__version__ = "0.6.0"
