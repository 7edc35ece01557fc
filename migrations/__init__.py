"""Revisions of the database schema; ``api.store.migrate`` runs them."""
