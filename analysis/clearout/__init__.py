"""When the lines ran clean: observed, superposed, fitted behind a gate, or predicted from the pipes."""
