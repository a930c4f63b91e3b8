"""The documentation says what the code does."""

from __future__ import annotations

from pathlib import Path

from liveassist.app.options import AIMS
from liveassist.output.addresses import ADDRESSES
from liveassist.output.catalogue import description, find, markdown
from liveassist.output.profile_words import defaults
from liveassist.output.scaling import CURVES
from liveassist.output.surface_model import LIGHT_SHOWS, MESSAGES
from liveassist.output.surfaces import FIELDS

from .scene import KIT

PAGE = (Path(__file__).parents[3] / "profiles" / "surfaces" / "README.md").read_text("utf-8")


def test_the_tables_of_the_page_are_those_of_the_code() -> None:
    assert PAGE.endswith(markdown())


def test_every_address_is_in_the_tables() -> None:
    for row in ADDRESSES:
        assert f"| `{row.path}` |" in PAGE


def test_the_description_says_all_that_the_table_says() -> None:
    """Each argument's name, type, unit, range, words and whether it may be left out; when it is
    sent, and the example."""
    tree = description(KIT)
    cells = {line.split("`")[1]: line for line in PAGE.splitlines() if line.startswith("| `/")}
    for row in ADDRESSES:
        path = row.path.replace("{drum}", "snare").replace("{mic}", "snare_top")
        node = find(tree, path)
        assert node is not None
        line = cells[row.path]
        assert node["DESCRIPTION"] in line
        assert f"| {node['SENT']} |" in line
        assert all(str(value) in line for value in node["EXAMPLE"])
        arguments = line.split(" | ")[1].split("; `") if row.args else []
        assert len(arguments) == len(node["TYPE"]) == len(node["OPTIONAL"])
        for index, said in enumerate(arguments):
            tag, name = node["TYPE"][index], node["ARGUMENTS"][index]
            assert said.lstrip("`").startswith(f"{tag}` {name}")
            assert node["UNIT"][index] in said
            assert ("may be left out" in said) == node["OPTIONAL"][index]
            words = node["RANGE"][index].get("VALS", [])
            assert ("one of " in said) == bool(words)
            assert all(word in said for word in words)


def test_the_words_of_aims_are_those_there_are() -> None:
    (aim,) = next(row for row in ADDRESSES if row.path.endswith("/aim")).args
    assert aim.choices == AIMS


def test_every_key_of_a_profile_is_explained() -> None:
    for table, fields in FIELDS.items():
        marks = (f"| `[{table}]` |", f"| `[[{table}]]` |")
        (line,) = (row for row in PAGE.splitlines() if row.startswith(marks))
        if table != "apply":  # it has the keys of a control
            assert [key for key in fields if f"`{key}`" not in line] == []


def test_what_a_key_is_when_it_is_left_out_is_on_the_page() -> None:
    assert defaults() in PAGE
    assert '`host = "127.0.0.1"`' in defaults()
    assert "- `[[osc]]` needs `name`, `port`; else " in defaults()


def test_every_word_of_a_profile_is_on_the_page() -> None:
    """What lights stand for, messages, transports and curves."""
    words = (*LIGHT_SHOWS, *MESSAGES, *CURVES, "udp", "tcp_slip", "tcp_length")
    assert [word for word in words if f"`{word}`" not in PAGE] == []
