"""Stage: detect."""
