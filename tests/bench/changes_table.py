"""What changed, case by case: how often the exact set of causes is named, and what else was.

Run by hand: ``python -m tests.bench.changes_table [--seeds N] [--kits KIT ...] [--keep DIR]
[--out FILE]``. Every case is a take of its own in a simulated session whose first take is the
reference: one thing goes wrong before it and is put right after it. The analysis hears audio and
the marks of the takes, nothing else. Truth is the simulator's, which knows nothing of the analysis.
``--keep`` keeps what was heard, so that another run of the same session only compares takes anew.
"""

from __future__ import annotations

import argparse
import itertools
import pickle
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from liveassist.advise.changes import changes
from liveassist.app.config import parse_kit
from liveassist.attribute.signature import Learned
from liveassist.learning import learn
from liveassist.model import Block, Change, Hit, Kit
from liveassist.pipeline import Pipeline
from sim.scenario import parse_plan
from sim.scene import Scene

Event = Mapping[str, Any]
Cause = tuple[str, str]
BLOCK = 4096
GAP_S = 5.0
GROOVES = [
    {
        "name": "verse",
        "pattern": """
hihat | X-x-X-x- X-x-X-x- |
snare | ----X--g -g--X--g |
kick  | X-----x- X-x----- |
""",
    },
    {
        "name": "turn",
        "pattern": """
hihat | X-x-X-x- X-x-o-x- |
snare | -g--X--g -g--X-gg |
kick  | X--x---- X-x---x- |
""",
    },
    {
        "name": "chorus",
        "pattern": """
crash | X------- -------- |
hihat | --o-o-o- o-o-o-o- |
snare | ----X--- ----X--g |
kick  | X--x--x- X-x---x- |
""",
    },
]
SONG = ["verse*3", "turn", "verse*2", "fill", "chorus*3", "verse*2", "turn", "fill"]


@dataclass(frozen=True)
class Case:
    """One thing, or two, that go wrong for a take; ``want``: the causes that say so."""

    name: str
    before: tuple[Event, ...]
    after: tuple[Event, ...]
    want: frozenset[Cause]
    amount: float | None = None


def _once(name: str, want: set[Cause], *events: Event, amount: float | None = None) -> Case:
    """A case whose events are undone by their opposites, where they do not end by themselves."""
    undo: list[Event] = []
    for event in events:
        kind = event["kind"]
        if kind in ("tiring", "gain"):
            undo.append({**event, "db": -event["db"]})
        elif kind == "head_flat":
            undo.append({**event, "cents": -event["cents"]})
        elif kind == "damping":
            undo.append({**event, "ring": 1.0 / event["ring"]})
        elif kind == "mic_sink":
            undo.append({**event, "metres": -event["metres"]})
        elif kind == "lug_slip":
            undo.append({**event, "tension": 1.0 / event["tension"]})
        elif kind == "hihat_open":
            undo.append({**event, "openness": -event["openness"]})
        elif kind not in ("polarity", "hum", "dead_mic", "crackle"):
            raise ValueError(f"{kind} cannot be undone")
    return Case(name, events, tuple(undo), frozenset(want), amount)


def _play(drum: str, db: float) -> Event:
    return {"kind": "tiring", "drum": drum, "db": db}


def _gain(mic: str, db: float) -> Event:
    return {"kind": "gain", "mic": mic, "db": db}


def _flat(drum: str, cents: float) -> Event:
    return {"kind": "head_flat", "drum": drum, "cents": cents}


SOFT, HARD = ("playing_level", "snare"), ("playing_level", "kick")
PITCH, TOP = ("head_pitch", "snare"), ("mic_gain", "snare_top")
_DAMP = {"kind": "damping", "drum": "snare", "ring": 0.45}
_SINK = {"kind": "mic_sink", "mic": "snare_top", "metres": -0.05}
SINGLE = (
    _once("nothing", set()),
    _once("snare 3 dB softer", {SOFT}, _play("snare", -3.0), amount=-3.0),
    _once("snare 3 dB harder", {SOFT}, _play("snare", 3.0), amount=3.0),
    _once("kick 3 dB softer", {HARD}, _play("kick", -3.0), amount=-3.0),
    _once("snare top down 5 dB", {TOP}, _gain("snare_top", -5.0), amount=-5.0),
    _once("snare top up 2 dB", {TOP}, _gain("snare_top", 2.0), amount=2.0),
    _once("kick microphone up 3 dB", {("mic_gain", "kick")}, _gain("kick", 3.0), amount=3.0),
    _once("overhead down 4 dB", {("mic_gain", "{far}")}, _gain("{far}", -4.0), amount=-4.0),
    _once("overhead up 2 dB", {("mic_gain", "{far}")}, _gain("{far}", 2.0), amount=2.0),
    _once("snare 15 cents flat", {PITCH}, _flat("snare", -15.0), amount=-15.0),
    _once("snare 24 cents flat", {PITCH}, _flat("snare", -24.0), amount=-24.0),
    _once("snare 40 cents sharp", {PITCH}, _flat("snare", 40.0), amount=40.0),
    _once("kick 30 cents flat", {("head_pitch", "kick")}, _flat("kick", -30.0), amount=-30.0),
    _once(
        "a lug slipped", {PITCH}, {"kind": "lug_slip", "drum": "snare", "lug": 3, "tension": 0.68},
        amount=-28.2,
    ),
    _once("snare damped", {("ring", "snare")}, _DAMP, amount=-55.0),
    _once("snare top moved 5 cm off", {("mic_position", "snare_top")}, _SINK),
    _once("hi-hat 6 dB harder", {("bleed", "hihat")}, _play("hihat", 6.0), amount=6.0),
)  # fmt: skip
PAIRS = (
    _once("softer, preamp up", {SOFT, TOP}, _play("snare", -3.0), _gain("snare_top", 3.0)),
    _once("softer, preamp down", {SOFT, TOP}, _play("snare", -3.0), _gain("snare_top", -3.0)),
    _once("softer, flat", {SOFT, PITCH}, _play("snare", -4.0), _flat("snare", -24.0)),
    _once("flat, preamp down", {PITCH, TOP}, _flat("snare", -24.0), _gain("snare_top", -4.0)),
    _once(
        "two preamps", {TOP, ("mic_gain", "{far}")}, _gain("snare_top", -4.0), _gain("{far}", 4.0)
    ),
    _once("snare and kick softer", {SOFT, HARD}, _play("snare", -4.0), _play("kick", -4.0)),
    _once(
        "softer, kick preamp up", {SOFT, ("mic_gain", "kick")},
        _play("snare", -3.5), _gain("kick", 4.0),
    ),
    _once("damped, preamp down", {("ring", "snare"), TOP}, _DAMP, _gain("snare_top", -4.0)),
    _once("softer, moved", {SOFT, ("mic_position", "snare_top")}, _play("snare", -4.0), _SINK),
    _once(
        "both heads flat", {PITCH, ("head_pitch", "kick")},
        _flat("snare", -24.0), _flat("kick", -30.0),
    ),
)  # fmt: skip
_TURN = {"kind": "polarity", "mic": "snare_bottom"}
_TURNED, _BOTTOM = ("polarity", "snare_bottom"), ("mic_gain", "snare_bottom")
BOTTOM = (
    _once("snare bottom reversed", {_TURNED}, _TURN),
    _once("snare bottom up 3 dB", {_BOTTOM}, _gain("snare_bottom", 3.0), amount=3.0),
    _once("reversed, preamp up", {_TURNED, _BOTTOM}, _TURN, _gain("snare_bottom", 4.0)),
)
FAULTS = (
    _once("hum", {("mic_fault", "{far}")}, {"kind": "hum", "mic": "{far}", "dbfs": -30.0}),
    _once("dead line", {("mic_fault", "{far}")}, {"kind": "dead_mic", "mic": "{far}"}),
)
FAR = {"eight_mic": "over_left", "six_mic": "overhead", "three_mic": "over"}
#: Cases in one session: five minutes of music.
PART = 9


@dataclass(frozen=True)
class Heard:
    """What the analysis heard of a session: hits by take, and what it said by itself."""

    kit: Kit
    cases: tuple[str, ...]
    takes: tuple[tuple[Hit, ...], ...]
    said: tuple[tuple[Change, ...], ...]


def cases_for(kit: str, extra: bool = True) -> list[Case]:
    """The cases that a simulated kit can have, its own far microphone named in them."""
    rows = [*SINGLE, *PAIRS, *FAULTS] if extra else list(SINGLE)
    if kit == "eight_mic":
        rows += BOTTOM
    if kit == "three_mic":
        # one microphone hears the snare closely: its hi-hat is not heard apart from a wash
        rows = [row for row in rows if not row.name.startswith("hi-hat")]
    far = FAR[kit]
    names = {"{far}": far, "snare_top": "snare" if kit == "six_mic" else "snare_top"}

    def put(row: Case) -> Case:
        events = [
            tuple({k: names.get(v, v) if k == "mic" else v for k, v in e.items()} for e in part)
            for part in (row.before, row.after)
        ]
        want = frozenset((c, names.get(s, s)) for c, s in row.want)
        return replace(row, before=events[0], after=events[1], want=want)

    return [put(row) for row in rows]


def scenes(kit: str, rows: Sequence[Case], seed: int) -> tuple[Scene, Scene]:
    """A session of a reference take and one take a case, and the soundcheck before it."""
    names = ["reference", *(f"take {i + 2}" for i in range(len(rows)))]
    takes = [{"name": n, "bpm": 118, "gap_s": GAP_S, "song": SONG} for n in names]
    events: list[dict[str, Any]] = []
    for index, row in enumerate(rows):
        for event in row.before:
            lasts = {"over_s": 31.0} if event["kind"] in ("polarity", "hum", "dead_mic") else {}
            events.append({**event, **lasts, "take": names[index + 1], "after_s": -2.0})
        if index + 2 < len(names):
            events += [{**e, "take": names[index + 2], "after_s": -3.5} for e in row.after]
    drummer = {"spread_db": 1.2, "timing_ms": 4.0, "ghost_db": 16.0, "ghost_spread_db": 3.0}
    data = {
        "title": "changes", "kit": kit, "seed": seed, "groove": GROOVES, "take": takes,
        "event": events, "drummer": {**drummer, "level_db": {"snare": -6.0}},
    }  # fmt: skip
    where = Path("changes.toml")
    return Scene(parse_plan(data, where)), Scene(parse_plan(data, where, soundcheck=True))


def learned_of(check: Scene, kit: Kit) -> Learned:
    """What the soundcheck teaches."""
    audio = np.asarray(check.read(check.total_frames), dtype=np.float32)
    return learn(kit, check.sample_rate_hz, audio, check.segments)


def hear(scene: Scene, learned: Learned | None, names: Sequence[str]) -> Heard:
    """The session through the pipeline, takes marked as an engineer would."""
    kit = parse_kit(scene.kit_toml, "simulated")
    rate = scene.sample_rate_hz
    pipeline = Pipeline(kit, rate, learned=learned)
    hits: list[Hit] = []
    marks = [(t.name, round(t.start_s * rate), round(t.end_s * rate)) for t in scene.takes]
    at = 0
    for name, start, stop in [*marks, ("", scene.total_frames, scene.total_frames)]:
        for until, begins in ((start, True), (stop, False)):
            while at < until:
                audio = np.asarray(scene.read(min(BLOCK, until - at)), dtype=np.float32)
                events = pipeline.feed(Block(at, audio))
                hits += [e for e in events if isinstance(e, Hit) and e.stage == "complete"]
                at += len(audio)
            if name:
                _ = pipeline.start_take(name) if begins else pipeline.stop_take()
    hits += [e for e in pipeline.finish() if isinstance(e, Hit) and e.stage == "complete"]
    session = pipeline.session()
    role = {hit.number: hit.role for hit in session.hits}
    known = [replace(hit, role=role[hit.number]) for hit in hits if hit.number in role]
    takes = tuple(tuple(h for h in known if t.start_s <= h.time_s <= t.end_s) for t in scene.takes)
    by_name = {record.take.name: record.changes for record in session.takes}
    said = tuple(by_name.get(t.name, ()) for t in scene.takes)
    return Heard(kit, tuple(names), takes, said)


def named(found: Sequence[Change]) -> frozenset[Cause]:
    """Causes with their subjects."""
    return frozenset((c.cause, c.drum or c.mic or c.source or "") for c in found)


def session(
    kit: str, seed: int, part: int, soundcheck: bool, keep: Path | None
) -> tuple[list[Case], Heard]:
    """One session, from ``keep`` where it was kept."""
    rows = cases_for(kit)[part * PART : (part + 1) * PART]
    how = "check" if soundcheck else "blind"
    file = keep / f"{kit}_{seed}_{part}_{how}.pkl" if keep else None
    if file is not None and file.is_file():
        heard: Heard = pickle.loads(file.read_bytes())
        return rows, heard
    scene, check = scenes(kit, rows, 100 * part + seed)
    learned = learned_of(check, parse_kit(scene.kit_toml, "simulated")) if soundcheck else None
    heard = hear(scene, learned, [row.name for row in rows])
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps(heard))
    return rows, heard


def table(
    kits: Sequence[str],
    seeds: Sequence[int],
    ways: Sequence[bool],
    keep: Path | None = None,
    again: bool = False,
) -> list[str]:
    """The confusion table as lines of Markdown."""
    exact: Counter[str] = Counter()
    draws: Counter[str] = Counter()
    missed: dict[str, Counter[str]] = defaultdict(Counter)
    false: dict[str, Counter[str]] = defaultdict(Counter)
    amounts: dict[str, list[float]] = defaultdict(list)
    order: dict[str, Case] = {}
    for kit in kits:
        parts = range(-(-len(cases_for(kit)) // PART))
        for seed, part in itertools.product(seeds, parts):
            for soundcheck in ways:
                rows, heard = session(kit, seed, part, soundcheck, keep)
                for row, take, said in zip(rows, heard.takes[1:], heard.said[1:], strict=True):
                    faults = {c.mic: "fails" for c in said if c.cause == "mic_fault" and c.mic}
                    found = (
                        changes(heard.kit, heard.takes[0], take, faults=faults) if again else said
                    )
                    got = named(found)
                    order.setdefault(row.name, row)
                    draws[row.name] += 1
                    exact[row.name] += got == row.want
                    missed[row.name].update(f"{c} {s}" for c, s in row.want - got)
                    false[row.name].update(f"{c} {s}" for c, s in got - row.want)
                    amounts[row.name] += [
                        c.amount
                        for c in found
                        if c.amount is not None
                        and (c.cause, c.drum or c.mic or c.source) in row.want
                        and len(row.want) == 1
                    ]
    lines = [
        "| what was done | exact | missed | named beside it | amount: median, range |",
        "|---|---|---|---|---|",
    ]
    for name in order:
        said_amounts = amounts[name]
        shown = (
            f"{np.median(said_amounts):.1f}, {min(said_amounts):.1f} to {max(said_amounts):.1f}"
            if said_amounts
            else ""
        )
        lines.append(
            f"| {name} | {exact[name]} of {draws[name]} | {_words(missed[name])} | "
            f"{_words(false[name])} | {shown} |"
        )
    total, of = sum(exact.values()), sum(draws.values())
    lines.append(f"| all | {total} of {of} | | {sum(sum(c.values()) for c in false.values())} | |")
    return lines


def _words(count: Counter[str]) -> str:
    return ", ".join(f"{what} ({many})" for what, many in count.most_common(4))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="tests.bench.changes_table", description=__doc__)
    parser.add_argument("--seeds", nargs="+", type=int, default=[31], help="sessions of each kit")
    parser.add_argument("--soundcheck", choices=["with", "without", "both"], default="both")
    parser.add_argument("--kits", nargs="+", default=["eight_mic", "six_mic"], choices=list(FAR))
    parser.add_argument("--keep", type=Path, help="folder for what was heard")
    parser.add_argument("--again", action="store_true", help="compare the kept takes anew")
    parser.add_argument("--out", type=Path, help="also write the table there")
    options = parser.parse_args(arguments)
    ways = {"with": (True,), "without": (False,), "both": (True, False)}[options.soundcheck]
    lines = table(options.kits, options.seeds, ways, options.keep, options.again)
    print("\n".join(lines))
    if options.out is not None:
        options.out.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
