"""A scene: the audio of a plan, read in blocks of any size, with its truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from .bank import LEVEL_STEP_DB, PEAK_SPAN_S, VARIANTS, Bank, HitKey, Rendering, nearest_step
from .drummer import Stroke
from .drumspec import Signal
from .faults import Fault, Timeline, pitch_cents
from .kit import profile_toml
from .preamp import Preamps
from .room import LEAD_SAMPLES
from .scenario import Plan, TakeSpan, load_plan
from .voice import speech

#: Audio is made in steps of this many frames, whatever is asked for, so that what is read does
#: not depend on how it is read.
STEP_FRAMES = 2048
#: Lowest peak written to the truth, dBFS.
FLOOR_DBFS = -144.0
#: An open hi-hat struck closed is choked with this time constant, s.
_CHOKE_S = 0.012


@dataclass(frozen=True, slots=True)
class _Placed:
    """A stroke with its rendering and place in the recording."""

    stroke: Stroke
    key: HitKey
    sample: int
    gain: float
    choke: int | None


@dataclass(frozen=True, slots=True)
class _Sounding:
    """Sound that begins at sample ``first`` of the recording; ``choke``: where it is stopped."""

    first: int
    audio: Rendering
    gain: float = 1.0
    choke: int | None = None

    @property
    def last(self) -> int:
        return self.first + len(self.audio)


class Scene:
    """Streaming simulator. ``mics``: column names; ``own``: own microphone by drum;
    ``duration_s``; ``kit_toml``: a kit profile for a listener; ``segments``: of a soundcheck."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.name = plan.name
        self.title = plan.title
        self.sample_rate_hz = plan.sample_rate_hz
        self.mics: tuple[str, ...] = tuple(mic.name for mic in plan.kit.mics)
        self.own: dict[str, str] = plan.kit.own
        self.takes: tuple[TakeSpan, ...] = plan.takes
        self.segments = plan.segments
        self.faults: tuple[Fault, ...] = plan.faults
        self.kit_toml = profile_toml(plan.kit, plan.name)
        self.total_frames = round(plan.duration_s * plan.sample_rate_hz)
        self.duration_s = self.total_frames / plan.sample_rate_hz
        self.timeline = Timeline(plan.kit, plan.faults)
        self.bank = Bank(plan.kit, plan.sample_rate_hz, plan.family)
        self.preamps = Preamps(plan.kit, self.timeline, plan.seed, plan.sample_rate_hz)
        self._placed = self._place()
        self._voices = self._talk()
        self._next = 0
        self._active: list[_Sounding] = []
        self._made = 0
        self._given = 0
        self._left: Signal = np.zeros((0, len(self.mics)), dtype=np.float32)

    # --- audio ---

    @property
    def position(self) -> int:
        """Frames given out so far."""
        return self._given

    def read(self, frames: int) -> Signal:
        """The next ``frames`` frames, float32 of shape (frames, microphones); fewer only at the
        end, and none after it."""
        if frames < 0:
            raise ValueError(f"frames is {frames}, must not be negative")
        wanted = min(frames, self.total_frames - self._given)
        parts = [self._left]
        have = self._left.shape[0]
        while have < wanted:
            step = self._make_step()
            parts.append(step)
            have += step.shape[0]
        joined = np.concatenate(parts) if len(parts) > 1 else self._left
        self._left = joined[wanted:]
        self._given += wanted
        return joined[:wanted]

    def _make_step(self) -> Signal:
        start, stop = self._made, self._made + STEP_FRAMES
        self._start_strokes(stop)
        mix = np.zeros((STEP_FRAMES, len(self.mics)), dtype=np.float32)
        for item in self._active:
            low, high = max(start, item.first), min(stop, item.last)
            if high > low:
                piece = item.audio.span(low - item.first, high - item.first, item.gain)
                if item.choke is not None and high > item.choke:
                    since = np.maximum(np.arange(low, high) - item.choke, 0)
                    fade = np.exp(-since / (_CHOKE_S * self.sample_rate_hz))
                    piece *= fade[:, None].astype(np.float32)
                mix[low - start : high - start] += piece
        self._active = [item for item in self._active if item.last > stop]
        self._made = stop
        return self.preamps.process(mix, start)

    def _start_strokes(self, stop: int) -> None:
        while self._next < len(self._placed):
            item = self._placed[self._next]
            first = item.sample - LEAD_SAMPLES
            if first >= stop:
                break
            audio = self.bank.audio(item.key)
            self._active.append(_Sounding(first, audio, item.gain, item.choke))
            self._next += 1
        while self._voices and self._voices[0][0] < stop:
            self._active.append(_Sounding(*self._voices.pop(0)))

    # --- plan to strokes ---

    def _place(self) -> list[_Placed]:
        rng = np.random.default_rng([self.plan.seed, 303])
        out: list[_Placed] = []
        rate = self.sample_rate_hz
        for stroke in self.plan.strokes:
            variant = int(rng.integers(VARIANTS))
            now = stroke.time_s
            level = stroke.level_db + self.timeline.playing_db(stroke.instrument, now)
            level = float(np.clip(level, -48.0, 6.0))
            step = nearest_step(level)
            key = HitKey(
                stroke.instrument,
                stroke.articulation,
                step,
                variant,
                self.timeline.drum_state(stroke.instrument, now),
                self.timeline.sink_m(now),
            )
            sample = round(self.timeline.clock_time(now) * rate)
            gain = float(10 ** ((level - step * LEVEL_STEP_DB) / 20))
            out.append(_Placed(stroke, key, sample, gain, None))
        out.sort(key=lambda item: item.sample)
        return self._choked(out)

    def _choked(self, placed: list[_Placed]) -> list[_Placed]:
        """Each ringing hi-hat stroke ends at the next one that closes the hi-hat."""
        out = list(placed)
        last: dict[str, int] = {}
        for index, item in enumerate(placed):
            if self.plan.kit.instrument(item.stroke.instrument).kind != "hihat":
                continue
            closes = item.stroke.articulation in ("hit", "pedal")
            previous = last.get(item.stroke.instrument)
            if closes and previous is not None:
                old = out[previous]
                out[previous] = _Placed(old.stroke, old.key, old.sample, old.gain, item.sample)
            last[item.stroke.instrument] = index
        return out

    def _talk(self) -> list[tuple[int, Rendering]]:
        out = []
        for item in self.timeline.of("talk"):
            audio = speech(self.plan.kit, item, self.plan.seed, self.sample_rate_hz)
            audio *= self.bank.gain[None]
            out.append((round(item.at_s * self.sample_rate_hz), Rendering.of(audio)))
        return sorted(out, key=lambda pair: pair[0])

    # --- truth ---

    def truth(self, until_s: float | None = None) -> list[dict[str, Any]]:
        """One row a hit, in order of ``time_s``: when the own microphone (for a drum without one:
        the earliest) reaches a tenth of the hit's peak, what was struck, and ``peak_db_MIC`` of the
        hit alone over the 40 ms from there. ``until_s`` leaves out hits from then on."""
        rows = []
        stop = self.duration_s if until_s is None else until_s
        for item in self._placed:
            if item.sample / self.sample_rate_hz >= stop:
                break
            rows.append(self._row(item))
        rows.sort(key=lambda row: row["time_s"])
        return [row for row in rows if row["time_s"] < stop]

    def _row(self, item: _Placed) -> dict[str, Any]:
        facts = self.bank.facts(item.key)
        onset = item.sample + facts.onset
        peaks = facts.peak * item.gain
        span = int(PEAK_SPAN_S * self.sample_rate_hz)
        if self.preamps.changes_within(onset, onset + span):
            peaks = self._exact_peaks(item, facts.onset, span)
        else:
            peaks = peaks * np.abs(self.preamps.factor_at(onset))
        peaks = np.abs(self.preamps.bend(peaks[None].astype(np.float32))[0])
        instrument = self.plan.kit.instrument(item.stroke.instrument)
        row: dict[str, Any] = {
            "time_s": round(onset / self.sample_rate_hz, 6),
            "drum": instrument.drum,
            "articulation": instrument.name
            if item.stroke.articulation == "hit"
            else f"{instrument.name}_{item.stroke.articulation}",
            "sample": f"{item.key.level_step}v{item.key.variant}",
            "role": item.stroke.role,
            "cents": round(pitch_cents(item.key.state), 2),
        }
        for mic, peak in zip(self.mics, peaks, strict=True):
            level = 20 * np.log10(max(float(peak), 10 ** (FLOOR_DBFS / 20)))
            row[f"peak_db_{mic}"] = round(float(level), 2)
        return row

    def _exact_peaks(self, item: _Placed, onset: int, span: int) -> npt.NDArray[np.float64]:
        first = item.sample + onset
        begin = onset + LEAD_SAMPLES
        audio = self.bank.audio(item.key).span(begin, begin + span)
        factors = self.preamps.factors(first, first + audio.shape[0])
        return np.asarray(np.abs(audio * factors).max(axis=0) * item.gain, dtype=np.float64)

    def strokes(self) -> list[dict[str, Any]]:
        """What the truth table has no column for: limb, take and played level of each hit."""
        rows = []
        for item in self._placed:
            facts = self.bank.facts(item.key)
            rows.append(
                {
                    "time_s": round((item.sample + facts.onset) / self.sample_rate_hz, 6),
                    "instrument": item.stroke.instrument,
                    "limb": item.stroke.limb,
                    "take": item.stroke.take,
                    "level_db": round(item.key.level_db + 20 * float(np.log10(item.gain)), 3),
                }
            )
        return sorted(rows, key=lambda row: row["time_s"])

    def description(self, until_s: float | None = None) -> dict[str, Any]:
        """What stands in the JSON beside the audio: microphones, own, takes, segments, events.

        ``until_s`` leaves out what begins from then on and ends takes there.
        """
        stop = self.duration_s if until_s is None else until_s
        out: dict[str, Any] = {"mics": list(self.mics), "own": self.own}
        takes = [
            {"name": t.name, "start": round(t.start_s, 6), "end": round(min(t.end_s, stop), 6)}
            for t in self.takes
            if t.start_s < stop
        ]
        segments = [
            {"drum": drum, "start": start, "end": min(end, stop)}
            for drum, start, end in self.segments
            if start < stop
        ]
        events = [item.record() for item in self.timeline.faults if item.at_s < stop]
        for key, rows in (("takes", takes), ("segments", segments), ("events", events)):
            if rows:
                out[key] = rows
        out["seed"] = self.plan.seed
        out["sample_rate_hz"] = self.sample_rate_hz
        return out


def open_scenario(
    name_or_path: str | Path, *, seed: int | None = None, soundcheck: bool = False
) -> Scene:
    """Open a shipped scenario by name (see `scenario.names`) or a scenario file.

    ``seed``: other performance on the same kit; ``soundcheck``: each drum alone instead of the
    songs. Raises ScenarioError with what is wrong and where.
    """
    return Scene(load_plan(name_or_path, seed=seed, soundcheck=soundcheck))
