"""Who may see and write: users, sessions, links for guests, and limits on trying."""
