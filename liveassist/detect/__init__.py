"""Stage 1: sudden rises in each close microphone become candidates."""
