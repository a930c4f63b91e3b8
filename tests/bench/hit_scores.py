"""Scores of reported hits against true ones, two plain detectors, and how far confidence holds.

Matching is one to one within 10 ms (mir_eval.util.match_events, Raffel et al. 2014). Time errors
keep their bias; level errors are of main hits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import mir_eval
import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d
from scipy.stats import rankdata

from liveassist.model import FloatArray, Hit
from tests.bench.recordings import Recording

WINDOW_S = 0.010
#: A plain detector's delay is looked for within this, s; its median is then taken off.
DELAY_S = 0.050
NAN = float("nan")


@dataclass(frozen=True)
class Score:
    """Figures of one drum in one recording; NaN where there was nothing to judge."""

    f: float
    precision: float
    recall: float
    ghost_recall: float
    time_median_ms: float
    time_p95_ms: float
    level_median_db: float
    level_p95_db: float


def pairs(ref: FloatArray, est: FloatArray, window_s: float = WINDOW_S) -> list[tuple[int, int]]:
    """Indices (true, reported) of a one-to-one matching."""
    if not len(ref) or not len(est):
        return []
    found: list[tuple[int, int]] = mir_eval.util.match_events(ref, est, window_s)
    return found


def f_measure(right: int, true: int, reported: int) -> float:
    """Harmonic mean of precision and recall."""
    return 2.0 * right / (true + reported) if true + reported else NAN


def _size(errors: Sequence[float]) -> tuple[float, float]:
    """Median and 95th percentile of the size."""
    if not errors:
        return NAN, NAN
    return float(np.median(np.abs(errors))), float(np.percentile(np.abs(errors), 95))


def score(song: Recording, hits: Sequence[Hit], drum: str) -> Score:
    """How well ``hits`` on ``drum`` fit the truth."""
    true = song.of(drum)
    mine = [hit for hit in hits if hit.drum == drum]
    matched = pairs(np.array([t.time_s for t in true]), np.array([h.time_s for h in mine]))
    times = [1e3 * (mine[j].time_s - true[i].time_s) for i, j in matched]
    levels = [
        mine[j].peak_dbfs - true[i].peak_dbfs  # type: ignore[operator]
        for i, j in matched
        if true[i].role == "main"
    ]
    ghosts = [i for i, hit in enumerate(true) if hit.role == "ghost"]
    found = {i for i, _ in matched}
    return Score(
        f_measure(len(matched), len(true), len(mine)),
        len(matched) / len(mine) if mine else NAN,
        len(matched) / len(true) if true else NAN,
        sum(i in found for i in ghosts) / len(ghosts) if ghosts else NAN,
        *_size(times),
        *_size(levels),
    )


def f_between(song: Recording, hits: Sequence[Hit], drum: str, start: float, stop: float) -> float:
    """F of the hits from ``start`` until ``stop``, s; NaN where fewer than five are true."""
    ref = np.array([t.time_s for t in song.of(drum) if start <= t.time_s < stop])
    est = np.array([h.time_s for h in hits if h.drum == drum and start <= h.time_s < stop])
    return f_measure(len(pairs(ref, est)), len(ref), len(est)) if len(ref) >= 5 else NAN


def outcomes(song: Recording, hits: Sequence[Hit], drum: str) -> list[tuple[float, bool]]:
    """Confidence of each reported hit, and whether it was one."""
    mine = [hit for hit in hits if hit.drum == drum]
    ref = np.array([t.time_s for t in song.of(drum)])
    right = {j for _, j in pairs(ref, np.array([h.time_s for h in mine]))}
    return [(hit.confidence, index in right) for index, hit in enumerate(mine)]


# --- plain detectors on the own microphone -----------------------------------------------------


def undelayed(ref: FloatArray, est: FloatArray) -> FloatArray:
    """``est`` with its median delay behind the truth taken off."""
    near = pairs(ref, est, DELAY_S)
    return est - np.median([est[j] - ref[i] for i, j in near]) if near else est


def by_threshold(song: Recording, drum: str) -> dict[str, FloatArray]:
    """Times at which the own microphone's level passes a threshold, by setting.

    Level: the peak of the last 2 ms; no second hit until it was under the threshold for the hold.
    """
    loud = np.abs(song.audio[:, song.own(drum)].astype(np.float64))
    level = maximum_filter1d(loud, max(1, round(0.002 * song.rate)))
    found = {}
    for dbfs in range(-45, -5, 3):
        above = np.flatnonzero(level >= 10.0 ** (dbfs / 20.0))
        for hold_ms in (10, 30, 60):
            gaps = np.diff(above, prepend=-song.rate) > hold_ms * song.rate / 1000.0
            found[f"{dbfs} dBFS, hold {hold_ms} ms"] = above[gaps] / song.rate
    return found


def by_librosa(song: Recording, drum: str) -> dict[str, FloatArray]:
    """Onsets by librosa's detector (McFee et al. 2015), hop 128, by its threshold ``delta``."""
    import librosa

    audio = song.audio[:, song.own(drum)].astype(np.float32)
    envelope = librosa.onset.onset_strength(y=audio, sr=song.rate, hop_length=128)
    return {
        f"delta {delta}": np.asarray(
            librosa.onset.onset_detect(
                onset_envelope=envelope, sr=song.rate, hop_length=128, delta=delta, units="time"
            ),
            dtype=np.float64,
        )
        for delta in (0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5)
    }


def best_common(
    songs: Sequence[Recording], found: Sequence[dict[str, FloatArray]], drum: str
) -> tuple[str, list[float]]:
    """The setting with the highest mean F over all songs, and F by song with it."""
    best: tuple[float, str, list[float]] = (-1.0, "", [])
    for setting in found[0]:
        scores = []
        for song, times in zip(songs, found, strict=True):
            ref = np.array([t.time_s for t in song.of(drum)])
            est = np.sort(undelayed(ref, times[setting]))
            scores.append(f_measure(len(pairs(ref, est)), len(ref), len(est)))
        best = max(best, (float(np.mean(scores)), setting, scores), key=lambda item: item[0])
    return best[1], best[2]


# --- confidence --------------------------------------------------------------------------------


def brier(sure: FloatArray, right: npt.NDArray[np.bool_]) -> float:
    """Mean squared difference of confidence and outcome (Brier 1950)."""
    return float(np.mean((sure - right) ** 2))


def auc(sure: FloatArray, right: npt.NDArray[np.bool_]) -> float:
    """Chance that a right report has a higher confidence than a wrong one (Mann-Whitney)."""
    ranks, count = rankdata(sure), int(right.sum())
    if not 0 < count < len(right):
        return NAN
    return float((ranks[right].sum() - count * (count + 1) / 2) / (count * (len(right) - count)))
