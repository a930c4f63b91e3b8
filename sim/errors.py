"""The one error of the simulator."""

from __future__ import annotations


class ScenarioError(ValueError):
    """A scenario, kit or groove is wrong; the message says what, where and how to mend it."""
