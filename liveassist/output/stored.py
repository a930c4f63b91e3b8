"""A session as its folder holds it: what the report, the exports and the comparisons read.

Values only; `app.sessionfolder` reads them from files. The summary stays the JSON object that
``summary.schema.json`` describes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from liveassist.model import Kit
from liveassist.song import Beat, ClockTiming, Code

Json = Mapping[str, Any]

#: Roles that carry the beat.
MAIN_ROLES = ("main", "weak")


@dataclass(frozen=True, slots=True)
class StoredHit:
    """One row of hits.csv. What was not measured is None."""

    time_s: float
    drum: str
    peak_dbfs: float | None = None
    heard_peak_dbfs: float | None = None
    velocity: int | None = None
    role: str = "unsure"
    confidence: float | None = None
    note_hz: float | None = None
    ring_s: float | None = None
    flags: tuple[str, ...] = ()
    take: str | None = None

    @property
    def clipped(self) -> bool:
        """Whether it reached full scale, so that its level is only a lower bound."""
        return "clipped" in self.flags


@dataclass(frozen=True, slots=True)
class StoredTake:
    """One take of the summary. ``drums``: figures by drum; ``changes`` against the reference."""

    name: str
    start_s: float
    end_s: float
    drums: Json
    changes: Sequence[Json]

    @property
    def length_s(self) -> float:
        """How long it is, seconds."""
        return self.end_s - self.start_s

    def main(self, drum: str, figure: str) -> Any:
        """A figure of the main hits of ``drum`` (``spread_db``), or None."""
        found = self.drums.get(drum)
        return None if found is None else found["main"][figure]


@dataclass(frozen=True, slots=True)
class PunchIn:
    """A take that replaces a part of take ``of``: its first beat belongs where bar ``bar`` of that
    take begins, or, in free playing, ``at_s`` after that take's beginning. Both None: not said."""

    of: str
    bar: int | None = None
    at_s: float | None = None

    @property
    def words(self) -> str:
        """Where it belongs, to follow "punch-in"."""
        if self.bar is not None:
            return f"from bar {self.bar} of {self.of}"
        return f"at {self.at_s:g} s of {self.of}" if self.at_s is not None else f"into {self.of}"


@dataclass(frozen=True, slots=True)
class StoredSong:
    """What the recorder's MIDI clock and time code said during the session, in order of time."""

    beats: tuple[Beat, ...]
    codes: tuple[Code, ...] = ()
    beats_a_bar: int = 4


@dataclass(frozen=True, slots=True)
class StoredClick:
    """The beats of the metronome's channel, in order of time. ``metres``: beats a bar that its
    accents tell, by run; None where nothing tells one beat from another."""

    beats: tuple[Beat, ...]
    metres: Mapping[int, int | None]


@dataclass(frozen=True, slots=True)
class StoredSession:
    """A session folder. ``kit`` None: the folder is of an older version and holds no kit.

    ``notes``: what the user wrote, by take, microphone or drum; ``stars``: names of takes;
    ``advice``: what was worked out from the recording afterwards (see `app.advice`), or None;
    the rest as in `app.notes.Notes`.
    """

    name: str
    hits: tuple[StoredHit, ...]
    summary: Json
    kit: Kit | None = None
    notes: Mapping[str, str] = field(default_factory=dict)
    stars: frozenset[str] = frozenset()
    advice: Json | None = None
    songs: Mapping[str, str] = field(default_factory=dict)
    punch_ins: Mapping[str, PunchIn] = field(default_factory=dict)
    first_beats: Mapping[str, float] = field(default_factory=dict)
    tempos: Mapping[str, float] = field(default_factory=dict)
    beats: int = 4
    title: str = ""
    #: None: no clock and no time code was heard.
    song: StoredSong | None = None
    #: None: there is no channel for the metronome, or nothing was heard there.
    click: StoredClick | None = None
    #: By take and drum, against the clock or else the metronome; empty where neither was heard.
    timing: Mapping[str, Mapping[str, ClockTiming]] = field(default_factory=dict)
    #: Whether the user said ``beats``.
    beats_said: bool = False

    def tempo_of(self, take: str) -> float | None:
        """Beats a minute that the user gave for the take's song, or for all; None: not said."""
        return self.tempos.get(self.songs.get(take, ""), self.tempos.get(""))

    @property
    def takes(self) -> tuple[StoredTake, ...]:
        """The takes in order of time."""
        return tuple(
            StoredTake(
                name=row["name"],
                start_s=float(row["start_s"]),
                end_s=float(row["end_s"]),
                drums=row["drums"],
                changes=row["changes"],
            )
            for row in self.summary["takes"]
        )

    @property
    def duration_s(self) -> float:
        """At least how long the session was, seconds: the end of the last thing known."""
        ends = [take.end_s for take in self.takes]
        ends += [alert["end_s"] or alert["start_s"] for alert in self.summary["alerts"]]
        ends += [hit.time_s for hit in self.hits[-1:]]
        return max(ends, default=0.0)

    def judged(self) -> tuple[str, ...]:
        """Names of the drums with a spread or main hits worth a page: kick and snare first.

        With no kit in the folder these are the drums whose evenness the summary judges.
        """
        if self.kit is not None:
            drums = self.kit.drums
            names = [drum.name for drum in drums if drum.judged]
            names += [drum.name for drum in drums if drum.kind == "tom" and drum.own is not None]
        else:
            unjudged = self.summary["unmeasured"]
            names = [
                name
                for name in self.summary["drums"]
                if unjudged.get(f"drums.{name}.note_hz") != "not judged on a hi-hat or cymbal"
                and self.summary["drums"][name]["main"]["median_dbfs"] is not None
            ]
        return tuple(name for name in names if self.of(name))

    def of(self, drum: str, *, roles: Sequence[str] | None = None) -> tuple[StoredHit, ...]:
        """The hits of one drum, of the given roles only if there are any given."""
        return tuple(
            hit for hit in self.hits if hit.drum == drum and (roles is None or hit.role in roles)
        )

    def own_mic(self, drum: str) -> str | None:
        """The drum's own microphone, where the kit is known."""
        if self.kit is None:
            return None
        return next((one.own for one in self.kit.drums if one.name == drum), None)

    def unmeasured(self, path: str) -> str | None:
        """Why a figure is missing: the reason of its path or of a group above it."""
        parts = path.split(".")
        for length in range(len(parts), 0, -1):
            reason = self.summary["unmeasured"].get(".".join(parts[:length]))
            if reason is not None:
                return str(reason)
        return None

    def not_compared(self, take: StoredTake) -> str:
        """Drums of which nothing can be said to have changed in ``take``, and why; or nothing."""
        start = f"takes.{take.name}.changes."
        reasons = {
            path.removeprefix(start): why
            for path, why in self.summary["unmeasured"].items()
            if path.startswith(start)
        }
        return "; ".join(f"{drum} not compared ({why})" for drum, why in reasons.items())

    def between(self, take: StoredTake) -> Iterator[StoredHit]:
        """The hits of a take, by time: a hit may lie in several."""
        return (hit for hit in self.hits if take.start_s <= hit.time_s <= take.end_s + 1e-6)
