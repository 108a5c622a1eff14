"""Runs and injections found in readings, and the water they delivered."""
