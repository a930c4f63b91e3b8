"""How sure: from the explanation of one moment to the probability that a drum was hit.

A logistic regression over seven figures, each with a meaning, so that it holds on kits that it
was not fitted on. The weights are shipped; `tests/bench/fit_evidence.py` makes them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.attribute.explain import PRE, Explanation
from liveassist.model import JUDGED_KINDS, DrumKind
from liveassist.spectra import Power

FEATURES = (
    "rise",
    "gain",
    "share",
    "level",
    "mask",
    "strength",
    "misfit",
)


#: Rise over all bands under which nothing was hit; no recorded hit lies under 13.
LEAST_RISE_DB = 8.0
#: Toms, hats and cymbals have no ghost notes that matter here.
LEAST_RISE_OTHERS_DB = 15.0
#: Power against a drum's usual hits under which its microphone hears no hit on it. The softest
#: recorded ghost note lies 32 dB under the median snare of its soundcheck, the softest of 900
#: recorded kicks 13 dB under the median; toms, hats and cymbals have no ghosts that matter here.
FAINTEST: dict[DrumKind, float] = {
    "snare": 10.0**-3.8,
    "kick": 10.0**-2.2,
    "tom": 10.0**-2.8,
    "hihat": 10.0**-2.8,
    "cymbal": 10.0**-2.8,
}


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for a new hit on one drum.

    ``rise_db``: rise of its microphone's bands, each counted by the share the drum has in it;
    ``gain_db``: how much louder the bands are with the drum than without; ``share``: of the power
    in its microphone; ``level_db``: against its usual hits; ``mask``: mean share over bands;
    ``strength_db``: of the candidate; ``misfit_db``: mean size of what the mix leaves.
    ``strange_db``: that, each band counted by the share the drum has in it; ``elsewhere_db``: of
    the other microphones. Both are large for what no drum of the kit did (see `judge`).
    """

    rise_db: float
    gain_db: float
    share: float
    level_db: float
    mask: float
    strength_db: float
    misfit_db: float
    strange_db: float = 0.0
    elsewhere_db: float = 0.0

    def vector(self) -> npt.NDArray[np.float64]:
        """The figures as the regression sees them (`FEATURES`)."""
        return np.array(
            [
                math.log(self.rise_db + 3.0),
                math.log(self.gain_db + 3.0),
                math.log(self.share + 0.03),
                self.level_db / 10.0,
                self.mask,
                math.log(self.strength_db + 3.0),
                min(self.misfit_db, 4.0),
            ]
        )


def _within(values: Power, most: float) -> Power:
    """0 to ``most`` (np.clip takes twice as long on a few numbers)."""
    return np.minimum(np.maximum(values, np.float32(0.0)), np.float32(most))


def rise_db(heard: Power) -> float:
    """Rise of one microphone's bands over what sounded before, dB summed: (slabs, BANDS)."""
    before = np.maximum.reduce(heard[:PRE]) + np.float32(1e-10)
    after = np.maximum.reduce(heard[PRE : PRE + 3])
    return float(np.add.reduce(_within(10.0 * np.log10(after / before + 1e-9), 20.0)))


def worth_judging(heard: Power, kind: DrumKind, usual_power: float | None) -> bool:
    """Whether one microphone (slabs, BANDS) rose, and is loud enough, for a hit on its drum.

    ``usual_power``: of the drum's usual hits; None while they are not known.
    """
    if rise_db(heard) < (LEAST_RISE_DB if kind in JUDGED_KINDS else LEAST_RISE_OTHERS_DB):
        return False
    if usual_power is None:
        return True
    return float(heard[PRE:].sum(axis=1).max()) > usual_power * FAINTEST[kind]


def weigh(
    explanation: Explanation,
    drum: str,
    mics: Sequence[int],
    usual_power: float,
    strength_db: float,
) -> Evidence:
    """Evidence for a new hit on ``drum`` in its own microphone, the first of ``mics``.

    Further ``mics`` stand on the same drum (a snare's bottom): a ghost note that the ringing head
    hides on top may show there, so rise and gain are those of the microphone that shows it best.
    """
    post = slice(PRE, PRE + 3)
    own = mics[0]
    part, model = explanation.part(drum)[post], explanation.model[post]
    heard = explanation.heard + explanation.floor
    left = np.abs(np.float32(10.0) * np.log10(heard[post] / model))
    mine, total = part[:, own], model[:, own]
    mask = mine / total
    strange = (left[:, own] * mask).sum() / (mask.sum() + 1e-6)
    of_own = left[:, own].sum()
    elsewhere = (left.sum() - of_own) / max(1, left.size - left[:, own].size)
    level = mine.sum(axis=1).max()
    rise, gain = _shown(heard, explanation.floor, part, model, mics)
    return Evidence(
        rise_db=rise,
        gain_db=gain,
        share=float(mine.sum() / total.sum()),
        level_db=float(10.0 * np.log10(level / usual_power + 1e-9)),
        mask=float(np.maximum.reduce(mask).mean()),
        strength_db=strength_db,
        misfit_db=float(of_own / mask.size),
        strange_db=float(strange),
        elsewhere_db=float(elsewhere),
    )


def _shown(
    heard: Power, floor: Power, part: Power, model: Power, mics: Sequence[int]
) -> tuple[float, float]:
    """Rise counted by share, and gain over everything else, dB: the most in any of ``mics``.

    ``heard``: all slabs; ``part``, ``model``: those after the onset, (3, mics, BANDS). The window
    that straddles the onset counts as after: its loudest bands have begun.
    """
    pick = slice(mics[0], mics[0] + 1) if len(mics) == 1 else list(mics)
    mine, total, near = part[:, pick], model[:, pick], heard[:, pick]
    others = np.maximum(total - mine, floor[pick])
    gain = _within(np.float32(10.0) * np.log10((others + mine) / others), 15.0)
    before = np.maximum.reduce(near[:PRE])
    after = np.maximum.reduce(near[PRE : PRE + 3])
    rise = _within(np.float32(10.0) * np.log10(after / before), 20.0)
    mask = np.maximum.reduce(mine / total)
    return float((rise * mask).sum(axis=1).max()), float(gain.sum(axis=2).max())
