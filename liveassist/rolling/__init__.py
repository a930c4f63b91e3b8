"""Stage: rolling."""
