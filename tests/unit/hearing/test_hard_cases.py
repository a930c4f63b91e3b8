"""Cases that plain onset detection gets wrong, each composed from simulated single hits.

Truth is by construction; window 10 ms (mir_eval's convention, narrowed from its 50 ms because
that cannot judge strokes 70 ms apart). The comments say what fails without the code under test.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample_poly

from liveassist.hearing import Hearing
from liveassist.model import Block
from liveassist.rechunk import Rechunk
from tests.unit.hearing.remix import Stroke, alone_dbfs, bank, compose, hear, matched

EIGHT, THREE = "rock_ghosts", "three_mics"


def alternating(step_s: float, count: int = 24) -> list[Stroke]:
    return [
        Stroke(1.0 + number * step_s, "kick" if number % 2 == 0 else "snare")
        for number in range(count)
    ]


@pytest.mark.parametrize("scenario", [EIGHT, THREE])
def test_alternating_kick_and_snare_seventy_milliseconds_apart(scenario: str) -> None:
    # Sixteenths at 214 bpm: each stroke begins in the ring of the other drum's.
    source = bank(scenario)
    strokes = alternating(0.070)
    hits = hear(source, compose(source, strokes, 4.0))
    for drum in ("kick", "snare"):
        assert matched(hits, strokes, drum) == (12, 12, 12)


@pytest.mark.parametrize("scenario", [EIGHT, THREE])
def test_kick_and_snare_at_the_same_instant_keep_their_own_levels(scenario: str) -> None:
    # Without the mask of the explanation the snare would carry the kick's level in its microphone.
    source = bank(scenario)
    strokes = [
        Stroke(1.0 + 0.5 * number, drum, gain)
        for number in range(8)
        for drum, gain in (("kick", 0.0), ("snare", -6.0))
    ]
    hits = hear(source, compose(source, strokes, 6.0))
    for drum, gain in (("kick", 0.0), ("snare", -6.0)):
        assert matched(hits, strokes, drum)[:2] == (8, 8)
        own = source.kit.drum(drum).own
        assert own is not None
        expected = alone_dbfs(source, Stroke(0.0, drum, gain), own)
        levels = [hit.peak_dbfs for hit in hits if hit.drum == drum and hit.peak_dbfs is not None]
        assert np.median(levels) == pytest.approx(expected, abs=1.5)


def test_double_kick_stays_kicks() -> None:
    source = bank(THREE)
    strokes = [Stroke(1.0 + 0.075 * number, "kick", -2.0 * (number % 2)) for number in range(32)]
    hits = hear(source, compose(source, strokes, 5.0))
    assert matched(hits, strokes, "kick") == (32, 32, 32)
    assert matched(hits, strokes, "snare")[2] == 0


@pytest.mark.parametrize("gap_s", [0.060, 0.075, 0.090])
def test_ghost_soon_after_a_full_hit(gap_s: float) -> None:
    # The ghost rises out of the ring of the full hit: no fixed refractory time would do.
    source = bank(EIGHT)
    strokes = []
    for number in range(6):
        strokes += [
            Stroke(1.0 + 0.6 * number, "snare"),
            Stroke(1.0 + 0.6 * number + gap_s, "snare", -12.0),
        ]
    hits = hear(source, compose(source, strokes, 5.5))
    found, wanted, reported = matched(hits, strokes, "snare")
    assert found >= wanted - 1
    assert reported <= wanted


def test_ghosts_under_a_hat_as_loud_as_they_are() -> None:
    # A level threshold on the snare microphone hears the hat and the ghosts alike.
    source = bank("hard_bleed")
    mic = source.kit.mic_index("snare_top")
    hat = float(np.abs(source.hits["hihat"][-2][:, mic]).max())
    snare = float(np.abs(source.hits["snare"][-2][:, mic]).max())
    as_loud = 20.0 * float(np.log10(hat / snare))
    strokes = [Stroke(1.0 + 0.25 * number, "hihat") for number in range(24)]
    strokes += [Stroke(1.13 + 0.5 * number, "snare", as_loud) for number in range(12)]
    hits = hear(source, compose(source, strokes, 8.0))
    found, wanted, reported = matched(hits, strokes, "snare")
    assert found >= 11
    assert reported <= wanted + 1


def test_hats_and_cymbals_alone_are_no_snare_hits() -> None:
    source = bank("hard_bleed")
    strokes = [Stroke(1.0 + 0.2 * number, "hihat") for number in range(20)]
    strokes += [Stroke(1.1 + 1.0 * number, "cymbal") for number in range(4)]
    hits = hear(source, compose(source, strokes, 6.0))
    assert matched(hits, strokes, "snare")[2] == 0
    assert matched(hits, strokes, "kick")[2] == 0


@pytest.mark.parametrize("gain_db", [-20.0, 20.0])
def test_one_microphone_twenty_decibels_off(gain_db: float) -> None:
    # The soundcheck taught other level relations: the shape over bands must carry it.
    source = bank(EIGHT)
    audio = compose(source, alternating(0.15), 5.5)
    scale = np.full(audio.shape[1], 0.3, dtype=np.float32)
    scale[source.kit.mic_index("snare_top")] *= 10.0 ** (gain_db / 20.0)
    hits = hear(source, audio * scale)
    found, wanted, reported = matched(hits, alternating(0.15), "snare")
    assert found >= wanted - 1
    assert reported <= wanted + 1


def test_bottom_microphone_in_either_polarity_gives_the_same_hits() -> None:
    source = bank(EIGHT)
    audio = compose(source, alternating(0.12), 5.0)
    flipped = audio.copy()
    flipped[:, source.kit.mic_index("snare_bottom")] *= -1.0
    assert [h.sample for h in hear(source, audio)] == [h.sample for h in hear(source, flipped)]


def test_hum_in_the_snare_microphone_changes_nothing() -> None:
    source = bank(EIGHT)
    strokes = alternating(0.2)
    audio = compose(source, strokes, 6.5)
    time = np.arange(len(audio)) / source.rate
    hum = sum(0.01 / n * np.sin(2 * np.pi * 50.0 * n * time) for n in (1, 2, 3, 5))
    audio[:, source.kit.mic_index("snare_top")] += np.asarray(hum, dtype=np.float32)
    hits = hear(source, audio)
    assert matched(hits, strokes, "snare") == (12, 12, 12)
    assert matched(hits, strokes, "kick") == (12, 12, 12)


def test_a_microphone_that_clips_still_counts_and_says_so() -> None:
    # The soundcheck just fitted; now every snare hit goes several dB over full scale.
    source = bank(EIGHT, -1.0)
    strokes = alternating(0.2)
    audio = compose(source, strokes, 6.5)
    mic = source.kit.mic_index("snare_top")
    gain = 1.8 / float(np.abs(source.hits["snare"][-2][:, mic]).max())
    audio[:, mic] = np.clip(audio[:, mic] * gain, -1.0, 1.0)
    hits = hear(source, audio)
    assert matched(hits, strokes, "snare") == (12, 12, 12)
    assert all("clipped" in hit.flags for hit in hits if hit.drum == "snare")


def test_talking_and_bangs_that_no_drum_made_are_not_hits() -> None:
    # Band-limited noise bursts of speech-like length reach every microphone alike.
    source = bank(EIGHT)
    rng = np.random.default_rng(3)
    audio = compose(source, [], 8.0)
    for number in range(12):
        start = round((0.8 + 0.55 * number) * source.rate)
        length = round(0.18 * source.rate)
        burst = np.cumsum(rng.normal(size=length))
        burst = np.diff(burst, prepend=0.0) * np.hanning(length)
        tone = np.sin(2 * np.pi * (140 + 30 * number) * np.arange(length) / source.rate)
        voice = 0.01 * (burst * 0.3 + tone * np.hanning(length))
        audio[start : start + length] += voice[:, None].astype(np.float32)
    hits = hear(source, audio)
    assert matched(hits, [], "snare")[2] + matched(hits, [], "kick")[2] <= 1


def test_other_sample_rates_hear_the_same_strokes() -> None:
    source = bank(EIGHT)
    strokes = alternating(0.15)
    audio = compose(source, strokes, 5.0)
    for up, down in ((2, 1), (147, 160)):
        rate = source.rate * up // down
        other = resample_poly(audio, up, down, axis=0).astype(np.float32)
        hits = hear(source, other, rate=rate)
        for drum in ("kick", "snare"):
            found, wanted, reported = matched(hits, strokes, drum)
            assert found >= wanted - 1
            assert reported <= wanted + 1


@pytest.mark.parametrize("block", [63, 512, 4096])
def test_any_block_size_gives_the_same_hits_to_the_bit(block: int) -> None:
    source = bank(THREE)
    audio = compose(source, alternating(0.11, 12), 3.0)
    assert hear(source, audio, block=block) == hear(source, audio, block=len(audio))


def test_single_sample_blocks_give_the_same_hits_to_the_bit() -> None:
    source = bank(THREE)
    audio = compose(source, [Stroke(0.3, "snare"), Stroke(0.45, "kick")], 0.8)
    assert hear(source, audio, block=1) == hear(source, audio, block=len(audio))


def test_without_a_soundcheck_any_block_size_gives_the_same_hits() -> None:
    source = bank(THREE)
    audio = compose(source, alternating(0.23, 24), 7.0)
    assert hear(source, audio, learned=False, block=777) == hear(source, audio, learned=False)


def test_a_gap_invents_no_hit() -> None:
    source = bank(EIGHT)
    strokes = alternating(0.25, 20)
    audio = compose(source, strokes, 6.5)
    hearing = Hearing(source.kit, source.rate, source.learned)
    rechunk = Rechunk(hearing.chunk, audio.shape[1], source.rate)
    cut, lost = round(2.6 * source.rate), round(0.137 * source.rate)
    blocks = [
        Block(0, audio[:cut]),
        Block(cut + lost, audio[cut + lost :], lost_samples=lost),
    ]
    hits = [hit for block in blocks for c in rechunk.feed(block) for hit in hearing.feed(c)]
    hits += [hit for c in rechunk.pad(source.rate) for hit in hearing.feed(c)]
    for hit in hits:
        if hit.drum in ("kick", "snare"):
            assert min(abs(hit.time_s - stroke.time_s) for stroke in strokes) < 0.010
    kept = [s for s in strokes if not 2.55 < s.time_s < 2.8]
    for drum in ("kick", "snare"):
        assert matched(hits, kept, drum)[0] >= len([s for s in kept if s.drum == drum]) - 1


def test_without_a_soundcheck_it_learns_within_seconds() -> None:
    # The kick is nearly as loud as the snare in the snare microphone of this kit.
    source = bank(THREE)
    strokes = []
    for bar in range(8):
        start = 1.0 + 2.0 * bar
        strokes += [Stroke(start + 0.5 * n, "kick" if n % 2 == 0 else "snare") for n in range(4)]
        strokes += [Stroke(start + 0.25 * n + 0.004, "hihat") for n in range(8)]
    hits = hear(source, compose(source, strokes, 18.0), learned=False)
    for drum in ("kick", "snare"):
        late = [s for s in strokes if s.drum == drum and s.time_s > 5.0]
        found, wanted, reported = matched([h for h in hits if h.time_s > 4.9], late, drum)
        assert found >= wanted - 1
        assert reported <= wanted + 1
