"""One module a page: pure functions from what is known to components."""
