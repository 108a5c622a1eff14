"""Payload formats: each module turns bytes into records and knows nothing of networks or files."""
