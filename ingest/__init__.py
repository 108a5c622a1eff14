"""From the field to stable storage: the installation, payload formats, subscriber, journal and archive."""
