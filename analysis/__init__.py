"""From readings to runs, estimates and findings: pure functions of values; one module joins the archive."""
