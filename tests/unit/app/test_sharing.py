"""One sentence at the start says who else may have the interface."""

from __future__ import annotations

import pytest

from liveassist.app.sharing import sharing_note


@pytest.mark.parametrize(
    ("host", "word"),
    [
        ("JACK Audio Connection Kit", "the same server"),
        ("Core Audio", "shared with every program"),
        ("Windows WASAPI", "shared mode"),
        ("Windows WDM-KS", "this program alone"),
        ("ALSA", "one program alone"),
        ("Unheard Of", "not known"),
    ],
)
def test_each_sound_system_has_its_sentence(host: str, word: str) -> None:
    """Names as PortAudio's host APIs give them (pa_*.c, from memory)."""
    said = sharing_note("my interface", host)
    assert word in said
    assert said.startswith('"my interface" ')
    assert said.count(".") == 1
    assert said.endswith("nothing is played on it.")
