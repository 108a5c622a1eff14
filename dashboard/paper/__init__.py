"""What leaves the screen on paper: pages as HTML and PDF from one set of words and numbers."""
