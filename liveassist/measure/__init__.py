"""Stage 3: measures of a hit that was found (level, time, partials, ring) and of the stream."""
