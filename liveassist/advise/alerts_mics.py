"""Microphones that fail: fallen silent, hum, crackle, direct current.

Silence between songs is not a dead microphone: a microphone is judged only by what it hears of
hits that other microphones confirm.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from liveassist.advise.alerts_crackle import CrackleWatch
from liveassist.advise.alerts_hum import HumWatch
from liveassist.advise.alerts_rules import Sighting
from liveassist.model import Block, FloatArray, Hit, Kit, LevelFrames

#: A hit's level in a microphone against its level in its own, that much below the lowest tenth
#: of what it used to be, for this many hits on end over this long: the microphone hears nothing.
#: A bumped stand or nudged gain is a matter of a few dB.
DEAD_DROP_DB = 15.0
DEAD_HITS = 6
DEAD_SPAN_S = 1.5
#: Hits remembered for what is normal, and the fewest that tell it.
NORMAL_HITS = 48
MIN_NORMAL_HITS = 12
#: Digital silence, or a preamp that is off: no converter with a microphone rests this low.
NO_SIGNAL_DBFS = -110.0
NO_SIGNAL_HITS = 12
#: A constant part this large, linear: -40 dBFS; converters stay far below. Common practice.
DC_LIMIT = 0.01
DC_OVER = 0.005
DC_TIME_S = 3.0


class MicWatch:
    """Follows every microphone's health. Feed hits, level frames and (for hum) audio."""

    def __init__(self, kit: Kit, sample_rate_hz: float | None) -> None:
        self._kit = kit
        self._rate = sample_rate_hz
        self._acoustic = [i for i, m in enumerate(kit.mics) if m.type == "acoustic"]
        self._own = {drum.name: drum.own for drum in kit.drums}
        self._mean: FloatArray = np.zeros(len(kit.mics))
        self._settled_s = 0.0
        self._hum = None if sample_rate_hz is None else HumWatch(len(kit.mics), sample_rate_hz)
        self._crackle = None
        if sample_rate_hz is not None:
            self._crackle = CrackleWatch(len(kit.mics), sample_rate_hz)
        self.forget()

    def forget(self) -> None:
        """Begin anew with what is normal."""
        self._normal: dict[tuple[int, str], deque[float]] = {}
        self._missed: list[list[float]] = [[] for _ in self._kit.mics]
        self._heard = [0] * len(self._kit.mics)
        self._silent = [0] * len(self._kit.mics)

    # --- what comes in -----------------------------------------------------------------------

    def hear(self, block: Block) -> None:
        """Take in audio, for hum."""
        if self._hum is not None:
            self._hum.feed(block)

    def levels(self, frames: LevelFrames) -> None:
        """Take in level frames, for crackle and direct current."""
        if self._crackle is not None:
            self._crackle.feed(frames)
        if frames.mean and self._rate is not None:
            length = frames.peak.shape[0] * frames.hop_samples / self._rate
            share = min(length / DC_TIME_S, 1.0)
            self._mean += share * (np.asarray(frames.mean) - self._mean)
            self._settled_s += length

    def hit(self, hit: Hit) -> None:
        """Take in a complete hit; other reports only tell crackle from a stroke."""
        if self._crackle is not None and hit.stage != "withdrawn":
            self._crackle.hit(hit.time_s)
        if hit.stage != "complete" or hit.peak_dbfs is None:
            return
        if len(hit.mic_heard_dbfs) != len(self._kit.mics):
            return
        ratios = {
            i: hit.mic_heard_dbfs[i] - hit.peak_dbfs
            for i in self._acoustic
            if self._kit.mics[i].name != self._own.get(hit.drum)
        }
        low = {i for i, ratio in ratios.items() if self._is_low(i, hit.drum, ratio)}
        for i in ratios:
            self._count_silence(i, hit.mic_heard_dbfs[i])
        # All others low at once: this drum's own microphone was turned up.
        if len(ratios) >= 2 and len(low) > 0.5 * len(ratios):
            return
        for i, ratio in ratios.items():
            if i in low:
                self._missed[i].append(hit.time_s)
                del self._missed[i][: -4 * DEAD_HITS]
                continue
            self._missed[i].clear()
            if hit.role in ("main", "weak", "unsure"):
                row = self._normal.setdefault((i, hit.drum), deque(maxlen=NORMAL_HITS))
                row.append(ratio)

    def _is_low(self, mic: int, drum: str, ratio: float) -> bool:
        known = self._normal.get((mic, drum))
        if known is None or len(known) < MIN_NORMAL_HITS:
            return False
        ranked = sorted(known)
        # Linear between ranks, as numpy's quantile; asked for every hit and microphone.
        at = 0.1 * (len(ranked) - 1)
        low = int(at)
        tenth = ranked[low] + (at - low) * (ranked[min(low + 1, len(ranked) - 1)] - ranked[low])
        return ratio < tenth - DEAD_DROP_DB

    def _count_silence(self, mic: int, heard_dbfs: float) -> None:
        if heard_dbfs > NO_SIGNAL_DBFS:
            self._silent[mic] = 0
            self._heard[mic] += 1
        else:
            self._silent[mic] += 1

    # --- what is asked -----------------------------------------------------------------------

    def sightings(self, now_s: float) -> list[Sighting]:
        """One look at every microphone."""
        found: list[Sighting] = []
        for i in self._acoustic:
            found.append(self._dead(i))
            found.append(self._direct_current(i))
        if self._hum is not None:
            found += [self._hum_sighting(i) for i in self._acoustic]
        if self._crackle is not None:
            found += [self._crackle_sighting(i, now_s) for i in self._acoustic]
        return found

    def _dead(self, mic: int) -> Sighting:
        name = self._kit.mics[mic].name
        missed = self._missed[mic]
        gone = len(missed) >= DEAD_HITS and missed[-1] - missed[0] >= DEAD_SPAN_S
        never = self._silent[mic] >= NO_SIGNAL_HITS
        if never and self._heard[mic] == 0:
            sentence = f"{name} gives no signal at all: is it plugged in, powered and routed?"
        else:
            sentence = (
                f"{name} went silent while the kit plays on: check its cable, stand and preamp."
            )
        return Sighting(
            "dead_mic",
            present=gone or never,
            clear=not missed and self._silent[mic] == 0,
            sentence=sentence,
            when="now",
            severity="stop",
            mic=name,
            value=float(max(len(missed), self._silent[mic])),
            unit="hits",
            confidence=0.95,
            since_s=missed[0] if gone else None,
        )

    def _direct_current(self, mic: int) -> Sighting:
        name = self._kit.mics[mic].name
        size = abs(float(self._mean[mic]))
        return Sighting(
            "dc_offset",
            present=size > DC_LIMIT and self._settled_s > 2.0 * DC_TIME_S,
            clear=size < DC_OVER,
            sentence=f"{name} carries a constant offset of {100 * size:.1f} % of full scale: "
            f"check its preamp or converter.",
            when="now",
            mic=name,
            value=size,
            unit="full scale",
            lasting_s=3.0,
            clearing_s=3.0,
        )

    def _hum_sighting(self, mic: int) -> Sighting:
        assert self._hum is not None
        name = self._kit.mics[mic].name
        hum = self._hum.hum(mic)
        return Sighting(
            "hum",
            present=hum.present,
            clear=not hum.likely,
            sentence=(
                f"{name} hums at {hum.mains_hz:.0f} Hz, {hum.level_dbfs:.0f} dBFS: try another "
                f"cable or input and keep it clear of power supplies; leave every protective "
                f"earth connected."
            ),
            when="now",
            mic=name,
            value=hum.level_dbfs,
            unit="dBFS",
            confidence=hum.coherence,
            lasting_s=2.0,
            clearing_s=5.0,
        )

    def _crackle_sighting(self, mic: int, now_s: float) -> Sighting:
        assert self._crackle is not None
        name = self._kit.mics[mic].name
        count = self._crackle.count(mic, now_s)
        return Sighting(
            "crackle",
            present=count >= self._crackle.min_count,
            clear=count == 0,
            sentence=f"{name} crackles: {count} clicks in 10 s that no other microphone hears; "
            f"check its cable and connector.",
            when="now",
            mic=name,
            value=float(count),
            unit="clicks",
            confidence=0.8,
        )
