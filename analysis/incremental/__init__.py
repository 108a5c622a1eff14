"""What was worked out before is kept beside the readings, and worked out again only where its input changed."""
