"""The ``fillmark`` command."""
