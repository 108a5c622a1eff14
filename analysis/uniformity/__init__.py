"""Catch tests and what they say of evenness."""
