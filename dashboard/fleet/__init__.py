"""Many sites on one page: how each stands, worst first, and the pages of each behind it."""
