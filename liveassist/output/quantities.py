# ruff: noqa: E501 - a table reads best with one row a line
"""Every figure an output may show, once: name, unit, range, how to read it from a snapshot.

OSC addresses, faders, lights, displays, documentation and the machine-readable description are
all made from `QUANTITIES`. A figure that is not measured reads as ``None``. Settings for the
engineer's own expander carry the word *suggested* in their name: they are never anything else.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from liveassist.model import (
    Alert,
    ClockState,
    DrumFigures,
    Hit,
    Kit,
    MicState,
    Snapshot,
    Suggestion,
)
from liveassist.remarks import LIGHTS, TakeVerdict
from liveassist.song import ClockTiming, code_text

Value = int | float | str
Subject = Literal["session", "take", "clock", "alerts", "drum", "mic", "bleed"]
When = Literal["change", "stream"]

#: Levels from digital silence of 24-bit audio to what floating-point files hold above full scale.
LEVEL_DBFS = (-144.0, 24.0)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One figure. ``name`` ends its OSC address; ``key`` is how surface profiles name it.

    ``subject``: what it belongs to; a ``bleed`` figure belongs to a microphone and a drum.
    ``low``/``high``: range in ``unit`` (None: open, or text). ``step``: numbers are rounded to
    it, so that nothing is sent for a change nobody could use.
    ``when``: ``change`` is sent when the rounded value changes, ``stream`` moves all the time
    and is sent at most at the rate of the target. ``get(snapshot, mic_or_drum, drum)``.
    """

    name: str
    subject: Subject
    type: Literal["i", "f", "s"]
    unit: str
    low: float | None
    high: float | None
    step: float
    when: When
    about: str
    example: Value
    get: Callable[[Snapshot, str, str], Value | None]

    @property
    def key(self) -> str:
        """The name in surface profiles: ``suggested_threshold_dbfs``, ``take_clock_s``."""
        name = self.name.replace("/", "_")
        return name if self.subject in ("drum", "mic") else f"{self.subject}_{name}"

    @property
    def words(self) -> str:
        """The name in words, without the unit: ``suggested threshold``, ``median level``."""
        name = self.name
        for suffix in ("_db_per_min", "_dbfs", "_db", "_hz", "_ms", "_s"):
            if name.endswith(suffix):
                name = name.removesuffix(suffix)
                level = suffix == "_dbfs" and not name.endswith(("threshold", "level"))
                name += "_level" if level else ""
                break
        words = name.replace("/", " ").replace("_", " ")
        if self.subject == "bleed":
            return f"bleed {words}"
        return words if self.subject in ("drum", "mic") else f"{self.subject} {words}"

    def read(self, snapshot: Snapshot, first: str = "", second: str = "") -> Value | None:
        """The value now, of its type, rounded to ``step`` and held within its range; None if it
        is not measured."""
        value = self.get(snapshot, first, second)
        if value is None or isinstance(value, str):
            return value
        number = float(value)
        if not math.isfinite(number):
            return None
        if self.low is not None:
            number = max(number, self.low)
        if self.high is not None:
            number = min(number, self.high)
        if self.type == "i":
            return int(number)
        return round(round(number / self.step) * self.step, 6)


def _figure(field: str) -> Callable[[Snapshot, str, str], Value | None]:
    """Reader of one field of a drum's rolling figures."""

    def get(snapshot: Snapshot, drum: str, _: str) -> Value | None:
        figures: DrumFigures | None = snapshot.figures.drums.get(drum)
        return None if figures is None else getattr(figures, field)

    return get


def _interval(field: str, end: int) -> Callable[[Snapshot, str, str], Value | None]:
    """Reader of one end of an interval in a drum's figures."""

    def get(snapshot: Snapshot, drum: str, _: str) -> Value | None:
        figures = snapshot.figures.drums.get(drum)
        interval = None if figures is None else getattr(figures, field)
        return None if interval is None else interval[end]

    return get


def _last(read: Callable[[Hit], Value | None]) -> Callable[[Snapshot, str, str], Value | None]:
    """Reader of a drum's latest hit."""

    def get(snapshot: Snapshot, drum: str, _: str) -> Value | None:
        hits = snapshot.recent.get(drum, ())
        return read(hits[-1]) if hits else None

    return get


def _mic(read: Callable[[MicState], Value | None]) -> Callable[[Snapshot, str, str], Value | None]:
    """Reader of a microphone's meter."""

    def get(snapshot: Snapshot, mic: str, _: str) -> Value | None:
        return next((read(state) for state in snapshot.mics if state.name == mic), None)

    return get


def _margin(field: str) -> Callable[[Snapshot, str, str], Value | None]:
    def get(snapshot: Snapshot, mic: str, _: str) -> Value | None:
        margin = snapshot.figures.bleed_margin.get(mic)
        return None if margin is None else getattr(margin, field)

    return get


def _suggested(
    read: Callable[[Suggestion], Value | None],
) -> Callable[[Snapshot, str, str], Value | None]:
    def get(snapshot: Snapshot, mic: str, _: str) -> Value | None:
        suggestion = snapshot.expander.get(mic)
        return None if suggestion is None else read(suggestion)

    return get


def _predicted(field: str) -> Callable[[Snapshot, str, str], Value | None]:
    def read(suggestion: Suggestion) -> Value | None:
        predicted = suggestion.predicted
        return None if predicted is None else getattr(predicted, field)

    return _suggested(read)


def _bleed(snapshot: Snapshot, mic: str, drum: str) -> Value | None:
    return snapshot.figures.bleed_db.get(mic, {}).get(drum)


def _bleed_dbfs(snapshot: Snapshot, mic: str, drum: str) -> Value | None:
    return snapshot.figures.bleed_dbfs.get(mic, {}).get(drum)


def _bound(snapshot: Snapshot, mic: str, drum: str) -> Value | None:
    return int(f"{mic}.{drum}" in snapshot.figures.bleed_upper_bound)


_SEVERITY = {"info": 0, "look": 1, "stop": 2}


def standing(snapshot: Snapshot) -> list[Alert]:
    """The alerts that last and were not acknowledged."""
    put_away = {_occurrence(alert) for alert in snapshot.silenced}
    return [
        alert
        for alert in snapshot.alerts
        if alert.end_s is None and _occurrence(alert) not in put_away
    ]


def worst_alert(snapshot: Snapshot) -> Alert | None:
    """The most urgent alert that lasts and was not acknowledged: ``now`` before ``between``, then
    severity, then newest."""
    return max(
        standing(snapshot),
        key=lambda alert: (alert.when == "now", _SEVERITY[alert.severity], alert.start_s),
        default=None,
    )


def _occurrence(alert: Alert) -> tuple[str, str | None, str | None, float]:
    return (alert.key, alert.drum, alert.mic, alert.start_s)


def _worst_sentence(snapshot: Snapshot) -> str:
    alert = worst_alert(snapshot)
    return "" if alert is None else alert.sentence


def _take_clock(snapshot: Snapshot) -> float:
    take = snapshot.take
    if take is None:
        return 0.0
    return (snapshot.time_s if take.end_s is None else take.end_s) - take.start_s


def _take_runs(snapshot: Snapshot) -> int:
    return int(snapshot.take is not None and snapshot.take.end_s is None)


def told_verdict(snapshot: Snapshot) -> TakeVerdict | None:
    """The verdict on the take that ended last; None while a take runs or before the first."""
    if snapshot.review is None or _take_runs(snapshot):
        return None
    return snapshot.review.verdict


def _verdict_light(snapshot: Snapshot) -> int | None:
    found = told_verdict(snapshot)
    return None if found is None else LIGHTS.index(found.light)


def _verdict_words(snapshot: Snapshot) -> str:
    found = told_verdict(snapshot)
    return "" if found is None else found.sentence


def _of(
    read: Callable[[Snapshot], Value | None],
) -> Callable[[Snapshot, str, str], Value | None]:
    return lambda snapshot, _first, _second: read(snapshot)


def _softest(snapshot: Snapshot, drum: str, _second: str) -> float | None:
    audit = snapshot.audit.get(drum)
    return None if audit is None else audit.softest_dbfs


def _clock(
    read: Callable[[ClockState], Value | None],
) -> Callable[[Snapshot, str, str], Value | None]:
    return lambda snapshot, _first, _second: (
        None if snapshot.clock is None else read(snapshot.clock)
    )


def _code(clock: ClockState) -> str | None:
    if clock.time_code_s is None or clock.frames_per_s is None:
        return None
    return code_text(clock.time_code_s, clock.frames_per_s)


def _timing(
    read: Callable[[ClockTiming], Value | None],
) -> Callable[[Snapshot, str, str], Value | None]:
    def get(snapshot: Snapshot, drum: str, _second: str) -> Value | None:
        found = None if snapshot.clock is None else snapshot.clock.timing.get(drum)
        return None if found is None else read(found)

    return get


_Q = Quantity
# fmt: off
#: The table. Columns: name, subject, type, unit, low, high, step, when, about, example, reader.
QUANTITIES: tuple[Quantity, ...] = (
    _Q("time_s", "session", "f", "s", 0, None, 0.1, "stream", "Time since the first sample.", 83.2, _of(lambda s: s.time_s)),
    _Q("kit", "session", "s", "", None, None, 1, "change", "Name of the kit profile.", "rehearsal kit", _of(lambda s: s.kit.name)),
    _Q("source", "session", "s", "", None, None, 1, "change", "What is listened to.", "simulated session", _of(lambda s: s.source)),
    _Q("lost_samples", "session", "i", "samples", 0, None, 1, "change", "Samples lost so far.", 0, _of(lambda s: s.lost_samples)),
    _Q("sureness", "session", "f", "fraction", 0, 1, 0.01, "change", "How well the drums are told apart so far.", 0.93, _of(lambda s: s.sureness)),
    _Q("load", "session", "f", "fraction", 0, None, 0.01, "stream", "Share of real time the analysis uses.", 0.12, _of(lambda s: s.load)),
    _Q("name", "take", "s", "", None, None, 1, "change", "Name of the take or stretch; empty before the first.", "take 3", _of(lambda s: s.take.name if s.take else "")),
    _Q("running", "take", "i", "0 or 1", 0, 1, 1, "change", "Whether a take runs.", 1, _of(_take_runs)),
    _Q("clock_s", "take", "f", "s", 0, None, 0.1, "stream", "Time since the take began.", 41.7, _of(_take_clock)),
    _Q("done", "take", "i", "takes", 0, None, 1, "change", "Takes that are over.", 2, _of(lambda s: s.takes_done)),
    _Q("verdict", "take", "i", "0 to 2", 0, 2, 1, "change", "The take that ended last: 0 fine, 1 look before the next, 2 stop. Not while a take runs.", 1, _of(_verdict_light)),
    _Q("verdict_sentence", "take", "s", "", None, None, 1, "change", "The same in one sentence; empty while a take runs.", "Nothing changed since the reference.", _of(_verdict_words)),
    _Q("running", "clock", "i", "0 or 1", 0, 1, 1, "change", "Whether the recorder's MIDI clock runs, or else its metronome is heard.", 1, _clock(lambda c: int(c.running))),
    _Q("tempo_bpm", "clock", "f", "beats/min", 1, 1000, 0.1, "change", "Tempo of the recorder's MIDI clock, or else of its metronome.", 132.0, _clock(lambda c: c.tempo_bpm)),
    _Q("bar", "clock", "i", "bars", 1, None, 1, "change", "Bar by that clock, from 1.", 17, _clock(lambda c: c.bar)),
    _Q("beat", "clock", "i", "beats", 0, None, 1, "change", "Beats since that clock started, from 0.", 66, _clock(lambda c: None if c.beat is None else int(c.beat))),
    _Q("jitter_ms", "clock", "f", "ms", 0, None, 0.1, "change", "How far single ticks stray from a steady clock; fitted away.", 1.2, _clock(lambda c: c.jitter_ms)),
    _Q("time_code", "clock", "s", "", None, None, 1, "stream", "The recorder's MIDI time code, hours:minutes:seconds:frames.", "01:00:41:12", _clock(_code)),
    _Q("count", "alerts", "i", "alerts", 0, None, 1, "change", "Alerts that last now.", 1, _of(lambda s: sum(a.end_s is None for a in s.alerts))),
    _Q("now_count", "alerts", "i", "alerts", 0, None, 1, "change", "Alerts that cannot wait for the end of the take.", 0, _of(lambda s: sum(a.end_s is None and a.when == "now" for a in s.alerts))),
    _Q("sentence", "alerts", "s", "", None, None, 1, "change", "The most urgent alert in words; empty if none lasts.", "Snare top clips.", _of(_worst_sentence)),
    _Q("hits", "drum", "i", "hits", 0, None, 1, "change", "Hits in the rolling window.", 64, _figure("hits")),
    _Q("main_hits", "drum", "i", "hits", 0, None, 1, "change", "Main hits among them.", 48, _figure("main_hits")),
    _Q("last_dbfs", "drum", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "Level of the latest hit alone, in the drum's own microphone.", -9.3, _last(lambda h: h.peak_dbfs)),
    _Q("last_velocity", "drum", "i", "1 to 127", 1, 127, 1, "change", "Velocity of the latest hit.", 104, _last(lambda h: h.velocity)),
    _Q("median_dbfs", "drum", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "Median level of main hits.", -9.8, _figure("median_dbfs")),
    _Q("spread_db", "drum", "f", "dB", 0, 60, 0.1, "change", "How uneven main hits are about their local trend.", 1.4, _figure("spread_db")),
    _Q("spread_low_db", "drum", "f", "dB", 0, 60, 0.1, "change", "Lower end of the spread's 95 % interval.", 1.1, _interval("spread_ci", 0)),
    _Q("spread_high_db", "drum", "f", "dB", 0, 60, 0.1, "change", "Upper end of the spread's 95 % interval.", 1.9, _interval("spread_ci", 1)),
    _Q("dynamics_db", "drum", "f", "dB", 0, 60, 0.1, "change", "Range of the trend: dynamics that are meant.", 3.2, _figure("dynamics_db")),
    _Q("p10_dbfs", "drum", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "A tenth of main hits are softer than this.", -12.1, _figure("p10_dbfs")),
    _Q("p90_dbfs", "drum", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "A tenth of main hits are louder than this.", -7.9, _figure("p90_dbfs")),
    _Q("trend_db_per_min", "drum", "f", "dB/min", -60, 60, 0.1, "change", "Rise (positive) or fall of main-hit level.", -0.4, _figure("trend_db_per_min")),
    _Q("weak_hits", "drum", "i", "hits", 0, None, 1, "change", "Main hits that fell short.", 2, _figure("weak_hits")),
    _Q("weak_share", "drum", "f", "fraction", 0, 1, 0.01, "change", "Share of hits that fell short.", 0.04, _figure("weak_share")),
    _Q("ghost_hits", "drum", "i", "hits", 0, None, 1, "change", "Quiet notes meant quiet.", 14, _figure("ghost_hits")),
    _Q("ghost_distance_db", "drum", "f", "dB", 0, 60, 0.1, "change", "Main hits above ghost notes.", 18.5, _figure("ghost_distance_db")),
    _Q("note_hz", "drum", "f", "Hz", 20, 2000, 0.1, "change", "Frequency of the head's lowest mode.", 187.4, _figure("note_hz")),
    _Q("ring_s", "drum", "f", "s", 0, 10, 0.01, "change", "Time in which that mode falls by 60 dB.", 0.42, _figure("ring_s")),
    _Q("audit/softest_dbfs", "drum", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "Softer hits would be missed in this bleed: the latest answer to audit.", -28.0, _softest),
    _Q("limb_imbalance_db", "drum", "f", "dB", -60, 60, 0.1, "change", "Level difference between alternating strokes.", 0.8, _figure("limb_imbalance_db")),
    _Q("timing/offset_ms", "drum", "f", "ms", -500, 500, 0.1, "change", "Main hits against the nearest sixteenth of the recorder's clock or metronome: late is positive. What lies between the ways of clock and sound is in it.", 3.2, _timing(lambda t: t.offset_ms)),
    _Q("timing/spread_ms", "drum", "f", "ms", 0, 500, 0.1, "change", "Scatter of main hits about that: how tight.", 8.4, _timing(lambda t: t.spread_ms)),
    _Q("timing/hits", "drum", "i", "hits", 0, None, 1, "change", "Main hits that these two rest on.", 48, _timing(lambda t: t.hits)),
    _Q("clipped_hits", "drum", "i", "hits", 0, None, 1, "change", "Hits at full scale, left out of the figures.", 0, _figure("clipped_hits")),
    _Q("peak_dbfs", "mic", "f", "dBFS", *LEVEL_DBFS, 0.1, "stream", "Peak level now.", -21.5, _mic(lambda m: m.peak_dbfs)),
    _Q("hold_dbfs", "mic", "f", "dBFS", *LEVEL_DBFS, 0.1, "stream", "Peak level held.", -8.9, _mic(lambda m: m.hold_dbfs)),
    _Q("rms_dbfs", "mic", "f", "dBFS", *LEVEL_DBFS, 0.1, "stream", "Mean level now.", -38.0, _mic(lambda m: m.rms_dbfs)),
    _Q("clipped", "mic", "i", "samples", 0, None, 1, "change", "Full-scale samples since the start.", 0, _mic(lambda m: m.clipped)),
    _Q("fault", "mic", "s", "", None, None, 1, "change", "What is wrong with it; empty if nothing.", "", _mic(lambda m: m.fault or "")),
    _Q("bleed_margin_db", "mic", "f", "dB", -120, 120, 0.1, "change", "Softer main hits above the worst bleed.", 12.4, _margin("full_band_db")),
    _Q("bleed_margin_keyed_db", "mic", "f", "dB", -120, 120, 0.1, "change", "The same behind the key filter.", 17.0, _margin("key_filtered_db")),
    _Q("worst_source", "mic", "s", "", None, None, 1, "change", "Which source bleeds most.", "hihat", _margin("worst_source")),
    _Q("suggested/threshold_dbfs", "mic", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "Suggested expander threshold, at the gain seen here.", -24.5, _suggested(lambda x: x.threshold_dbfs)),
    _Q("suggested/hysteresis_db", "mic", "f", "dB", 0, 60, 0.1, "change", "Suggested: closes this far below the threshold.", 3.0, _suggested(lambda x: x.hysteresis_db)),
    _Q("suggested/range_db", "mic", "f", "dB", 0, 90, 0.1, "change", "Suggested range: the most it turns down.", 12.0, _suggested(lambda x: x.range_db)),
    _Q("suggested/ratio", "mic", "f", "to 1", 1, 100, 0.1, "change", "Suggested ratio.", 3.5, _suggested(lambda x: x.ratio)),
    _Q("suggested/knee_db", "mic", "f", "dB", 0, 60, 0.1, "change", "Suggested knee.", 4.0, _suggested(lambda x: x.knee_db)),
    _Q("suggested/attack_ms", "mic", "f", "ms", 0, 100, 0.01, "change", "Suggested opening time, 63 %.", 0.2, _suggested(lambda x: x.attack_ms)),
    _Q("suggested/hold_ms", "mic", "f", "ms", 0, 2000, 1, "change", "Suggested hold.", 60.0, _suggested(lambda x: x.hold_ms)),
    _Q("suggested/release_ms", "mic", "f", "ms", 0, 5000, 1, "change", "Suggested closing time, 63 %.", 140.0, _suggested(lambda x: x.release_ms)),
    _Q("suggested/lookahead_ms", "mic", "f", "ms", 0, 20, 0.1, "change", "Suggested look-ahead.", 1.0, _suggested(lambda x: x.lookahead_ms)),
    _Q("suggested/key_highpass_hz", "mic", "f", "Hz", 10, 20000, 1, "change", "Suggested key filter, low end.", 180.0, _suggested(lambda x: x.key_highpass_hz)),
    _Q("suggested/key_lowpass_hz", "mic", "f", "Hz", 10, 20000, 1, "change", "Suggested key filter, high end.", 2500.0, _suggested(lambda x: x.key_lowpass_hz)),
    _Q("suggested/main_passed", "mic", "f", "fraction", 0, 1, 0.01, "change", "Main hits the suggested settings pass whole (predicted).", 0.98, _predicted("main_passed")),
    _Q("suggested/bleed_cut_db", "mic", "f", "dB", 0, 90, 0.1, "change", "What the suggested settings take off bleed (predicted).", 11.2, _predicted("bleed_cut_db")),
    _Q("level_db", "bleed", "f", "dB", -120, 24, 0.1, "change", "Drum in this microphone, against its own microphone.", -23.4, _bleed),
    _Q("level_dbfs", "bleed", "f", "dBFS", *LEVEL_DBFS, 0.1, "change", "Drum without an own microphone, in this one.", -31.0, _bleed_dbfs),
    _Q("upper_bound", "bleed", "i", "0 or 1", 0, 1, 1, "change", "1: buried, the bleed is at most this.", 0, _bound),
)
# fmt: on


#: Figures that only a microphone on a drum has.
_CLOSE_ONLY = ("suggested/", "bleed_margin", "worst_source")


def subjects(quantity: Quantity, kit: Kit) -> Iterator[tuple[str, str]]:
    """The names a quantity is sent for: (mic or drum, drum), empty where it has none."""
    if quantity.subject == "drum":
        judged = quantity.name.startswith("timing/")
        drums = (drum for drum in kit.drums if drum.own is not None)
        yield from ((drum.name, "") for drum in drums if drum.judged or not judged)
    elif quantity.subject == "mic":
        close = quantity.name.startswith(_CLOSE_ONLY)
        for mic in kit.mics:
            if not close or (mic.type == "acoustic" and (kit.owner(mic.name) or mic.of)):
                yield mic.name, ""
    elif quantity.subject == "bleed":
        for mic in (mic for mic in kit.mics if mic.type == "acoustic"):
            for drum in kit.drums:
                has_own = drum.own is not None
                if drum.own != mic.name and has_own != (quantity.name == "level_dbfs"):
                    yield mic.name, drum.name
    else:
        yield "", ""


#: Where `Figures.unmeasured` files the reason for a missing figure, by subject.
_REASON_KEYS: Mapping[str, tuple[str, ...]] = {
    "drum": ("drums.{0}.main.{2}", "drums.{0}.{2}", "{0}.{2}", "{0}"),
    "bleed": ("bleed_db.{0}.{1}", "bleed_dbfs.{0}.{1}"),
    "mic": ("bleed_margin_db.{0}.full_band", "bleed_margin_db.{0}"),
}


def reason(snapshot: Snapshot, quantity: Quantity, first: str, second: str) -> str:
    """Why a figure is missing, in words."""
    if quantity.name.startswith("suggested/") and snapshot.expander.get(first) is None:
        return snapshot.expander_reason.get(first, "no suggestion yet")
    if quantity.subject == "clock" or quantity.name.startswith("timing/"):
        timing = None if snapshot.clock is None else snapshot.clock.timing.get(first)
        if timing is not None and timing.reason:
            return timing.reason
        return (
            "no recorder's clock and no metronome is heard"
            if snapshot.clock is None
            else "not heard"
        )
    for form in _REASON_KEYS.get(quantity.subject, ()):
        found = snapshot.figures.unmeasured.get(form.format(first, second, quantity.name))
        if found is not None:
            return found
    return "not measured yet"
