"""Stage: input."""
