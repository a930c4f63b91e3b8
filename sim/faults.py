"""Things that go wrong in a session, scheduled: what the kit is like at any moment.

Each event is a frozen record; `Timeline` answers what a drum's state, the drummer's level, a
microphone's place and its gain are at a time. Slow changes move in small steps, so that each step
is one state of the kit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .drumspec import DrumSpec, DrumState
from .errors import ScenarioError
from .fields import number, refuse_unknown, suggest
from .kit import Kit

#: What can go wrong: name -> (what it acts on, keys it needs, keys it may have).
KINDS: dict[str, tuple[str, frozenset[str], frozenset[str]]] = {
    "lug_slip": ("drum", frozenset({"tension"}), frozenset({"lug"})),
    "head_flat": ("drum", frozenset({"cents"}), frozenset({"over_s"})),
    "damping": ("drum", frozenset({"ring"}), frozenset()),
    "wires_off": ("drum", frozenset(), frozenset()),
    "hihat_open": ("drum", frozenset({"openness"}), frozenset({"over_s"})),
    "tiring": ("player", frozenset({"db"}), frozenset({"over_s", "drum"})),
    "gain": ("mic", frozenset({"db"}), frozenset()),
    "mic_sink": ("mic", frozenset({"metres"}), frozenset({"over_s"})),
    "crackle": ("mic", frozenset({"dbfs", "over_s"}), frozenset()),
    "dead_mic": ("mic", frozenset(), frozenset({"over_s"})),
    "polarity": ("mic", frozenset(), frozenset({"over_s"})),
    "hum": ("mic", frozenset({"dbfs"}), frozenset({"over_s"})),
    "talk": ("room", frozenset({"db", "over_s"}), frozenset()),
    "clock_drift": ("room", frozenset({"ppm"}), frozenset()),
    "dropped": ("room", frozenset({"over_s"}), frozenset()),
}
_CENT_STEP = 2.0
_SINK_STEP_M = 0.01
_OPEN_STEP = 0.05


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that happens. ``over_s``: how long it takes or lasts (0: at once, or for good
    where it lasts); the other figures belong to the kinds in `KINDS`."""

    kind: str
    at_s: float
    drum: str | None = None
    mic: str | None = None
    over_s: float = 0.0
    tension: float = 1.0
    lug: int = 0
    cents: float = 0.0
    ring: float = 1.0
    openness: float = 0.0
    db: float = 0.0
    metres: float = 0.0
    dbfs: float = 0.0
    ppm: float = 0.0

    def record(self) -> dict[str, Any]:
        """For the truth: only what this kind uses."""
        _, needed, may = KINDS[self.kind]
        keep = {"kind", "at_s"} | needed | (may & set(asdict(self)))
        values = {k: v for k, v in asdict(self).items() if k in keep or k in ("drum", "mic")}
        return {k: v for k, v in values.items() if v is not None}

    def share(self, time_s: float) -> float:
        """How far a gradual change has got, 0 to 1."""
        if time_s < self.at_s:
            return 0.0
        return 1.0 if self.over_s <= 0 else min((time_s - self.at_s) / self.over_s, 1.0)

    def lasts(self, time_s: float) -> bool:
        """Whether something with an end is going on."""
        return self.at_s <= time_s and (self.over_s <= 0 or time_s < self.at_s + self.over_s)


def parse_fault(table: Mapping[str, Any], kit: Kit, takes: Mapping[str, float]) -> Fault:
    """An event from TOML. Its time is ``at_s``, or ``take`` with ``after_s`` (may be negative)."""
    kind = str(table.get("kind", ""))
    if kind not in KINDS:
        raise ScenarioError(f"event: unknown kind {kind!r}{suggest(kind, KINDS)}")
    target, needed, may = KINDS[kind]
    where = f"event {kind}"
    keys = {"kind", "at_s", "take", "after_s"} | needed | may
    if target in ("drum", "mic"):
        keys.add(target)
        if target not in table:
            raise ScenarioError(f"{where}: needs {target} = NAME")
    refuse_unknown(table, keys, where)
    missing = sorted(needed - set(table))
    if missing:
        raise ScenarioError(f"{where}: needs {', '.join(missing)}")
    if "take" in table:
        take = str(table["take"])
        if take not in takes:
            raise ScenarioError(f"{where}: no take {take!r}{suggest(take, takes)}")
        at = takes[take] + number(table.get("after_s", -1.0), where)
    else:
        at = number(table.get("at_s"), f"{where} at_s")
    if "drum" in table:
        kit.instrument(str(table["drum"]))
    if "mic" in table:
        kit.mic_index(str(table["mic"]))
    values = {
        k: (int(v) if k == "lug" else number(v, f"{where} {k}"))
        for k, v in table.items()
        if k in needed | may and k not in ("drum", "mic")
    }
    return Fault(
        kind=kind,
        at_s=max(at, 0.0),
        drum=str(table["drum"]) if "drum" in table else None,
        mic=str(table["mic"]) if "mic" in table else None,
        **values,  # type: ignore[arg-type]
    )


def pitch_cents(state: DrumState) -> float:
    """Shift of a head's pitch in this state, cents (flat negative), mean over its lugs."""
    lugs = np.mean(state.lug_tension) if state.lug_tension else 1.0
    return float(state.cents + 600.0 * np.log2(lugs))


class Timeline:
    """What holds at any moment, from the list of events."""

    def __init__(self, kit: Kit, faults: Sequence[Fault]) -> None:
        self.kit = kit
        self.faults = tuple(sorted(faults, key=lambda item: item.at_s))
        self._mics = [mic.name for mic in kit.mics]

    def of(self, *kinds: str) -> list[Fault]:
        """Events of these kinds in time order."""
        return [item for item in self.faults if item.kind in kinds]

    def drum_state(self, instrument: str, time_s: float) -> DrumState:
        """State of one instrument at a time, slow changes in small steps."""
        cents, ring, wires, openness = 0.0, 1.0, True, 0.0
        spec = self.kit.instrument(instrument).sound
        lugs = [1.0] * (spec.lugs if isinstance(spec, DrumSpec) else 0)
        slipped = False
        for item in self.faults:
            if item.drum != instrument or item.at_s > time_s:
                continue
            if item.kind == "head_flat":
                cents += item.cents * item.share(time_s)
            elif item.kind == "damping":
                ring *= item.ring
            elif item.kind == "wires_off":
                wires = False
            elif item.kind == "hihat_open":
                openness += item.openness * item.share(time_s)
            elif item.kind == "lug_slip" and lugs:
                lugs[item.lug % len(lugs)] *= item.tension
                slipped = True
        return DrumState(
            cents=round(cents / _CENT_STEP) * _CENT_STEP,
            lug_tension=tuple(lugs) if slipped else (),
            ring=ring,
            wires=wires,
            openness=round(openness / _OPEN_STEP) * _OPEN_STEP,
        )

    def playing_db(self, instrument: str, time_s: float) -> float:
        """How much louder or softer than planned the drummer plays."""
        return sum(
            item.db * item.share(time_s)
            for item in self.of("tiring")
            if item.drum in (None, instrument)
        )

    def sink_m(self, time_s: float) -> tuple[float, ...]:
        """How far each microphone has sunk; empty while none has."""
        out = np.zeros(len(self._mics))
        for item in self.of("mic_sink"):
            out[self._mics.index(str(item.mic))] += item.metres * item.share(time_s)
        steps = np.round(out / _SINK_STEP_M) * _SINK_STEP_M
        return tuple(float(v) for v in steps) if np.any(steps) else ()

    def mic_factor(self, time_s: float) -> npt.NDArray[np.float32]:
        """Linear factor on each microphone: gain nudges, swapped polarity, dead lines."""
        out = np.ones(len(self._mics), dtype=np.float32)
        for item in self.of("gain", "polarity", "dead_mic"):
            column = self._mics.index(str(item.mic))
            if item.kind == "gain":
                out[column] *= np.float32(10 ** (item.db / 20)) if item.at_s <= time_s else 1
            elif item.lasts(time_s):
                out[column] *= np.float32(-1.0 if item.kind == "polarity" else 0.0)
        return out

    def factor_times(self) -> list[float]:
        """When `mic_factor` changes."""
        times: list[float] = []
        for item in self.of("gain", "polarity", "dead_mic"):
            times.append(item.at_s)
            if item.kind != "gain" and item.over_s > 0:
                times.append(item.at_s + item.over_s)
        return sorted(set(times))

    def clock_time(self, time_s: float) -> float:
        """Recorder time at a true time: drift in parts per million from each event on."""
        out = time_s
        for item in self.of("clock_drift"):
            out += max(time_s - item.at_s, 0.0) * item.ppm * 1e-6
        return out
