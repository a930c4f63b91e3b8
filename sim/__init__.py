"""A simulated kit, room and drummer with exact truth. Imports nothing of the analysis."""

from .errors import ScenarioError
from .scenario import names
from .scene import Scene, open_scenario
from .write import write_scene

__all__ = ["ScenarioError", "Scene", "names", "open_scenario", "write_scene"]
