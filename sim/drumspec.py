"""What a drum is, what state it is in, how it is struck, what it sends out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from . import modes

FloatArray = npt.NDArray[np.float64]
Signal = npt.NDArray[np.float32]
Place = Literal["batter", "under", "strike"]

#: No drum is rendered longer than this, s.
LONGEST_S = 2.0


@dataclass(frozen=True, slots=True)
class DrumSpec:
    """What a drum is made of. Lengths in inches where drums are sold in inches.

    ``note_hz``: the lowest mode; ``resonant_ratio``: stretch of the resonant head's fundamental
    over the batter's; ``seal``: 1 for an airtight shell, 0 for an open one; ``t60_s``: decay of
    the axisymmetric modes at the note, ``ring_t60_s`` of those with nodal diameters;
    ``slope``: how much faster decay gets per octave; ``contact_ms``: stick or beater contact at
    full force; ``click_db``, ``click_hz``, ``click_power``: contact noise, and the power of the
    force it grows with; ``wires_db``: snare wires, None for off; ``wires_ring``: how much of the
    batter's ringing shakes them too, 0 for none; ``strike_radius``: 0 centre, 1 rim;
    ``full_stroke_mm``: head displacement at full force (pitch glide); ``overtone_db``: what rim
    and shell add to the near field of modes with nodal diameters; ``loudness_db``: peak at 1 m on
    axis at full force, 0 = reference.
    """

    diameter_in: float = 14.0
    depth_in: float = 5.5
    note_hz: float = 185.0
    resonant_ratio: float = 1.5
    head_mm: float = 0.254
    seal: float = 0.6
    t60_s: float = 0.25
    ring_t60_s: float = 0.5
    slope: float = 0.6
    contact_ms: float = 1.2
    click_db: float = -22.0
    click_hz: float = 3000.0
    click_power: float = 1.05
    wires_db: float | None = None
    wires_ring: float = 0.0
    strike_radius: float = 0.2
    full_stroke_mm: float = 1.2
    overtone_db: float = 0.0
    lugs: int = 8
    uneven: float = 0.01
    loudness_db: float = 0.0

    @property
    def radius_m(self) -> float:
        """Radius of the head."""
        return self.diameter_in * 0.0254 / 2

    @property
    def depth_m(self) -> float:
        """Distance between the heads."""
        return self.depth_in * 0.0254

    @property
    def density_kg_m2(self) -> float:
        """Mass of the head per area."""
        return self.head_mm * 1e-3 * modes.PET_DENSITY


@dataclass(frozen=True, slots=True)
class DrumState:
    """What may change during a session. ``lug_tension``: relative, one a lug, empty for as
    built; ``ring``: factor on all decay times; ``wires``: whether they are engaged."""

    cents: float = 0.0
    lug_tension: tuple[float, ...] = ()
    ring: float = 1.0
    wires: bool = True
    openness: float = 0.0


@dataclass(frozen=True, slots=True)
class Strike:
    """How the drum is struck. ``level_db``: 0 is full force. ``seed`` picks the small things."""

    level_db: float
    articulation: str = "hit"
    seed: tuple[int, ...] = (0,)


@dataclass(frozen=True, slots=True)
class Emission:
    """Sound sent out from one place. ``signals``: (microphones, samples), or (1, samples) where
    all microphones see the same; ``gains``: then a factor for each microphone; ``pulse``: contact
    force that all signals are still to be convolved with."""

    place: Place
    signals: Signal
    gains: FloatArray | None = None
    pulse: FloatArray | None = None


def faded(signals: Signal, rate: int) -> Signal:
    """The signals with their last 80 ms faded out, so that a cut end makes no click."""
    count = min(int(0.08 * rate), signals.shape[1])
    ramp = 0.5 + 0.5 * np.cos(np.pi * np.arange(1, count + 1) / count)
    signals[:, signals.shape[1] - count :] *= ramp.astype(np.float32)
    return signals
