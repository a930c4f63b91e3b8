"""The documentation says what the code does."""

from __future__ import annotations

from pathlib import Path

from liveassist.output.addresses import ADDRESSES
from liveassist.output.catalogue import markdown
from liveassist.output.scaling import CURVES
from liveassist.output.surface_model import LIGHT_SHOWS, MESSAGES
from liveassist.output.surfaces import _FIELDS

PAGE = (Path(__file__).parents[3] / "profiles" / "surfaces" / "README.md").read_text("utf-8")


def test_the_tables_of_the_page_are_those_of_the_code() -> None:
    assert PAGE.endswith(markdown())


def test_every_address_is_in_the_tables() -> None:
    for row in ADDRESSES:
        assert f"| `{row.path}` |" in PAGE


def test_every_key_of_a_profile_is_explained() -> None:
    for table, fields in _FIELDS.items():
        marks = (f"| `[{table}]` |", f"| `[[{table}]]` |")
        (line,) = (row for row in PAGE.splitlines() if row.startswith(marks))
        if table != "apply":  # it has the keys of a control
            assert [key for key in fields if f"`{key}`" not in line] == []


def test_every_word_of_a_profile_is_on_the_page() -> None:
    """What lights stand for, messages, transports and curves."""
    words = (*LIGHT_SHOWS, *MESSAGES, *CURVES, "udp", "tcp_slip", "tcp_length")
    assert [word for word in words if f"`{word}`" not in PAGE] == []
