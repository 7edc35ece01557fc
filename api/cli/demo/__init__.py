"""``fillmark demo``: an invented fleet, loaded into a fresh service and asked what its users would ask."""
