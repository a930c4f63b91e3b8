"""Stage 2: which drum was really hit, and which microphones only heard it."""
