"""Storage: tables, engines, sessions, migrations, and the only SELECT statements of the service."""
