"""What is worked out from the recording afterwards, against drums made from closed forms."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from liveassist.app.advice import clear_after_s, work_out
from liveassist.app.cutting import cut
from liveassist.app.sessionfolder import read_session
from liveassist.errors import ConfigError, InputError
from liveassist.model import Block
from tests.unit.output import stored_samples

RATE = stored_samples.RATE
#: Second microphone on the snare: upside down, this much later, half as loud.
LATER_SAMPLES, SECOND_GAIN = 24, 0.5
SNARE_HZ, SNARE_T60_S = (190.0, 331.0), (0.45, 0.30)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented session with a recording of damped sinusoids where its hits are."""
    folder = stored_samples.write_session(tmp_path_factory.mktemp("advice") / "evening")
    rng = np.random.default_rng(4)
    audio = 1e-4 * rng.standard_normal((95 * RATE, 4))
    time = np.arange(round(0.5 * RATE)) / RATE
    for hit in stored_samples.hits():
        assert hit.peak_dbfs is not None
        level = 10.0 ** (hit.peak_dbfs / 20.0)
        pairs = zip(SNARE_HZ, SNARE_T60_S, (1.0, 0.5), strict=True)
        if hit.drum == "kick":
            pairs = zip((55.0,), (0.5,), (1.0,), strict=True)
        wave = sum(
            gain * np.sin(2 * np.pi * hz * time) * 10.0 ** (-3.0 * time / t60)
            for hz, t60, gain in pairs
        )
        wave *= level / np.abs(wave).max()
        own = {"kick": 0, "snare": 1}[hit.drum]
        audio[hit.sample : hit.sample + len(time), own] += wave
        if hit.drum == "snare":
            late = hit.sample + LATER_SAMPLES
            audio[late : late + len(time), 2] -= SECOND_GAIN * wave
    soundfile.write(folder / "take.wav", audio.astype(np.float32), RATE, "FLOAT")
    return folder


def test_modes_and_pair_are_those_that_were_built_in(folder: Path) -> None:
    session = read_session(folder)
    work_out(session, [str(folder / "take.wav")], folder)
    advice = json.loads((folder / "advice.json").read_text())
    modes = advice["landmarks"]["snare"]
    assert [mode["frequency_hz"] for mode in modes] == pytest.approx(SNARE_HZ, rel=0.003)
    assert [mode["t60_s"] for mode in modes] == pytest.approx(SNARE_T60_S, rel=0.08)
    (pair,) = advice["pairs"]
    assert (pair["first"], pair["second"]) == ("snare_top", "snare_bottom")
    assert pair["inverted"] is True
    assert pair["delay_ms"] == pytest.approx(1000.0 * LATER_SAMPLES / RATE, abs=0.02)
    # 14 dB under the first (common practice) from 6.02 dB under it.
    assert pair["blend_db"] == pytest.approx(-14.0 + 20 * np.log10(1 / SECOND_GAIN), abs=0.3)
    assert read_session(folder).advice == advice


def test_a_recording_of_something_else_is_refused(folder: Path, tmp_path: Path) -> None:
    session = read_session(folder)
    soundfile.write(tmp_path / "short.wav", np.zeros((RATE, 4)), RATE)
    with pytest.raises(InputError, match="before the last hit"):
        work_out(session, [str(tmp_path / "short.wav")], tmp_path)
    soundfile.write(tmp_path / "other.wav", np.zeros((RATE, 4)), 44_100)
    with pytest.raises(InputError, match="44100 Hz"):
        work_out(session, [str(tmp_path / "other.wav")], tmp_path)


def test_without_a_kit_it_says_what_is_missing(folder: Path, tmp_path: Path) -> None:
    bare = stored_samples.write_session(tmp_path / "bare")
    (bare / "session_kit.toml").unlink()
    with pytest.raises(ConfigError, match="--kit"):
        work_out(read_session(bare), [str(folder / "take.wav")], bare)


def test_a_ring_ends_with_the_next_hit_that_is_heard(folder: Path) -> None:
    session = read_session(folder)
    kick = next(hit for hit in session.hits if hit.drum == "kick" and hit.time_s > 4.9)
    # The snare half a second later is past the piece; the ghost note 250 ms later is soft in the
    # kick's microphone (18 dB under its own level of some -27 dBFS).
    assert clear_after_s(session, kick, "kick_in") > 0.4
    # In a microphone whose bleed is not known it counts as heard.
    assert clear_after_s(session, kick, "nowhere") == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("size", [7, 63, 512, 10_000])
def test_pieces_are_the_same_at_any_block_size(size: int) -> None:
    """Against slicing the whole, padded."""
    whole = np.arange(2 * 3000, dtype=np.float32).reshape(3000, 2)
    starts = [2900, -20, 100, 150, 150, 5000]
    blocks = (Block(at, whole[at : at + size]) for at in range(0, 3000, size))
    padded = np.pad(whole, ((200, 4000), (0, 0)))
    for start, piece in zip(starts, cut(blocks, 2, starts, 200), strict=True):
        assert np.array_equal(piece, padded[200 + start : 400 + start])


def test_what_the_session_left_there_stays(folder: Path) -> None:
    before = {"schema": 1, "microphones": {"a": 1}}
    session = dataclasses.replace(read_session(folder), advice=before)
    document = work_out(session, [str(folder / "take.wav")], folder)
    assert document["microphones"] == {"a": 1}
    assert document["landmarks"]
