"""The values that travel between stages. Frozen, units in their names, no behaviour beyond checks.

Time is the sample index counted from the first sample of input; ``*_s`` is that index divided by
the sample rate. A figure that could not be measured is ``None``; the reason travels in
``Figures.unmeasured``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from liveassist.kit import DRUM_KINDS as DRUM_KINDS
from liveassist.kit import JUDGED_KINDS as JUDGED_KINDS
from liveassist.kit import MIC_TYPES as MIC_TYPES
from liveassist.kit import Drum as Drum
from liveassist.kit import DrumKind as DrumKind
from liveassist.kit import Kit as Kit
from liveassist.kit import Mic as Mic
from liveassist.kit import MicType as MicType
from liveassist.kit import Windows as Windows
from liveassist.remarks import Audit as Audit
from liveassist.remarks import Remark as Remark
from liveassist.remarks import Review as Review
from liveassist.remarks import TakeLine as TakeLine
from liveassist.song import ClockState as ClockState
from liveassist.song import ClockWord as ClockWord
from liveassist.suggestion import ExpanderPicture as ExpanderPicture
from liveassist.suggestion import ExpanderRate as ExpanderRate
from liveassist.suggestion import Prediction as Prediction
from liveassist.suggestion import Suggestion as Suggestion

Audio = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]
Interval = tuple[float, float]

Role = Literal["main", "weak", "ghost", "rim_click", "flam", "unsure"]
Stage = Literal["early", "revised", "withdrawn", "complete"]


# --- audio ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive samples of all microphones, shape (frames, microphones), float32.

    Column order is ``Kit.mics``. ``lost_samples`` were lost just before this block; they are
    already counted in ``first_sample``. ``click``: the samples of the metronome's channel.
    """

    first_sample: int
    audio: Audio
    lost_samples: int = 0
    click: Audio | None = None

    def __post_init__(self) -> None:
        if self.audio.ndim != 2:
            raise ValueError("a block has shape (frames, microphones)")
        if self.first_sample < 0 or self.lost_samples < 0:
            raise ValueError("sample counts are not negative")


@dataclass(frozen=True, slots=True)
class Candidate:
    """An onset in one microphone: column, rough sample (within 3 ms), strength in dB."""

    mic: int
    sample: int
    strength_db: float


# --- hits ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Partial:
    """One ringing mode of a head within one hit."""

    frequency_hz: float
    level_dbfs: float
    t60_s: float


@dataclass(frozen=True, slots=True)
class HitMeasures:
    """Detail of one hit, known some 300 ms after its onset.

    ``pattern``: averaged-log-frequency spectrum of the ringing part (see measure.pattern), used to
    compare pitch between takes; ``reason`` says why tuning detail is missing, where it is.
    """

    partials: tuple[Partial, ...] = ()
    note_hz: float | None = None
    note_sd_hz: float | None = None
    ring_s: float | None = None
    attack_ms: float | None = None
    pattern: FloatArray | None = field(default=None, compare=False)
    arrival_ms: Mapping[str, float] = field(default_factory=dict)
    pair_sign: Mapping[str, int] = field(default_factory=dict)
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Hit:
    """One stroke on one drum.

    ``number`` is the same for every report of one hit. ``peak_dbfs`` is the hit alone in its own
    microphone within 40 ms of onset, ``heard_peak_dbfs`` the mixture there. ``mic_dbfs`` holds
    the peak of this hit alone in every microphone (order of ``Kit.mics``), ``None`` where not
    measurable; where ``mic_bound`` is true the figure is only an upper bound (buried).
    For a drum with no own microphone ``peak_dbfs`` is ``None``. ``strength_dbfs`` is the
    level used to compare hits of one drum with each other: ``peak_dbfs`` where there is one.
    ``gap_s``: time from this onset to the next onset on any drum, known when complete.
    """

    number: int
    stage: Stage
    drum: str
    sample: int
    time_s: float
    peak_dbfs: float | None
    heard_peak_dbfs: float | None
    confidence: float
    velocity: int | None = None
    role: Role = "unsure"
    flags: tuple[str, ...] = ()
    take: str | None = None
    mic_dbfs: tuple[float | None, ...] = ()
    mic_heard_dbfs: tuple[float, ...] = ()
    mic_bound: tuple[bool, ...] = ()
    measures: HitMeasures | None = None


@dataclass(frozen=True, slots=True)
class LevelFrames:
    """Peak level of each microphone over consecutive hops; what meters and expander advice read.

    ``peak`` has shape (hops, microphones), linear amplitude; hop ``i`` covers samples
    ``first_sample + i*hop_samples`` onward. ``keyed[(low_hz, high_hz)]`` is the same behind a
    key filter, ``steep`` at twice its slope. ``clipped``: full-scale samples of each microphone.
    """

    first_sample: int
    hop_samples: int
    peak: Audio
    keyed: Mapping[tuple[float, float], Audio] = field(default_factory=dict)
    clipped: tuple[int, ...] = ()
    rms: tuple[float, ...] = ()
    mean: tuple[float, ...] = ()
    steep: Mapping[tuple[float, float], Audio] = field(default_factory=dict)


# --- takes, alerts, advice -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Take:
    """A take (marked) or a stretch (found between silences; ``provisional``).

    ``was``: in an event that says that it got another name, the name it had.
    """

    name: str
    start_s: float
    end_s: float | None = None
    provisional: bool = True
    was: str | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Alert:
    """Something the engineer should know. ``end_s`` is None while it lasts.

    ``key`` names the alert kind in lower_snake_case (``uneven``, ``clipping``).
    """

    key: str
    start_s: float
    end_s: float | None
    when: Literal["now", "between"]
    severity: Literal["info", "look", "stop"]
    sentence: str
    drum: str | None = None
    mic: str | None = None
    value: float | None = None
    unit: str | None = None
    confidence: float = 1.0


@dataclass(frozen=True, slots=True)
class Change:
    """One cause of difference between a take and the reference (table in DEVELOPERS.md)."""

    cause: str
    amount: float | None
    unit: str | None
    ci: Interval | None
    confidence: float
    sentence: str
    drum: str | None = None
    mic: str | None = None
    source: str | None = None


# --- figures and snapshot ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DrumFigures:
    """Statistics of one drum over one span of time. ``None``: see ``Figures.unmeasured``."""

    drum: str
    hits: int = 0
    main_hits: int = 0
    median_dbfs: float | None = None
    spread_db: float | None = None
    spread_ci: Interval | None = None
    dynamics_db: float | None = None
    p10_dbfs: float | None = None
    p90_dbfs: float | None = None
    trend_db_per_min: float | None = None
    trend_ci: Interval | None = None
    weak_hits: int = 0
    weak_share: float | None = None
    ghost_hits: int = 0
    ghost_median_dbfs: float | None = None
    ghost_distance_db: float | None = None
    note_hz: float | None = None
    ring_s: float | None = None
    limb_imbalance_db: float | None = None
    clipped_hits: int = 0


@dataclass(frozen=True, slots=True)
class BleedMargin:
    """P10 of main-hit levels minus P95 of the worst foreign source in one microphone, dB."""

    full_band_db: float | None
    key_filtered_db: float | None
    worst_source: str | None
    by_source_db: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Figures:
    """All statistics over one span of time (rolling window, take, or whole session)."""

    start_s: float
    end_s: float
    drums: Mapping[str, DrumFigures]
    bleed_db: Mapping[str, Mapping[str, float | None]]
    bleed_dbfs: Mapping[str, Mapping[str, float | None]]
    bleed_upper_bound: tuple[str, ...]
    bleed_margin: Mapping[str, BleedMargin]
    unmeasured: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class MicState:
    """What a microphone does now, for meters. ``clipped``: full-scale samples since start."""

    name: str
    peak_dbfs: float
    hold_dbfs: float
    rms_dbfs: float
    clipped: int
    clip_age_s: float | None = None
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class OutputState:
    """Health of one output. ``state``: ``ok``, ``down`` (was there), ``absent`` (never was)."""

    name: str
    kind: Literal["osc", "midi", "terminal", "store"]
    state: Literal["ok", "down", "absent"]
    sent: int = 0
    dropped: int = 0
    bytes_per_s: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything an output or a screen may show, at one moment. Never mutated."""

    time_s: float
    sample_rate_hz: float
    kit: Kit
    mics: tuple[MicState, ...]
    figures: Figures
    recent: Mapping[str, tuple[Hit, ...]]
    expander: Mapping[str, Suggestion | None]
    expander_reason: Mapping[str, str]
    alerts: tuple[Alert, ...]
    take: Take | None
    takes_done: int = 0
    outputs: tuple[OutputState, ...] = ()
    lost_samples: int = 0
    sureness: float | None = None
    learned: str | None = None
    source: str = ""
    load: float | None = None
    changes: tuple[Change, ...] = ()
    #: What was said of the take that ended last.
    review: Review | None = None
    #: Why a suggestion that still stands no longer holds, by microphone.
    expander_wrong: Mapping[str, str] = field(default_factory=dict)
    #: The picture each suggestion may be chosen by, by microphone.
    expander_picture: Mapping[str, ExpanderPicture] = field(default_factory=dict)
    #: Lasting alerts that the engineer has acknowledged.
    silenced: tuple[Alert, ...] = ()
    #: Microphones armed for applying their suggestion, and the seconds each has left.
    armed: Mapping[str, float] = field(default_factory=dict)
    #: What was last asked for, by whom, and what became of it; empty: nothing yet.
    notice: str = ""
    #: Latest self-audit by drum; empty: none was asked for.
    audit: Mapping[str, Audit] = field(default_factory=dict)
    #: The takes so far in order of time, the latest `takebook.MOST_LINES` of them.
    takes: tuple[TakeLine, ...] = ()
    #: What the recorder's MIDI clock and time code say; None: none is heard.
    clock: ClockState | None = None


@dataclass(frozen=True, slots=True)
class TakeRecord:
    """One take when it is over: its figures, and what changed against the reference take.

    ``not_compared``: drums of which nothing can be said to have changed, and why.
    """

    take: Take
    figures: Figures
    changes: tuple[Change, ...] = ()
    reference: bool = False
    review: Review | None = None
    not_compared: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Standing:
    """What was decided in a session so far, beside what was heard: kept so that it can go on."""

    takes: tuple[Take, ...] = ()
    reference: str | None = None
    aim: str = "natural"
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True)
class SessionRecord:
    """What a session leaves behind: the content of hits.csv and summary.json."""

    kit: Kit
    sample_rate_hz: float
    duration_s: float
    hits: tuple[Hit, ...]
    figures: Figures
    takes: tuple[TakeRecord, ...]
    alerts: tuple[Alert, ...]
    expander: Mapping[str, Suggestion | None]
    expander_reason: Mapping[str, str]
    learned: str | None = None
    started_at: str | None = None
    lost_samples: int = 0
    unmeasured: Mapping[str, str] = field(default_factory=dict)
    #: Why a suggestion that was shown to the end no longer held then, by microphone.
    expander_wrong: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()
    audit: Mapping[str, Audit] = field(default_factory=dict)


#: What `pipeline.Pipeline.feed` returns, in time order: hit reports, takes that began or ended,
#: alerts that began or ended, and level frames for meters.
Event = Hit | Take | Alert | LevelFrames
