"""Use cases: load columns, call the domain, store or shape the answer. No HTTP, no request models."""
