"""Telling people and their machines of a night: notices, mail, web hooks, feeds."""
