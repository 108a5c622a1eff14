"""Notices: who is told what, when and by which way; decided by a pure function, delivered from a durable outbox."""
