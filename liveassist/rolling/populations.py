"""Are the levels of one drum one population or two?

A one-dimensional mixture of two normals (unequal widths) is fitted and accepted only on three
counts at once, because each alone is fooled:

* Otsu's between-class share is 2/pi = 0.637 for a *single* normal, so a split always looks good;
* the two-normal fit must beat one normal by `MIN_EVIDENCE` in BIC (Kass & Raftery, JASA 90, 1995:
  above 10 is very strong);
* the peaks must stand apart: Ashman's D = |m1 - m2| / sqrt((s1^2 + s2^2) / 2) above
  `MIN_SEPARATION` (Ashman, Bird & Zepf, AJ 108, 1994: 2 is where two equal normals first show
  two peaks; equal to d' for equal widths);
* and by `MIN_DISTANCE_DB`: a drummer's favourite strokes bunch 2 to 3 dB apart, which any mixture
  fit takes for populations. They are one way of playing. 6 dB, half the amplitude, is common
  practice; no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray
from liveassist.ranks import median

MIN_EVIDENCE = 10.0
MIN_SEPARATION = 2.5
MIN_DISTANCE_DB = 6.0
#: Fewest hits in all, and in the smaller population, for two populations to be claimed.
MIN_HITS = 8
MIN_SMALL = 3
#: Separation asked of a short series (fewer hits than this), where a fit finds peaks by luck.
SHORT_HITS = 24
SHORT_SEPARATION = 4.0
#: Narrowest population fitted, dB; keeps one repeated level from swallowing the likelihood.
FLOOR_SD_DB = 0.75
_ROUNDS = 40


@dataclass(frozen=True, slots=True)
class Populations:
    """Result of the two-population test, levels in dB (same reference as the input).

    ``count`` is 1 or 2; with 1, ``soft_*`` are None and ``reason`` says why there is no second.
    ``loud_share`` is the share of hits in the loud population; ``separation`` Ashman's D.
    """

    count: int
    loud_db: float
    loud_sd_db: float
    soft_db: float | None
    soft_sd_db: float | None
    loud_share: float
    separation: float | None
    reason: str

    def loud_probability(self, levels_db: npt.ArrayLike) -> FloatArray:
        """Chance that each level belongs to the loud population (1 where there is only one).

        Beyond a population's centre on the far side it is certain: a very loud hit is never a
        ghost note because the ghost population happens to be wide.
        """
        x = np.asarray(levels_db, dtype=np.float64)
        if self.soft_db is None or self.soft_sd_db is None:
            return np.ones(x.size)
        loud = math.log(self.loud_share) + _log_normal(x, self.loud_db, self.loud_sd_db)
        soft = math.log(1.0 - self.loud_share) + _log_normal(x, self.soft_db, self.soft_sd_db)
        p = 1.0 / (1.0 + np.exp(np.clip(soft - loud, -60.0, 60.0)))
        p = np.where(x >= self.loud_db, 1.0, p)
        return np.asarray(np.where(x <= self.soft_db, 0.0, p))


def two_populations(
    levels_db: npt.ArrayLike, min_separation: float = MIN_SEPARATION
) -> Populations:
    """Whether the levels are one population or two, and where each lies.

    ``levels_db``: shape (hits,), finite. The order of the hits does not matter.
    ``min_separation``: Ashman's D asked of a series of `SHORT_HITS` or more.
    """
    x = np.sort(np.asarray(levels_db, dtype=np.float64))
    if x.size < MIN_HITS:
        return _one(x, f"{x.size} hits, {MIN_HITS} needed to tell two populations")
    best = max((_fit(x, start) for start in _starts(x)), key=lambda fit: fit[0])
    likelihood, soft, soft_sd, loud, loud_sd, share = best
    whole_sd = max(float(x.std()), FLOOR_SD_DB)
    single = float(_log_normal(x, float(x.mean()), whole_sd).sum())
    evidence = 2.0 * (likelihood - single) - 3.0 * math.log(x.size)
    distance = loud - soft
    separation = distance / math.sqrt((soft_sd**2 + loud_sd**2) / 2.0)
    if min(share, 1.0 - share) * x.size < MIN_SMALL:
        return _one(x, "one population: too few hits stand apart from the rest")
    needed = min_separation if x.size >= SHORT_HITS else SHORT_SEPARATION
    if distance < MIN_DISTANCE_DB or separation < needed or evidence < MIN_EVIDENCE:
        return _one(x, "one population: no second level that stands apart")
    return Populations(2, loud, loud_sd, soft, soft_sd, share, separation, "two populations")


def _one(x: FloatArray, reason: str) -> Populations:
    if x.size == 0:
        return Populations(1, 0.0, FLOOR_SD_DB, None, None, 1.0, None, reason)
    sd = max(float(x.std()), FLOOR_SD_DB)
    return Populations(1, median(x), sd, None, None, 1.0, None, reason)


def _starts(x: FloatArray) -> list[int]:
    """Sizes of the soft group to start from: Otsu's split and the widest gap."""
    n = x.size
    k = np.arange(2, n - 1)
    total, below = float(x.sum()), np.cumsum(x)[k - 1]
    between = (below * n - total * k) ** 2 / (k * (n - k))
    edge = max(2, min(MIN_SMALL, n // 4))
    gap = int(np.argmax(np.diff(x)[edge - 1 : n - edge])) + edge
    return sorted({int(k[np.argmax(between)]), gap})


def _fit(x: FloatArray, soft_count: int) -> tuple[float, float, float, float, float, float]:
    """Expectation-maximisation from a split; (log likelihood, soft, sd, loud, sd, loud share)."""
    soft, loud = float(x[:soft_count].mean()), float(x[soft_count:].mean())
    soft_sd = max(float(x[:soft_count].std()), FLOOR_SD_DB)
    loud_sd = max(float(x[soft_count:].std()), FLOOR_SD_DB)
    share = 1.0 - soft_count / x.size
    likelihood = -math.inf
    for _ in range(_ROUNDS):
        a = math.log(share) + _log_normal(x, loud, loud_sd)
        b = math.log(1.0 - share) + _log_normal(x, soft, soft_sd)
        both = np.logaddexp(a, b)
        previous, likelihood = likelihood, float(both.sum())
        p = np.exp(a - both)
        weight = float(p.sum())
        if likelihood - previous < 1e-4 or not 1.0 < weight < x.size - 1.0:
            break
        loud, soft = float(p @ x) / weight, float((1.0 - p) @ x) / (x.size - weight)
        loud_sd = max(math.sqrt(float(p @ (x - loud) ** 2) / weight), FLOOR_SD_DB)
        soft_sd = max(
            math.sqrt(float((1.0 - p) @ (x - soft) ** 2) / (x.size - weight)), FLOOR_SD_DB
        )
        share = weight / x.size
    if soft > loud:
        soft, soft_sd, loud, loud_sd, share = loud, loud_sd, soft, soft_sd, 1.0 - share
    return likelihood, soft, soft_sd, loud, loud_sd, share


def _log_normal(x: FloatArray, mean: float, sd: float) -> FloatArray:
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - math.log(sd * math.sqrt(2.0 * math.pi)))
