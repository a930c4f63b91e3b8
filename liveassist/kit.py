"""What is set up: drums, microphones and how far back the rolling figures look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

DrumKind = Literal["kick", "snare", "tom", "hihat", "cymbal"]
MicType = Literal["acoustic", "trigger", "line"]
DRUM_KINDS: tuple[DrumKind, ...] = ("kick", "snare", "tom", "hihat", "cymbal")
MIC_TYPES: tuple[MicType, ...] = ("acoustic", "trigger", "line")
#: Kinds whose evenness, tuning and expander the tool judges; the others are bleed sources.
JUDGED_KINDS: tuple[DrumKind, ...] = ("kick", "snare")


@dataclass(frozen=True, slots=True)
class Drum:
    """A drum or cymbal of the kit. ``own`` names its close microphone, if it has one."""

    name: str
    kind: DrumKind
    own: str | None = None
    head_diameter_in: float | None = None
    lugs: int | None = None

    @property
    def judged(self) -> bool:
        """Whether this is a drum the tool judges (kick or snare with an own microphone)."""
        return self.kind in JUDGED_KINDS and self.own is not None


@dataclass(frozen=True, slots=True)
class Mic:
    """A microphone, trigger or line input.

    ``channel`` counts from 1. ``of`` names the drum this is a *second* microphone on.
    ``track_offset_db``: gain of the recorded track minus gain seen here.
    """

    name: str
    channel: int
    of: str | None = None
    type: MicType = "acoustic"
    track_offset_db: float | None = None


@dataclass(frozen=True, slots=True)
class Windows:
    """How far back the rolling figures look: whichever of the two reaches less far."""

    hits: int = 64
    seconds: float = 300.0


@dataclass(frozen=True, slots=True)
class Kit:
    """What is set up: drums, microphones, rolling windows.

    ``click``: the line input that carries the metronome. It is none of ``mics``, so that nothing
    ever takes it for a microphone that hears drums.
    """

    name: str
    drums: tuple[Drum, ...]
    mics: tuple[Mic, ...]
    windows: Windows = Windows()
    click: Mic | None = None

    @property
    def inputs(self) -> tuple[Mic, ...]:
        """What an input delivers: the microphones, and behind them the metronome's channel."""
        return self.mics if self.click is None else (*self.mics, self.click)

    def drum(self, name: str) -> Drum:
        """The drum called ``name``; KeyError if there is none."""
        for drum in self.drums:
            if drum.name == name:
                return drum
        raise KeyError(name)

    def mic_index(self, name: str) -> int:
        """Column of microphone ``name`` in every block; KeyError if there is none."""
        for index, mic in enumerate(self.mics):
            if mic.name == name:
                return index
        raise KeyError(name)

    def owner(self, mic: str) -> Drum | None:
        """The drum whose own microphone this is (the first, where two toms share one)."""
        return next((drum for drum in self.drums if drum.own == mic), None)
