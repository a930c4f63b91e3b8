"""Applying a suggested setting to the engineer's own device: when armed, once, with a way back.

A gate or expander moved in front of an audience can cut a drum off, or open a microphone into
feedback; that hurts people and gear. So:

- nothing is ever sent by itself: the engineer arms one microphone, then applies;
- arming ends by itself after `ARMED_S`, when it was used, and when the device's output is lost;
- it is refused while the suggestion is uncertain, and what was armed is what is sent, even if the
  suggestion moves meanwhile;
- what was there before is kept, so that it can be undone;
- after a reconnect nothing is sent again.

Pure: the time, the snapshot and the health of outputs are arguments; what to send is the result.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from liveassist.model import Snapshot

from .midi_map import control_message_for, control_osc_for
from .osc_codec import OscMessage
from .surface_model import Control

#: How long a microphone stays armed, seconds.
ARMED_S = 30.0
#: A suggestion counts as certain when its prediction rests on so many hits, and at least this
#: share of main hits is passed even at the low end of the interval.
CERTAIN_HITS = 20
CERTAIN_PASSED = 0.9
#: Applied values remembered.
MAX_LOG = 500


@dataclass(frozen=True, slots=True)
class Sending:
    """A message for the output called ``to``: MIDI bytes or an OSC message."""

    to: str
    message: bytes | OscMessage


@dataclass(frozen=True, slots=True)
class Applied:
    """One value that was sent, for the log. ``before`` is None if it was not known."""

    time_s: float
    mic: str
    setting: str
    value: float
    before: float | None
    source: str
    undo: bool = False


@dataclass(frozen=True, slots=True)
class Armed:
    """A microphone that is ready for one apply. ``values``: (control, value) to be sent."""

    mic: str
    until: float
    values: tuple[tuple[Control, float], ...]
    present: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a request."""

    done: bool
    why: str
    sendings: tuple[Sending, ...] = ()


class ApplyDesk:
    """The arming state of a session. ``controls``: the [[apply]] entries of all surfaces."""

    def __init__(self, controls: tuple[Control, ...]) -> None:
        self._controls = controls
        self._armed: dict[str, Armed] = {}
        self._present: dict[tuple[str, str, str], float] = {}
        self._undo: dict[str, tuple[tuple[Control, float], ...]] = {}
        self.log: list[Applied] = []

    def armed(self, now: float) -> Mapping[str, float]:
        """Armed microphones and the seconds they have left."""
        self._armed = {mic: a for mic, a in self._armed.items() if a.until > now}
        return {mic: a.until - now for mic, a in self._armed.items()}

    def armed_outputs(self, now: float) -> dict[str, str]:
        """By output: which microphones are armed to send to it, in words."""
        words: dict[str, list[str]] = {}
        for mic, left in self.armed(now).items():
            for to in sorted({control.to for control, _ in self._armed[mic].values}):
                words.setdefault(to, []).append(f"{mic} is armed for {left:.0f} s")
        return {to: ", ".join(said) for to, said in words.items()}

    def watch(self, health: Mapping[str, str]) -> list[str]:
        """Disarm whatever has lost its output (name to state); the microphones disarmed."""
        lost = [
            mic
            for mic, armed in self._armed.items()
            if any(health.get(control.to) != "ok" for control, _ in armed.values)
        ]
        for mic in lost:
            del self._armed[mic]
        return lost

    def arm(
        self,
        mic: str,
        present: float | None,
        snapshot: Snapshot | None,
        health: Mapping[str, str],
        now: float,
        source: str,
    ) -> Outcome:
        """Make one microphone ready. ``present``: the threshold the device has now, if known."""
        controls = [control for control in self._controls if control.mic == mic]
        if not controls:
            return Outcome(False, f"no surface profile has an [[apply]] entry for {mic}")
        down = [control.to for control in controls if health.get(control.to) != "ok"]
        if down:
            return Outcome(False, f"{down[0]} is not there")
        doubt = self._doubt(mic, snapshot)
        if doubt or snapshot is None:
            return Outcome(False, doubt)
        values = []
        for control in controls:
            value = control.quantity.read(snapshot, mic)
            if isinstance(value, str) or value is None:
                return Outcome(False, f"{control.quantity.words} is not measured")
            values.append((control, float(value)))
        self._armed[mic] = Armed(mic, now + ARMED_S, tuple(values), present, source)
        said = ", ".join(f"{control.quantity.words} {value:g}" for control, value in values)
        return Outcome(True, f"armed for {ARMED_S:g} s: {said}")

    def disarm(self, mic: str) -> Outcome:
        """Take it back."""
        gone = self._armed.pop(mic, None)
        return Outcome(gone is not None, "" if gone else f"{mic} is not armed")

    def apply(self, mic: str, health: Mapping[str, str], now: float, time_s: float) -> Outcome:
        """Send what was armed, once."""
        self.watch(health)
        if mic not in self.armed(now):
            return Outcome(False, f"{mic} is not armed")
        armed = self._armed.pop(mic)
        before = []
        for control, value in armed.values:
            key = (control.to, mic, control.quantity.key)
            old = self._present.get(key)
            if control.quantity.name == "suggested/threshold_dbfs" and armed.present is not None:
                old = armed.present
            if old is not None:
                before.append((control, old))
            self._present[key] = value
            self._note(Applied(time_s, mic, control.quantity.key, value, old, armed.source))
        known = len(before) == len(armed.values)
        self._undo.pop(mic, None)
        if known:
            self._undo[mic] = tuple(before)
        why = "" if known else "what was there before is not known, so it cannot be undone"
        return Outcome(True, why, _sendings(armed.values))

    def undo(self, mic: str, health: Mapping[str, str], time_s: float, source: str) -> Outcome:
        """Send what was there before the last apply."""
        if mic not in self._undo:
            return Outcome(False, "nothing was applied, or what was there before is not known")
        values = self._undo[mic]
        if any(health.get(control.to) != "ok" for control, _ in values):
            return Outcome(False, f"{values[0][0].to} is not there")
        del self._undo[mic]
        for control, value in values:
            key = (control.to, mic, control.quantity.key)
            old = self._present.get(key)
            self._present[key] = value
            self._note(Applied(time_s, mic, control.quantity.key, value, old, source, undo=True))
        return Outcome(True, "", _sendings(values))

    def _note(self, applied: Applied) -> None:
        self.log.append(applied)
        del self.log[:-MAX_LOG]

    @staticmethod
    def _doubt(mic: str, snapshot: Snapshot | None) -> str:
        """Why the suggestion is not certain enough; empty if it is."""
        suggestion = None if snapshot is None else snapshot.expander.get(mic)
        if snapshot is None or suggestion is None:
            why = None if snapshot is None else snapshot.expander_reason.get(mic)
            return f"there is no suggestion for {mic}" + (f": {why}" if why else "")
        predicted = suggestion.predicted
        if predicted is None or predicted.main_passed_ci is None:
            return "the suggestion has not been tried on recorded hits yet"
        if predicted.hits < CERTAIN_HITS:
            return f"the suggestion rests on {predicted.hits} hits, {CERTAIN_HITS} needed"
        if predicted.main_passed_ci[0] < CERTAIN_PASSED:
            return (
                f"the suggestion may pass only {predicted.main_passed_ci[0]:.0%} of main hits; "
                f"{CERTAIN_PASSED:.0%} needed"
            )
        return ""


def _sendings(values: tuple[tuple[Control, float], ...]) -> tuple[Sending, ...]:
    sendings = []
    for control, value in values:
        message = (
            control_osc_for(control, value)
            if control.message == "osc"
            else control_message_for(control, value)
        )
        if message is not None:
            sendings.append(Sending(control.to, message))
    return tuple(sendings)
