"""Quality flags of readings: limits, gaps, checks."""
