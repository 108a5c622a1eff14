"""Clocks of devices: against the time of receipt, and against each other at the edges of runs."""
