"""`liveassist check` on surface profiles says what they do."""

from __future__ import annotations

import io
from pathlib import Path

from liveassist.app.check import check
from liveassist.output.surfaces import read_surface

BANK = """
surface = { name = "bank" }
midi = [{ name = "bank", port = "x" }]
[[control]]
name = "fader 3"
shows = "suggested_threshold_dbfs"
mic = "snare"
message = "cc"
number = 3
range = [-60, 0]
[[hit]]
drum = "cowbell"
note = 56
"""
KIT = """
kit = { name = "rehearsal kit" }
drum = [{ name = "kick", kind = "kick", own = "k" }, { name = "snare", kind = "snare", own = "s" }]
mic = [{ name = "k", channel = 1 }, { name = "s", channel = 2 }]
"""


def _checked(tmp_path: Path, *texts: str, status: int = 0) -> list[str]:
    paths = []
    for number, text in enumerate(texts):
        paths.append(str(tmp_path / f"{number}.toml"))
        Path(paths[-1]).write_text(text)
    out, err = io.StringIO(), io.StringIO()
    assert check(paths, out, err) == status, err.getvalue()
    return [line.replace(f"{tmp_path}/", "").strip() for line in out.getvalue().splitlines()]


def test_a_profile_alone_is_explained_in_its_own_words(tmp_path: Path) -> None:
    lines = _checked(tmp_path, BANK)
    assert lines[0] == '0.toml: right: surface "bank"'
    assert (
        "fader 3 shows the snare's suggested threshold from -60 to 0 dBFS, as controller 3 to "
        "bank, channel 1" in lines
    )
    assert any("a hit on cowbell plays note 56" in line for line in lines)


def test_with_a_kit_its_names_are_used_and_what_it_lacks_is_said(tmp_path: Path) -> None:
    lines = _checked(tmp_path, BANK.replace("cowbell", "tom"), KIT)
    assert any(line.startswith("fader 3 shows the s's suggested threshold") for line in lines)
    assert any("the kit 'rehearsal kit' has no 'tom'" in line for line in lines)
    assert lines[0].startswith("0.toml: right: ")


def test_a_name_that_no_kit_could_have_is_a_mistake_beside_the_kit(tmp_path: Path) -> None:
    """A kind of drum that this kit lacks is none: one profile serves many kits."""
    lines = _checked(tmp_path, BANK, KIT, status=1)
    assert lines[0].startswith("0.toml: not right: ")
    press = """
    [[osc]]
    name = "o"
    host = "no-such-host.invalid"
    port = 9
    [[press]]
    name = "arm"
    on = "bank"
    number = 1
    command = "apply/arm"
    value = "snair"
    """
    text = BANK.replace("cowbell", "kick").replace('"x" }]', '"x", input = true }]') + press
    lines = _checked(tmp_path, text, KIT, status=1)
    assert any(
        "[[press]] 'arm'.value" in line and "did you mean 'snare'?" in line for line in lines
    )
    assert any("the host 'no-such-host.invalid' is not known here now" in line for line in lines)


DISPLAY = """
surface = { name = "display", blink = ["stop"] }
midi = [{ name = "display", port = "x" }]
meaning = { off = 0, good = 5, stop = 9 }
light = [
  { name = "one", shows = "take", number = 1 },
  { name = "two", shows = "alerts", number = 2, page = 0 },
]
[[control]]
name = "line 1"
shows = "spread_db"
drum = "snare"
message = "text"
head = "7D 02"
tail = "01"
label = "snare "
width = 8
"""


def test_lights_are_explained_once_and_text_with_what_is_around_it(tmp_path: Path) -> None:
    lines = _checked(tmp_path, DISPLAY)
    assert lines.count("lights: off = 0, good = 5, stop = 9; blinking: stop") == 1
    assert sum("good" in line for line in lines) == 1
    around = "8 letters wide, after 'snare ', behind the bytes 7D 02, before the bytes 01"
    assert any(line.endswith(around) for line in lines)


def test_a_label_with_letters_that_cannot_be_sent_is_a_mistake() -> None:
    _, problems = read_surface(DISPLAY.replace("snare ", "snäre "), "x.toml")
    what = "a display is sent plain ASCII letters; 'snäre ' has others"
    assert problems == [f"x.toml: [[control]] 'line 1'.label: {what}"]


def test_of_many_words_only_the_likest_are_shown() -> None:
    _, problems = read_surface(DISPLAY.replace('"spread_db"', '"qqq"'), "x.toml")
    assert "more, listed in profiles/surfaces/README.md" in problems[0]
    assert problems[0].count(",") < 10
