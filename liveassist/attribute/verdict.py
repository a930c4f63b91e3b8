"""What attribution says of one candidate, and the hit's share in what was heard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.attribute.evidence import Evidence
from liveassist.attribute.explain import Explanation
from liveassist.spectra import BANDS, Grid


@dataclass(frozen=True, slots=True)
class Verdict:
    """One judged candidate of one drum. ``sample`` is rough (within 3 ms).

    ``explanation`` and ``evidence`` are None where only the first rules could judge.
    """

    drum: str
    mic: int
    sample: int
    probability: float
    evidence: Evidence | None
    explanation: Explanation | None
    offset: int


def masks(
    grid: Grid,
    verdict: Verdict,
    starts: npt.NDArray[np.int64],
    mics: int,
) -> npt.NDArray[np.float32]:
    """Share of the verdict's hit in windows starting at ``starts`` samples from its candidate.

    Shape (starts, mics, BANDS); all of it where only the first rules judged.
    """
    if verdict.explanation is None:
        return np.ones((len(starts), mics, BANDS), dtype=np.float32)
    mine, rest = verdict.explanation.seen(starts + verdict.offset, grid.fine, verdict.drum)
    return np.asarray(mine / (mine + rest), dtype=np.float32)
