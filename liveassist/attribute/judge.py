"""Weights of the shipped regression (see `evidence`), and the probability they give."""

from __future__ import annotations

import math

import numpy as np

from liveassist.attribute.evidence import Evidence

#: Mean, scale and weight of each figure of `evidence.FEATURES`, then the constant.
MEAN = np.array([2.821, 3.184, -1.531, -3.676, 0.411, 3.426, 2.334])
SCALE = np.array([1.396, 1.375, 1.331, 2.451, 0.348, 0.846, 0.948])
WEIGHT = np.array([4.81, 1.04, 2.91, 2.62, -1.8, 0.31, -2.01])
CONSTANT = -7.97


def probability(evidence: Evidence, kick: bool) -> float:
    """Probability, 0 to 1, that the candidate is a hit on the drum."""
    z = float(((evidence.vector() - MEAN) / SCALE) @ WEIGHT + CONSTANT)
    return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, z))))
