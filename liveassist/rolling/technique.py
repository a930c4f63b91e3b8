"""Sections played with another technique (cross-stick, brushes), told by sound and not by level.

Another technique excites the drum differently: its levels in the microphones relative to each
other shift, for a whole section at a time. A soft verse does not do that, nor does a preamp that
was nudged (that moves one microphone, or the own one against all others).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray
from liveassist.rolling.populations import two_populations

#: Fewest hits in all and in each technique, and fewest other microphones that tell.
MIN_HITS = 24
MIN_SIDE = 8
MIN_MICS = 3
#: A microphone tells when its balance differs this much between the techniques, dB.
MIN_SHIFT_DB = 3.0
#: Changes from one technique to the other, as a share of what random order would give.
MAX_CHANGES = 0.25


def cross_stick(mic_dbfs: npt.ArrayLike, own_dbfs: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Which hits of one drum were played with the rarer of two techniques.

    ``mic_dbfs``: shape (hits, other microphones), NaN where not measured or only bounded;
    ``own_dbfs``: shape (hits,). Each hit's mean over microphones is taken off first, so that
    neither how hard the hit was nor the own microphone's gain plays a part. All False where there
    is one technique, or where that cannot be told.
    """
    table = np.asarray(mic_dbfs, dtype=np.float64) - np.asarray(own_dbfs, dtype=np.float64)[:, None]
    none = np.zeros(table.shape[0], bool)
    if table.shape[0] < MIN_HITS or table.shape[1] < MIN_MICS:
        return none
    columns = np.isfinite(table).mean(axis=0) > 0.6
    rows = np.isfinite(table[:, columns]).sum(axis=1) >= MIN_MICS
    if columns.sum() < MIN_MICS or rows.sum() < MIN_HITS:
        return none
    balance = table[np.ix_(rows, columns)]
    balance = balance - np.nanmedian(balance, axis=1, keepdims=True)
    balance = balance - np.nanmedian(balance, axis=0)
    balance = np.where(np.isfinite(balance), np.clip(balance, -20.0, 20.0), 0.0)
    score = _first_component(balance)
    if score.std() < MIN_SHIFT_DB:
        return none
    found = two_populations(score)
    if found.count == 1:
        return none
    side = found.loud_probability(score) >= 0.5
    if not _believable(side, balance):
        return none
    out = none.copy()
    out[np.flatnonzero(rows)[side if side.mean() < 0.5 else ~side]] = True
    return out


def _first_component(balance: FloatArray) -> FloatArray:
    """Score of each hit along the direction in which the balance varies most."""
    centred = balance - balance.mean(axis=0)
    _, _, directions = np.linalg.svd(centred, full_matrices=False)
    return np.asarray(centred @ directions[0])


def _believable(side: npt.NDArray[np.bool_], balance: FloatArray) -> bool:
    if min(int(side.sum()), int((~side).sum())) < MIN_SIDE:
        return False
    share = float(side.mean())
    by_chance = 2.0 * share * (1.0 - share) * (side.size - 1)
    if np.count_nonzero(side[1:] != side[:-1]) > MAX_CHANGES * by_chance:
        return False
    shift = np.median(balance[side], axis=0) - np.median(balance[~side], axis=0)
    telling = int((np.abs(shift) >= MIN_SHIFT_DB).sum())
    return telling >= max(MIN_MICS - 1, int(balance.shape[1]) // 2)
