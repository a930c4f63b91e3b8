"""`liveassist listen`: the live job. Puts the parts together, runs them, takes them apart.

The capture child holds the device, this process analyses, and the dashboard is a process of its
own attached to the local socket, so that drawing never delays a hit.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from liveassist.app.auditor import Auditor
from liveassist.app.background import default_log, start
from liveassist.app.build import PipelineBuilder, build_pipeline
from liveassist.app.channelnotes import swapped_channels
from liveassist.app.clicktiming import click_timing
from liveassist.app.config import load_kit
from liveassist.app.control import ControlServer
from liveassist.app.heap import settle
from liveassist.app.interrupt import StopFlag
from liveassist.app.keeping import keeper_for
from liveassist.app.learned import NOTHING, read_learned
from liveassist.app.lessons import lessons_for
from liveassist.app.livefiles import LiveFiles
from liveassist.app.livelog import LiveLog
from liveassist.app.livesession import LiveSession
from liveassist.app.notes import NoteKeeper
from liveassist.app.outputs import Surfaces, open_outputs, state_lines
from liveassist.app.overload import WORDS
from liveassist.app.parts import OutputsLike
from liveassist.app.progress import columns
from liveassist.app.rundir import Claim
from liveassist.app.screen import Screen
from liveassist.app.sessionfiles import written_lines
from liveassist.app.sharing import sharing_note
from liveassist.app.songtiming import SongTiming
from liveassist.app.steering import KEY_COMMANDS, Steering
from liveassist.app.store import keep
from liveassist.app.storefile import Found, find
from liveassist.app.telling import told
from liveassist.app.watch import AttachedDashboard
from liveassist.errors import ConfigError, StorageError
from liveassist.input.device import DeviceSource
from liveassist.model import Kit
from liveassist.output.terminal_plain import summary_lines, wrapped

#: Longest wait for a block, seconds: how soon orders and Ctrl-C are answered when none comes.
READ_S = 0.1
#: How often the status and the device are looked at, seconds.
LOOK_S = 0.1
#: Largest block that may be asked of a device, samples.
LARGEST_BLOCK = 16_384


@dataclass(frozen=True, slots=True)
class ListenRequest:
    """The options of `liveassist listen`, as given. ``seconds`` None: until told to stop."""

    kit: str
    device: str | None = None
    surfaces: tuple[str, ...] = ()
    out: Path | None = None
    headless: bool = False
    plain: bool = False
    sample_rate_hz: int | None = None
    block_frames: int | None = None
    learned: str = NOTHING
    reference: str | None = None
    aim: str = "natural"
    seconds: float | None = None
    log: Path | None = None
    background: bool = False

    def words(self) -> list[str]:
        """The command line that asks for the same, as seen from any folder."""
        out: list[str] = ["--kit", _anywhere(self.kit)]
        for option, value in (
            ("--device", self.device),
            ("--rate", self.sample_rate_hz),
            ("--block", self.block_frames),
            ("--reference", self.reference),
            ("--seconds", self.seconds),
            ("--out", self.out.resolve() if self.out is not None else None),
        ):
            if value is not None:
                out += [option, str(value)]
        if self.learned != NOTHING:
            out += ["--learned", _anywhere(self.learned)]
        for surface in self.surfaces:
            out += ["--surface", _anywhere(surface)]
        return [*out, "--aim", self.aim]


def _anywhere(name: str) -> str:
    """A file's path from the root; the name of something bundled stays as it is."""
    path = Path(name)
    return str(path.resolve()) if path.exists() else name


def listen(
    request: ListenRequest, out: TextIO, err: TextIO, build: PipelineBuilder = build_pipeline
) -> int:
    """Listen until Ctrl-C, SIGTERM, ``stop`` or the quit key; 0 when ended so.

    DeviceError where the device cannot be opened; once it runs, it is waited for instead. A
    StorageError at the end means the files could not be written whole. ``build`` makes the
    analysis.
    """
    _check(request)
    kit = load_kit(request.kit)
    if request.background:
        return start(request.words(), request.log or default_log(request.out), out)
    learned = read_learned(Path(request.learned), kit) if request.learned != NOTHING else None
    found = find(request.out, kit) if request.out is not None else Found(None, None)
    if found.said is not None:
        print(f"liveassist: {found.said}", file=err)
    kept = found.kept
    files = None
    if request.out is not None:
        files = LiveFiles(request.out, going_on=kept is not None)
    with ExitStack() as stack:
        if files is not None:
            stack.callback(files.finish)
        stop = stack.enter_context(StopFlag())
        stack.enter_context(_hang_up_stops(stop))
        surfaces = open_outputs(request.surfaces, kit)
        if surfaces is not None:
            stack.callback(surfaces.close)
        source = DeviceSource(kit, request.device, request.sample_rate_hz, request.block_frames)
        stack.callback(source.close)
        warming = threading.Thread(target=_load_analysis, name="loading", daemon=True)
        warming.start()
        stack.callback(warming.join)
        source.start()
        assert source.device is not None
        control = _open_control(stack, source.device.title)
        pipeline = build(
            kit,
            source.sample_rate_hz,
            learned=learned,
            learned_name=request.learned if learned is not None else None,
            reference=request.reference,
            aim=request.aim,
            early=True,
        )
        store, lessons = None, None
        if request.out is not None:
            store = keep(request.out, kit, pipeline, kept)
            if store is not None:
                stack.callback(store.close)
            lessons = lessons_for(request.out, kit, pipeline, going_on=kept is not None)
            if lessons is not None:
                stack.callback(lessons.close)
        if files is not None and kept is not None:
            files.take_up(kept.hits)
        steering = Steering(pipeline)
        steering.auditor = Auditor(pipeline)
        stack.callback(steering.auditor.close)
        steering.desk.notes = NoteKeeper(request.out)
        stack.callback(steering.desk.notes.close)
        keeper = keeper_for(request.kit, request.learned, kit)
        stack.callback(keeper.close)
        steering.keep = keeper.keep
        if surfaces is not None:
            surfaces.obey = steering.obey
            steering.timing = surfaces.timing
        screen = _open_screen(request, stack, control, steering, stop, out, err)
        log = LiveLog(request.log) if request.log is not None else None
        if log is not None:
            stack.callback(log.close)
            log.say(f"listening on {source.device.title} at {source.sample_rate_hz} Hz")
            log.say(sharing_note(source.device.name, source.device.host))
        everyone: tuple[OutputsLike | None, ...] = (store, lessons, surfaces, control, log, screen)
        session = LiveSession(
            pipeline,
            kit,
            source.sample_rate_hz,
            source,
            source.device.name,
            files=files,
            outputs=[output for output in everyone if output is not None],
            steering=steering,
            store=store,
            kept=kept,
            song=_song(surfaces, kit, request.out if kept is not None else None),
            click=click_timing(
                kit, source.sample_rate_hz, request.out if kept is not None else None
            ),
        )
        if screen is None:
            print(
                f'Listening on "{source.device.name}" at {source.sample_rate_hz} Hz; '
                "end with Ctrl-C or: liveassist stop",
                file=err,
                flush=True,
            )
            print(sharing_note(source.device.name, source.device.host), file=err, flush=True)
            if request.out is None:
                print("Nothing is kept after the end: give --out DIR to keep it.", file=err)
            if files is not None and files.earlier is not None:
                print(f"An earlier session's files are in {files.earlier}.", file=err)
        _Live(request, source, session, steering, control, stop).run()
        # The device first: writing the files may take a while.
        source.close()
        if screen is not None:
            screen.close()
        _finish(session, files, out)
        if store is not None:
            store.finished()
    return 0


def _song(surfaces: Surfaces | None, kit: Kit, going_on: Path | None) -> SongTiming | None:
    """The recorder's clock, where there are surfaces that may hear one."""
    return None if surfaces is None else SongTiming(surfaces.clock_words, kit, going_on)


def _load_analysis() -> None:
    """Load what the first blocks need while the device is being opened, which takes as long."""
    import scipy.signal  # noqa: F401

    import liveassist.pipeline  # noqa: F401


def _check(request: ListenRequest) -> None:
    block = request.block_frames
    if block is not None and not 1 <= block <= LARGEST_BLOCK:
        raise ConfigError(f"--block {block}: choose from 1 to {LARGEST_BLOCK} samples")


def _finish(session: LiveSession, files: LiveFiles | None, out: TextIO) -> None:
    """Write everything and say it; what was heard is said even where the disk refuses."""
    failure = None
    if files is not None:
        files.finish()
    try:
        record = session.finish()
    except StorageError as problem:
        failure = problem
        record = session.record()
    for line in wrapped(summary_lines(record), columns(out)):
        print(line, file=out)
    if session.lost_samples:
        lost_ms = 1000 * session.lost_samples / record.sample_rate_hz
        print(f"{session.lost_samples} samples did not arrive ({lost_ms:.0f} ms).", file=out)
    if failure is not None:
        raise failure
    for line in (*swapped_channels(record.kit, record.figures), *written_lines(files)):
        print(line, file=out)


class _Live:
    """The loop: blocks to the session, orders to the pipeline, status to the socket."""

    def __init__(
        self,
        request: ListenRequest,
        source: DeviceSource,
        session: LiveSession,
        steering: Steering,
        control: ControlServer | None,
        stop: StopFlag,
    ) -> None:
        self._request = request
        self._source = source
        self._session = session
        self._steering = steering
        self._control = control
        self._stop = stop
        self._began_s = time.monotonic()
        self._look_due_s = 0.0
        self._hits = 0

    def run(self) -> None:
        """Until someone asks to stop, or the asked time is over."""
        settle()
        try:
            while not self._stop.requested and not self._time_is_up():
                self._step()
        except Exception:
            # A fault of ours: save what was heard, then fail loudly.
            with contextlib.suppress(Exception):
                self._session.rescue()
            raise

    def _step(self) -> None:
        block = self._source.read(READ_S)
        now_s = time.monotonic()
        if block is not None:
            self._session.hear(block)
            done_s = time.monotonic()
            self._session.note_load(done_s - now_s, len(block.audio))
            self._session.note_behind(self._source.behind_samples)
        if now_s >= self._look_due_s:
            self._look_due_s = now_s + LOOK_S
            self._take_orders()
            self._session.look(idle=block is None)
            if self._control is not None:
                self._control.tell_status(self.status())

    def _time_is_up(self) -> bool:
        limit_s = self._request.seconds
        return limit_s is not None and self._session.time_s >= limit_s

    def _take_orders(self) -> None:
        if self._control is None:
            return
        while not self._control.orders.empty():
            order = self._control.orders.get_nowait()
            if order.do == "stop":
                self._stop.request()
            elif order.do == "tell":
                command = told(order.what)
                if command is not None:
                    self._steering.obey(command)
            else:
                args = (order.what,) if order.what else ()
                self._steering.do(KEY_COMMANDS[order.do], args, "key", time.monotonic())

    def status(self) -> dict[str, Any]:
        """What ``status`` tells."""
        source, session = self._source, self._session
        return {
            "pid": os.getpid(),
            "device": source.device.title if source.device is not None else None,
            "sample_rate_hz": source.sample_rate_hz,
            "state": source.state,
            "note": source.note or source.rate_note or "",
            "running_s": round(time.monotonic() - self._began_s, 3),
            "heard_s": round(session.time_s, 3),
            "lost_samples": session.lost_samples,
            "overrun_samples": source.overrun_samples,
            "device_restarts": source.restarts,
            "load": round(session.load, 4),
            "giving_way": WORDS[session.overload.level],
            "behind_most_s": round(session.overload.worst_s, 3),
            "outputs": list(state_lines(session.output_states())),
            "out": str(self._request.out.resolve()) if self._request.out is not None else None,
            **self._steering.last(),
        }


def _open_control(stack: ExitStack, device: str) -> ControlServer | None:
    """The local socket, where there are such: not on Windows yet."""
    if sys.platform == "win32":
        return None
    claim = Claim(device)
    stack.callback(claim.release)
    control = ControlServer(claim.socket)
    stack.callback(control.close)
    return control


def _open_screen(
    request: ListenRequest,
    stack: ExitStack,
    control: ControlServer | None,
    steering: Steering,
    stop: StopFlag,
    out: TextIO,
    err: TextIO,
) -> Screen | AttachedDashboard | None:
    """The dashboard, where a person looks: its own process, or on Windows an output of ours."""
    if request.headless or not out.isatty():
        return None
    screen = (
        AttachedDashboard(control.path, err, plain=request.plain)
        if control is not None
        else Screen(steering, stop, out, plain=request.plain)
    )
    stack.callback(screen.close)
    return screen


@contextlib.contextmanager
def _hang_up_stops(stop: StopFlag) -> Iterator[None]:
    """A terminal window that is closed ends the session in order, as Ctrl-C does."""
    hang_up = getattr(signal, "SIGHUP", None)
    if hang_up is None:
        yield
        return
    before = signal.getsignal(hang_up)
    if before is signal.SIG_IGN:  # started with nohup: meant to outlive its terminal
        yield
        return
    signal.signal(hang_up, lambda *_: stop.request())
    try:
        yield
    finally:
        signal.signal(hang_up, before)
