"""Stage: advise."""
