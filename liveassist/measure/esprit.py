"""Damped sinusoids by ESPRIT: frequency, amplitude and decay, finer than an FFT's bins.

Method: total rotational invariance of the signal subspace, R. Roy and T. Kailath, "ESPRIT:
estimation of signal parameters via rotational invariance techniques", IEEE Trans. ASSP 37(7),
1989, on a Hankel matrix of one real record, which for damped signals is the matrix-pencil setting
of Y. Hua and T. K. Sarkar, IEEE Trans. ASSP 38(5), 1990. Here the subspace comes from the small
matrix H^T H (its dimension is the pencil length), which costs half the dynamic range of an SVD
and a tenth of its time. The order is what stands clear of the noise eigenvalues.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray
from liveassist.ranks import median

ComplexArray = npt.NDArray[np.complex128]

#: ln(1000): a decay to a thousandth (60 dB) takes this many amplitude time constants.
LN_1000: Final = math.log(1000.0)
#: Eigenvalues of H^T H below the largest times this are rounding, not signal.
_ROUNDING: Final = 1e-11
#: Eigenvalues must exceed the middle of the noise eigenvalues this many times.
_ABOVE_NOISE: Final = 8.0


@dataclass(frozen=True, slots=True)
class Mode:
    """One damped sinusoid ``amplitude * exp(-t/tau_s) * cos(2 pi frequency_hz t + phase)``.

    ``t`` counts from the first sample of the record. ``tau_s`` is infinite where it does not decay.
    """

    frequency_hz: float
    amplitude: float
    tau_s: float

    @property
    def t60_s(self) -> float:
        """Time for 60 dB, seconds (6.9078 tau)."""
        return LN_1000 * self.tau_s


@dataclass(frozen=True, slots=True)
class Decomposition:
    """Modes of one record, lowest first, and what they leave unexplained (RMS)."""

    modes: tuple[Mode, ...]
    residual_rms: float


def subspace_poles(record: FloatArray, max_modes: int, pencil: int) -> ComplexArray:
    """Poles (z per sample) of ``record``, both halves of each conjugate pair.

    ``record``: float64 (n,), n at least twice ``pencil``. Returns at most ``2*max_modes`` poles.
    """
    rows = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(record, pencil))
    gram = rows.T @ rows
    top = min(2 * max_modes, pencil - 2)
    values, vectors = np.linalg.eigh(gram)
    values, vectors = values[::-1], vectors[:, ::-1]
    noise = median(values[top:])
    floor = max(float(values[0]) * _ROUNDING, noise * _ABOVE_NOISE)
    order = int(np.count_nonzero(values[:top] > floor))
    if order == 0:
        return np.zeros(0, dtype=np.complex128)
    basis = vectors[:, :order]
    upper, lower = basis[:-1], basis[1:]
    # The basis is orthonormal, so (upper^T upper) is the identity less one outer product.
    last = basis[-1]
    denominator = 1.0 - float(last @ last)
    projected = upper.T @ lower
    if denominator > 1e-9:
        rotation = projected + np.outer(last, last @ projected) / denominator
    else:
        rotation = np.linalg.lstsq(upper, lower, rcond=None)[0]
    return np.asarray(np.linalg.eigvals(rotation), dtype=np.complex128)


def _powers(poles: ComplexArray, count: int) -> ComplexArray:
    """``poles[j] ** i``, shape (count, poles); two short tables instead of count exponentials."""
    logs = np.log(poles)
    fine = np.exp(np.arange(32)[:, None] * logs)
    coarse = np.exp(np.arange(0, count, 32)[:, None] * logs)
    return np.asarray((coarse[:, None, :] * fine[None, :, :]).reshape(-1, len(poles))[:count])


def decompose(
    record: FloatArray, rate_hz: float, *, max_modes: int = 8, pencil: int = 64
) -> Decomposition:
    """Split ``record`` into damped sinusoids.

    ``record``: float64 (n,), n >= 24, low-passed and free of onsets. ``pencil`` is shortened to a
    third of the record where that is less. Growing poles are held to the unit circle; poles at DC
    and at half the rate take part in the fit but are not returned. Amplitudes by least squares.
    """
    count = len(record)
    if count < 24:
        raise ValueError("decompose needs at least 24 samples")
    pencil = max(8, min(pencil, count // 3))
    poles = subspace_poles(record, max_modes, pencil)
    poles = poles[np.abs(poles) > 1e-3]
    poles = np.where(np.abs(poles) > 1.0, poles / np.abs(poles), poles)
    if len(poles) == 0:
        return Decomposition((), float(np.sqrt(np.mean(np.square(record)))))
    waves = _powers(poles, count)
    gram = waves.conj().T @ waves
    gram[np.diag_indices(len(poles))] *= 1.0 + 1e-12
    weights = np.linalg.solve(gram, waves.conj().T @ record)
    residual = record - (waves @ weights).real
    modes = []
    for pole, weight in zip(poles, weights, strict=True):
        angle = float(np.angle(pole))
        if angle <= 1e-6 or angle >= math.pi - 1e-6:
            continue
        shrink = -math.log(abs(pole)) * rate_hz
        tau = 1.0 / shrink if shrink > 1e-9 else math.inf
        modes.append(Mode(angle * rate_hz / (2.0 * math.pi), float(2.0 * abs(weight)), tau))
    modes.sort(key=lambda mode: mode.frequency_hz)
    return Decomposition(tuple(modes), float(np.sqrt(np.mean(np.square(residual)))))


def frequency_bound_hz(mode: Mode, noise_rms: float, count: int, rate_hz: float) -> float:
    """Cramér-Rao bound of a mode's frequency in white noise, standard deviation in Hz.

    The larger of the bounds for an endless damped and for a cut-off steady sinusoid (Rife and
    Boorstyn 1974; Kay 1993). Real drums never reach it: model error dominates.
    """
    if mode.amplitude <= 0.0:
        return math.inf
    eta = mode.amplitude**2 / (2.0 * max(noise_rms, 1e-12) ** 2)
    steady = math.sqrt(12.0 / (eta * count * (count**2 - 1.0))) * rate_hz / (2.0 * math.pi)
    if not math.isfinite(mode.tau_s):
        return steady
    damped = math.sqrt(8.0 / (eta * rate_hz * mode.tau_s**3)) / (2.0 * math.pi)
    return max(steady, damped)
