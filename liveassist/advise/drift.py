"""Where each head lies against the reference, take by take, and whether it creeps over the day.

A jump between two takes is a change of its own (`advise.changes`); a head that sinks by two cents a
take never is, until it has gone far. So every take's shift is kept with its error, and a line
through them is a slow drift when it is more than chance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from liveassist.advise.changes_heads import Reports, head_report
from liveassist.model import Change, Hit, Interval, Kit
from liveassist.remarks import Drift

#: Takes needed for a line, and how surely it must fall or rise (standard errors).
MIN_TAKES: Final = 5
_SURE: Final = 3.3
#: A head that has crept less than this is in tune, cents (common practice, no source).
LEAST_CENTS: Final = 6.0
#: A take's shift is not known better than this, cents (strokes differ).
_FLOOR_CENTS: Final = 2.0


@dataclass(frozen=True, slots=True)
class Creep:
    """A slow drift: cents from the first take to the last, 95 % interval, and over how long."""

    drum: str
    cents: float
    ci: Interval
    span_s: float
    takes: int

    @property
    def sentence(self) -> str:
        """What to check, in plain words."""
        way = "sunk" if self.cents < 0 else "risen"
        return (
            f"The {self.drum.replace('_', ' ')} head has {way} by {abs(self.cents):.0f} cents over "
            f"the last {self.takes} takes ({self.span_s / 60.0:.0f} minutes): check its lugs."
        )


def take_drift(
    kit: Kit,
    reference: Sequence[Hit],
    take: Sequence[Hit],
    found: Sequence[Change],
    known: Reports | None = None,
) -> tuple[Drift, ...]:
    """Shift of every head that can be compared; gains named in ``found`` are taken off.

    ``known``: reports of this pair of takes that were made on the way to ``found``.
    """
    gains = {c.mic: c.amount for c in found if c.cause == "mic_gain" and c.amount is not None}
    swapped = {c.drum for c in found if c.cause == "drum_changed"}
    out = []
    for drum in kit.drums:
        if drum.own is None or drum.name in swapped:
            continue
        gain_db = gains.get(drum.own) or 0.0
        shift = head_report(drum, reference, take, gain_db, known).shift
        if shift is not None:
            out.append(Drift(drum.name, shift.cents, shift.ci, shift.hits))
    return tuple(out)


def creep(drum: str, times_s: Sequence[float], drifts: Sequence[Drift]) -> Creep | None:
    """A line through one drum's shifts, take by take; None where chance explains it.

    ``times_s``: when each take began. Weighted least squares; the interval is Student's t.
    """
    if len(drifts) < MIN_TAKES:
        return None
    x = np.asarray(times_s, dtype=np.float64)
    y = np.array([drift.cents for drift in drifts])
    errors = np.array([max((d.ci[1] - d.ci[0]) / 4.0, _FLOOR_CENTS) for d in drifts])
    weights = 1.0 / errors**2
    middle = float(weights @ x / weights.sum())
    spread = float(weights @ (x - middle) ** 2)
    if spread <= 0.0:
        return None
    slope = float(weights @ ((x - middle) * y)) / spread
    residual = y - float(weights @ y / weights.sum()) - slope * (x - middle)
    scale = max(1.0, float(weights @ residual**2) / (len(y) - 2))
    span = float(x[-1] - x[0])
    total, error = slope * span, math.sqrt(scale / spread) * span
    if abs(total) < max(LEAST_CENTS, _SURE * error):
        return None
    reach = float(special.stdtrit(len(y) - 2, 0.975)) * error
    return Creep(drum, total, (total - reach, total + reach), span, len(y))
