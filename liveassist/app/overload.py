"""What gives way when the processor is too slow, and in which order. No clock: times are arguments.

Measured by how much audio waits in the ring of the capture child, which goes on filling it whatever
happens here, so that capture is the last to suffer. First the dashboard slows, then the detail of
hits (partials, ring, arrival) and new suggestions are left out, then outputs get several events at
once, only the last report of each hit. A step is taken back after `CALM_S` with little waiting.
"""

from __future__ import annotations

from collections.abc import Iterable

from liveassist.model import Event, Hit

#: Audio waiting from which each step is taken, seconds; the ring holds ten times the last.
STEPS_S = (0.1, 0.3, 0.8)
#: A step is taken back when for so long no more than half of its limit waited, seconds.
CALM_S = 3.0
#: The first step alone is said only when it lasts so long, seconds: a screen that is a little
#: slower for a moment is nothing an engineer has to know during a take.
SAID_AFTER_S = 5.0
#: Time between figures at each level, seconds.
FIGURES_S = (0.1, 0.5, 0.5, 2.0)
#: Time between hand-overs of events at the last level, seconds.
EVENTS_S = 0.5
NORMAL, SLOW_SCREEN, NO_DETAIL, COALESCED = range(4)
WORDS = (
    "",
    "the dashboard is slowed",
    "the dashboard is slowed and hits come without detail",
    "figures come every 2 s, hits without detail and several at a time",
)


class Overload:
    """Follows how far analysis is behind. ``level``: 0 (normal) to 3; ``worst_s``: ever."""

    def __init__(self) -> None:
        self.level = NORMAL
        self.worst_s = 0.0
        self._calm_since_s: float | None = None
        self._since_s: float | None = None
        #: Whether this spell is said: from then on until it is over, not with every step.
        self._said = False

    def note(self, behind_s: float, now_s: float) -> bool:
        """``behind_s`` of audio wait at session time ``now_s``; whether the level changed."""
        changed = self._changed(behind_s, now_s)
        if self.level == NORMAL:
            self._since_s, self._said = None, False
        elif self._since_s is None:
            self._since_s = now_s
        if self._since_s is not None:
            lasts = now_s - self._since_s >= SAID_AFTER_S
            self._said = self._said or lasts or self.level > SLOW_SCREEN
        return changed

    def _changed(self, behind_s: float, now_s: float) -> bool:
        self.worst_s = max(self.worst_s, behind_s)
        wanted = sum(behind_s >= limit for limit in STEPS_S)
        if wanted > self.level:
            self.level, self._calm_since_s = wanted, None
            return True
        if self.level == NORMAL or behind_s > STEPS_S[self.level - 1] / 2.0:
            self._calm_since_s = None
            return False
        if self._calm_since_s is None:
            self._calm_since_s = now_s
        if now_s - self._calm_since_s < CALM_S:
            return False
        self.level -= 1
        self._calm_since_s = now_s
        return True

    @property
    def sentence(self) -> str | None:
        """What to say to the engineer; None where nothing is wrong."""
        if not self._said:
            return None
        return (
            f"This computer cannot keep up: {WORDS[self.level]}. No audio is lost yet; close other "
            "programs or use a larger buffer."
        )


def newest(events: Iterable[Event]) -> list[Event]:
    """``events`` with only the last report of each hit, at the place of its first."""
    kept: dict[tuple[str, int], Event] = {}
    for index, event in enumerate(events):
        kept[("hit", event.number) if isinstance(event, Hit) else ("other", index)] = event
    return list(kept.values())
