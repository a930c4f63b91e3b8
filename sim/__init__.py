"""A simulated kit, room and drummer with exact truth. Imports nothing of the analysis."""
