"""Sums over the ledger."""
