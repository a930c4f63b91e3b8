"""Recordings: all forms of input give the same samples; every fault is one clear sentence."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from liveassist.errors import InputError
from liveassist.input.files import Recording, open_recording
from liveassist.model import Audio, Drum, Kit, Mic

KIT = Kit(
    "two",
    (Drum("kick", "kick", "kick"), Drum("snare", "snare", "snare_top")),
    (Mic("kick", 3), Mic("snare_top", 1)),
)
RATE = 48_000


def noise(frames: int = 10_000, channels: int = 3) -> Audio:
    rng = np.random.default_rng(1)
    return (0.1 * rng.standard_normal((frames, channels))).astype(np.float32)


def read(given: list[str], frames: int = 4096) -> Audio:
    with open_recording(given, KIT) as recording:
        blocks = list(recording.blocks(frames))
    assert [block.first_sample for block in blocks] == list(
        np.cumsum([0, *(len(block.audio) for block in blocks[:-1])])
    )
    return np.concatenate([block.audio for block in blocks])


@pytest.mark.parametrize(
    ("suffix", "subtype", "step"),
    [
        ("wav", "PCM_16", 2**-15),
        ("wav", "PCM_24", 2**-23),
        ("wav", "PCM_32", 2**-24),
        ("wav", "FLOAT", 0.0),
        ("flac", "PCM_16", 2**-15),
        ("flac", "PCM_24", 2**-23),
        ("aiff", "PCM_24", 2**-23),
    ],
)
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_formats_depths_and_rates(
    tmp_path: Path, suffix: str, subtype: str, step: float, rate: int
) -> None:
    audio = noise()
    path = tmp_path / f"x.{suffix}"
    soundfile.write(path, audio, rate, subtype=subtype)
    with open_recording([str(path)], KIT) as recording:
        assert recording.sample_rate_hz == rate
        got = recording.read_all()
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, audio[:, [2, 0]], rtol=0, atol=step)


def test_samples_agree_with_an_independent_reader(tmp_path: Path) -> None:
    """scipy.io.wavfile knows nothing of libsndfile; 16-bit full scale is 32768."""
    path = tmp_path / "x.wav"
    wavfile.write(path, RATE, np.round(noise() * 32768).astype(np.int16))
    _, plain = wavfile.read(path)
    np.testing.assert_array_equal(read([str(path)]), plain[:, [2, 0]].astype(np.float32) / 32768)


@pytest.mark.parametrize("frames", [1, 63, 512, 100_000])
def test_any_block_size_gives_the_same(tmp_path: Path, frames: int) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, noise(700), RATE, subtype="FLOAT")
    np.testing.assert_array_equal(read([str(path)], frames), noise(700)[:, [2, 0]])


def test_all_forms_agree(tmp_path: Path) -> None:
    # On the 16-bit grid, so that every writer stores exactly the same numbers.
    audio = np.round(noise() * 2**15) / np.float32(2**15)
    whole = tmp_path / "whole.wav"
    soundfile.write(whole, audio, RATE, subtype="PCM_24")
    stems = tmp_path / "stems"
    stems.mkdir()
    soundfile.write(stems / "Kick.WAV", audio[:, 2], RATE, subtype="PCM_24", format="WAV")
    soundfile.write(stems / "snare_top.flac", audio[:, 0], RATE, subtype="PCM_24")
    soundfile.write(stems / "room.wav", audio[:, 1], RATE, subtype="PCM_24")
    expected = read([str(whole)])
    kick, snare = str(stems / "Kick.WAV"), str(stems / "snare_top.flac")
    for given in (
        [str(stems)],
        [f"kick={kick}", f"snare_top={snare}"],
        [f"snare_top={snare}", f"kick={kick}"],
        [kick, snare],
    ):
        np.testing.assert_array_equal(read(given), expected)


def test_a_file_with_an_equals_sign_in_its_name(tmp_path: Path) -> None:
    path = tmp_path / "kick=x.wav"
    soundfile.write(path, noise(), RATE)
    assert len(read([str(path)])) == 10_000


def fault(given: list[str]) -> str:
    with pytest.raises(InputError) as caught:
        read(given)
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_missing_file_names_its_neighbour(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take_1.wav", noise(), RATE)
    assert 'did you mean "take_1.wav"?' in fault([str(tmp_path / "take1.wav")])


def test_too_few_channels(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, noise(channels=2), RATE)
    text = fault([str(path)])
    assert "has 2 channels" in text
    assert "kick (channel 3)" in text


def test_folder_without_a_microphone(tmp_path: Path) -> None:
    assert "no WAV, FLAC or AIFF" in fault([str(tmp_path)])
    soundfile.write(tmp_path / "kik.wav", noise(channels=1), RATE)
    text = fault([str(tmp_path)])
    assert "no file for kick, snare_top" in text
    assert 'did you mean "kik"?' in text


def test_two_files_for_one_microphone(tmp_path: Path) -> None:
    for name in ("kick.wav", "kick.flac", "snare_top.wav"):
        soundfile.write(tmp_path / name, noise(channels=1), RATE)
    assert "both kick.flac and kick.wav" in fault([str(tmp_path)])
    kick = f"kick={tmp_path / 'kick.wav'}"
    assert "second file" in fault([kick, kick])


def test_unknown_microphone(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(channels=1), RATE)
    assert 'did you mean "snare_top"?' in fault([f"snare_tip={path}", f"kick={path}"])


@pytest.mark.parametrize(
    ("frames", "rate", "channels", "words"),
    [
        (9_999, RATE, 1, ["differ in length", "10000 samples", "9999 samples"]),
        (10_000, 44_100, 1, ["differ in sample rate", "48000 Hz", "44100 Hz"]),
        (10_000, RATE, 2, ["must be mono"]),
    ],
)
def test_files_that_do_not_fit_together(
    tmp_path: Path, frames: int, rate: int, channels: int, words: list[str]
) -> None:
    soundfile.write(tmp_path / "kick.wav", noise(10_000, 1), RATE)
    soundfile.write(tmp_path / "snare_top.wav", noise(frames, channels), rate)
    text = fault([str(tmp_path)])
    for word in words:
        assert word in text


@pytest.mark.parametrize("rate", [22_050, 384_000])
def test_rates_outside(tmp_path: Path, rate: int) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, noise(), rate)
    assert f"the sample rate is {rate} Hz" in fault([str(path)])


def test_no_audio_in_the_file(tmp_path: Path) -> None:
    empty = tmp_path / "empty.wav"
    empty.touch()
    assert "is empty (0 bytes)" in fault([str(empty)])
    header = tmp_path / "header.wav"
    soundfile.write(header, noise(0), RATE)
    assert "holds no audio" in fault([str(header)])
    text = tmp_path / "text.wav"
    text.write_text("this is not audio\n" * 50)
    assert "not a readable WAV" in fault([str(text)])


@pytest.mark.parametrize(
    ("suffix", "subtype"),
    [("wav", "PCM_16"), ("wav", "FLOAT"), ("aiff", "PCM_24"), ("flac", "PCM_16")],
)
def test_truncated_file_gives_what_there_is_then_says_so(
    tmp_path: Path, suffix: str, subtype: str
) -> None:
    path = tmp_path / f"x.{suffix}"
    audio = noise(48_000)
    soundfile.write(path, audio, RATE, subtype=subtype)
    os.truncate(path, path.stat().st_size * 6 // 10)
    heard: list[Audio] = []
    with open_recording([str(path)], KIT) as recording:
        assert recording.frames == 48_000
        with pytest.raises(InputError, match=r"although its header says 1\.000 s"):
            _collect(recording, heard)
    got = np.concatenate(heard)
    assert 20_000 < len(got) < 30_000
    np.testing.assert_allclose(got, audio[: len(got), [2, 0]], atol=2**-15)


def _collect(recording: Recording, heard: list[Audio]) -> None:
    for block in recording.blocks(4096):
        heard.append(block.audio)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number(tmp_path: Path, bad: float) -> None:
    audio = noise()
    audio[6_000, 0] = bad
    path = tmp_path / "x.wav"
    soundfile.write(path, audio, RATE, subtype="FLOAT")
    text = fault([str(path)])
    assert "snare_top holds a sample that is not a finite number at 0.125 s" in text


def test_a_bad_channel_that_is_not_used_does_not_matter(tmp_path: Path) -> None:
    audio = noise()
    audio[6_000, 1] = np.nan
    path = tmp_path / "x.wav"
    soundfile.write(path, audio, RATE, subtype="FLOAT")
    assert np.isfinite(read([str(path)])).all()


@pytest.fixture
def powerless() -> Iterator[None]:
    """Where the tests run as root, whom no permission stops, go on as nobody for a while."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65_534)
    yield
    if root:
        os.seteuid(0)


@pytest.mark.parametrize("what", ["file", "folder"])
def test_unreadable(tmp_path: Path, what: str, request: pytest.FixtureRequest) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, noise(), RATE)
    (path if what == "file" else tmp_path).chmod(0)
    request.getfixturevalue("powerless")
    assert "cannot be read: Permission denied" in fault([str(path)])


def test_a_recording_too_long_to_learn_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("liveassist.input.files.LARGEST_WHOLE_BYTES", 1000)
    path = tmp_path / "x.wav"
    soundfile.write(path, noise(), RATE)
    with open_recording([str(path)], KIT) as recording, pytest.raises(InputError, match="too long"):
        recording.read_all()


def test_whole_file_is_never_in_memory(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "x.wav"
    soundfile.write(path, noise(480_000), RATE, subtype="PCM_24")
    tracemalloc.start()
    with open_recording([str(path)], KIT) as recording:
        for _ in recording.blocks(4096):
            pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 480_000 * 3 * 4 / 4
