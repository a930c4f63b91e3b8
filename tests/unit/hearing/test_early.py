"""Early reports: the same at any block size, soon, few of them wrong; against simulated truth."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from liveassist.attribute.attributor import Attributor
from liveassist.attribute.early import VIEWS, Early, EarlyWatch, _Known
from liveassist.attribute.signature import Learned
from liveassist.attribute.verdict import Verdict
from liveassist.hearing import Hearing
from liveassist.history import History
from liveassist.model import Block, Candidate
from liveassist.rechunk import Rechunk
from liveassist.spectra import Grid
from tests.bench.recordings import Recording, from_scenario, hear, learned_from

LENGTH_S = 6.0


@functools.cache
def material() -> tuple[Recording, Learned]:
    song = from_scenario("three_mics", LENGTH_S)
    return song, learned_from(from_scenario("three_mics", 0.0, soundcheck=True))


def watch(song: Recording) -> EarlyWatch:
    own = {drum: song.own(drum) for drum in ("kick", "snare")}
    kinds = {drum.name: drum.kind for drum in song.kit.drums if drum.name in own}
    return EarlyWatch(Grid(song.rate), own, kinds, len(song.kit.mics))


def reports(
    blocks: int | list[int], until_s: float = LENGTH_S, lost_at: int = -1
) -> list[tuple[int, Early]]:
    """Each report with the sample up to which had been heard when it came; ``blocks``: length of
    all of them, or of each in turn."""
    song, learned = material()
    listening, found = watch(song), list[tuple[int, Early]]()
    end = round(until_s * song.rate)
    lengths = [blocks] * (-(-end // blocks)) if isinstance(blocks, int) else blocks
    for first, block in zip(np.cumsum([0, *lengths]).tolist(), lengths, strict=False):
        if first >= end:
            break
        audio = song.audio[first : first + block]
        if first <= lost_at < first + block:
            listening.reset(first + block)
            continue
        for early in listening.feed(first, audio, learned.signatures, learned.noise):
            found.append((first + len(audio), early))
    return found


@pytest.mark.parametrize("block", [7, 63, 512, 4096])
def test_any_block_size_reports_the_same(block: int) -> None:
    expected = [early for _, early in reports(128, 2.0)]
    got = [early for _, early in reports(block, 2.0)]
    # The last may need the end of a block that was cut.
    assert len(expected) >= 3
    shared = min(len(expected), len(got))
    assert abs(len(expected) - len(got)) <= 1
    for one, other in zip(got[:shared], expected[:shared], strict=True):
        assert (one.drum, one.sample) == (other.drum, other.sample)
        assert one.share == pytest.approx(other.share, abs=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_taking_blocks_in_together_delays_no_report(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Short blocks of any length, so that strokes begin everywhere in what waits, and it ends soon
    # after any of them can be told.
    lengths = np.random.default_rng(seed).integers(4, 24, 30_000).tolist()
    together = reports(lengths)
    assert len(together) >= 10
    monkeypatch.setattr(EarlyWatch, "look_ahead", 0)
    apart = reports(lengths)
    assert [(at, early.drum, early.sample) for at, early in together] == [
        (at, early.drum, early.sample) for at, early in apart
    ]


def test_what_is_known_of_drums_follows_what_is_learned() -> None:
    _, learned = material()
    grid, known = Grid(44_100), _Known()
    heard = np.random.default_rng(2).random((2, *learned.noise.shape)).astype(np.float32)
    every = learned.signatures
    fewer = {name: one for name, one in every.items() if name != "kick"}
    again = {name: replace(one, exemplars=0.5 * one.exemplars) for name, one in every.items()}
    for signatures in (every, fewer, every, again, {}, every):
        for view, starts in enumerate(VIEWS):
            names, rows = known.matrix(heard, signatures, view, starts * grid.fine, grid.fine)
            fresh = _Known().matrix(heard, signatures, view, starts * grid.fine, grid.fine)
            assert names.tolist() == fresh[0].tolist()
            np.testing.assert_array_equal(rows, fresh[1])
        heard = heard + np.float32(1.0)


def test_soon_and_mostly_right() -> None:
    song, _ = material()
    found = reports(128)
    truth = [(hit.drum, hit.time_s) for hit in song.truth if hit.drum in ("kick", "snare")]
    late_ms, right = [], 0
    for heard, early in found:
        near = [
            time_s
            for drum, time_s in truth
            if drum == early.drum and abs(time_s - early.sample / song.rate) < 0.02
        ]
        if near:
            right += 1
            late_ms.append(1000.0 * (heard / song.rate - near[0]))
    assert right >= 0.95 * len(found)
    assert right >= 0.95 * len(truth)
    assert np.median(late_ms) < 12.0
    assert np.percentile(late_ms, 95) < 20.0


def test_a_gap_reports_nothing_by_itself() -> None:
    song, _ = material()
    gap = round(0.05 * song.rate)
    with_gap = {early.sample for _, early in reports(512, 2.0, lost_at=gap)}
    without = {early.sample for _, early in reports(512, 2.0)}
    assert with_gap <= without


def test_hearing_goes_on_after_a_fault_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    song, learned = material()
    whole = hear(song, learned)
    hearing = Hearing(song.kit, song.rate, learned)
    chunks = Rechunk(hearing.chunk, song.audio.shape[1], song.rate)
    judge, calls = Attributor._judge, [0]

    def failing(self: Attributor, history: History, group: list[Candidate]) -> list[Verdict]:
        calls[0] += 1
        if calls[0] == 40:
            raise IndexError("on purpose")
        return judge(self, history, group)

    monkeypatch.setattr(Attributor, "_judge", failing)
    found, fault_s = [], -1.0
    for at in range(0, len(song.audio), 512):
        for chunk in chunks.feed(Block(at, song.audio[at : at + 512])):
            try:
                found += hearing.feed(chunk)
            except IndexError:
                fault_s = at / song.rate
                hearing.recover()
    assert fault_s > 0.0
    apart = [hit for hit in whole if not fault_s - 0.3 < hit.time_s < fault_s + 0.2]
    got = {(hit.drum, hit.sample) for hit in found}
    late = song.audio.shape[0] / song.rate - 0.3
    assert {(h.drum, h.sample) for h in apart if h.time_s < late} <= got
