"""Points and directions. Metres; x to the drummer's right, y away from the drummer, z up."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]


def unit(vector: npt.ArrayLike) -> Vector:
    """The vector scaled to length 1; ValueError for the null vector."""
    value = np.asarray(vector, dtype=np.float64)
    length = float(np.linalg.norm(value))
    if length < 1e-9:
        raise ValueError("a direction needs a length")
    return np.asarray(value / length)


def frame(axis: Vector) -> tuple[Vector, Vector]:
    """Two unit vectors that complete ``axis`` to a right-handed frame, the first near x."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    first = unit(helper - np.dot(helper, axis) * axis)
    return first, np.asarray(np.cross(axis, first))


def spread_of(point: Vector, centre: Vector, axis: Vector) -> tuple[float, float, float]:
    """Cylinder coordinates about a head: height along axis, distance from it, angle."""
    way = np.asarray(point) - centre
    first, second = frame(axis)
    height = float(np.dot(way, axis))
    x, y = float(np.dot(way, first)), float(np.dot(way, second))
    return height, float(np.hypot(x, y)), float(np.arctan2(y, x))
