"""The regular look for alerts, a step at a time.

A look asks for the figures of the rolling window, which take some ten milliseconds: too long for a
hit that waits behind them. So it begins every `EVERY_S` and is carried on by a step with each chunk
of audio, a drum each: roles first, then figures; what it says is as of the moment between. Chunks
lie at fixed places in the stream, so the same audio gives the same roles and alerts, live or
replayed, at any block size, whoever looks at a screen.
"""

from __future__ import annotations

from liveassist.advise.alerts import Alerts
from liveassist.advise.alerts_learned import learned_stale
from liveassist.advise.alerts_rules import Sighting
from liveassist.hearing import Hearing
from liveassist.model import Alert, Kit
from liveassist.rolling.tracker import Rolling
from liveassist.steps import Steps, at_once

#: Alerts are looked for this often, s; each look takes 3 to 10 ms of processor, in all, and as much
#: again for roles.
EVERY_S = 2.0


class Lookout:
    """Looks for alerts in what ``rolling`` and ``hearing`` know."""

    def __init__(self, kit: Kit, hearing: Hearing, rolling: Rolling, alerts: Alerts) -> None:
        self._kit = kit
        self._hearing = hearing
        self._rolling = rolling
        self._alerts = alerts
        self._begun_s = 0.0
        self._now_s = 0.0
        self._looking: Steps[list[Alert]] | None = None

    def advance(self, now_s: float) -> list[Alert]:
        """Go on to ``now_s`` by a step; alerts that began or ended."""
        self._now_s = now_s
        if self._looking is None:
            if now_s - self._begun_s < EVERY_S:
                return []
            self._begun_s = now_s
            self._looking = self._look()
        try:
            next(self._looking)
        except StopIteration as done:
            self._looking = None
            found: list[Alert] = done.value
            return found
        return []

    def settle(self) -> list[Alert]:
        """Carry the look under way to its end, for what cannot wait for it."""
        looking, self._looking = self._looking, None
        return [] if looking is None else at_once(looking)

    def finish(self, now_s: float) -> list[Alert]:
        """The input is over: a last look."""
        self._now_s = now_s
        return [*self.settle(), *at_once(self._look())]

    def _look(self) -> Steps[list[Alert]]:
        yield from self._rolling.sort_out_steps()
        now_s = self._now_s
        steps = self._rolling.window_steps(now_s, for_alerts=True)
        next(steps)
        mics, recent, more = self._rolling.mics(), self._rolling.recent(), self._stale()
        yield
        figures = yield from steps
        yield
        return self._alerts.update(now_s, figures, mics, recent, more)

    def _stale(self) -> list[Sighting]:
        """Whether what was learned beforehand no longer fits."""
        stale = self._hearing.stale
        if stale is None:
            return []
        worst = next(iter(stale.misfits()), None)
        mic = "" if worst is None else self._kit.mics[worst.mic].name
        change = None if worst is None else (worst.drum, mic, worst.change_db)
        return [learned_stale(change, stale.fits)]
