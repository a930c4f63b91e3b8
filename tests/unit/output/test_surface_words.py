"""`liveassist check` on surface profiles says what they do."""

from __future__ import annotations

import io
from pathlib import Path

from liveassist.app.check import check

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


def _checked(tmp_path: Path, *texts: str) -> list[str]:
    paths = []
    for number, text in enumerate(texts):
        paths.append(str(tmp_path / f"{number}.toml"))
        Path(paths[-1]).write_text(text)
    out, err = io.StringIO(), io.StringIO()
    assert check(paths, out, err) == 0, err.getvalue()
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
    lines = _checked(tmp_path, BANK, KIT)
    assert any(line.startswith("fader 3 shows the s's suggested threshold") for line in lines)
    assert any("the kit 'rehearsal kit' has no 'cowbell'" in line for line in lines)
