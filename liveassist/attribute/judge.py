"""Weights of the shipped regression (see `evidence`), and the probability they give.

Logistic regression over the figures of `evidence.FEATURES`, standardised, their squares and
products. One set for kicks, which have no ghost notes, one for everything else. Fitted on 92
runs: five sessions of a recorded kit, 35 put together from five other kits of openly licensed
single hits with synthesised bleed, and six simulated ones, each with a soundcheck and without;
checked by leaving out one kit at a time (liveassist/docs/hits.md has the table).
`tests/bench/fit_evidence.py` makes them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from liveassist.attribute.evidence import Evidence

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Judge:
    """Mean and scale of the figures, weights of figures and products, and the constant."""

    mean: FloatArray
    scale: FloatArray
    weight: FloatArray
    constant: float


KICK = Judge(
    mean=np.array([2.950, 3.074, -1.544, -2.672, 0.394, 3.669, 2.243]),
    scale=np.array([1.561, 1.504, 1.467, 2.902, 0.359, 0.843, 0.924]),
    weight=np.array(
        [
            1.230,
            0.381,
            0.454,
            3.497,
            0.407,
            1.759,
            -1.021,
            -0.403,
            0.244,
            0.152,
            0.999,
            0.686,
            -0.856,
            -0.190,
            -0.515,
            -0.028,
            0.109,
            -0.296,
            0.464,
            -0.581,
            -0.299,
            0.828,
            0.532,
            -0.298,
            -0.437,
            1.157,
            -0.155,
            0.684,
            0.890,
            -0.637,
            1.048,
            -0.581,
            -0.704,
            -0.004,
            0.199,
        ]
    ),
    constant=-4.158,
)
OTHERS = Judge(
    mean=np.array([2.778, 2.778, -2.133, -2.689, 0.319, 3.614, 2.275]),
    scale=np.array([1.520, 1.394, 1.347, 2.135, 0.358, 0.852, 0.829]),
    weight=np.array(
        [
            1.427,
            0.535,
            0.411,
            1.308,
            0.388,
            0.657,
            -0.481,
            0.164,
            0.497,
            0.198,
            0.152,
            0.412,
            -0.243,
            0.515,
            0.052,
            -0.188,
            0.576,
            0.071,
            0.220,
            -0.966,
            0.997,
            0.074,
            -0.110,
            -0.369,
            0.438,
            -0.478,
            -0.027,
            0.037,
            -0.295,
            -0.170,
            0.074,
            -0.758,
            -0.875,
            0.252,
            -0.195,
        ]
    ),
    constant=-3.493,
)


@cache
def _upper(size: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    rows, columns = np.triu_indices(size)
    return rows, columns


def products(figures: FloatArray) -> FloatArray:
    """The figures, then every product of two of them (squares included), by row."""
    upper = _upper(len(figures))
    return np.concatenate([figures, figures[upper[0]] * figures[upper[1]]])


def probability(evidence: Evidence, kick: bool) -> float:
    """Probability, 0 to 1, that the candidate is a hit on the drum (a kick or another)."""
    judge = KICK if kick else OTHERS
    # Beyond what was seen while fitting, products would run away.
    figures = np.clip((evidence.vector() - judge.mean) / judge.scale, -3.5, 3.5)
    z = float(products(figures) @ judge.weight + judge.constant)
    return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, z))))
