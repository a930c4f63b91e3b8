"""`liveassist demo`: a simulated drummer through the real analysis, in real time.

Needs no audio hardware, no audio library and no audio server.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from liveassist.app.auditor import Auditor
from liveassist.app.build import PipelineBuilder, build_pipeline
from liveassist.app.config import parse_kit
from liveassist.app.heap import settle
from liveassist.app.interrupt import StopFlag
from liveassist.app.lessons import lessons_for
from liveassist.app.marks import Span
from liveassist.app.notes import NoteKeeper
from liveassist.app.outputs import load_surfaces, open_surfaces, state_lines
from liveassist.app.parts import OutputsLike, SceneLike
from liveassist.app.progress import columns
from liveassist.app.resources import simulator
from liveassist.app.screen import Screen
from liveassist.app.session import Session
from liveassist.app.sessionfiles import SessionFiles, written_lines
from liveassist.app.songtiming import SongTiming
from liveassist.app.steering import Steering
from liveassist.app.store import keep
from liveassist.app.storefile import Kept, find
from liveassist.errors import ConfigError
from liveassist.model import Block, Kit, OutputState
from liveassist.output.terminal_plain import summary_lines, wrapped

#: The scenario played unless another is named.
DEFAULT_SCENARIO = "first_light"
#: Samples a block: 10 ms at 48 kHz, what an interface would deliver.
BLOCK_FRAMES = 480


@dataclass(frozen=True, slots=True)
class DemoRequest:
    """The options of `liveassist demo`, as given. ``seconds`` None: to the end of the scenario."""

    seconds: float | None = None
    headless: bool = False
    plain: bool = False
    out: Path | None = None
    scenario: str = DEFAULT_SCENARIO
    surfaces: tuple[str, ...] = ()


@dataclass(slots=True)
class Pace:
    """Holds the demo to real time. ``latest_s``: how far it ever fell behind."""

    sample_rate_hz: int
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    latest_s: float = 0.0
    _begun_s: float | None = None

    def begin(self, sample: int) -> None:
        """Sample ``sample`` is played now."""
        self._begun_s = self.clock() - sample / self.sample_rate_hz

    def time_of(self, moment_s: float) -> float | None:
        """Second of the scenario that is played at ``moment_s`` of the clock."""
        return None if self._begun_s is None else moment_s - self._begun_s

    def wait_until(self, sample: int) -> None:
        """Return when ``sample`` would have been played; at once if that is past."""
        now_s = self.clock()
        if self._begun_s is None:
            self._begun_s = now_s
        early_s = self._begun_s + sample / self.sample_rate_hz - now_s
        if early_s > 0:
            self.sleep(early_s)
        else:
            self.latest_s = max(self.latest_s, -early_s)


def demo(
    request: DemoRequest,
    out: TextIO,
    build: PipelineBuilder = build_pipeline,
    pace: Pace | None = None,
) -> int:
    """Play and analyse a simulated session; 0 also when it is ended by hand.

    ``build`` makes the analysis, ``pace`` holds it to real time.
    """
    from liveassist.output.router import demo_surface

    surfaces_asked = load_surfaces(request.surfaces) or [demo_surface()]
    scene = open_scene(request.scenario)
    kit = parse_kit(scene.kit_toml, f"scenario {scene.name}")
    rate_hz = int(scene.sample_rate_hz)
    frames = min(round((request.seconds or scene.duration_s) * rate_hz), scene.total_frames)
    pipeline = build(kit, rate_hz, early=True)
    pace = pace or Pace(rate_hz)
    kept, store, files, lessons = None, None, None, None
    if request.out is not None:
        kept = _kept(request.out, kit, frames / rate_hz, out)
        files = SessionFiles(request.out, going_on=kept is not None)
        store = keep(request.out, kit, pipeline, kept)
        lessons = lessons_for(request.out, kit, pipeline, going_on=kept is not None)
        if files.earlier is not None:
            print(f"An earlier session's files are in {files.earlier} now.", file=out)
    first = round(kept.heard_s * rate_hz) if kept is not None else 0
    with ExitStack() as stack:
        stop = stack.enter_context(StopFlag())
        steering = Steering(pipeline)
        steering.auditor = Auditor(pipeline)
        stack.callback(steering.auditor.close)
        steering.desk.notes = NoteKeeper(request.out)
        stack.callback(steering.desk.notes.close)
        surfaces = open_surfaces(surfaces_asked, kit, steering.obey)
        steering.timing = surfaces.timing
        stack.callback(surfaces.close)
        outputs: list[OutputsLike] = [surfaces]
        if store is not None:
            stack.callback(store.close)
            outputs.append(store)
        if lessons is not None:
            stack.callback(lessons.close)
            outputs.append(lessons)
        if files is not None and kept is not None:
            files.take_up(kept.hits)
        if not request.headless and out.isatty():
            screen = Screen(steering, stop, out, plain=request.plain)
            stack.callback(screen.close)
            outputs.append(screen)
        session = Session(
            pipeline,
            kit,
            rate_hz,
            files=files,
            outputs=outputs,
            takes=_takes(scene, frames / rate_hz),
            started_at=datetime.now().astimezone().isoformat(timespec="milliseconds"),
            source=f"simulated: {scene.name}",
            steering=steering,
            after=first if kept is not None else -1,
            song=SongTiming(surfaces.clock_words, kit, request.out if kept else None),
            time_of=pace.time_of,
        )
        settle()
        pace.begin(first)
        for block in scene_blocks(scene, frames, first):
            pace.wait_until(block.first_sample + len(block.audio))
            session.feed(block)
            if stop.requested:
                break
        record = session.finish()
        if store is not None:
            store.finished()
        states = session.output_states()
    told = states_told(states, asked=bool(request.surfaces))
    for line in wrapped((*summary_lines(record), *state_lines(told)), columns(out)):
        print(line, file=out)
    print(f"At most {1000 * pace.latest_s:.0f} ms behind real time.", file=out)
    for line in written_lines(files) or ["Nothing was kept; --out DIR keeps it."]:
        print(line, file=out)
    return 0


def states_told(states: Sequence[OutputState], *, asked: bool) -> list[OutputState]:
    """The outputs worth a line: one that nobody ``asked`` for and that is not there is no news."""
    return [one for one in states if asked or one.kind == "store" or one.state == "ok"]


def _kept(folder: Path, kit: Kit, until_s: float, out: TextIO) -> Kept | None:
    """The demo that was broken off in ``folder`` and can be gone on with."""
    found = find(folder, kit)
    kept = found.kept
    if kept is None or kept.heard_s >= until_s:
        return None
    if found.said is not None:
        print(found.said, file=out)
    # What was heard after the last note of how far will be heard again.
    return replace(kept, hits=tuple(hit for hit in kept.hits if hit.time_s < kept.heard_s))


def scene_blocks(scene: SceneLike, frames: int, first: int = 0) -> Iterator[Block]:
    """Samples ``first`` to ``frames`` of the scene in blocks of `BLOCK_FRAMES`."""
    skipped = 0
    while skipped < first:
        skipped += len(scene.read(min(first - skipped, 65_536)))
    while first < frames:
        audio = scene.read(min(BLOCK_FRAMES, frames - first))
        if not len(audio):
            return
        yield Block(first, audio)
        first += len(audio)


def open_scene(name: str) -> SceneLike:
    """The simulated session of that name; ConfigError if there is none."""
    module: Any = simulator()
    try:
        scene: SceneLike = module.open_scenario(name)
    except module.ScenarioError as error:
        raise ConfigError(str(error)) from None
    return scene


def _takes(scene: SceneLike, until_s: float) -> list[Span]:
    """The takes of the scene that are played to their end."""
    return [
        Span(take.name, take.start_s, take.end_s) for take in scene.takes if take.end_s <= until_s
    ]
