"""Whole tables in and out: what a garden already has in a spreadsheet."""
