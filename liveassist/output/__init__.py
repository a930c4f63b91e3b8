"""Stage: output."""
