"""Findings that need no diagnosis: feed, injection, pressure, silence, preventer."""
