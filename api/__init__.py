"""The service: HTTP, commands and storage around the pure ``domain``."""
