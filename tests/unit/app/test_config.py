"""Kit profiles: what is right is read, every mistake is found at once with line and hint."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from liveassist.app.config import load_kit, parse_kit
from liveassist.app.resources import bundled, find_profile
from liveassist.app.toml_lines import key_lines
from liveassist.errors import ConfigError

GOOD = """\
[kit]
name = "test"
[[drum]]
name = "kick"
kind = "kick"
own = "kick"
[[drum]]
name = "snare"
kind = "snare"
own = "snare_top"
head_diameter_in = 14
lugs = 10
[[mic]]
name = "kick"
channel = 2
[[mic]]
name = "snare_top"
channel = 1
track_offset_db = -6
[[mic]]
name = "snare_bottom"
channel = 3
of = "snare"
[window]
hits = 32
seconds = 90.5
"""


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        parse_kit(text, "k.toml")
    return caught.value.problems


def test_all_values_arrive() -> None:
    kit = parse_kit(GOOD, "k.toml")
    assert kit.name == "test"
    assert [drum.name for drum in kit.drums] == ["kick", "snare"]
    assert kit.drum("snare").head_diameter_in == 14
    assert kit.drum("snare").lugs == 10
    assert [mic.channel for mic in kit.mics] == [2, 1, 3]
    assert kit.mics[1].track_offset_db == -6
    assert kit.mics[2].of == "snare"
    assert (kit.windows.hits, kit.windows.seconds) == (32, 90.5)


def test_windows_have_defaults() -> None:
    kit = parse_kit(GOOD.partition("[window]")[0], "k.toml")
    assert (kit.windows.hits, kit.windows.seconds) == (64, 300.0)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('own = "snare_top"', 'own = "snare_tip"', 10, ["snare_tip", 'did you mean "snare_top"?']),
        ('own = "snare_top"', 'own = "kick"', 10, ["kick and snare both own kick"]),
        ('kind = "kick"', 'kind = "kik"', 5, ['did you mean "kick"?']),
        ("lugs = 10", "lug = 10", 12, ["unknown key drum[2].lug", 'did you mean "lugs"?']),
        ("lugs = 10", "lugs = 10.5", 12, ["must be a whole number"]),
        ("lugs = 10", "lugs = true", 12, ["must be a whole number, not true"]),
        ("channel = 3", "channel = 1", 22, ["channel 1", "snare_top and snare_bottom"]),
        ("channel = 3", "channel = 0", 22, ["from 1 to 256"]),
        ("channel = 3", 'channel = "3"', 22, ["must be a whole number", '"3"']),
        ('of = "snare"', 'of = "snair"', 23, ["unknown drum", 'did you mean "snare"?']),
        ('of = "snare"', 'type = "triger"', 23, ['did you mean "trigger"?']),
        ('name = "snare_bottom"', 'name = "a/b"', 21, ["must begin with a letter"]),
        ("[window]", "[windows]", 24, ["unknown table windows", 'did you mean "window"?']),
        ("hits = 32", "hits = 2", 25, ["window.hits must be from 8 to 10000"]),
        ("seconds = 90.5", "seconds = nan", 26, ["window.seconds must be from 5"]),
        ('name = "test"', 'name = " "', 2, ["kit.name must not be empty"]),
    ],
)
def test_one_mistake_gives_one_sentence_with_its_line(
    old: str, new: str, line: int, words: list[str]
) -> None:
    assert old in GOOD
    found = problems(GOOD.replace(old, new, 1))
    assert len(found) == 1, found
    assert found[0].startswith(f"k.toml, line {line}: ")
    for word in words:
        assert word in found[0]


def test_all_mistakes_at_once_in_order_of_the_file() -> None:
    text = GOOD.replace('kind = "kick"', 'kind = "kik"').replace("channel = 3", "channel = 0")
    text = text.replace('own = "snare_top"', 'own = "snare_tip"')
    found = problems(text)
    lines = [int(problem.split("line ")[1].split(":")[0]) for problem in found]
    assert lines == [5, 10, 22]


def test_names_are_given_once() -> None:
    text = GOOD.replace('of = "snare"\n', "").replace('"snare_bottom"', '"kick"')
    assert problems(text) == (
        'k.toml, line 21: mic "kick" is named twice (mic[1] and mic[3]); give each its own name',
    )


def test_kit_without_its_parts() -> None:
    found = problems("")
    assert any("kit.name is missing" in problem for problem in found)
    assert any("no [[drum]] is named" in problem for problem in found)
    assert any("no [[mic]] is named" in problem for problem in found)


def test_two_toms_may_share_a_microphone_and_nobody_else() -> None:
    toms = '[[drum]]\nname = "{}"\nkind = "tom"\nown = "snare_bottom"\n'
    text = GOOD.replace('of = "snare"\n', "") + toms.format("high") + toms.format("floor")
    assert parse_kit(text, "k.toml").owner("snare_bottom") is not None
    third = '[[drum]]\nname = "hat"\nkind = "hihat"\nown = "snare_bottom"\n'
    assert "both own snare_bottom" in problems(text + third)[0]


def test_trigger_cannot_be_a_drums_own_microphone() -> None:
    found = problems(GOOD.replace("channel = 2", 'channel = 2\ntype = "trigger"'))
    assert "kick owns kick, which is a trigger" in found[0]


def test_second_microphone_cannot_be_the_own_one() -> None:
    found = problems(GOOD.replace("channel = 2", 'channel = 2\nof = "snare"'))
    assert "kick is kick's own microphone already" in found[0]


def test_nothing_to_judge() -> None:
    text = GOOD.replace('own = "kick"\n', "").replace('own = "snare_top"\n', "")
    assert "nothing to judge" in problems(text)[0]


def test_not_toml_names_the_line() -> None:
    assert "line 3" in problems('[kit]\nname = "x"\n[[drum\n')[0]


def test_wrong_shapes_do_not_crash() -> None:
    for text in ("kit = 3", "drum = [1, 2]", "mic = {}", "[drum]\nname = 1", "[window]\nhits = []"):
        assert problems(text)


def test_unreadable_profiles(tmp_path: Path) -> None:
    binary = tmp_path / "x.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    for given, words in (
        (str(binary), "not a text file"),
        (str(tmp_path), "is a folder"),
        ("eigt_mics", 'did you mean "eight_mics"?'),
    ):
        with pytest.raises(ConfigError, match=words.replace("?", r"\?")):
            load_kit(given)


def test_bundled_kits_are_right_and_found_by_name() -> None:
    kits = bundled("kits")
    assert {"eight_mics", "six_mics", "three_mics"} <= set(kits)
    for name in kits:
        assert load_kit(name).drums
    assert find_profile("kits", "eight_mics.toml") == kits["eight_mics"]


def test_a_file_wins_over_a_bundled_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "eight_mics").write_text(GOOD)
    assert load_kit("eight_mics").name == "test"


def test_line_numbers_agree_with_a_real_reader() -> None:
    """Independent of the scan: removing exactly the reported line removes exactly that key."""
    lines = GOOD.splitlines()
    for path, number in key_lines(GOOD).items():
        if not isinstance(path[-1], str) or "[" in lines[number - 1]:
            continue
        rest: Any = tomllib.loads("\n".join(lines[: number - 1] + lines[number:]))
        for part in path[:-1]:
            rest = rest[part]
        assert path[-1] not in rest


def test_line_numbers_ignore_multiline_text() -> None:
    text = 'a = """\n[kit]\nname = 1\n"""\n[kit]\nname = "x"\n'
    assert key_lines(text) == {("a",): 1, ("kit",): 5, ("kit", "name"): 6}
