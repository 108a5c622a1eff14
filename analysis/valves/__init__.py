"""Valves against the water that they let through: those that do not close, do not open, or are told wrongly."""
