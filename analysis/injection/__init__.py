"""The injection fraction: by meters, by EC, from the laboratory, combined, and who is likelier wrong."""
