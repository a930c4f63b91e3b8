"""Scenario files: which kit, which drummer, which songs, what goes wrong and when."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from .cymbal import CymbalSpec
from .drummer import Drummer, Stroke, play
from .errors import ScenarioError
from .faults import Fault, parse_fault
from .fields import fill, number, refuse_unknown, suggest
from .groove import Groove, Note, generate_groove, parse_groove
from .kit import FOLDER as KIT_FOLDER
from .kit import Kit, parse_kit

FOLDER = Path(__file__).parent / "scenarios"
#: Silence after the last stroke, s.
TAIL_S = 2.5
_KEYS = {
    "name",
    "title",
    "kit",
    "seed",
    "sample_rate_hz",
    "change",
    "drummer",
    "groove",
    "take",
    "event",
    "start_s",
}
#: Soundcheck: first stroke, gap between strokes of drums and of cymbals, gap between drums, s.
_CHECK_START_S, _CHECK_GAP_S, _CHECK_CYMBAL_GAP_S = 1.0, 0.8, 1.6


@dataclass(frozen=True, slots=True)
class TakeSpan:
    """A take: from just before its first judged stroke to its last bar's end."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Plan:
    """All that will happen, before any sound is made."""

    name: str
    title: str
    kit: Kit
    seed: int
    sample_rate_hz: int
    strokes: tuple[Stroke, ...]
    takes: tuple[TakeSpan, ...]
    faults: tuple[Fault, ...]
    segments: tuple[tuple[str, float, float], ...]
    duration_s: float
    family: int


def names() -> list[str]:
    """Names of the shipped scenarios."""
    return sorted(item.stem for item in FOLDER.glob("*.toml"))


def load_plan(
    name_or_path: str | Path, *, seed: int | None = None, soundcheck: bool = False
) -> Plan:
    """Read a shipped scenario by name, or a file; ``seed`` replaces the scenario's own.

    ``soundcheck``: instead of the songs, each drum alone, eight strokes soft to hard.
    """
    text = str(name_or_path)
    path = Path(text) if text.endswith(".toml") else FOLDER / f"{text}.toml"
    if not path.is_file():
        raise ScenarioError(
            f"no scenario {text!r}{suggest(text, names())}; shipped: {', '.join(names())}"
        )
    return parse_plan(_read_toml(path), path, seed=seed, soundcheck=soundcheck)


def parse_plan(
    data: Mapping[str, Any], path: Path, *, seed: int | None = None, soundcheck: bool = False
) -> Plan:
    """A plan from parsed TOML. ``path`` names the file in messages and anchors relative kits."""
    where = path.name
    refuse_unknown(data, _KEYS, where)
    kit = _kit(data, path)
    chosen = int(data.get("seed", 1)) if seed is None else seed
    rate = int(data.get("sample_rate_hz", 48000))
    if not 16000 <= rate <= 192000:
        raise ScenarioError(f"{where}: sample_rate_hz is {rate}, must be 16000 to 192000")
    base = Plan(
        name=str(data.get("name", path.stem)),
        title=str(data.get("title", "")),
        kit=kit,
        seed=chosen,
        sample_rate_hz=rate,
        strokes=(),
        takes=(),
        faults=(),
        segments=(),
        duration_s=0.0,
        family=chosen * 2,
    )
    return _soundcheck(base) if soundcheck else _session(base, data, where)


def _kit(data: Mapping[str, Any], path: Path) -> Kit:
    file, table = _kit_table(str(data.get("kit", "")), path)
    return parse_kit(_changed(table, data.get("change", {}), path.name), file.name)


def _kit_table(name: str, path: Path) -> tuple[Path, dict[str, Any]]:
    """Table of the kit called ``name``, or in a file beside ``path``.

    A kit may be another one with changes: ``like = "KIT"`` and what a scenario says under
    ``change``.
    """
    file = path.parent / name if name.endswith(".toml") else KIT_FOLDER / f"{name}.toml"
    if not file.is_file():
        known = sorted(item.stem for item in KIT_FOLDER.glob("*.toml"))
        raise ScenarioError(
            f"{path.name}: no kit {name!r}{suggest(name, known)}; shipped: {', '.join(known)}"
        )
    table = _read_toml(file)
    if "like" not in table:
        return file, table
    refuse_unknown(table, {"like", "name", "seed", "change"}, file.name)
    like = str(table.pop("like"))
    if like == name:
        raise ScenarioError(f"{file.name}: like = {like!r} is the kit itself")
    changed = _changed(_kit_table(like, file)[1], table.pop("change", {}), file.name)
    return file, {**changed, **table}


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(f"{path.name}: not valid TOML: {problem}") from problem


def _changed(kit: Mapping[str, Any], change: Mapping[str, Any], where: str) -> dict[str, Any]:
    """The kit's table with a scenario's changes laid over it.

    A microphone given a ``gain_db`` loses the kit's ``peak``.
    """
    out: dict[str, Any] = copy.deepcopy(dict(kit))
    refuse_unknown(change, {"room", "instrument", "mic"}, f"{where} [change]")
    out.setdefault("room", {}).update(change.get("room", {}))
    for kind in ("instrument", "mic"):
        for name, values in change.get(kind, {}).items():
            target = next((t for t in out.get(kind, []) if t.get("name") == name), None)
            if target is None:
                raise ScenarioError(f"{where} [change.{kind}.{name}]: the kit has no such {kind}")
            if "gain_db" in values:
                target.pop("peak", None)
            for key, value in values.items():
                if isinstance(value, dict) and isinstance(target.get(key), dict):
                    target[key].update(value)
                else:
                    target[key] = value
    return out


def _session(base: Plan, data: Mapping[str, Any], where: str) -> Plan:
    drummer = _drummer(data.get("drummer", {}), f"{where} [drummer]")
    written = {}
    for table in data.get("groove", []):
        refuse_unknown(table, {"name", "steps_per_beat", "pattern"}, f"{where} [[groove]]")
        name = str(table.get("name", "?"))
        written[name] = parse_groove(
            name, str(table.get("pattern", "")), int(table.get("steps_per_beat", 4))
        )
    kinds = {
        item.name: (item.kind, item.sound.kind if isinstance(item.sound, CymbalSpec) else "")
        for item in base.kit.instruments
    }
    clock = number(data.get("start_s", 1.0), f"{where} start_s")
    strokes: list[Stroke] = []
    takes: list[TakeSpan] = []
    for index, table in enumerate(data.get("take", [])):
        label = f"{where} take {table.get('name', index + 1)}"
        refuse_unknown(table, {"name", "bpm", "song", "gap_s", "swing", "drummer"}, label)
        name = str(table.get("name", f"take_{index + 1}"))
        bpm = number(table.get("bpm", 100), f"{label} bpm")
        if index:
            clock += number(table.get("gap_s", 4.0), f"{label} gap_s")
        rng = np.random.default_rng([base.seed, 101, index])
        notes, beats, lead = _song(table.get("song", []), written, kinds, rng, label)
        player = _drummer({**data.get("drummer", {}), **table.get("drummer", {})}, label)
        strokes += play(
            notes,
            clock,
            bpm,
            player if table.get("drummer") else drummer,
            kinds,
            name,
            rng,
            number(table.get("swing", 0.0), f"{label} swing"),
        )
        begin = clock + lead * 60.0 / bpm
        clock += beats * 60.0 / bpm
        takes.append(TakeSpan(name, max(begin - 0.3, 0.0), clock + 0.3))
    if not strokes:
        raise ScenarioError(f"{where}: no strokes; needs at least one [[take]] with a song")
    starts = {take.name: take.start_s for take in takes}
    faults = tuple(parse_fault(t, base.kit, starts) for t in data.get("event", []))
    strokes.sort(key=lambda item: item.time_s)
    return replace(
        base,
        strokes=tuple(strokes),
        takes=tuple(takes),
        faults=faults,
        duration_s=max(strokes[-1].time_s, takes[-1].end_s) + TAIL_S,
    )


def _song(
    parts: list[Any],
    written: Mapping[str, Groove],
    kinds: Mapping[str, tuple[str, str]],
    rng: np.random.Generator,
    where: str,
) -> tuple[list[Note], float, float]:
    """All notes of a song in beats, its length, and the beats of its count-in."""
    notes: list[Note] = []
    beat = lead = 0.0
    for part in parts:
        name, _, times = str(part).partition("*")
        name = name.strip()
        if times and not times.strip().isdigit():
            raise ScenarioError(f"{where}: {part!r} is not NAME or NAME*COUNT")
        for _ in range(int(times) if times else 1):
            groove = written.get(name) or generate_groove(name, rng)
            for note in groove.notes:
                if note.instrument in kinds:
                    notes.append(replace(note, beat=note.beat + beat))
                elif name in written:
                    raise ScenarioError(
                        f"{where}: groove {name} plays {note.instrument!r}, which the kit lacks"
                        f"{suggest(note.instrument, kinds)}"
                    )
            if name == "count_in" and beat == lead:
                lead += groove.beats
            beat += groove.beats
    return notes, beat, lead


def _drummer(table: Mapping[str, Any], where: str) -> Drummer:
    flat = {k: v for k, v in table.items() if k not in ("level_db", "push_ms", "spread_of_db")}
    drummer = fill(Drummer, flat, where)

    def by_name(key: str) -> dict[str, float]:
        rows = table.get(key, {})
        return {name: number(value, f"{where} {key}.{name}") for name, value in rows.items()}

    return replace(
        drummer,
        level_db=by_name("level_db"),
        push_ms=by_name("push_ms"),
        spread_of_db=by_name("spread_of_db"),
    )


def _soundcheck(base: Plan) -> Plan:
    """Each drum alone, eight strokes from soft to hard, as an engineer asks for them."""
    rng = np.random.default_rng([base.seed, 202])
    strokes: list[Stroke] = []
    segments: list[tuple[str, float, float]] = []
    clock = _CHECK_START_S
    drums = list(dict.fromkeys(item.drum for item in base.kit.instruments))
    for drum in drums:
        members = [item for item in base.kit.instruments if item.drum == drum]
        begin = clock
        gap = _CHECK_CYMBAL_GAP_S if members[0].kind == "cymbal" else _CHECK_GAP_S
        for index in range(8):
            item = members[index * len(members) // 8]
            steps = 8 // len(members) or 1
            share = (index % steps) / max(steps - 1, 1)
            soft = -22.0 if item.kind in ("snare", "kick") else -16.0
            articulation = "open" if item.kind == "hihat" and index >= 4 else "hit"
            if item.kind == "hihat":
                share = (index % 4) / 3
            level = soft * (1.0 - share) - 1.0 + float(rng.normal(0, 0.8))
            strokes.append(Stroke(clock, item.name, articulation, "soundcheck", level))
            clock += gap
        segments.append((drum, round(begin - 0.3, 3), round(clock - 0.1, 3)))
        clock += 0.7 if members[0].kind != "cymbal" else 2.0
    return replace(
        base,
        strokes=tuple(strokes),
        segments=tuple(segments),
        duration_s=clock + TAIL_S,
        family=base.seed * 2 + 1,
    )
