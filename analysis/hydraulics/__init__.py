"""Pressures, flows and travel times in a zone's pipes."""
