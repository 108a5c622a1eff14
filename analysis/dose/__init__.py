"""Grams of nutrients, what stays in the lines, and findings about both."""
