"""Keeping the installation well: timetable, copies, check-up, transfer, privacy."""
