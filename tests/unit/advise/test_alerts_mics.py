"""Failing microphones: silence, hum, crackle, direct current; and what must not be so called."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from liveassist.advise.alerts import Alerts
from liveassist.advise.alerts_crackle import CrackleWatch
from liveassist.advise.alerts_hum import HumWatch
from liveassist.model import Alert, Block, Figures, Hit, LevelFrames

from .alert_band import KIT, run, song

EMPTY = Figures(0.0, 1.0, {}, {}, {}, (), {}, {})
RATE = 48_000
Audio = npt.NDArray[np.float32]


def dead(alerts: Alerts) -> list[Alert]:
    return [a for a in alerts.all() if a.key == "dead_mic"]


def silenced(hit: Hit, mic: int, floor_dbfs: float) -> Hit:
    heard = tuple(floor_dbfs if i == mic else v for i, v in enumerate(hit.mic_heard_dbfs))
    return replace(hit, mic_heard_dbfs=heard)


# --- silence -------------------------------------------------------------------------------


def test_a_microphone_that_goes_silent_is_noticed_within_seconds() -> None:
    hits = [
        silenced(h, 1, -95.0) if h.time_s > 40.0 else h
        for h in song(1, 60.0)
        if not (h.drum == "snare" and h.time_s > 40.0)
    ]
    alerts, _ = run(hits, every_s=1.0)
    found = dead(alerts)
    assert [(a.mic, a.when, a.severity) for a in found] == [("snare_top", "now", "stop")]
    assert 40.0 <= found[0].start_s < 44.0
    assert "went silent" in found[0].sentence


def test_it_ends_when_the_microphone_is_back() -> None:
    hits = [silenced(h, 3, -95.0) if 40.0 < h.time_s < 50.0 else h for h in song(2, 70.0)]
    alerts, _ = run(hits, every_s=1.0)
    found = dead(alerts)
    assert [a.mic for a in found] == ["over"]
    assert found[0].end_s is not None
    assert 50.0 <= found[0].end_s < 53.0


def test_a_microphone_that_never_gave_a_signal_is_noticed() -> None:
    alerts, _ = run([silenced(h, 3, -200.0) for h in song(3, 20.0)], every_s=1.0)
    assert [(a.mic, "no signal" in a.sentence) for a in dead(alerts)] == [("over", True)]


def test_silence_between_songs_is_not_a_dead_microphone() -> None:
    first = song(4, 60.0)
    later = [replace(h, number=h.number + 50_000, time_s=h.time_s + 400.0) for h in song(5, 60.0)]
    alerts, _ = run([*first, *later], every_s=5.0)
    assert dead(alerts) == []


def test_a_part_without_the_snare_is_not_a_dead_snare_microphone() -> None:
    hits = [h for h in song(6, 120.0) if h.drum != "snare" or h.time_s < 50.0]
    alerts, _ = run(hits)
    assert dead(alerts) == []


def test_a_preamp_turned_up_on_one_drum_blames_no_other_microphone() -> None:
    hits = [
        replace(h, peak_dbfs=(h.peak_dbfs or 0.0) + 18.0)
        if h.drum == "kick" and h.time_s > 40.0
        else h
        for h in song(7, 80.0, snare_dbfs=-24.0)
    ]
    alerts, _ = run(hits)
    assert dead(alerts) == []


# --- hum -----------------------------------------------------------------------------------


def room(seed: int, seconds: float, mics: int = 2) -> Audio:
    """Pink-like room noise at about -70 dBFS."""
    rng = np.random.default_rng(seed)
    white = rng.normal(size=(round(seconds * RATE), mics))
    return (3e-4 * white).astype(np.float32)


def kicks(seconds: float, hz: float, every_s: float) -> npt.NDArray[np.float64]:
    """Kick strokes: a decaying tone at ``hz``, phases as they come, -6 dBFS."""
    out = np.zeros(round(seconds * RATE))
    tail = np.arange(round(0.4 * RATE)) / RATE
    stroke = 0.5 * np.exp(-tail / 0.08) * np.sin(2.0 * np.pi * hz * tail)
    rng = np.random.default_rng(0)
    for start in np.arange(0.2, seconds - 0.5, every_s):
        first = round((start + 0.01 * rng.normal()) * RATE)
        out[first : first + stroke.size] += stroke
    return out


def feed(watch: HumWatch, audio: Audio, size: int) -> None:
    for first in range(0, len(audio), size):
        watch.feed(Block(first, audio[first : first + size]))


@pytest.mark.parametrize(
    ("hz", "mains"), [(50.0, 50.0), (100.0, 50.0), (60.05, 60.0), (180.0, 60.0)]
)
def test_hum_is_found_with_its_level_under_drumming(hz: float, mains: float) -> None:
    audio = room(1, 12.0)
    time = np.arange(len(audio)) / RATE
    audio[:, 1] += (10.0 ** (-50.0 / 20.0) * np.sin(2.0 * np.pi * hz * time)).astype(np.float32)
    watch = HumWatch(2, RATE)
    feed(watch, audio, 4096)
    clean, humming = watch.hum(0), watch.hum(1)
    assert not clean.present
    assert humming.present
    assert humming.mains_hz == mains
    assert humming.level_dbfs == pytest.approx(-50.0, abs=1.0)


@pytest.mark.parametrize("hz", [49.0, 50.0, 55.0, 60.0])
@pytest.mark.parametrize("every_s", [0.16, 0.5])
def test_a_kick_at_the_mains_frequency_is_no_hum(hz: float, every_s: float) -> None:
    audio = room(2, 14.0)
    audio[:, 0] += kicks(14.0, hz, every_s).astype(np.float32)
    watch = HumWatch(2, RATE)
    feed(watch, audio, 4096)
    assert not watch.hum(0).present


@pytest.mark.parametrize("size", [63, 512, 600_000])
def test_hum_does_not_depend_on_the_block_size(size: int) -> None:
    audio = room(3, 11.0)
    time = np.arange(len(audio)) / RATE
    audio[:, 1] += (0.01 * np.sin(2.0 * np.pi * 50.0 * time)).astype(np.float32)
    one, two = HumWatch(2, RATE), HumWatch(2, RATE)
    feed(one, audio, 4096)
    feed(two, audio, size)
    assert one.hum(1).level_dbfs == pytest.approx(two.hum(1).level_dbfs, abs=1e-6)
    assert one.hum(1).coherence == pytest.approx(two.hum(1).coherence, abs=1e-6)


def test_hum_advice_keeps_the_protective_earth() -> None:
    alerts = Alerts(KIT, RATE)
    audio = room(4, 15.0, mics=4)
    time = np.arange(len(audio)) / RATE
    audio[:, 1] += (0.01 * np.sin(2.0 * np.pi * 50.0 * time)).astype(np.float32)
    events = []
    for second in range(15):
        alerts.hear(Block(second * RATE, audio[second * RATE : (second + 1) * RATE]))
        events += alerts.update(second + 1.0, EMPTY, (), {})
    assert [(a.key, a.mic, a.when) for a in events] == [("hum", "snare_top", "now")]
    sentence = events[0].sentence.lower()
    assert "leave every protective earth connected" in sentence
    for word in ("lift", "disconnect", "remove", "float", "cut"):
        assert word not in sentence


def test_lost_samples_start_hum_anew() -> None:
    audio = room(5, 12.0)
    time = np.arange(len(audio)) / RATE
    audio[:, 1] += (0.01 * np.sin(2.0 * np.pi * 50.0 * time)).astype(np.float32)
    watch = HumWatch(2, RATE)
    feed(watch, audio, 4096)
    assert watch.hum(1).present
    watch.feed(Block(len(audio) + 4800, audio[:4096], lost_samples=4800))
    assert not watch.hum(1).present


# --- crackle and direct current ------------------------------------------------------------

HOP = 32


def quiet_frames(seconds: float, mics: int = 4) -> npt.NDArray[np.float64]:
    """Hop peaks at about -60 dBFS, shape (hops, mics)."""
    rng = np.random.default_rng(7)
    return 1e-3 * (1.0 + 0.2 * rng.random((round(seconds * RATE / HOP), mics)))


def frames(peak: npt.NDArray[np.float64], first_hop: int, mean: float = 0.0) -> LevelFrames:
    """Frames of these hop peaks; the second microphone has this mean."""
    means = tuple(mean if i == 1 else 0.0 for i in range(peak.shape[1]))
    return LevelFrames(first_hop * HOP, HOP, peak.astype(np.float32), {}, (), (), means)


@pytest.mark.parametrize("hops", [1, 63, 512, 12_000])
def test_clicks_in_one_microphone_are_crackle(hops: int) -> None:
    peak = quiet_frames(8.0)
    for at in range(1000, 11_000, 1500):
        peak[at, 2] = 0.1
    watch = CrackleWatch(4, RATE)
    for first in range(0, len(peak), hops):
        watch.feed(frames(peak[first : first + hops], first))
    assert [watch.count(mic, 9.0) for mic in range(4)] == [0, 0, 7, 0]


def test_strokes_are_no_crackle() -> None:
    """Ringing in their own microphone, or heard by others, or told as a hit."""
    ringing, heard, told = quiet_frames(8.0), quiet_frames(8.0), quiet_frames(8.0)
    decay = 0.3 * np.exp(-np.arange(400) / 60.0)
    watch = CrackleWatch(4, RATE)
    for at in range(1000, 11_000, 1500):
        ringing[at : at + 400, 2] += decay
        heard[at, 2] = 0.1
        heard[at + 2, 3] = 0.003
        told[at, 2] = 0.1
        watch.hit(at * HOP / RATE + 0.002)
    watch.feed(frames(told, 0))
    assert watch.count(2, 9.0) == 0
    for peak in (ringing, heard):
        other = CrackleWatch(4, RATE)
        other.feed(frames(peak, 0))
        assert other.count(2, 9.0) == 0


def test_crackle_and_offset_become_alerts_and_end() -> None:
    alerts = Alerts(KIT, RATE)
    events = []
    hops = RATE // HOP
    for second in range(60):
        peak = quiet_frames(1.0)
        bad = second < 20
        if bad:
            peak[700, 2] = 0.1
        alerts.levels(frames(peak, second * hops, mean=0.03 if bad else 0.0))
        events += alerts.update(second + 1.0, EMPTY, (), {})
    began = {(a.key, a.mic) for a in events if a.end_s is None}
    ended = {(a.key, a.mic) for a in events if a.end_s is not None}
    assert began == ended == {("crackle", "hats_mic"), ("dc_offset", "snare_top")}
