"""A stand-in for the analysis: a hit wherever an own microphone crosses half of full scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from liveassist.attribute.signature import Learned
from liveassist.audit import Job, Trial, figures
from liveassist.model import (
    Alert,
    Audit,
    Block,
    DrumFigures,
    Event,
    Figures,
    Hit,
    Kit,
    Remark,
    SessionRecord,
    Snapshot,
    Take,
    TakeRecord,
)
from liveassist.rolling.takeedits import Edited, EditError, TakeEdit
from liveassist.spectra import BANDS
from liveassist.units import amplitude_to_dbfs


class FakePipeline:
    """Follows the signatures of the pipeline. A hit needs 10 ms of rest before it."""

    def __init__(self, kit: Kit, sample_rate_hz: int, **options: Any) -> None:
        self.kit = kit
        self.rate = sample_rate_hz
        self.options = options
        self.hits: list[Hit] = []
        self.takes: list[Take] = []
        self.next_sample = 0
        self.blocks: list[tuple[int, int]] = []
        self.marks: list[tuple[int, str | None]] = []
        self.remarks: list[Remark] = []
        self.silenced: list[tuple[str, str | None, str | None]] = []
        self.alerts: list[Alert] = []
        self.finished = False
        self._free = {drum.name: 0 for drum in kit.drums}

    def feed(self, block: Block) -> list[Event]:
        assert block.first_sample == self.next_sample + block.lost_samples
        self.blocks.append((block.first_sample, len(block.audio)))
        found: list[Event] = []
        for drum in self.kit.drums:
            if drum.own is None:
                continue
            signal = block.audio[:, self.kit.mic_index(drum.own)]
            for index in (abs(signal) > 0.5).nonzero()[0]:
                sample = block.first_sample + int(index)
                if sample >= self._free[drum.name]:
                    found.append(self._hit(drum.name, sample, float(signal[index])))
                self._free[drum.name] = sample + self.rate // 100
        self.next_sample = block.first_sample + len(block.audio)
        return found

    def _hit(self, drum: str, sample: int, value: float) -> Hit:
        running = self.takes and self.takes[-1].end_s is None
        hit = Hit(
            number=len(self.hits),
            stage="complete",
            drum=drum,
            sample=sample,
            time_s=sample / self.rate,
            peak_dbfs=amplitude_to_dbfs(value),
            heard_peak_dbfs=amplitude_to_dbfs(value),
            confidence=0.9,
            velocity=100,
            role="main",
            take=self.takes[-1].name if running else None,
        )
        self.hits.append(hit)
        return hit

    def finish(self) -> list[Event]:
        self.finished = True
        return []

    def start_take(self, name: str | None, at_s: float | None = None) -> None:
        self.marks.append((self.next_sample, name))
        self.takes.append(Take(name or "take", at_s or self.next_sample / self.rate, None, False))

    def stop_take(self, at_s: float | None = None) -> None:
        self.marks.append((self.next_sample, None))
        last = self.takes[-1]
        end_s = at_s or self.next_sample / self.rate
        self.takes[-1] = Take(last.name, last.start_s, end_s, False)

    def set_reference(self, name: str | None) -> str | None:
        names = [take.name for take in self.takes]
        name = name or next(reversed(names), None)
        if name not in names:
            return None
        self.options["reference"] = name
        return name

    def clear_reference(self) -> None:
        self.options["reference"] = None

    def rename_take(self, name: str) -> Take | None:
        if not self.takes:
            return None
        last = self.takes[-1]
        self.takes[-1] = Take(name, last.start_s, last.end_s, False)
        return self.takes[-1]

    def edit_takes(self, edit: TakeEdit) -> Edited:
        raise EditError(f"this stand-in cannot {edit.do}")

    def mark(self, text: str, at_s: float | None = None) -> Remark:
        self.remarks.append(Remark(at_s or self.next_sample / self.rate, text))
        return self.remarks[-1]

    def no_hit(self, drum: str | None) -> Hit | None:
        if not self.hits:
            return None
        return replace(self.hits.pop(), stage="withdrawn")

    def missed_hit(self, drum: str | None) -> Hit | None:
        return self._hit(drum, self.next_sample, 0.5) if drum is not None else None

    def audit_job(self) -> Job | None:
        return None

    def take_audit(self, trials: Sequence[Trial]) -> dict[str, Audit]:
        return figures(trials)

    def learned(self) -> Learned:
        return Learned(
            tuple(mic.name for mic in self.kit.mics),
            np.zeros((len(self.kit.mics), BANDS), dtype=np.float32),
        )

    def set_aim(self, aim: str) -> None:
        self.options["aim"] = aim

    def silence_alert(self, key: str, drum: str | None, mic: str | None) -> bool:
        self.silenced.append((key, drum, mic))
        return True

    def _figures(self) -> Figures:
        counts = {drum.name: 0 for drum in self.kit.drums if drum.judged}
        for hit in self.hits:
            counts[hit.drum] = counts.get(hit.drum, 0) + 1
        drums = {name: DrumFigures(name, hits=n, main_hits=n) for name, n in counts.items()}
        return Figures(0.0, self.next_sample / self.rate, drums, {}, {}, (), {}, {})

    def snapshot(self) -> Snapshot:
        return Snapshot(
            time_s=self.next_sample / self.rate,
            sample_rate_hz=self.rate,
            kit=self.kit,
            mics=(),
            figures=self._figures(),
            recent={},
            expander={},
            expander_reason={},
            alerts=tuple(self.alerts),
            take=self.takes[-1] if self.takes else None,
        )

    def session(self, *, hits: bool = True) -> SessionRecord:
        return SessionRecord(
            kit=self.kit,
            sample_rate_hz=self.rate,
            duration_s=self.next_sample / self.rate,
            hits=tuple(self.hits),
            figures=self._figures(),
            takes=tuple(TakeRecord(take, self._figures()) for take in self.takes),
            alerts=(),
            expander={},
            expander_reason={},
            learned=self.options.get("learned_name"),
        )
