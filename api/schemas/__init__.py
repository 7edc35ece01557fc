"""Request and answer models by noun; every field states its unit."""
