"""Stage: app."""
