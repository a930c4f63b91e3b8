"""Stage: attribute."""
