"""Modes of drum heads: membrane theory, two heads coupled by air, uneven tension, pitch glide.

Pure functions, SI units. Sources: N. H. Fletcher and T. D. Rossing, *The Physics of Musical
Instruments* (circular membrane); F. Avanzini and R. Marogna, IEEE TASLP 18(4):891, 2010 (tension
modulation); zeros of Bessel functions from SciPy. Where a formula is our own derivation, its
docstring says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import jn_zeros, jv

FloatArray = npt.NDArray[np.float64]

#: First zero of J0, the (0,1) mode.
J01 = float(jn_zeros(0, 1)[0])
#: Ratio of specific heats times static pressure of air at sea level, Pa.
GAMMA_P0_PA = 141_855.0
#: Density of air near 20 degrees C, kg/m^3.
AIR_DENSITY = 1.204
#: Young's modulus (Pa) and Poisson's ratio of PET film (from memory; used for the glide only).
PET_YOUNG_PA = 4.5e9
PET_POISSON = 0.38
PET_DENSITY = 1390.0


@dataclass(frozen=True, slots=True)
class ModeTable:
    """Mode numbers and Bessel zeros of a circular membrane, sorted by zero.

    ``m``: nodal diameters, ``n``: nodal circles (rim included, so from 1), ``zero``: n-th zero of
    J_m. All of one shape (modes,).
    """

    m: npt.NDArray[np.int64]
    n: npt.NDArray[np.int64]
    zero: FloatArray


@lru_cache(maxsize=16)
def mode_table(highest_zero: float) -> ModeTable:
    """All modes with Bessel zero up to ``highest_zero`` (dimensionless, above 2.405)."""
    if highest_zero < J01:
        raise ValueError(f"highest_zero is {highest_zero}, below the first zero {J01:.4f}")
    rows: list[tuple[float, int, int]] = []
    count = int(highest_zero / np.pi) + 2
    for m in range(int(highest_zero) + 1):
        for n, zero in enumerate(jn_zeros(m, count), start=1):
            if zero <= highest_zero:
                rows.append((float(zero), m, n))
    rows.sort()
    return ModeTable(
        m=np.array([row[1] for row in rows], dtype=np.int64),
        n=np.array([row[2] for row in rows], dtype=np.int64),
        zero=np.array([row[0] for row in rows]),
    )


def membrane_hz(
    zero: npt.ArrayLike, radius_m: float, tension_n_per_m: float, density_kg_m2: float
) -> FloatArray:
    """Frequency of membrane modes in vacuo: ``zero / (2 pi a) * sqrt(T / sigma)``."""
    speed = np.sqrt(tension_n_per_m / density_kg_m2)
    return np.asarray(np.asarray(zero, dtype=np.float64) / (2 * np.pi * radius_m) * speed)


def mode_shape(
    table: ModeTable, radius: float, angle_rad: float | FloatArray = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Cosine and sine shape of each mode at one point: ``J_m(zero * r) * cos|sin(m * angle)``.

    ``radius``: distance from the centre over the head's radius, 0 to 1.
    """
    radial = jv(table.m, table.zero * radius)
    turn = table.m * angle_rad
    return np.asarray(radial * np.cos(turn)), np.asarray(radial * np.sin(turn))


def air_mass_factor(zero: FloatArray, radius_m: float, density_kg_m2: float) -> FloatArray:
    """Factor by which air on both sides lowers each mode.

    Own derivation: a bending wave slower than sound of wave number k carries the evanescent air
    mass rho/k on each side; k = zero / a. Factor = 1 / sqrt(1 + 2 rho a / (zero sigma)).
    """
    added = 2.0 * AIR_DENSITY * radius_m / zero
    return np.asarray(1.0 / np.sqrt(1.0 + added / density_kg_m2))


def air_spring(density_kg_m2: float, depth_m: float, zero: float = J01) -> float:
    """Angular frequency squared that the air of a sealed rigid shell adds to one head, (rad/s)^2.

    Own derivation, quasi-static: 4 gamma P0 / (zero^2 sigma L). With two equal heads the pair
    splits into f and sqrt(f^2 + 2*spring/(2 pi)^2).
    """
    return 4.0 * GAMMA_P0_PA / (zero**2 * density_kg_m2 * depth_m)


def coupled_pair(
    batter_hz: float, resonant_hz: float, spring_batter: float, spring_resonant: float
) -> tuple[float, float, float]:
    """Two heads on one air spring: (low Hz, high Hz, mixing angle in radians).

    In coordinates scaled by the square root of mass the low mode moves the batter by cos(angle)
    and the resonant head by sin(angle); the high mode by -sin and cos.
    """
    coupling = np.sqrt(spring_batter * spring_resonant)
    matrix = np.array(
        [
            [(2 * np.pi * batter_hz) ** 2 + spring_batter, -coupling],
            [-coupling, (2 * np.pi * resonant_hz) ** 2 + spring_resonant],
        ]
    )
    values, vectors = np.linalg.eigh(matrix)
    low, high = np.sqrt(values) / (2 * np.pi)
    return float(low), float(high), float(np.arctan(vectors[1, 0] / vectors[0, 0]))


def lug_harmonics(tensions: npt.ArrayLike, order: int) -> tuple[float, float, float]:
    """Mean, and size and angle of one angular harmonic, of tension around the rim.

    ``tensions``: relative tension at each lug, evenly spaced. ``order``: cycles around the rim.
    The harmonic a lug circle of L lugs cannot carry (order a multiple of L) is returned as 0.
    """
    values = np.asarray(tensions, dtype=np.float64)
    mean = float(values.mean())
    if order <= 0 or order % values.size == 0:
        return mean, 0.0, 0.0
    angles = 2 * np.pi * np.arange(values.size) / values.size
    phasor = complex(np.sum(values * np.exp(1j * order * angles)) * 2.0 / values.size)
    if 2 * order == values.size:
        phasor *= 0.5
    return mean, abs(phasor) / mean, float(np.angle(phasor)) / order


def split_factors(harmonic: float) -> tuple[float, float]:
    """Frequency factors of the two orientations of a mode, from its tension harmonic.

    First-order perturbation: a tension varying as 1 + eps*cos(2 m phi) gives the two orientations
    the tensions 1 +- eps/2. For m = 1 this is the pair known for an evenly stretched head with
    Tx = T(1+eps), Ty = T(1-eps): a split of eps/2 of the frequency. For m above 1 the radial
    part is neglected.
    """
    half = min(abs(harmonic) / 2.0, 0.99)
    return float(np.sqrt(1.0 + half)), float(np.sqrt(1.0 - half))


def tension_rise(
    displacement_m: npt.ArrayLike, radius_m: float, tension_n_per_m: float, thickness_m: float
) -> FloatArray:
    """Relative rise of tension dT/T of a head displaced by ``displacement_m`` at the centre.

    ``E h / (1 - nu^2) * W^2/2 * (j01/a)^2 * J1(j01)^2 / T`` for the (0,1) shape (Avanzini and
    Marogna 2010).
    """
    stiffness = PET_YOUNG_PA * thickness_m / (1.0 - PET_POISSON**2)
    shape = (J01 / radius_m) ** 2 * float(jv(1, J01)) ** 2
    size = np.asarray(displacement_m, dtype=np.float64)
    return np.asarray(stiffness * 0.5 * size**2 * shape / tension_n_per_m)


def glide_ratio(rise: npt.ArrayLike) -> FloatArray:
    """Frequency over resting frequency at relative tension rise ``rise``: sqrt(1 + 3/4 dT/T)."""
    return np.asarray(np.sqrt(1.0 + 0.75 * np.asarray(rise, dtype=np.float64)))
