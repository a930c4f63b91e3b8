"""Applying a suggested setting to the engineer's own device: when armed, once, with a way back.

A gate or expander moved in front of an audience can cut a drum off, or open a microphone into
feedback; that hurts people and gear. So:

- nothing is ever sent by itself: the engineer arms one microphone, then applies;
- arming ends by itself after `ARMED_S`, when it was used, and when the device's output is lost;
- it is refused while the suggestion is uncertain, and what was armed is what is sent, even if the
  suggestion moves meanwhile;
- what was there before is kept, so that it can be undone; a value that did not get there never
  counts as being there;
- after a reconnect nothing is sent again, and what was set before it is not taken for known.

Pure: the time, the snapshot and the health of outputs are arguments; what to send is the result.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
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
    """One value for the log. ``before`` is None if it was not known. ``sent``: it left and
    nothing speaks against its arrival; no device says that it took it. ``why`` it was not."""

    time_s: float
    mic: str
    setting: str
    value: float
    before: float | None
    source: str
    undo: bool = False
    sent: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True)
class Armed:
    """A microphone that is ready for one apply. ``values``: (control, value) to be sent."""

    mic: str
    until: float
    values: tuple[tuple[Control, float], ...]
    present: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Values on their way: (control, value, what the device had before, None if not known)."""

    mic: str
    values: tuple[tuple[Control, float, float | None], ...]
    source: str
    undo: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a request. With a ``plan``: nothing yet, until `ApplyDesk.settle`."""

    done: bool
    why: str
    sendings: tuple[Sending, ...] = ()
    plan: Plan | None = None


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
        """Disarm whatever has lost its output (name to state); the microphones disarmed.

        What such a device was set to is not known any more: it may come back with other settings.
        """
        for key in [key for key in self._present if health.get(key[0]) != "ok"]:
            del self._present[key]
        lost = [
            mic
            for mic, armed in self._armed.items()
            if any(health.get(control.to) != "ok" for control, _ in armed.values)
        ]
        for mic in lost:
            del self._armed[mic]
        return lost

    def outputs(self, mic: str) -> tuple[str, ...]:
        """The outputs that the settings of a microphone go to."""
        return tuple(dict.fromkeys(c.to for c in self._controls if c.mic == mic))

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
        values = self.ready(mic, snapshot, health)
        if isinstance(values, str):
            return Outcome(False, values)
        self._armed[mic] = Armed(mic, now + ARMED_S, values, present, source)
        return Outcome(True, f"armed for {ARMED_S:g} s: {_said(values)}")

    def ready(
        self, mic: str, snapshot: Snapshot | None, health: Mapping[str, str]
    ) -> tuple[tuple[Control, float], ...] | str:
        """The settings that could be armed now, or why not."""
        controls = [control for control in self._controls if control.mic == mic]
        if not controls:
            there = ", ".join(dict.fromkeys(control.mic for control in self._controls))
            hint = f"; there are some for {there}" if there else ""
            return f"no surface profile has an [[apply]] entry for {mic}{hint}"
        down = [control.to for control in controls if health.get(control.to) != "ok"]
        if down:
            return f"{down[0]} is not there"
        doubt = self._doubt(mic, snapshot)
        if doubt or snapshot is None:
            return doubt
        values = []
        for control in controls:
            value = control.quantity.read(snapshot, mic)
            if isinstance(value, str) or value is None:
                return f"{control.quantity.words} is not measured"
            values.append((control, float(value)))
        return tuple(values)

    def disarm(self, mic: str) -> Outcome:
        """Take it back."""
        gone = self._armed.pop(mic, None)
        return Outcome(gone is not None, "" if gone else f"{mic} is not armed")

    def apply(self, mic: str, health: Mapping[str, str], now: float) -> Outcome:
        """Take what was armed, once: what is to be sent, and the plan to be settled then."""
        self.watch(health)
        if mic not in self.armed(now):
            return Outcome(False, f"{mic} is not armed")
        armed = self._armed.pop(mic)
        values = []
        for control, value in armed.values:
            before = self._present.get((control.to, mic, control.quantity.key))
            if control.quantity.name == "suggested/threshold_dbfs" and armed.present is not None:
                before = armed.present
            values.append((control, value, before))
        return Outcome(True, "", _sendings(armed.values), Plan(mic, tuple(values), armed.source))

    def undo(self, mic: str, health: Mapping[str, str], source: str) -> Outcome:
        """What was there before the last apply, to be sent and settled."""
        if mic not in self._undo:
            return Outcome(False, "nothing was applied, or what was there before is not known")
        values = self._undo[mic]
        if any(health.get(control.to) != "ok" for control, _ in values):
            return Outcome(False, f"{values[0][0].to} is not there")
        known = tuple(
            (control, value, self._present.get((control.to, mic, control.quantity.key)))
            for control, value in values
        )
        return Outcome(True, "", _sendings(values), Plan(mic, known, source, undo=True))

    def settle(self, plan: Plan, failed: Mapping[str, str], time_s: float) -> Outcome:
        """Take in what became of a plan, and log it. ``failed``: why an output did not get it."""
        sent = []
        for control, value, before in plan.values:
            why = failed.get(control.to, "")
            key = (control.to, plan.mic, control.quantity.key)
            if why:
                self._present.pop(key, None)  # it may have got there all the same: not known
            else:
                self._present[key] = value
                sent.append((control, value, before))
            what = (time_s, plan.mic, control.quantity.key, value, before, plan.source)
            self._note(Applied(*what, undo=plan.undo, sent=not why, why=why))
        if plan.undo:
            if not failed:
                del self._undo[plan.mic]
        else:
            back = tuple((control, old) for control, _, old in sent if old is not None)
            self._undo.pop(plan.mic, None)
            if back and len(back) == len(sent):
                self._undo[plan.mic] = back
        return Outcome(not failed, self._settled(plan, failed, sent))

    def not_sent(self, plan: Plan, why: str, time_s: float) -> None:
        """Log a plan of which nothing left."""
        for control, value, before in plan.values:
            what = (time_s, plan.mic, control.quantity.key, value, before, plan.source)
            self._note(Applied(*what, undo=plan.undo, sent=False, why=why))

    def _settled(
        self,
        plan: Plan,
        failed: Mapping[str, str],
        sent: Sequence[tuple[Control, float, float | None]],
    ) -> str:
        """What became of a plan, in words."""
        words = []
        if sent:
            words.append(f"sent {_said([(control, value) for control, value, _ in sent])}")
        words += [f"{to} did not get it: {why}" for to, why in failed.items()]
        if sent and plan.undo:
            words.append("that was there before as far as is known: no device says what it took")
        elif sent and plan.mic not in self._undo:
            words.append("what was there before is not known, so it cannot be undone")
        return "; ".join(words)

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


def _said(values: Iterable[tuple[Control, float]]) -> str:
    """Settings in words, with their units."""
    said = []
    for control, value in values:
        unit = control.quantity.unit
        number = f"{value:g} to 1" if unit == "to 1" else f"{value:g} {unit}"
        said.append(f"{control.quantity.words} {number}")
    return ", ".join(said)


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
