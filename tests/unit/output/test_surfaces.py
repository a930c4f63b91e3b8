"""Surface profiles: those we ship, and what is said about mistakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from liveassist.errors import ConfigError
from liveassist.output.surface_bind import check_surface, explain
from liveassist.output.surfaces import load_surface, parse_surface, read_surface

from .scene import KIT

SHIPPED = Path(__file__).parents[3] / "profiles" / "surfaces"
NAMES = [
    "eight_fader_bank",
    "foot_switch",
    "osc_device",
    "osc_tablet_page",
    "pad_grid_lights",
    "recorder_transport",
    "text_display",
]


def test_what_is_shipped() -> None:
    assert sorted(path.stem for path in SHIPPED.glob("*.toml")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_shipped_profiles_are_right_and_fit_a_usual_kit(name: str) -> None:
    surface = load_surface(SHIPPED / f"{name}.toml")
    assert check_surface(surface, KIT) == []
    lines = explain(surface, KIT)
    entries = len(surface.osc) + len(surface.midi) + len(surface.controls) + len(surface.hits)
    entries += len(surface.lights) + len(surface.presses) + (surface.osc_in is not None)
    entries += bool(surface.lights)  # what their values mean
    assert len(lines) == 1 + entries


@pytest.mark.parametrize("name", NAMES)
def test_no_makers_header_is_shipped(name: str) -> None:
    """Exclusive messages carry the non-commercial identifier 7D (MIDI 1.0) and no other."""
    surface = load_surface(SHIPPED / f"{name}.toml")
    for control in surface.controls:
        assert control.message != "text" or control.head[:1] == b"\x7d"


def test_a_profile_is_explained_in_words() -> None:
    surface = parse_surface(
        """
        surface = { name = "bank" }
        midi = [{ name = "bank", port = "x" }]
        [[control]]
        name = "fader 3"
        shows = "suggested_threshold_dbfs"
        mic = "snare"
        message = "cc"
        number = 3
        range = [-60, 0]
        """,
        "bank.toml",
    )
    assert (
        "fader 3 shows the snare_top's suggested threshold from -60 to 0 dBFS, "
        "as controller 3 to bank, channel 1" in explain(surface, KIT)
    )


def test_a_drum_may_be_named_by_its_kind_and_a_microphone_by_its_drum() -> None:
    surface = load_surface(SHIPPED / "eight_fader_bank.toml")
    assert any("snare_top's bleed margin" in line for line in explain(surface, KIT))


def test_all_mistakes_are_found_at_once() -> None:
    _, problems = read_surface(
        """
        [surface]
        nam = "bank"
        [[osc]]
        name = "tablet"
        port = 99999
        rate_hz = "fast"
        [[contol]]
        [[control]]
        name = "fader 1"
        shows = "spred_db"
        message = "cc"
        number = -1
        """,
        "bank.toml",
    )
    assert problems == [
        "bank.toml: [surface]: the key 'nam' is not known; did you mean 'name'?",
        "bank.toml: [surface]: name is missing; it holds text in quotes",
        "bank.toml: [[osc]] 'tablet'.port: must be at most 65535, not 99999",
        "bank.toml: [[osc]] 'tablet'.rate_hz: must be a number, not 'fast'",
        "bank.toml: top level: the table 'contol' is not known; did you mean 'control'?",
        "bank.toml: [[control]] 'fader 1'.shows: the word 'spred_db' is not known; "
        "did you mean 'spread_db'?",
        "bank.toml: [[control]] 'fader 1'.number: must be at least 0, not -1",
        "bank.toml: [[control]] 'fader 1'.to: there is no output it could use: describe one, in "
        "[[midi]] or (for osc) in [[osc]]",
    ]


def test_a_mistake_in_one_key_hides_none_in_another() -> None:
    """Types, ranges, pages, addresses, patterns, ports: one look finds all."""
    _, problems = read_surface(
        """
        surface = { name = 7, pages = 2 }
        [[osc]]
        name = "tablet"
        host = "no host"
        port = 9000
        rate_hz = "fast"
        only = ["/liveassist/1/drum/*/spread_bd"]
        prefix = "tablet/"
        [osc_in]
        port = 9001
        transport = "tcp_slip"
        query_port = 9001
        [[midi]]
        name = "pads"
        port = "x"
        [[control]]
        name = "a"
        shows = "spred_db"
        message = "osc"
        address = "no slash"
        range = [5, -5]
        [[control]]
        name = "b"
        shows = "spread_db"
        message = "c"
        [[press]]
        name = "c"
        number = 1
        command = "page"
        value = "3"
        """,
        "x.toml",
    )
    found = [problem.removeprefix("x.toml: ") for problem in problems]
    for start in (
        "[surface].name: must be text",
        "[[osc]] 'tablet'.host: 'no host' is neither",
        "[[osc]] 'tablet'.rate_hz: must be a number",
        "[[osc]] 'tablet'.only: no address of the table matches",
        "[[osc]] 'tablet'.prefix: ",
        "[osc_in].query_port: is the TCP port",
        "[[control]] 'a'.shows: the word",
        "[[control]] 'a'.address: ",
        "[[control]] 'a'.range: goes from low to high",
        "[[control]] 'b'.message: the word",
        "[[control]] 'b': spread_db needs drum",
        "[[press]] 'c'.value: names the page",
        "[[press]] 'c'.on: no port is heard: give one [[midi]] port input = true",
    ):
        assert any(problem.startswith(start) for problem in found), (start, found)
    assert len(found) == len(set(found))


@pytest.mark.parametrize(
    ("pattern", "good"),
    [
        ("/liveassist/1/drum/snare/*", True),
        ("/liveassist/1/{take,alert}/*", True),
        ("/liveassist/1/mic/*/suggested/threshold_dbfs", True),
        ("/liveassist/2/*", False),
        ("/liveassist/1/take/start", False),
        ("/liveassist/1/drum", False),
    ],
)
def test_a_pattern_that_matches_nothing_is_a_mistake(pattern: str, good: bool) -> None:
    text = f'osc = [{{ name = "o", port = 1, only = ["{pattern}"] }}]'
    _, problems = read_surface(HEAD + text, "x.toml")
    assert (problems == []) == good


HEAD = 'surface = { name = "x" }\n'
MIDI = 'midi = [{ name = "bank", port = "x" }, { name = "grid", port = "y", input = true }]\n'
CONTROL = 'name = "f", message = "cc", to = "bank"'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "[surface]: is missing"),
        ("surface = 3", "[surface]: must be a table, not 3"),
        (HEAD + 'osc = {name = "a", port = 1}', "[osc]: is written with two brackets"),
        (HEAD + "osc = [3]", "[[osc]] 1: must be a table, not 3"),
        (HEAD + 'osc = [{name = "a", port = 1, prefix = "x"}]', "prefix: an OSC address begins"),
        (HEAD + 'osc = [{name = "a", port = 1, prefix = "/x/"}]', "prefix: does not end with /"),
        (HEAD + 'osc = [{name = "a", port = 1, only = ["/[a"]}]', "only: [ is not closed"),
        (HEAD + 'osc = [{name = "a", port = 1, transport = "ucp"}]', "did you mean 'udp'?"),
        (
            HEAD + 'osc_in = { port = 9001 }\nosc = [{name = "a", port = 9001}]',
            "port: is where [osc_in] listens",
        ),
        (HEAD + 'osc_in = { host = "desk" }', "host: 'desk' is not an IP address"),
        (HEAD + 'osc_in = { host = "0.0.0.0" }', "beyond this computer needs allow"),
        (HEAD + 'osc_in = { allow = ["all"] }', "allow: 'all' is not an address or network"),
        (HEAD + 'midi = [{name = "a", port = "x"}, {name = "a", port = "y"}]', "two outputs"),
        (HEAD + MIDI + 'hit = [{drum = "snare", note = 1}]', "to: must name one of the outputs"),
        (HEAD + MIDI + 'hit = [{drum = "s", note = 1, to = "gird"}]', "did you mean 'grid'?"),
        (HEAD + MIDI + f'control = [{{{CONTROL}, shows = "spread_db"}}]', "needs drum = a drum"),
        (HEAD + MIDI + f'control = [{{{CONTROL}, shows = "rms_dbfs"}}]', "needs mic = a mic"),
        (HEAD + MIDI + f'control = [{{{CONTROL}, shows = "alerts_count"}}]', "needs range"),
        (HEAD + MIDI + f'control = [{{{CONTROL}, shows = "take_name"}}]', "only a display"),
        (
            HEAD + MIDI + f'control = [{{{CONTROL}, shows = "take_clock_s", range = [9, 1]}}]',
            "from low to high",
        ),
        (
            HEAD
            + MIDI
            + f'control = [{{{CONTROL}, shows = "take_clock_s", range = [0, 9], curve = "log"}}]',
            "log needs a range above 0",
        ),
        (
            HEAD
            + MIDI
            + 'control = [{name = "f", to = "bank", message = "cc14", number = 32, '
            + 'shows = "take_running"}]',
            "number: must be at most 31 for cc14",
        ),
        (HEAD + MIDI + 'light = [{name = "p", shows = "take", number = 1, to = "grid"}]', "off"),
        (HEAD + "meaning = { green = 1 }", "the key 'green' is not known"),
        (HEAD + "meaning = { good = 128 }", "good: must be at most 127"),
        (
            HEAD + MIDI + 'press = [{name = "b", number = 1, command = "page", value = "2"}]',
            "names the page to turn to, 1 to 1, not '2'",
        ),
        (HEAD + MIDI + 'press = [{name = "b", command = "take/stop"}]', "number is missing"),
        (
            HEAD + MIDI + 'press = [{name = "b", number = 1, between = [9, 1], command = "audit"}]',
            "two whole numbers from 0 to 127",
        ),
        (
            HEAD + MIDI + 'light = [{name = "p", shows = "drum", number = 1, to = "grid"}]',
            "needs drum = a drum of the kit",
        ),
        (HEAD + 'midi = [{ name = "m", port = "p", clock = true }]', "clock: needs input = true"),
        (HEAD + 'midi = [{ name = "m", port = "p", beats_a_bar = 0 }]', "must be at least 1"),
        (
            HEAD + 'midi = [{ name = "m", port = "p", input = true, record_only = true }]',
            "record_only: needs transport = true",
        ),
        ("surface = ", "not a TOML file"),
    ],
)
def test_mistakes(text: str, said: str) -> None:
    with pytest.raises(ConfigError, match=r"f\.toml: ") as caught:
        parse_surface(text, "f.toml")
    assert any(said in problem for problem in caught.value.problems), caught.value.problems


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read: No such file"):
        load_surface(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="not UTF-8"):
        load_surface(tmp_path / "bad.toml")


def test_what_the_kit_does_not_have_is_left_out_and_said() -> None:
    surface = parse_surface(
        HEAD
        + MIDI
        + 'hit = [{drum = "snar", note = 1, to = "bank"}, {drum = "kick", note = 2, to = "bank"}]',
        "f.toml",
    )
    assert check_surface(surface, KIT) == [
        "f.toml: [[hit]] 'snar'.drum: the kit 'rehearsal kit' has no 'snar'; did you mean 'snare'?"
    ]
    assert any(line.startswith("a hit on kick") for line in explain(surface, KIT))


@pytest.mark.parametrize(
    ("keys", "keeps"),
    [
        ("input = true", False),
        ("input = true, transport = true", True),
        ("input = true, transport = true, clock = false", False),
        ("input = true, clock = true", True),
    ],
)
def test_whose_clock_is_the_session_s(keys: str, keeps: bool) -> None:
    text = f'surface = {{ name = "s" }}\nmidi = [{{ name = "m", port = "p", {keys} }}]'
    surface = parse_surface(text, "s.toml")
    assert surface.midi[0].keeps_time is keeps
    assert any("time code are the session's" in line for line in explain(surface, None)) is keeps
