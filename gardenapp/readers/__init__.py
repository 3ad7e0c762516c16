"""Bytes in, plain records or a list of errors out.

As pure as `gardenapp.science`: no Flask, no database, no clock, no files. `registry.read_forecast`
is the one door; each format has a module of its own behind it.
"""
