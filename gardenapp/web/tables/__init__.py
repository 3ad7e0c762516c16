"""The pages for whole tables."""
