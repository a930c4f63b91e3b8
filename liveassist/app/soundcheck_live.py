"""`liveassist soundcheck` without a recording: the guided soundcheck at the interface."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TextIO

from liveassist.app.guide import Guide, Said
from liveassist.app.interrupt import StopFlag
from liveassist.app.learned import write_learned
from liveassist.app.soundcheck import soundcheck_target
from liveassist.errors import ConfigError, LiveassistError
from liveassist.input.device import DeviceSource
from liveassist.model import Block, Kit

#: Longest wait for a block, seconds: how soon keys are answered.
READ_S = 0.1
#: What the keys do, as shown.
KEYS = "Keys: r this drum again (or back to the one before), s next drum, q end and keep."
CAUTION = (
    "Hard hits are loud: protect your hearing, keep monitoring low, and follow the rules of your "
    "workplace."
)


@dataclass(frozen=True, slots=True)
class LiveSoundcheck:
    """The options, as given."""

    kit: str
    device: str | None = None
    sample_rate_hz: int | None = None
    block_frames: int | None = None
    out: Path | None = None


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


def soundcheck_live(
    request: LiveSoundcheck,
    out: TextIO,
    open_source: Callable[[Kit], SourceLike] | None = None,
    typed: Callable[[], str] | None = None,
) -> int:
    """Guide through the kit until every drum is done or the person ends it; 0.

    What was learned is kept beside the kit profile. LiveassistError where nothing was learned.
    ``open_source`` and ``typed`` stand in for the interface and the keyboard.
    """
    from liveassist.output.keys import KeyReader

    target, kit = soundcheck_target(request.kit, request.out)
    if request.block_frames is not None and not 1 <= request.block_frames <= 16_384:
        raise ConfigError(f"--block {request.block_frames}: choose from 1 to 16384 samples")
    source = (
        open_source(kit)
        if open_source is not None
        else DeviceSource(kit, request.device, request.sample_rate_hz, request.block_frames)
    )
    with KeyReader() as keys, StopFlag() as stop:
        try:
            source.start()
            guide = Guide(kit, source.sample_rate_hz)
            print(CAUTION, KEYS, guide.asks(), sep="\n", file=out, flush=True)
            while not guide.finished and not stop.requested:
                if _keys(guide, (typed or keys.typed)(), out):
                    break
                block = source.read(READ_S)
                if block is not None:
                    _say(guide.feed(block), out)
        finally:
            source.close()
    if not guide.listened:
        raise LiveassistError("Nothing was learned: it was ended before a drum was hit.")
    learned = guide.learned()
    for note in learned.notes.values():
        print(note, file=out)
    if not learned.signatures:
        raise LiveassistError("Nothing was learned: no drum had enough clean hits.")
    write_learned(learned, target)
    print(f"learned {', '.join(learned.signatures)}", file=out)
    print(f"wrote {target}; use it with --learned {target}", file=out)
    return 0


def _keys(guide: Guide, typed: str, out: TextIO) -> bool:
    """Do what was typed; whether to end."""
    for key in typed.lower():
        if key == "q":
            return True
        if key in "rs" and guide.listened:
            said = guide.redo() if key == "r" else guide.skip()
            _say([said, Said(guide.asks())], out)
    return False


def _say(said: list[Said], out: TextIO) -> None:
    for one in said:
        print(one.sentence, file=out, flush=True)
