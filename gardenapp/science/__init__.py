"""Numbers in, numbers out: no web, no database, no clock, no files, no environment.

Temperatures are °C and differences K inside; names carry their unit. Where a value is
published its source is named beside it; where it was only recalled it says `from memory`.
"""
