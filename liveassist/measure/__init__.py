"""Stage: measure."""
