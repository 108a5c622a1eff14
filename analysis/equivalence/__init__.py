"""Whether a dose is equivalent to its target, and how many runs would show it."""
