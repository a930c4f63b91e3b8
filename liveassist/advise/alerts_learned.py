"""The alert that what a soundcheck taught no longer fits what is played."""

from __future__ import annotations

from liveassist.advise.alerts_rules import Sighting

#: The misfit must last this long before it is said, and be gone this long before it is over, s.
LASTING_S = 4.0
CLEARING_S = 10.0


def learned_stale(worst: tuple[str, str, float] | None, fits: bool) -> Sighting:
    """One look: the largest change as (drum, microphone, dB louder than learned), None if there
    is none; ``fits``: whether everything surely fits."""
    if worst is None:
        return Sighting("learned_stale", False, fits, "", clearing_s=CLEARING_S)
    drum, mic, change_db = worst
    way = "louder" if change_db > 0 else "softer"
    sentence = (
        f"What the soundcheck taught no longer fits: against its own microphone {drum} is "
        f"{abs(change_db):.0f} dB {way} in {mic} than then. If a gain or a microphone was changed "
        "on purpose, do the soundcheck again."
    )
    return Sighting(
        "learned_stale",
        True,
        False,
        sentence,
        value=change_db,
        unit="dB",
        lasting_s=LASTING_S,
        clearing_s=CLEARING_S,
    )
