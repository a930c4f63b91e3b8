"""The lug walk: simulated taps beside each lug, told the truth by the simulator alone."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from liveassist.app import lugwalk
from liveassist.app.kittoml import kit_toml
from liveassist.app.lugwalk import LugWalkRequest, lug_walk
from liveassist.app.lugwalker import LugWalker
from liveassist.app.steering import Outcome
from liveassist.errors import ConfigError
from liveassist.model import Audio, Block, Kit
from liveassist.output.commands import Command
from liveassist.output.lugs import LugRow, LugView, lug_lines, lug_messages
from liveassist.output.osc_codec import OscMessage
from tests.unit.app.lugtaps import RATE, tapped


@pytest.fixture(scope="module")
def sharp() -> tuple[Kit, Audio]:
    """Lug 7 of ten too tight by 30 %: the head sounds sharp there and at lug 2, opposite."""
    return tapped(7, 1.3)


def walked(kit: Kit, audio: Audio, size: int) -> LugWalker:
    walker = LugWalker(kit, kit.drum("snare"), 10, RATE)
    for at in range(0, len(audio), size):
        walker.feed(Block(at, audio[at : at + size]))
    walker.finish()
    return walker


def off(view: LugView) -> dict[int, float]:
    return {row.number: row.off_cents for row in view.rows if row.off_cents is not None}


def test_the_lug_that_was_turned_is_named_with_its_opposite(sharp: tuple[Kit, Audio]) -> None:
    view = walked(*sharp, 4096).view()
    found = off(view)
    assert len(found) == 10
    assert sorted(found, key=lambda lug: -found[lug])[:2] in ([2, 7], [7, 2])
    assert {row.number for row in view.rows if row.sure} >= {2, 7}
    assert min(found[2], found[7]) > 25.0
    assert max(abs(cents) for lug, cents in found.items() if lug not in (2, 7)) < 15.0
    assert view.sentence.startswith("Lugs 2 and 7, opposite each other, are")
    assert "sharp of the others: loosen one" in view.sentence


def test_any_block_size_gives_the_same_walk(sharp: tuple[Kit, Audio]) -> None:
    kit, audio = sharp
    audio = audio[: 7 * RATE]  # five taps are enough, and small blocks take their time
    whole = off(walked(kit, audio, len(audio)).view())
    assert len(whole) >= 2
    assert off(walked(kit, audio, 63).view()) == whole
    assert off(walked(kit, audio, 512).view()) == whole


def test_a_tap_that_clips_or_is_cut_short_is_refused_and_said() -> None:
    kit, audio = tapped(3, 1.0, taps=1)
    audio = audio[: round(3.4 * RATE)].copy()
    own = kit.mic_index("snare_top")
    first, second = round(0.8 * RATE), round(2.0 * RATE)
    loud = np.abs(audio[first : first + RATE // 2, own]).max()
    audio[first : first + RATE // 2, own] *= 1.5 / loud
    audio = np.clip(audio, -1.0, 1.0)
    audio[second + RATE // 5 : second + RATE // 5 + 4000] += audio[second - 100 : second + 3900]
    walker = LugWalker(kit, kit.drum("snare"), 10, RATE)
    said = []
    for at in range(0, len(audio), 2048):
        if walker.feed(Block(at, audio[at : at + 2048])):
            said.append(walker.view().said)
    walker.finish()
    said.append(walker.view().said)
    assert "Lug 1: not taken, it clips; tap softer." in said
    assert "Lug 1: not taken, something followed at once; let the head ring." in said


def test_going_back_replaces_what_was_heard(sharp: tuple[Kit, Audio]) -> None:
    kit, audio = sharp
    walker = walked(kit, audio, 4096)
    before = walker.view()
    assert before.at == 0
    assert walker.go(7) == "Tap beside lug 7."
    # Now taps of lug 1 are played while lug 7 is asked for, as if it had been put right.
    start = (len(audio) // 4096 + 60) * 4096
    again = np.concatenate([np.zeros((RATE, audio.shape[1]), np.float32), audio[: 4 * RATE]])
    for at in range(0, len(again), 4096):
        walker.feed(Block(start + at, again[at : at + 4096]))
    row = walker.view().rows[6]
    assert row.taps == 2
    assert row.off_cents is not None
    assert row.off_cents < 0.6 * (before.rows[6].off_cents or 0.0)
    with pytest.raises(ValueError, match="1 to 10"):
        walker.go(11)


# --- the command ---------------------------------------------------------------------------


@pytest.fixture
def files(sharp: tuple[Kit, Audio], tmp_path: Path) -> tuple[str, str]:
    kit, audio = sharp
    soundfile.write(tmp_path / "taps.wav", audio, RATE, subtype="PCM_24")
    (tmp_path / "kit.toml").write_text(kit_toml(kit))
    return str(tmp_path / "kit.toml"), str(tmp_path / "taps.wav")


def test_a_recording_is_walked(files: tuple[str, str]) -> None:
    kit, taps = files
    out = io.StringIO()
    assert lug_walk(LugWalkRequest(kit, inputs=(taps,)), out) == 0
    said = out.getvalue()
    assert "Lug 10: done. All lugs are measured." in said
    assert "Lugs 2 and 7, opposite each other" in said
    assert said.count("OFF") >= 2


def test_segments_say_which_lug_was_tapped_when(files: tuple[str, str]) -> None:
    kit, taps = files
    spans = [
        f"{11 - lug}={2.4 * (lug - 1) + 0.5:.2f}:{2.4 * lug + 0.4:.2f}" for lug in range(1, 11)
    ]
    out = io.StringIO()
    assert lug_walk(LugWalkRequest(kit, inputs=(taps,), segments=tuple(spans)), out) == 0
    assert "Lugs 4 and 9, opposite each other" in out.getvalue()  # counted the other way round


def test_wrong_options_say_how_to_mend_them(files: tuple[str, str]) -> None:
    kit, taps = files
    out = io.StringIO()
    for request, words in (
        (LugWalkRequest(kit, drum="snar"), "did you mean"),
        (LugWalkRequest(kit, drum="kick"), "give --lugs N"),
        (LugWalkRequest(kit, lugs=2), "3 to 24"),
        (LugWalkRequest(kit, taps=20), "1 to 9"),
        (LugWalkRequest(kit, segments=("1=0:2",)), "give INPUT too"),
        (LugWalkRequest(kit, inputs=(taps,), segments=("11=0:2",)), "from 1 to 10"),
        (LugWalkRequest(kit, inputs=(taps,), segments=("1=0:200",)), "ends at"),
    ):
        with pytest.raises(ConfigError, match=words):
            lug_walk(request, out)


class Played:
    """An interface that plays a recording, then silence."""

    sample_rate_hz = RATE

    def __init__(self, audio: Audio) -> None:
        self._audio, self._at = audio, 0

    def start(self) -> None:
        """Nothing to open."""

    def read(self, timeout_s: float) -> Block:
        block = self._audio[self._at : self._at + 4096]
        if len(block) < 4096:
            block = np.zeros((4096, self._audio.shape[1]), np.float32)
        self._at += 4096
        return Block(self._at - 4096, block)

    def close(self) -> None:
        """Nothing to close."""


class Told:
    """Surfaces that remember what they were told and give commands when asked."""

    def __init__(self) -> None:
        self.messages: list[OscMessage] = []
        self.obey: Callable[[Command], Outcome] = lambda command: Outcome(False, "")
        self.asks: list[Command] = []
        self.outcomes: list[Outcome] = []
        self.closed = False

    def say(self, messages: Sequence[OscMessage]) -> None:
        self.messages += messages

    def serve(self) -> None:
        asks, self.asks = self.asks, []
        self.outcomes += [self.obey(ask) for ask in asks]

    def close(self) -> None:
        self.closed = True


def test_a_live_walk_with_a_tablet(
    files: tuple[str, str], sharp: tuple[Kit, Audio], monkeypatch: pytest.MonkeyPatch
) -> None:
    told, source, out = Told(), Played(sharp[1]), io.StringIO()
    monkeypatch.setattr("liveassist.app.outputs.open_outputs", lambda given, kit: told)
    keys = iter(range(10_000))

    def typed() -> str:
        turn = next(keys)
        if turn == 1:
            told.asks = [Command("lugs/go", (1,)), Command("take/start"), Command("lugs/go", (30,))]
        return "q" if source._at > len(sharp[1]) + 2 * RATE else ""

    request = LugWalkRequest(files[0], surfaces=("tablet",))
    assert lug_walk(request, out, lambda kit: source, typed) == 0
    assert [o.done for o in told.outcomes] == [True, False, False]
    assert "only the commands of a lug walk" in told.outcomes[1].words
    assert told.closed
    at = [m.args for m in told.messages if m.address.endswith("/lugs/at")]
    assert at[0] == ("snare", 1, 10, 2)
    assert at[-1] == ("snare", 0, 10, 0)
    sure = {m.args[0] for m in told.messages if m.address.endswith("/lugs/off") and m.args[4]}
    assert {2, 7} <= sure
    last = [m.args[0] for m in told.messages if m.address.endswith("/lugs/sentence")][-1]
    assert "Lugs 2 and 7" in str(last)
    assert "Lugs 2 and 7" in out.getvalue()
    assert lugwalk.ADVICE in out.getvalue()


# --- the picture ---------------------------------------------------------------------------


VIEW = LugView(
    "snare",
    (
        LugRow(1, -30.0, (-36.0, -24.0), True, 2),
        LugRow(2, 1.0, (-5.0, 7.0), False, 2),
        LugRow(3, None, None, False, 0, "not tapped yet"),
        LugRow(4, 15.0, (9.0, 21.0), True, 2),
    ),
    ((1, 3, None, None), (2, 4, 8.0, -14.0)),
    201.5,
    3,
    2,
    "Lug 2: done. Tap beside lug 3.",
    "Lug 1 is 30 cents flat of the others: tighten it a little and tap it again.",
)


def test_bars_of_opposite_pairs() -> None:
    lines = lug_lines(VIEW)
    bars = {line.split("lug")[1].split()[0]: line for line in lines if " lug " in line[:6]}
    assert list(bars) == ["1", "3", "2", "4"]  # pairs together
    assert bars["1"].count("#") == 20  # the worst fills its side
    assert bars["1"].index("#") < bars["1"].index("|")
    assert bars["4"].count("#") == 10
    assert bars["4"].index("#") > bars["4"].index("|")
    assert "OFF" in bars["1"]
    assert "OFF" not in bars["2"]
    assert bars["3"].startswith(">")
    assert "not tapped yet" in bars["3"]
    assert max(map(len, lines[:-1])) <= 79


def test_only_what_is_new_is_sent_again() -> None:
    first = lug_messages(VIEW, None)
    assert OscMessage("/liveassist/1/lugs/off", "ifffi", (1, -30.0, -36.0, -24.0, 1)) in first
    assert OscMessage("/liveassist/1/lugs/pair", "iiff", (2, 4, 8.0, -14.0)) in first
    again = [m.address.rsplit("/", 1)[1] for m in lug_messages(VIEW, VIEW)]
    assert again == ["at", "sentence", "sentence"]
