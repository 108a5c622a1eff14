"""The commissioning sheet: what the description alone promises, and what would go wrong."""
