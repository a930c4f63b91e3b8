"""What the commands need of the analysis and of the outputs: no more than this.

The pipeline, the router of outputs and the simulator are reached through these protocols, so that
the commands can be tried with small fakes and the analysis never learns of the simulator.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from liveassist.model import (
    Alert,
    Audio,
    Audit,
    Block,
    Event,
    Hit,
    OutputState,
    Remark,
    SessionRecord,
    Snapshot,
    Standing,
    Take,
)

if TYPE_CHECKING:
    from liveassist.advise.sheet import Advice

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned
    from liveassist.audit import Job, Trial
    from liveassist.rolling.takeedits import Edited, TakeEdit


@runtime_checkable
class Announcing(Protocol):
    """An analysis that can say what it hears at once, before the rest of its work."""

    @property
    def chunk(self) -> int:
        """At multiples of so many samples the rest of its work is done."""
        ...

    def announce(self, block: Block) -> list[Event]:
        """Early reports from samples that `feed` takes in later; none where it was asked before."""
        ...


class PipelineLike(Protocol):
    """The analysis: blocks in, events out."""

    def feed(self, block: Block) -> list[Event]:
        """Take in a block, give what became known."""
        ...

    def finish(self) -> list[Event]:
        """No more audio will come: give what was still open."""
        ...

    def snapshot(self) -> Snapshot:
        """Everything a screen or an output may show now."""
        ...

    def session(self, *, hits: bool = True) -> SessionRecord:
        """What the session leaves behind, of what was heard so far; ``hits``: the hits too."""
        ...

    def start_take(self, name: str | None, at_s: float | None = None) -> Any:
        """A take begins at ``at_s``, else with the next sample."""
        ...

    def stop_take(self, at_s: float | None = None) -> Any:
        """The take ends at ``at_s``, else with the last sample."""
        ...

    def set_reference(self, name: str | None) -> str | None:
        """Compare takes with this one, None with the last; its name, None if there is none."""
        ...

    def clear_reference(self) -> None:
        """Compare takes with none."""
        ...

    def rename_take(self, name: str) -> Take | None:
        """Name the take that runs or ended last; None if there is none."""
        ...

    def edit_takes(self, edit: TakeEdit) -> Edited:
        """Join, split, move, keep, ... takes; EditError says why not."""
        ...

    def mark(self, text: str, at_s: float | None = None) -> Remark:
        """Put a mark at ``at_s``, else at this moment."""
        ...

    def no_hit(self, drum: str | None) -> Hit | None:
        """The last hit was none: taken back and learned; None if there is none to take back."""
        ...

    def missed_hit(self, drum: str | None) -> Hit | None:
        """There was a hit: reported and learned; None if nothing could be one."""
        ...

    def audit_job(self) -> Job | None:
        """What a self-audit of the last seconds needs; None where no hit can serve as example."""
        ...

    def take_audit(self, trials: Sequence[Trial]) -> Mapping[str, Audit]:
        """Take in what a self-audit found; the figures now."""
        ...

    def learned(self) -> Learned:
        """All that is known of the kit now, corrections included."""
        ...

    def set_aim(self, aim: str) -> None:
        """What suggestions aim at from now on."""
        ...

    def silence_alert(self, key: str, drum: str | None, mic: str | None) -> bool:
        """Acknowledge an alert; whether there was one."""
        ...


@runtime_checkable
class Yielding(Protocol):
    """An analysis that can do less while the computer is overloaded."""

    def set_lean(self, lean: bool) -> None:
        """Leave detail out, or not."""
        ...


@runtime_checkable
class Recovering(Protocol):
    """An analysis that can go on after a fault of its own."""

    def recover(self) -> None:
        """Forget what is in flight, as after a gap."""
        ...


@runtime_checkable
class Continuing(Protocol):
    """An analysis that can go on with a session that was broken off."""

    def standing(self) -> Standing:
        """What was decided so far."""
        ...

    def resume(
        self, standing: Standing, hits: Sequence[Hit], alerts: Sequence[Alert], heard_s: float
    ) -> None:
        """Go on from there; called before the first block."""
        ...


class BookLike(Protocol):
    """The takes of a session."""

    def between_hits(self) -> str:
        """What their margins need besides the hits."""
        ...


@runtime_checkable
class Booked(Protocol):
    """An analysis that judges takes."""

    @property
    def book(self) -> BookLike:
        """Its takes."""
        ...


class OutputsLike(Protocol):
    """Whatever passes events and figures on: OSC, MIDI, a screen."""

    def events(self, events: Sequence[Event]) -> None:
        """Pass on what just happened; must not block."""
        ...

    def figures(self, snapshot: Snapshot) -> None:
        """Pass on the figures; must not block."""
        ...

    def states(self) -> Sequence[OutputState]:
        """Health of each output."""
        ...

    def close(self) -> None:
        """Send what is queued and stop; may be called again."""
        ...


@runtime_checkable
class Filing(Protocol):
    """What has files of its own to leave in the session's folder."""

    def files(self) -> Mapping[str, str]:
        """File name to text; empty while there is nothing to say."""
        ...


@runtime_checkable
class Advising(Protocol):
    """An analysis that knows more of each microphone and drum than the summary holds."""

    def advice(self) -> Advice:
        """All of it, for the end of a session."""
        ...


@runtime_checkable
class Arming(Protocol):
    """An output that can send a suggestion to the engineer's own device."""

    def armed(self) -> Mapping[str, float]:
        """Microphones armed for that, and the seconds each has left."""
        ...


class TakeSpanLike(Protocol):
    """A take of a simulated session."""

    @property
    def name(self) -> str:
        """Its name."""
        ...

    @property
    def start_s(self) -> float:
        """Where it begins, seconds."""
        ...

    @property
    def end_s(self) -> float:
        """Where it ends, seconds."""
        ...


class SceneLike(Protocol):
    """A simulated session (see the simulator's documentation)."""

    @property
    def name(self) -> str:
        """Name of the scenario."""
        ...

    @property
    def sample_rate_hz(self) -> int:
        """Samples a second."""
        ...

    @property
    def duration_s(self) -> float:
        """Length, seconds."""
        ...

    @property
    def total_frames(self) -> int:
        """Length, samples."""
        ...

    @property
    def takes(self) -> Sequence[TakeSpanLike]:
        """The takes in it, in order of time."""
        ...

    @property
    def kit_toml(self) -> str:
        """Kit profile that fits the scene."""
        ...

    def read(self, frames: int) -> Audio:
        """The next samples, shape (frames, microphones); fewer only at the end."""
        ...
