"""Run every benchmark in turn."""
