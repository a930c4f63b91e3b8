"""Benchmarks, run by hand. Ours is imported before numpy, as in the program (see its top)."""

import liveassist  # noqa: F401
