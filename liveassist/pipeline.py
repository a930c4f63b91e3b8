"""The way of a sample block. Start reading here.

::

    Block -> chunks -> candidates per microphone   (detect)
                    -> which drum was hit           (attribute)
                    -> level, partials, ring        (measure)
          -> level frames                           (measure)
                    -> rolling statistics, takes    (rolling)
                    -> expander, alerts, changes    (advise)
    out: events, and on demand a Snapshot or the SessionRecord

No clock, thread, file or global: time is the sample index, so live and replay run the same code
and the same audio gives the same hits at any block size.
"""

from __future__ import annotations

from dataclasses import replace

from liveassist.advise.history import LevelHistory
from liveassist.attribute.signature import Learned
from liveassist.hearing import Hearing, Rechunk
from liveassist.measure.detail import Detailer
from liveassist.measure.levelframes import LevelMeter
from liveassist.model import (
    Block,
    Event,
    Figures,
    Hit,
    Kit,
    SessionRecord,
    Snapshot,
    Suggestion,
)
from liveassist.rolling.tracker import Rolling

#: The stages in order; a test compares them with the folders and with DEVELOPERS.md.
STAGES = ("input", "detect", "attribute", "measure", "rolling", "advise", "output")
#: A gap longer than this is not filled with silence but jumped over, s.
LONGEST_FILLED_GAP_S = 2.0


class Pipeline:
    """Analysis of one session. ``learned_name`` and ``reference`` are reported as given."""

    def __init__(
        self,
        kit: Kit,
        sample_rate_hz: int,
        *,
        learned: Learned | None = None,
        learned_name: str | None = None,
        reference: str | None = None,
        aim: str = "natural",
    ) -> None:
        self._kit = kit
        self._rate = sample_rate_hz
        self._learned_name = learned_name
        self._hearing = Hearing(kit, sample_rate_hz, learned)
        self._rechunk = Rechunk(
            self._hearing.chunk, len(kit.mics), round(LONGEST_FILLED_GAP_S * sample_rate_hz)
        )
        self._detail = Detailer(kit, sample_rate_hz)
        self._meter = LevelMeter(kit, sample_rate_hz)
        self._levels = LevelHistory(kit, sample_rate_hz)
        self._rolling = Rolling(kit, sample_rate_hz)
        self._end = 0

    # --- blocks in, events out ----------------------------------------------------------------

    def feed(self, block: Block) -> list[Event]:
        """Take in a block; what became known, in order of time."""
        events: list[Event] = []
        if block.lost_samples:
            self._rolling.gap(block.lost_samples)
        frames = self._meter.feed(block)
        if frames is not None:
            self._rolling.levels(frames)
            self._levels.add(frames)
            events.append(frames)
        for chunk in self._rechunk.feed(block):
            events.extend(self._hear(self._hearing.feed(chunk)))
        self._end = block.first_sample + len(block.audio)
        return events

    def finish(self) -> list[Event]:
        """No more audio will come: everything still open is closed."""
        events: list[Event] = []
        frames = self._meter.flush()
        if frames is not None:
            self._rolling.levels(frames)
            self._levels.add(frames)
            events.append(frames)
        for chunk in self._rechunk.pad(round(1.0 * self._rate)):
            events.extend(self._hear(self._hearing.feed(chunk)))
        events.extend(self._hear(self._hearing.finish(), last=True))
        return events

    def _hear(self, hits: list[Hit], last: bool = False) -> list[Event]:
        events: list[Event] = []
        for hit in hits:
            if hit.sample < self._end or self._end == 0:
                events.append(self._rolling.add(replace(hit, stage="early")))
        for hit in self._detail.feed(self._hearing.history, hits, last):
            events.append(self._rolling.add(hit))
        return events

    # --- what a screen, an output or a file may ask ---------------------------------------------

    def snapshot(self) -> Snapshot:
        """Everything that may be shown now."""
        now_s = self._end / self._rate
        return Snapshot(
            time_s=now_s,
            sample_rate_hz=self._rate,
            kit=self._kit,
            mics=self._rolling.mics(),
            figures=self._rolling.window_figures(now_s),
            recent=self._rolling.recent(),
            expander=self._suggestions()[0],
            expander_reason=self._suggestions()[1],
            alerts=(),
            take=None,
            lost_samples=self._rolling.lost_samples,
            learned=self._learned_name,
        )

    def session(self) -> SessionRecord:
        """What the session leaves behind, of what was heard so far."""
        end_s = self._end / self._rate
        figures = self._figures(0.0, end_s)
        expander, reasons = self._suggestions()
        return SessionRecord(
            kit=self._kit,
            sample_rate_hz=self._rate,
            duration_s=end_s,
            hits=tuple(self._rolling.hits()),
            figures=figures,
            takes=(),
            alerts=(),
            expander=expander,
            expander_reason=reasons,
            learned=self._learned_name,
            lost_samples=self._rolling.lost_samples,
            unmeasured=figures.unmeasured,
        )

    def _figures(self, start_s: float, end_s: float) -> Figures:
        return self._rolling.figures(start_s, end_s + 1e-9)

    def _suggestions(self) -> tuple[dict[str, Suggestion | None], dict[str, str]]:
        return {}, {}

    # --- commands ------------------------------------------------------------------------------

    def start_take(self, name: str | None = None) -> None:
        """A take begins now."""

    def stop_take(self) -> None:
        """The take ends now."""

    def set_reference(self, name: str | None = None) -> None:
        """Compare takes with this one from now on."""
