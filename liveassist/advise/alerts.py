"""Alerts: what the engineer should know now, or between takes, each with a beginning and an end.

Calm comes first: one false alarm too many and the tool is switched off. So every alert has a
threshold to begin and a lower one to end, a minimum count behind it, a time it must last before
it is said, and a pause before the same thing is said again. Rules (``alerts_rules``,
``alerts_mics``) only say what they see; this module decides when that becomes an alert.

Measured: an even drummer (spread 1.5 dB, ghost notes, verse and chorus 4 dB apart, phrases that
swell by half a decibel, pauses) raised two alerts in four simulated hours, both a note
(``info``) that one snare hit fell 7 dB short. A shorter run of the same is a test.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from liveassist.advise.alerts_bleed import BleedWatch
from liveassist.advise.alerts_mics import MicWatch
from liveassist.advise.alerts_rules import (
    FallWatch,
    Sighting,
    drum_sightings,
    mic_sightings,
)
from liveassist.model import Alert, Block, Figures, Hit, Kit, LevelFrames, MicState

#: After it ended, the same alert does not begin again for this long, seconds; longer where the
#: engineer silenced it.
PAUSE_S = 30.0
SILENCED_PAUSE_S = 300.0
#: Ended alerts kept for the session's list.
MAX_ENDED = 2000

Subject = tuple[str, str | None, str | None]


@dataclass(slots=True)
class _State:
    """Where one possible alert stands."""

    seen_since_s: float | None = None
    clear_since_s: float | None = None
    open: Alert | None = None
    ended_s: float = float("-inf")
    silenced: bool = False


class Alerts:
    """Keeps the alerts of a session. No clock: ``now_s`` is an argument, and never goes back."""

    def __init__(self, kit: Kit, sample_rate_hz: float | None = None) -> None:
        self._kit = kit
        self._states: dict[Subject, _State] = {}
        self._ended: list[Alert] = []
        self._bleed = BleedWatch(kit)
        self._falls = FallWatch()
        self._watch = MicWatch(kit, sample_rate_hz)
        self._last_clipped: dict[str, int] = {}

    # --- what comes in -----------------------------------------------------------------------

    def hear(self, block: Block) -> None:
        """Take in audio, to look for mains hum. Optional; needs ``sample_rate_hz``."""
        self._watch.hear(block)

    def levels(self, frames: LevelFrames) -> None:
        """Take in level frames, to look for crackle and direct current."""
        self._watch.levels(frames)

    def hit(self, hit: Hit) -> None:
        """Take in a complete hit, to look for microphones that fell silent. Others are ignored."""
        self._watch.hit(hit)

    def update(
        self,
        now_s: float,
        figures: Figures,
        mics: Sequence[MicState],
        recent: Mapping[str, Sequence[Hit]],
        more: Sequence[Sighting] = (),
    ) -> list[Alert]:
        """Alerts that began (``end_s`` None) or ended since the last call.

        ``figures``: over the rolling window. ``mics``: meter states. ``recent``: latest hits of
        each drum, oldest first, roles as now known. Call a few times a second.
        """
        sightings: list[Sighting] = []
        for drum in self._kit.drums:
            if drum.judged and drum.name in figures.drums:
                sightings += drum_sightings(
                    figures, drum.name, recent.get(drum.name, ()), self._falls
                )
        sightings += mic_sightings(mics, self._last_clipped)
        sightings += self._bleed.sightings(figures)
        sightings += self._watch.sightings(now_s)
        return self._settle(now_s, [*sightings, *more])

    # --- what is asked -----------------------------------------------------------------------

    def open(self) -> tuple[Alert, ...]:
        """Alerts that last, silenced ones included, by beginning."""
        lasting = [state.open for state in self._states.values() if state.open is not None]
        return tuple(sorted(lasting, key=lambda alert: alert.start_s))

    def all(self) -> tuple[Alert, ...]:
        """Every alert of the session, ended and lasting, by beginning."""
        return tuple(sorted([*self._ended, *self.open()], key=lambda alert: alert.start_s))

    def is_silenced(self, alert: Alert) -> bool:
        """Whether the engineer has silenced this alert."""
        state = self._states.get((alert.key, alert.drum, alert.mic))
        return state is not None and state.silenced

    def silence(self, key: str, *, drum: str | None = None, mic: str | None = None) -> bool:
        """Acknowledge an alert: it stays in the list, is not shown as new, and does not come back
        for a while after it ended. Returns whether there was one."""
        state = self._states.get((key, drum, mic))
        if state is None or state.open is None:
            return False
        state.silenced = True
        return True

    def rebase(self) -> None:
        """Take what is heard from now on as normal (microphones were moved on purpose)."""
        self._bleed = BleedWatch(self._kit)
        self._watch.forget()

    def restore(self, alerts: Sequence[Alert], broken_s: float) -> None:
        """Take over the alerts of a session that broke off; what lasted ended there."""
        for alert in alerts:
            end_s = broken_s if alert.end_s is None else alert.end_s
            self._ended.append(replace(alert, end_s=max(end_s, alert.start_s)))
        del self._ended[:-MAX_ENDED]

    def finish(self, now_s: float) -> list[Alert]:
        """The input is over: everything that lasts ends."""
        return [
            self._end(state, now_s) for state in self._states.values() if state.open is not None
        ]

    # --- inside ------------------------------------------------------------------------------

    def _settle(self, now_s: float, sightings: Iterable[Sighting]) -> list[Alert]:
        events: list[Alert] = []
        for sighting in sightings:
            state = self._states.setdefault((sighting.key, sighting.drum, sighting.mic), _State())
            if sighting.present:
                state.clear_since_s = None
                self._present(state, sighting, now_s, events)
            else:
                state.seen_since_s = None
                if sighting.clear:
                    self._clear(state, sighting, now_s, events)
                else:
                    state.clear_since_s = None
        return events

    def _present(
        self, state: _State, sighting: Sighting, now_s: float, events: list[Alert]
    ) -> None:
        if state.seen_since_s is None:
            state.seen_since_s = now_s
        if state.open is not None:
            return
        pause = SILENCED_PAUSE_S if state.silenced else PAUSE_S
        if now_s - state.seen_since_s < sighting.lasting_s or now_s - state.ended_s < pause:
            return
        state.silenced = False
        start = state.seen_since_s if sighting.since_s is None else sighting.since_s
        state.open = Alert(
            key=sighting.key,
            start_s=start,
            end_s=None,
            when=sighting.when,
            severity=sighting.severity,
            sentence=sighting.sentence,
            drum=sighting.drum,
            mic=sighting.mic,
            value=sighting.value,
            unit=sighting.unit,
            confidence=sighting.confidence,
        )
        events.append(state.open)

    def _clear(self, state: _State, sighting: Sighting, now_s: float, events: list[Alert]) -> None:
        if state.open is None:
            return
        if state.clear_since_s is None:
            state.clear_since_s = now_s
        if now_s - state.clear_since_s >= sighting.clearing_s:
            events.append(self._end(state, state.clear_since_s))

    def _end(self, state: _State, end_s: float) -> Alert:
        assert state.open is not None
        ended = replace(state.open, end_s=max(end_s, state.open.start_s))
        state.open = None
        state.seen_since_s = state.clear_since_s = None
        state.ended_s = end_s
        self._ended.append(ended)
        del self._ended[:-MAX_ENDED]
        return ended
