"""Bleed that has risen: the bleed matrix against what it was when it was first established."""

from __future__ import annotations

from dataclasses import dataclass, field

from liveassist.advise.alerts_rules import Sighting
from liveassist.model import Figures, Kit
from liveassist.ranks import median

# Bleed: a cell of the matrix against what it was, from this many hits of the source.
# Bleed varies by 3 to 6 dB from stroke to stroke on recorded drums; 4 dB gave two false alarms in
# 70 s of takes played with many crashes.
BLEED_UP_DB = 6.0
BLEED_OVER_DB = 3.0
BLEED_HITS = 24


@dataclass(slots=True)
class BleedWatch:
    """Compares the bleed matrix with what it was when first established."""

    kit: Kit
    normal: dict[tuple[str, str], float] = field(default_factory=dict)

    def sightings(self, figures: Figures) -> list[Sighting]:
        """Bleed up: one source in one microphone, or in most of them at once."""
        found: list[Sighting] = []
        for drum in self.kit.drums:
            row = figures.drums.get(drum.name)
            if row is None or row.hits < BLEED_HITS:
                continue
            rises = self._rises(figures, drum.name)
            if rises:
                found += _bleed_sightings(drum.name, rises)
        return found

    def _rises(self, figures: Figures, drum: str) -> dict[str, float]:
        rises: dict[str, float] = {}
        for mic, cells in figures.bleed_db.items():
            value = cells.get(drum)
            if value is None or f"{mic}.{drum}" in figures.bleed_upper_bound:
                continue
            rises[mic] = value - self.normal.setdefault((mic, drum), value)
        return rises


def _bleed_sightings(drum: str, rises: dict[str, float]) -> list[Sighting]:
    # Where the drum's own microphone was turned down, all cells rise alike; one cell is news of
    # its own only by what it rises above the others.
    middle = median(list(rises.values()))
    everywhere = len(rises) >= 3 and middle >= BLEED_UP_DB
    common = max(middle, 0.0) if len(rises) >= 3 else 0.0
    found = [
        Sighting(
            "bleed_up",
            present=everywhere,
            clear=middle < BLEED_OVER_DB,
            sentence=(
                f"{drum} bleeds {middle:.0f} dB more into the other microphones than before: "
                f"it is louder there, or its own microphone was turned down or moved."
            ),
            drum=drum,
            value=middle,
            unit="dB",
            confidence=0.8,
            lasting_s=8.0,
            clearing_s=8.0,
        )
    ]
    for mic, rise in rises.items():
        found.append(
            Sighting(
                "bleed_up",
                present=rise - common >= BLEED_UP_DB,
                clear=rise - common < BLEED_OVER_DB,
                sentence=f"{drum} bleeds {rise:.0f} dB more into {mic} than before.",
                drum=drum,
                mic=mic,
                value=rise,
                unit="dB",
                confidence=0.8,
                lasting_s=8.0,
                clearing_s=8.0,
            )
        )
    return found
