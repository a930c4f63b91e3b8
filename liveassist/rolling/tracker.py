"""The rolling view of a session: hits as they come, roles and velocity, windows, meters.

One object that the pipeline feeds with hit reports and level frames and asks for figures. No
clock: time is what the hits and frames say. Adding a hit costs microseconds; roles are sorted out
anew when `sort_out_steps` is called, after every few new hits. Windows, and figures of what is at
hand, change nothing, so that it does not matter who looks, and when.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from liveassist.model import Drum, Figures, FloatArray, Hit, Kit, LevelFrames, MicState, Role
from liveassist.rolling.figures import CLIPPED, figure_steps, figures
from liveassist.rolling.meters import Meters
from liveassist.rolling.roles import RoleModel, RoleResult, assign_roles
from liveassist.rolling.shelf import Shelf, levels_of, when
from liveassist.rolling.technique import cross_stick
from liveassist.rolling.velocity import VelocityRange, learned_range
from liveassist.rolling.wash import LevelStore
from liveassist.steps import Steps, at_once

#: Hits of each drum that `Rolling.recent` returns.
RECENT_HITS = 64
#: Roles of a drum are sorted out again after this many new hits.
ROLE_EVERY_HITS = 4
#: Hits before a drum's velocity range follows what is played; then refreshed this often.
RANGE_EVERY_HITS = 8
#: Levels the velocity range is learned from.
RANGE_HITS = 512
#: Hits of each drum that keep their ringing spectrum (for comparing takes); some 5 kB each.
PATTERN_HITS = 1024
#: How far around a span hits are looked at to judge the roles inside it, seconds.
CONTEXT_S = 12.0


class Rolling:
    """Everything the rolling stage knows about a session.

    ``ranges``: velocity ranges learned in a soundcheck, by drum; they then stay as they are.
    Memory: the session keeps every hit (the last `PATTERN_HITS` of each drum whole, older ones
    without spectrum, partials and arrivals, and packed) and one byte a microphone every 40 ms; the
    rolling window is a view of it.
    """

    def __init__(
        self,
        kit: Kit,
        sample_rate_hz: float,
        *,
        ranges: Mapping[str, VelocityRange] | None = None,
    ) -> None:
        self._kit = kit
        self._hits: dict[str, Shelf] = {drum.name: Shelf(PATTERN_HITS) for drum in kit.drums}
        self._where: dict[int, str] = {}
        self._models: dict[str, RoleModel] = {}
        self._results: dict[str, RoleResult] = {}
        self._fresh: dict[str, int] = dict.fromkeys(self._hits, 0)
        self._fixed_ranges = dict(ranges or {})
        self._ranges = dict(self._fixed_ranges)
        self._range_age: dict[str, int] = dict.fromkeys(self._hits, 0)
        self._meters = Meters(kit, sample_rate_hz)
        self._store = LevelStore(len(kit.mics), sample_rate_hz)
        self._lost = 0

    # --- what comes in -----------------------------------------------------------------------

    def add(self, hit: Hit) -> Hit:
        """Take in a report of a hit (early, revised or complete) and return it with its role and
        velocity filled in, as known now. A later report of the same number replaces the earlier.
        A withdrawn one is forgotten."""
        if hit.stage == "withdrawn":
            self.withdraw(hit.number)
            return hit
        before = self._pop(hit.number)
        level = hit.peak_dbfs
        role = self._role(hit) if before is None or before.role == "unsure" else before.role
        if before is not None and before.peak_dbfs != level:
            role = self._role(hit)
        clipped = CLIPPED in hit.flags
        velocity = None
        if level is not None and not clipped:
            velocity = self._range(hit.drum).velocity(level)
        full = replace(hit, role=role, velocity=velocity)
        shelf = self._hits.setdefault(hit.drum, Shelf(PATTERN_HITS))
        shelf.add(full)
        self._where[hit.number] = hit.drum
        if before is None:
            self._fresh[hit.drum] = self._fresh.get(hit.drum, 0) + 1
            self._range_age[hit.drum] = self._range_age.get(hit.drum, 0) + 1
            self._strip(shelf)
        return full

    def withdraw(self, number: int) -> None:
        """Forget the hit of this number; no effect if there is none."""
        self._pop(number)

    def levels(self, frames: LevelFrames) -> None:
        """Take in level frames, for meters and for what is heard between hits."""
        self._meters.add(frames)
        self._store.add(frames)

    def gap(self, lost_samples: int) -> None:
        """Note lost samples. Hits before and after stay valid; the count is shown."""
        self._lost += lost_samples

    # --- what is asked -----------------------------------------------------------------------

    @property
    def lost_samples(self) -> int:
        return self._lost

    def mics(self) -> tuple[MicState, ...]:
        """Meter state of every microphone, in the order of the kit."""
        return self._meters.states()

    def recent(self, count: int = RECENT_HITS) -> dict[str, tuple[Hit, ...]]:
        """The latest hits of every drum, oldest first."""
        return {name: tuple(hits.last(count)) for name, hits in self._hits.items()}

    def hits(self, start_s: float = 0.0, end_s: float = float("inf")) -> list[Hit]:
        """All hits with ``start_s <= time_s < end_s``, in order of time."""
        found = [hit for hits in self._hits.values() for hit in hits.between(start_s, end_s)]
        return sorted(found, key=when)

    def one_population(self, drum: str) -> bool | None:
        """Whether the drum was last found to be played with one kind of stroke; None: not yet."""
        result = self._results.get(drum)
        return None if result is None else result.one_population

    def window_figures(
        self, now_s: float, *, keyed_margin_db: Mapping[str, float | None] | None = None
    ) -> Figures:
        """Figures over the rolling window of every drum (``kit.windows``) as of ``now_s``."""
        return at_once(self.window_steps(now_s, keyed_margin_db=keyed_margin_db))

    def window_steps(
        self,
        now_s: float,
        *,
        keyed_margin_db: Mapping[str, float | None] | None = None,
        for_alerts: bool = False,
    ) -> Steps[Figures]:
        """`window_figures` in steps. After the first, hits that come later change nothing.
        ``for_alerts``: without what no alert asks for (see
        `liveassist.rolling.figures.figure_steps`)."""
        windows = self._kit.windows
        start = max(now_s - windows.seconds, 0.0)
        inside = [
            hit
            for hits in self._hits.values()
            for hit in hits.last(windows.hits)
            if start <= hit.time_s < now_s
        ]
        first = min((hit.time_s for hit in inside), default=start)
        yield
        wash = None if for_alerts else self._wash(max(start, first), now_s)
        return (
            yield from figure_steps(
                self._kit, inside, start, now_s, wash, keyed_margin_db, for_alerts=for_alerts
            )
        )

    def figures(
        self,
        start_s: float,
        end_s: float,
        *,
        keyed_margin_db: Mapping[str, float | None] | None = None,
        at_hand: bool = False,
    ) -> Figures:
        """Figures over any span: a take, or the session (0 to the end).

        Roles inside the span are settled first, from all hits in and around it: for the end of a
        take or session, since it makes a difference to what comes. ``at_hand``: for a look while
        the session goes on, so that neither time nor memory grows with it: of the hits that are not
        packed alone (`PATTERN_HITS` a drum and up), roles as they stand, and what is heard between
        these; how many there were is counted over all.
        """
        if not at_hand:
            self.settle(start_s, end_s)
        heard_from_s = min(max(start_s, self.at_hand_s), end_s) if at_hand else start_s
        found = figures(
            self._kit,
            self.hits_at_hand(start_s, end_s) if at_hand else self.hits(start_s, end_s),
            start_s,
            end_s,
            wash_dbfs=self._wash(heard_from_s, end_s),
            keyed_margin_db=keyed_margin_db,
            times_s=self._times(start_s, end_s) if at_hand else None,
        )
        return self._counted(found) if at_hand else found

    def hits_at_hand(self, start_s: float = 0.0, end_s: float = float("inf")) -> list[Hit]:
        """`hits`, but only those that are not packed."""
        every = (hit for hits in self._hits.values() for hit in hits.at_hand())
        return sorted((hit for hit in every if start_s <= hit.time_s < end_s), key=when)

    @property
    def at_hand_s(self) -> float:
        """From when on every hit is at hand, seconds."""
        return max((hits.at_hand_s for hits in self._hits.values()), default=0.0)

    def _times(self, start_s: float, end_s: float) -> dict[str, FloatArray]:
        return {name: hits.times_s(start_s, end_s) for name, hits in self._hits.items()}

    def _counted(self, found: Figures) -> Figures:
        """Figures of the hits at hand, with the count of all hits of their span."""
        drums = {
            name: replace(drum, hits=len(self._hits[name].times_s(found.start_s, found.end_s)))
            for name, drum in found.drums.items()
        }
        if drums == found.drums:
            return found
        reason = (
            f"not over yet, or not ended in order: figures of a drum are of some {PATTERN_HITS} "
            "hits, the last, and so are its numbers of main and ghost hits, and what is heard "
            "between hits; only hits is of all"
        )
        return replace(found, drums=drums, unmeasured={**found.unmeasured, "session": reason})

    def sort_out_steps(self) -> Steps[None]:
        """Sort out the roles of the drums that have enough new hits, in steps: a drum each.

        Hi-hat and cymbals have no ghost notes to tell from backbeats; they wait for the end.
        """
        for drum in self._kit.drums:
            if drum.kind in ("hihat", "cymbal") or self._fresh[drum.name] < ROLE_EVERY_HITS:
                continue
            self._fresh[drum.name] = 0
            hits = self._hits[drum.name].last(self._kit.windows.hits)
            if hits:
                self._assign(drum, hits, hits[0].time_s, float("inf"))
            yield

    def settle(self, start_s: float = 0.0, end_s: float = float("inf")) -> None:
        """Give every hit in the span the role and velocity that all hits around it suggest.

        For the end of a take or session; the live roles only knew what came before.
        """
        for drum in self._kit.drums:
            near = self._hits[drum.name].between(start_s - CONTEXT_S, end_s + CONTEXT_S)
            self._assign(drum, near, start_s, end_s)
        for drum in self._kit.drums:
            self._set_velocities(drum.name, start_s, end_s)

    def between_hits(self) -> str:
        """Levels of the session for what is heard between hits, to be kept with it."""
        return self._store.packed()

    def take_between_hits(self, kept: str) -> None:
        """Take back what `between_hits` gave; ValueError if it is not that."""
        self._store.unpack(kept)

    # --- inside ------------------------------------------------------------------------------

    def _pop(self, number: int) -> Hit | None:
        drum = self._where.pop(number, None)
        if drum is None:
            return None
        return self._hits[drum].pop(number)

    def _strip(self, hits: Shelf) -> None:
        """Keep of the hit that is now too long ago what figures of a session ask for."""
        index = len(hits) - 1 - PATTERN_HITS
        if index < 0:
            return
        old = hits[index]
        # It is settled: no report of it will come any more.
        self._where.pop(old.number, None)
        known = old.measures
        if known is not None and (known.pattern is not None or known.partials or known.arrival_ms):
            slim = replace(known, pattern=None, partials=(), arrival_ms={}, pair_sign={})
            hits[index] = replace(old, measures=slim)

    def _role(self, hit: Hit) -> Role:
        """Role of a new hit from what was played before."""
        if "flam" in hit.flags:
            return "flam"
        if "rim_click" in hit.flags:
            return "rim_click"
        if hit.peak_dbfs is None:
            return "unsure"
        model = self._models.get(hit.drum)
        return "main" if model is None else model.judge(hit.time_s, hit.peak_dbfs)

    def _range(self, drum: str) -> VelocityRange:
        found = self._ranges.get(drum)
        due = self._range_age.get(drum, 0) >= RANGE_EVERY_HITS
        if found is None or (due and drum not in self._fixed_ranges):
            hits = self._hits.get(drum)
            found = learned_range(levels_of([] if hits is None else hits.last(RANGE_HITS)))
            self._ranges[drum] = found
            self._range_age[drum] = 0
        return found

    def _set_velocities(self, drum: str, start_s: float, end_s: float) -> None:
        """Velocities of the span on one scale: the one all hits up to now suggest."""
        hits = self._hits[drum]
        fixed = self._fixed_ranges.get(drum)
        scale = fixed if fixed is not None else learned_range(hits.levels_dbfs())
        for index in range(*hits.bounds(start_s, end_s)):
            hit = hits[index]
            if hit.velocity is not None and hit.peak_dbfs is not None:
                hits[index] = replace(hit, velocity=scale.velocity(hit.peak_dbfs))

    def _assign(self, drum: Drum, near: list[Hit], start_s: float, end_s: float) -> None:
        if not near or drum.own is None:
            return
        own = np.array([np.nan if h.peak_dbfs is None else h.peak_dbfs for h in near])
        result = assign_roles(
            [h.time_s for h in near],
            own,
            [h.flags for h in near],
            cross_stick=self._cross_stick(drum, near, own),
        )
        self._results[drum.name] = result
        if result.model is not None:
            self._models[drum.name] = result.model
        hits = self._hits[drum.name]
        first = hits.position(when(near[0]))
        for offset, role in enumerate(result.roles):
            hit = hits[first + offset]
            if hit.role != role and start_s <= hit.time_s < end_s:
                hits[first + offset] = replace(hit, role=role)

    def _cross_stick(self, drum: Drum, near: list[Hit], own: FloatArray) -> FloatArray | None:
        """Which hits were played with another technique; snares only."""
        count = len(self._kit.mics)
        if drum.kind != "snare" or any(len(h.mic_dbfs) != count for h in near):
            return None
        level = np.array([h.mic_dbfs for h in near], dtype=np.float64)
        bound = np.array([h.mic_bound or (False,) * count for h in near], dtype=bool)
        level[bound] = np.nan
        others = [i for i, m in enumerate(self._kit.mics) if m.name != drum.own]
        return np.asarray(cross_stick(level[:, others], own))

    def _wash(self, start_s: float, end_s: float) -> dict[str, float | None]:
        times = self._times_s(self._hits, start_s - 3.0, end_s + 3.0)
        own: dict[int, FloatArray] = {}
        for index, mic in enumerate(self._kit.mics):
            drums = [d.name for d in self._kit.drums if d.own == mic.name or d.name == mic.of]
            if drums and mic.type == "acoustic":
                own[index] = self._times_s(drums, start_s - 1.0, end_s)
        levels = self._store.between_hits(start_s, end_s, times, own)
        return {self._kit.mics[index].name: level for index, level in levels.items()}

    def _times_s(self, drums: Iterable[str], start_s: float, end_s: float) -> FloatArray:
        """When these drums were hit, ascending."""
        found = [self._hits[name].times_s(start_s, end_s) for name in drums]
        return np.sort(np.concatenate([*found, np.empty(0)]))
