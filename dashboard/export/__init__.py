"""The research export: tidy tables, their dictionary and provenance, the same bytes for the same input."""
