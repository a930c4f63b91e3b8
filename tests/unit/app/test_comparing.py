"""The compare command on recordings made here, with an analysis that knows where the hits are."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from liveassist.app.commands_after import MATCHES
from liveassist.app.compare_rows import about_main
from liveassist.app.comparing import (
    MATCHES as KNOWN_MATCHES,
)
from liveassist.app.comparing import (
    CompareRequest,
    Stretch,
    compare,
    parse_stretches,
)
from liveassist.errors import ConfigError, InputError
from liveassist.model import Hit, Take, TakeRecord
from liveassist.rolling.figures import figures
from liveassist.rolling.takeedits import Edited, TakeEdit
from tests.unit.app.fakes import FakePipeline

RATE = 48_000
KIT = """
[kit]
name = "pair"
[[drum]]
name = "snare"
kind = "snare"
own = "top"
[[drum]]
name = "kick"
kind = "kick"
own = "kick_in"
[[mic]]
name = "top"
channel = 1
[[mic]]
name = "side"
channel = 2
[[mic]]
name = "kick_in"
channel = 3
"""
GAP_S, HITS = 0.6, 24


def strokes(cents: float, ring_s: float, box: float, seed: int) -> np.ndarray[Any, Any]:
    """Snare hits of uneven level, a kick between; the side microphone hears more of the box."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(0.55 * RATE)) / RATE
    audio = 2e-5 * rng.standard_normal((round((HITS * GAP_S + 1.0) * RATE), 3))
    for number in range(HITS):
        level = 10.0 ** (rng.normal(-8.0, 1.5) / 20.0)
        note = 190.0 * 2.0 ** ((cents + rng.normal(0.0, 2.0)) / 1200.0)
        body = np.sin(2 * np.pi * note * time) * 10.0 ** (-3.0 * time / ring_s)
        middle = np.sin(2 * np.pi * 520.0 * time) * 10.0 ** (-3.0 * time / 0.15)
        snap = np.sin(2 * np.pi * 3400.0 * time) * 10.0 ** (-3.0 * time / 0.08)
        start = round((0.2 + number * GAP_S) * RATE)
        for column, share in ((0, box), (1, 2.0 * box)):
            wave = body + share * middle + 0.2 * snap
            audio[start : start + len(time), column] += level * wave / np.abs(wave).max()
    return audio.astype(np.float32)


class Listener(FakePipeline):
    """Reports the hits that were built in, with the levels the audio has."""

    def feed(self, block: Any) -> list[Any]:
        self.heard = getattr(self, "heard", [])
        self.heard.append(block.audio.copy())
        self.next_sample = block.first_sample + len(block.audio)
        return []

    def edit_takes(self, edit: TakeEdit) -> Edited:
        assert edit.start_s is not None
        self.asked = [*getattr(self, "asked", []), (edit.start_s, edit.end_s)]
        return {}, []

    def session(self, *, hits: bool = True) -> Any:
        audio = np.concatenate(self.heard)
        found = []
        for number in range(HITS):
            sample = round((0.2 + number * GAP_S) * RATE)
            peaks = 20 * np.log10(np.abs(audio[sample : sample + 1920]).max(axis=0) + 1e-9)
            levels = tuple(float(peak) for peak in peaks)
            found.append(
                Hit(2 * number, "complete", "snare", sample, sample / RATE, levels[0], levels[0],
                    1.0, role="main", mic_dbfs=levels, mic_bound=(False,) * 3)
            )  # fmt: skip
            late = sample + round(0.3 * RATE)
            found.append(
                Hit(2 * number + 1, "complete", "kick", late, late / RATE, -9.0, -9.0, 1.0,
                    role="main", mic_dbfs=(-40.0, -45.0, -9.0), mic_bound=(False,) * 3)
            )  # fmt: skip
            # Masked strokes of the kick: their bound is what the snare's own ring was there.
            found.append(
                Hit(1000 + number, "complete", "kick", sample + 4000, (sample + 4000) / RATE, -9.0,
                    -9.0, 1.0, role="main", mic_dbfs=(-6.0, -6.0, -9.0),
                    mic_bound=(True, True, False))
            )  # fmt: skip
        takes = tuple(
            TakeRecord(Take(f"{number}", start, end, False), figures(self.kit, found, start, end))
            for number, (start, end) in enumerate(self.asked)
        )
        return replace(super().session(hits=hits), hits=tuple(found), takes=takes)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("compare")
    (folder / "kit.toml").write_text(KIT)
    for name, cents, ring, box, seed in (
        ("old", 0.0, 0.40, 0.3, 1), ("new", -40.0, 0.25, 0.3, 2), ("same", 0.0, 0.40, 0.3, 3)
    ):  # fmt: skip
        soundfile.write(folder / f"{name}.wav", strokes(cents, ring, box, seed), RATE, "FLOAT")
    return folder


def run(folder: Path, *stretches: str, **more: Any) -> str:
    out = io.StringIO()
    given = tuple(text.replace("DIR", str(folder)) for text in stretches)
    request = CompareRequest(given, str(folder / "kit.toml"), **more)
    assert compare(request, out, io.StringIO(), build=Listener) == 0
    return out.getvalue()


def lines_after(text: str, title: str) -> list[str]:
    lines = text.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith(title))
    return lines[at + 1 : at + 3]


def test_what_was_built_in_is_found(folder: Path) -> None:
    """40 cents flat is 2.28 % lower; a T60 of 0.25 s is 37.5 % shorter than one of 0.40 s."""
    text = run(folder, "old=DIR/old.wav", "new=DIR/new.wav", wishes=("shorter", "lower"))
    note = lines_after(text, "note:")[1]
    assert note.startswith("  new: 185.")
    assert "−2.3 %" in note
    assert note.endswith("*")
    ring = lines_after(text, "ring of the note")[1]
    assert ring.endswith("*")
    assert -42.0 < float(ring.split("; ")[1].split(" %")[0].replace("−", "-")) < -33.0
    assert not lines_after(text, "crack")[0].endswith("*")
    # Main hits of some -8 dBFS (10 %: near -10) over a kick of -40 in that microphone.
    # What is only bounded, half of the kick's strokes, is no bleed, and ends no ring.
    assert (
        " 30." in lines_after(text, "bleed margin")[0]
        or " 29." in lines_after(text, "bleed margin")[0]
    )
    assert "  1. new: +" in text
    assert "the ear decides" in text


def test_two_of_a_kind_do_not_differ(folder: Path) -> None:
    text = run(folder, "old=DIR/old.wav", "same=DIR/same.wav", wishes=("fuller",))
    assert " *" not in text.replace("* more than", "")
    assert "nothing that tells them apart" in text


def test_parts_of_one_recording(folder: Path) -> None:
    text = run(folder, "a=DIR/old.wav@0:7.3", "b=DIR/old.wav@7.3:14.5")
    assert text.startswith("snare hits: a 12, b 12.")


def test_too_few_hits_say_how_many_are_needed(folder: Path) -> None:
    text = run(folder, "a=DIR/old.wav@0:2.0", "b=DIR/old.wav@7.3:14.5")
    assert lines_after(text, "note:")[0] == "  a: measurable in 3 of 3 hits, 5 needed"
    assert "  a: 3 main hits, " in lines_after(text, "spread")[0]


def test_microphones_on_the_same_hits(folder: Path) -> None:
    """The box is twice as strong in the side microphone; body falls a little, note alike."""
    text = run(folder, "DIR/old.wav", mics=("top", "side"), wishes=("less-box",))
    assert text.startswith("snare hits: the same 24 in top, side.")
    box = lines_after(text, "box")[1]
    assert box.endswith("*")
    # 20 log10(2) less what the louder box takes from the other shares.
    assert 3.5 < float(box.split("; +")[1].split(" dB")[0]) < 6.1
    assert not lines_after(text, "note:")[1].endswith("*")
    assert "  1. top" in text


def test_the_page_has_both_pictures(folder: Path) -> None:
    target = folder / "pages" / "choice.html"
    run(folder, "old=DIR/old.wav", "new=DIR/new.wav", wishes=("shorter",), out=target)
    page = target.read_text(encoding="utf-8")
    assert page.count("<svg") == 4
    assert "Down by 20 dB after: old " in page
    assert "Strongest about: old 1" in page
    assert "the ear decides" in page


def test_matching_by_the_median_forgives_gain(folder: Path) -> None:
    quiet = strokes(0.0, 0.40, 0.3, 3) * 0.1
    soundfile.write(folder / "quiet.wav", quiet, RATE, "FLOAT")
    text = run(folder, "old=DIR/old.wav", "quiet=DIR/quiet.wav", match="median")
    assert "--match median" not in text
    loud = run(folder, "old=DIR/old.wav", "quiet=DIR/quiet.wav")
    assert "Main hits against old: quiet \u221220." in loud
    assert "If a gain was turned, and not the playing, compare with --match median." in loud
    for title in ("note:", "body", "box", "crack"):
        assert not lines_after(text, title)[1].endswith("*")


def test_ghost_notes_do_not_move_the_median_that_is_matched() -> None:
    """The same main hits, with one ghost note and with four."""
    main, few, many = [-8.0, -7.0, -6.0], [-30.0], [-30.0, -29.0, -31.0, -28.0]
    for ghosts in (few, many):
        levels = np.array([*main, *ghosts])
        found = about_main(levels, np.arange(len(levels)) < len(main))
        assert found[: len(main)].tolist() == [-1.0, 0.0, 1.0]
    assert about_main(np.array([-9.0, -5.0]), np.array([False, False])).tolist() == [-2.0, 2.0]


def test_the_command_line_knows_the_matches() -> None:
    assert MATCHES == KNOWN_MATCHES


def test_stretches_are_parsed() -> None:
    assert parse_stretches(["a=x.wav", "b=y.wav@1.5:20", "folder/z.flac", "z.wav@3:4"]) == [
        Stretch("a", "x.wav"), Stretch("b", "y.wav", 1.5, 20.0), Stretch("z", "folder/z.flac"),
        Stretch("z@3", "z.wav", 3.0, 4.0),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (("a=x.wav@1:zwei",), "must be seconds"), (("a=x.wav@5:4",), "end after its start"),
        (("a=x.wav", "a=y.wav"), "two stretches have this name"),
    ],
)  # fmt: skip
def test_wrong_stretches_are_said(given: tuple[str, ...], sentence: str) -> None:
    with pytest.raises(ConfigError, match=sentence):
        parse_stretches(given)


def test_wrong_use_is_said(folder: Path) -> None:
    for more, sentence in (
        ({"wishes": ("shorte",)}, 'did you mean "shorter"'), ({"drum": "sner"}, "snare"),
        ({"mics": ("tip",)}, 'did you mean "top"'), ({}, "nothing to compare"),
    ):  # fmt: skip
        with pytest.raises(ConfigError, match=sentence):
            run(folder, "DIR/old.wav", **more)
    with pytest.raises(ConfigError, match="not both"):
        run(folder, "a=DIR/old.wav", "b=DIR/new.wav", mics=("top", "side"))
    with pytest.raises(InputError, match="no snare hit"):
        run(folder, "a=DIR/old.wav@0:0.1", "b=DIR/old.wav@1:9")
    with pytest.raises(ConfigError, match="ends at"):
        run(folder, "a=DIR/old.wav@90:91", "b=DIR/old.wav@1:9")
