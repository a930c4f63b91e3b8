"""Benchmarks, run by hand. Ours is imported before numpy, as in the program: see its first lines."""

import liveassist  # noqa: F401
