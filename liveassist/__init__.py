"""liveassist: hears every drum hit beside your recorder and says in numbers what changed."""

__version__ = "0.1.0"
