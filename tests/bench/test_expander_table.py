"""Predicted beside actual on recorded drums: fitted on one half of a session, judged on the other.

The judge is the ``gate`` of `independent_expander`, one sample at a time, with the true hits; the
fit sees hits with a detector's errors (2 % missed, 1 % invented, onsets 0.3 ms off). Run with
``-s`` to see the table; the rows *open* and *shut* are what an expander that never or always acts
gets.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from liveassist.advise.history import LevelHistory
from liveassist.advise.scene import drums_of
from liveassist.advise.suggest import not_for_expander, suggest
from liveassist.measure.levelframes import LevelMeter
from liveassist.model import Block, Hit, Suggestion
from tests.bench import independent_expander as other
from tests.bench import realkit_truth as truth

pytestmark = [
    pytest.mark.realkit,
    pytest.mark.skipif(truth.folder() is None, reason=truth.MISSING),
]

OPEN = Suggestion(-99.0, 3.0, 12.0, 3.5, 3.0, 0.5, 20.0, 60.0, 0.0, None, None, None)
SHUT = replace(OPEN, threshold_dbfs=20.0)
Row = tuple[str, str, str, Suggestion | None, str | None, dict[str, float]]


def _part(session: truth.Session, hits: tuple[Hit, ...], start: int, stop: int) -> list[Hit]:
    return [replace(h, sample=h.sample - start) for h in hits if start <= h.sample < stop - 3000]


def _history(session: truth.Session, start: int, stop: int) -> LevelHistory:
    meter = LevelMeter(session.kit, session.sample_rate_hz)
    levels = LevelHistory(session.kit, session.sample_rate_hz)
    for at in range(start, stop, 16384):
        frames = meter.feed(Block(at - start, session.audio[at : min(at + 16384, stop)]))
        if frames is not None:
            levels.add(frames)
    last = meter.flush()
    if last is not None:
        levels.add(last)
    return levels


def _judge(
    session: truth.Session, mic: str, s: Suggestion, start: int, stop: int
) -> dict[str, float]:
    fs = session.sample_rate_hz
    audio = session.audio[start:stop, session.kit.mic_index(mic)].astype(float)
    names = {drum.name for drum in drums_of(session.kit, mic)}
    inside = _part(session, session.hits, start, stop)
    roles = dict(zip((h.number for h in session.hits), session.truth_role, strict=True))
    main = [h.sample for h in inside if h.drum in names and roles[h.number] == "main"]
    own = [h.sample for h in inside if h.drum in names]
    foreign = [h.sample for h in inside if h.drum not in names]
    gain = other.gain_db(audio, s, fs, "gate")
    arrays = (np.sort(np.array(x, dtype=float)) for x in (main, own, foreign))
    return other.judge(audio, gain, fs, s.range_db, *arrays)


def _good(got: dict[str, float]) -> bool:
    return got["passed"] >= 0.97 and got["cut"] >= 9.0 and got["openings"] <= 6.0


def _line(row: Row) -> str:
    name, mic, half, s, reason, got = row
    if s is None or s.predicted is None:
        figures = "" if not got else f"{got['passed']:.2f} {got['cut']:.1f} {got['openings']:.1f}"
        return f"{name:12} {mic:13} {half:7} {figures} {reason or ''}"
    p = s.predicted

    def pair(value: float | None, ci: tuple[float, float] | None, actual: float) -> str:
        low, high = ci or (math.nan, math.nan)
        mark = " " if low <= actual <= high else "!"
        return f"{value:6.2f} [{low:5.2f}, {high:5.2f}] {actual:6.2f}{mark}"

    return (
        f"{name:12} {mic:13} {half:7} {s.threshold_dbfs:6.1f} {s.ratio:4.1f} "
        f"{s.key_highpass_hz or 0:5.0f}-{s.key_lowpass_hz or 0:<5.0f} "
        f"{pair(p.main_passed, p.main_passed_ci, got['passed'])} | "
        f"{pair(p.bleed_cut_db, p.bleed_cut_ci, got['cut'])} | "
        f"{pair(p.bleed_openings_per_min, p.openings_ci, got['openings'])}"
    )


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    out: list[Row] = []
    for name in truth.SESSIONS:
        session = truth.load(name)
        hits = truth.perturb(session.hits, seed=3)
        middle, end = len(session.audio) // 2, len(session.audio)
        mics = [m.name for m in session.kit.mics if not m.name.startswith("tom_")]
        for mic in (m for m in mics if not_for_expander(session.kit, m) is None):
            for half, fitted, judged in (
                ("2nd", (0, middle), (middle, end)),
                ("1st", (middle, end), (0, middle)),
            ):
                part = _part(session, hits, *fitted)
                s, reason = suggest(session.kit, mic, part, _history(session, *fitted))
                got = {} if s is None else _judge(session, mic, s, *judged)
                out.append((name, mic, half, s, reason, got))
        for label, extreme in (("open", OPEN), ("shut", SHUT)):
            got = _judge(session, "snare_top", extreme, middle, end)
            out.append((name, "snare_top", label, None, None, got))
    print(
        "\nsession      microphone    judged  thresh ratio key Hz      "
        "main passed, actual | bleed cut dB, actual | openings a minute, actual"
    )
    print("\n".join(_line(row) for row in out))
    return out


def test_promises_hold_on_the_other_half(rows: list[Row]) -> None:
    judged = [row for row in rows if row[2] in ("1st", "2nd")]
    # In a_fewmics the kick is as loud as the snare in the snare microphone, and the halves are two
    # kinds of music; it is reported, not required.
    plain = [row for row in judged if (row[0], row[1]) != ("a_fewmics", "snare_top")]
    failed = [row[:3] for row in plain if row[3] is None or not _good(row[5])]
    assert failed == []


def test_intervals_contain_what_happened(rows: list[Row]) -> None:
    inside, widths = [], []
    for _, _, _, s, _, got in rows:
        if s is None or s.predicted is None:
            continue
        p = s.predicted
        for ci, actual in (
            (p.main_passed_ci, got["passed"]),
            (p.bleed_cut_ci, got["cut"]),
            (p.openings_ci, got["openings"]),
        ):
            assert ci is not None
            inside.append(ci[0] - 1e-9 <= actual <= ci[1] + 1e-9)
        assert p.bleed_cut_ci is not None
        widths.append(p.bleed_cut_ci[1] - p.bleed_cut_ci[0])
    assert np.mean(inside) >= 0.9
    assert np.median(widths) <= 2.0


def test_doing_nothing_or_everything_scores_badly(rows: list[Row]) -> None:
    for _, _, label, _, _, got in rows:
        if label in ("open", "shut"):
            assert not _good(got)
