"""`liveassist lug-walk`: which lug is off, live at the interface or from recorded taps."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TextIO

from liveassist.app.config import load_kit
from liveassist.app.interrupt import StopFlag
from liveassist.app.lugwalker import TAPS, LugWalker
from liveassist.app.marks import check_within, parse_spans
from liveassist.app.nearest import did_you_mean
from liveassist.app.steering import Outcome
from liveassist.errors import ConfigError
from liveassist.input.device import DeviceSource
from liveassist.input.files import open_recording
from liveassist.model import Block, Drum, Kit
from liveassist.output.lugs import LugView, lug_lines, lug_messages

if TYPE_CHECKING:
    from liveassist.app.outputs import Surfaces
    from liveassist.output.commands import Command

#: Longest wait for a block, seconds: how soon keys and commands are answered.
READ_S = 0.1
READ_FRAMES = 16_384
KEYS = "Keys: n next lug, b back, r this lug again, 1 to 9 (0 is 10) go to a lug, q end."
ADVICE = "Throw the snare wires off, damp the other head with a cloth, and let each tap ring."
#: Clears the terminal and goes to its first cell.
_CLEAR = "\x1b[2J\x1b[H"


@dataclass(frozen=True, slots=True)
class LugWalkRequest:
    """The options of `liveassist lug-walk`, as given. Without ``inputs`` it listens."""

    kit: str
    inputs: Sequence[str] = ()
    drum: str | None = None
    lugs: int | None = None
    taps: int = TAPS
    segments: Sequence[str] = ()
    device: str | None = None
    sample_rate_hz: int | None = None
    block_frames: int | None = None
    surfaces: Sequence[str] = ()


class SourceLike(Protocol):
    """Where blocks come from."""

    @property
    def sample_rate_hz(self) -> int:
        """Samples a second, once started."""
        ...

    def start(self) -> None:
        """Begin."""
        ...

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None where none came in time."""
        ...

    def close(self) -> None:
        """End."""
        ...


def lug_walk(
    request: LugWalkRequest,
    out: TextIO,
    open_source: Callable[[Kit], SourceLike] | None = None,
    typed: Callable[[], str] | None = None,
) -> int:
    """Walk around one drum; 0. ConfigError where the kit or the options do not allow it.

    ``open_source`` and ``typed`` stand in for the interface and the keyboard.
    """
    kit = load_kit(request.kit)
    drum = _drum(kit, request.drum)
    lugs = request.lugs if request.lugs is not None else drum.lugs
    if lugs is None:
        raise ConfigError(
            f"how many lugs {drum.name} has is not known: give --lugs N, or lugs = N in the kit"
        )
    if not 3 <= lugs <= 24:
        raise ConfigError(f"--lugs {lugs}: a lug walk takes 3 to 24 lugs")
    if not 1 <= request.taps <= 9:
        raise ConfigError(f"--taps {request.taps}: choose from 1 to 9")
    if request.inputs:
        return _recorded(request, kit, drum, lugs, out)
    if request.segments:
        raise ConfigError("--segment: names a part of a recording; give INPUT too")
    return _live(request, kit, drum, lugs, out, open_source, typed)


def _drum(kit: Kit, name: str | None) -> Drum:
    """The drum asked for; without a name the first snare, else the first with a head."""
    heads = [d for d in kit.drums if d.kind in ("snare", "tom", "kick") and d.own is not None]
    names = [drum.name for drum in heads]
    if not heads:
        raise ConfigError("the kit has no drum with a head and a microphone of its own")
    if name is None:
        return next((drum for drum in heads if drum.kind == "snare"), heads[0])
    if name not in names:
        raise ConfigError(
            f"--drum {name}: no drum with a head and a microphone of its own has that name"
            f"{did_you_mean(name, names)}; there are {', '.join(names)}"
        )
    return heads[names.index(name)]


# --- a recording ---------------------------------------------------------------------------------


def _recorded(request: LugWalkRequest, kit: Kit, drum: Drum, lugs: int, out: TextIO) -> int:
    spans = parse_spans("--segment", request.segments)
    wrong = [s.name for s in spans if not s.name.isdecimal() or not 1 <= int(s.name) <= lugs]
    if wrong:
        raise ConfigError(f"--segment {wrong[0]}: name a lug from 1 to {lugs}")
    with open_recording(request.inputs, kit) as recording:
        check_within("--segment", spans, recording.duration_s, recording.name)
        walker = LugWalker(kit, drum, lugs, recording.sample_rate_hz, request.taps)
        if spans:
            walker.lug_at = lambda time_s: next(
                (int(span.name) for span in spans if span.start_s <= time_s <= span.end_s), None
            )
        for block in recording.blocks(READ_FRAMES):
            if walker.feed(block):
                print(walker.view().said, file=out)
        if walker.finish():
            print(walker.view().said, file=out)
    print(*lug_lines(walker.view()), sep="\n", file=out)
    return 0


# --- live ----------------------------------------------------------------------------------------


def _live(
    request: LugWalkRequest,
    kit: Kit,
    drum: Drum,
    lugs: int,
    out: TextIO,
    open_source: Callable[[Kit], SourceLike] | None,
    typed: Callable[[], str] | None,
) -> int:
    from liveassist.app.outputs import open_outputs
    from liveassist.output.keys import KeyReader

    block = request.block_frames
    if block is not None and not 1 <= block <= 16_384:
        raise ConfigError(f"--block {block}: choose from 1 to 16384 samples")
    with ExitStack() as stack:
        stop = stack.enter_context(StopFlag())
        surfaces = open_outputs(request.surfaces, kit)
        if surfaces is not None:
            stack.callback(surfaces.close)
        source = (
            open_source(kit)
            if open_source is not None
            else DeviceSource(kit, request.device, request.sample_rate_hz, block)
        )
        stack.callback(source.close)
        source.start()
        keys = stack.enter_context(KeyReader())
        walker = LugWalker(kit, drum, lugs, source.sample_rate_hz, request.taps)
        walk = _Walk(walker, surfaces, out)
        walk.show()
        while not stop.requested and not walker.ended:
            for key in (typed or keys.typed)():
                walk.press(key)
            if surfaces is not None:
                surfaces.serve()
            heard = source.read(READ_S)
            if heard is not None and walker.feed(heard):
                walk.show()
        walk.last()
    return 0


class _Walk:
    """Shows a walk on the terminal and on surfaces, and does what keys and surfaces ask."""

    def __init__(self, walker: LugWalker, surfaces: Surfaces | None, out: TextIO) -> None:
        self._walker, self._surfaces, self._out = walker, surfaces, out
        self._sent: LugView | None = None
        self._asked = False
        if surfaces is not None:
            surfaces.obey = self.obey

    def press(self, key: str) -> None:
        """Do what a key asks for; other keys are nothing."""
        doers = {"n": "next", "b": "back", "r": "again", "q": "end"}
        if key.isdecimal():
            self._do("go", (int(key) or 10,))
        elif key.lower() in doers:
            self._do(doers[key.lower()], ())

    def obey(self, command: Command) -> Outcome:
        """Do what a surface asks for."""
        kind, _, name = command.name.partition("/")
        if command.name == "state":
            self._sent = None
            self.show()
            return Outcome(True, "sent")
        if kind != "lugs":
            return Outcome(False, "only the commands of a lug walk are possible now")
        return self._do(name, command.args)

    def _do(self, name: str, args: Sequence[object]) -> Outcome:
        walker = self._walker
        doers: Mapping[str, Callable[[], str]] = {
            "next": walker.next,
            "back": walker.back,
            "again": walker.again,
            "end": walker.end,
            "go": lambda: walker.go(int(str(args[0]))),
        }
        try:
            said = doers[name]()
        except ValueError as problem:
            return Outcome(False, str(problem))
        self.show()
        return Outcome(True, said)

    def show(self) -> None:
        """Draw the picture, or say what is new where the output is no terminal; tell surfaces."""
        view = self._walker.view()
        if self._out.isatty():
            print(
                _CLEAR + "\n".join([*lug_lines(view), "", view.said, ADVICE, KEYS]), file=self._out
            )
        else:
            told = view.said if self._asked else f"{ADVICE}\nTap beside lug 1 of {len(view.rows)}."
            print(told, file=self._out)
        self._asked = True
        self._out.flush()
        if self._surfaces is not None:
            self._surfaces.say(lug_messages(view, self._sent))
        self._sent = view

    def last(self) -> None:
        """The picture once more, to stay."""
        print(*lug_lines(self._walker.view()), sep="\n", file=self._out)
