"""A kit in a room: instruments, microphones, positions. Read from TOML, checked, frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .cymbal import LEVELS, CymbalSpec
from .drumspec import DrumSpec
from .errors import ScenarioError
from .fields import fill, number, point, refuse_unknown, suggest
from .geometry import Vector, unit
from .room import PATTERNS, Capsule, Room

KINDS = ("kick", "snare", "tom", "hihat", "cymbal")
FOLDER = Path(__file__).parent / "kits"
_INSTRUMENT_KEYS = {"name", "drum", "kind", "own", "position_m", "axis", "sound"}
_MIC_KEYS = {
    "name",
    "of",
    "position_m",
    "aim_m",
    "pattern",
    "gain_db",
    "peak",
    "noise_dbfs",
    "hum_dbfs",
    "hum_hz",
    "saturation_db",
}


@dataclass(frozen=True, slots=True)
class Instrument:
    """``name`` is unique; ``drum`` is the name in the truth (all cymbals may share one)."""

    name: str
    drum: str
    kind: str
    own: str | None
    position_m: tuple[float, float, float]
    axis: tuple[float, float, float]
    sound: DrumSpec | CymbalSpec


@dataclass(frozen=True, slots=True)
class MicSpec:
    """A microphone and its preamp.

    ``gain_db``: full scale is reached by the reference loudness at 1 m at 0 dB; alternatively
    ``peak_of``/``peak_dbfs``: gain set so that a full stroke of that instrument peaks there.
    ``noise_dbfs``, ``hum_dbfs``: RMS. ``saturation_db``: level (dBFS) from which the preamp bends;
    None for a clean one that clips at full scale.
    """

    name: str
    position_m: tuple[float, float, float]
    facing: tuple[float, float, float]
    pressure_share: float
    of: str | None = None
    gain_db: float = 0.0
    peak_of: str | None = None
    peak_dbfs: float = 0.0
    noise_dbfs: float = -82.0
    hum_dbfs: float | None = None
    hum_hz: float = 50.0
    saturation_db: float | None = None

    def capsule(self, sink_m: float = 0.0) -> Capsule:
        """Where it stands, ``sink_m`` lower than it was put."""
        x, y, z = self.position_m
        return Capsule((x, y, z - sink_m), self.facing, self.pressure_share)


@dataclass(frozen=True, slots=True)
class Kit:
    """Everything that stands in the room. ``seed`` fixes what is built in (plates, tails)."""

    name: str
    seed: int
    room: Room
    instruments: tuple[Instrument, ...]
    mics: tuple[MicSpec, ...]
    _index: dict[str, int] = field(default_factory=dict, repr=False, compare=False)

    def instrument(self, name: str) -> Instrument:
        """The instrument called ``name``; ScenarioError if there is none."""
        for item in self.instruments:
            if item.name == name:
                return item
        known = [item.name for item in self.instruments]
        raise ScenarioError(f"kit {self.name}: no instrument {name!r}{suggest(name, known)}")

    def mic_index(self, name: str) -> int:
        """Column of a microphone; ScenarioError if there is none."""
        for index, mic in enumerate(self.mics):
            if mic.name == name:
                return index
        known = [mic.name for mic in self.mics]
        raise ScenarioError(f"kit {self.name}: no microphone {name!r}{suggest(name, known)}")

    @property
    def own(self) -> dict[str, str]:
        """Own microphone of each drum that has one."""
        return {item.drum: item.own for item in self.instruments if item.own is not None}


def parse_kit(data: Mapping[str, Any], where: str) -> Kit:
    """A kit from parsed TOML; ScenarioError names the first mistake."""
    refuse_unknown(data, {"name", "seed", "room", "instrument", "mic"}, where)
    room = dict(data.get("room", {}))
    instruments = tuple(_instrument(t, where) for t in data.get("instrument", []))
    mics = tuple(_mic(t, where) for t in data.get("mic", []))
    if not instruments or not mics:
        raise ScenarioError(f"{where}: needs at least one [[instrument]] and one [[mic]]")
    kit = Kit(
        name=str(data.get("name", where)),
        seed=int(data.get("seed", 1)),
        room=fill(Room, room, f"{where} [room]"),
        instruments=instruments,
        mics=mics,
    )
    _check(kit, where)
    return kit


def _check(kit: Kit, where: str) -> None:
    for names, what in (
        ([item.name for item in kit.instruments], "instrument"),
        ([mic.name for mic in kit.mics], "microphone"),
    ):
        double = {name for name in names if names.count(name) > 1}
        if double:
            raise ScenarioError(f"{where}: {what} {sorted(double)[0]!r} appears twice")
    drums = {item.drum for item in kit.instruments}
    for item in kit.instruments:
        if item.own is not None:
            kit.mic_index(item.own)
    for mic in kit.mics:
        if mic.of is not None and mic.of not in drums:
            raise ScenarioError(f"{where}: microphone {mic.name} is of unknown drum {mic.of!r}")
        if mic.peak_of is not None:
            kit.instrument(mic.peak_of)
        for place in (mic.position_m, *(item.position_m for item in kit.instruments)):
            if any(not 0 <= p <= size for p, size in zip(place, kit.room.size_m, strict=True)):
                raise ScenarioError(f"{where}: position {place} is outside the room")


def _instrument(table: Mapping[str, Any], where: str) -> Instrument:
    name = str(table.get("name", "?"))
    label = f"{where} instrument {name}"
    refuse_unknown(table, _INSTRUMENT_KEYS, label)
    kind = str(table.get("kind", ""))
    if kind not in KINDS:
        raise ScenarioError(f"{label}: kind {kind!r} is not one of {', '.join(KINDS)}")
    sound = dict(table.get("sound", {}))
    spec: DrumSpec | CymbalSpec
    if kind in ("hihat", "cymbal"):
        sound.setdefault("kind", "hihat" if kind == "hihat" else "crash")
        spec = fill(CymbalSpec, sound, f"{label} sound")
        if spec.kind not in LEVELS:
            raise ScenarioError(f"{label}: sound.kind {spec.kind!r}; known: {', '.join(LEVELS)}")
    else:
        spec = fill(DrumSpec, sound, f"{label} sound")
    axis = unit(point(table.get("axis", [0, 0, 1]), f"{label} axis"))
    return Instrument(
        name=name,
        drum=str(table.get("drum", name)),
        kind=kind,
        own=str(table["own"]) if "own" in table else None,
        position_m=point(table.get("position_m"), f"{label} position_m"),
        axis=(float(axis[0]), float(axis[1]), float(axis[2])),
        sound=spec,
    )


def _facing(table: Mapping[str, Any], position: Vector, label: str) -> Vector:
    aim = point(table.get("aim_m"), f"{label} aim_m")
    try:
        return unit([a - p for a, p in zip(aim, position, strict=True)])
    except ValueError as problem:
        raise ScenarioError(f"{label}: aim_m must differ from position_m") from problem


def _mic(table: Mapping[str, Any], where: str) -> MicSpec:
    name = str(table.get("name", "?"))
    label = f"{where} mic {name}"
    refuse_unknown(table, _MIC_KEYS, label)
    position = point(table.get("position_m"), f"{label} position_m")
    facing = _facing(table, position, label)  # type: ignore[arg-type]
    pattern = table.get("pattern", "cardioid")
    share = PATTERNS.get(pattern) if isinstance(pattern, str) else number(pattern, label)
    if share is None or not 0 <= share <= 1:
        raise ScenarioError(f"{label}: pattern {pattern!r} is none of {', '.join(PATTERNS)}")
    peak = table.get("peak", {})
    refuse_unknown(peak, {"of", "dbfs"}, f"{label} peak")
    extra = {
        key: number(table[key], f"{label} {key}")
        for key in ("gain_db", "noise_dbfs", "hum_dbfs", "hum_hz", "saturation_db")
        if key in table
    }
    return MicSpec(
        name=name,
        position_m=position,
        facing=(float(facing[0]), float(facing[1]), float(facing[2])),
        pressure_share=float(share),
        of=str(table["of"]) if "of" in table else None,
        peak_of=str(peak["of"]) if "of" in peak else None,
        peak_dbfs=number(peak.get("dbfs", 0.0), f"{label} peak"),
        **extra,
    )


def profile_toml(kit: Kit, name: str) -> str:
    """The kit profile a listener needs: drums, their own microphones, channels."""
    lines = ["[kit]", f'name = "{name}"', ""]
    done: set[str] = set()
    for item in kit.instruments:
        if item.drum in done:
            continue
        done.add(item.drum)
        lines += ["[[drum]]", f'name = "{item.drum}"', f'kind = "{item.kind}"']
        if item.own is not None:
            lines.append(f'own = "{item.own}"')
        if isinstance(item.sound, DrumSpec):
            lines.append(f"head_diameter_in = {item.sound.diameter_in:g}")
            lines.append(f"lugs = {item.sound.lugs}")
        lines.append("")
    for channel, mic in enumerate(kit.mics, start=1):
        lines += ["[[mic]]", f'name = "{mic.name}"', f"channel = {channel}"]
        if mic.of is not None:
            lines.append(f'of = "{mic.of}"')
        lines.append("")
    return "\n".join(lines)
