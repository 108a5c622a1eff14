"""Water that moves, or could move, toward the supply."""
