"""The screen: pages, pure figures, callbacks and theme."""
