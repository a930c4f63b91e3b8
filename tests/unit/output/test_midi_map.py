"""Figures as MIDI and foreign OSC messages; expected bytes by MIDI 1.0 and closed forms."""

from __future__ import annotations

from dataclasses import replace

import pytest

from liveassist.model import Alert, MicState, Snapshot
from liveassist.output import midi_codec as midi
from liveassist.output.midi_map import (
    hit_notes,
    light_meaning,
    surface_messages,
    surface_osc,
)
from liveassist.output.osc_codec import OscMessage
from liveassist.output.surface_bind import bind
from liveassist.output.surface_model import Light, Surface
from liveassist.output.surfaces import parse_surface

from .scene import ALERT, FIGURES, HIT, KIT, SNAPSHOT, TAKE


def _surface(body: str) -> Surface:
    text = 'surface = { name = "x", pages = 2, blink = ["stop"] }\n'
    text += 'midi = [{ name = "m", port = "p" }]\nosc = [{ name = "o", port = 1 }]\n'
    return bind(parse_surface(text + body, "x.toml"), KIT)[0]


def _shown(entry: str) -> bytes | None:
    surface = _surface(f'[[control]]\nname = "c"\n{entry}\n')
    return surface_messages(surface, "m", SNAPSHOT, 1, False).get("control c")


THRESHOLD = 'shows = "suggested_threshold_dbfs"\nmic = "snare_top"\nrange = [-49, 0]\n'


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        # -24.5 dBFS is half of -49 to 0: 63.5 of 127 rounds to 64; 8191.5 of 16383 to 8192.
        (THRESHOLD + 'message = "cc"\nnumber = 7\nchannel = 2', "B1 07 40"),
        (THRESHOLD + 'message = "cc14"\nnumber = 7', "B0 07 40 B0 27 00"),
        (
            THRESHOLD + 'message = "nrpn"\nnumber = 1000',
            "B0 63 07 B0 62 68 B0 06 40 B0 26 00 B0 65 7F B0 64 7F",
        ),
        (THRESHOLD + 'message = "bend"', "E0 00 40"),
        (THRESHOLD + 'message = "note"\nnumber = 5', "90 05 40"),
        (THRESHOLD + 'message = "program"', "C0 40"),
        # F0 7D 01 "S  -24.5" F7
        (
            'shows = "suggested_threshold_dbfs"\nmic = "snare"\nmessage = "text"\n'
            'head = "7D 01"\nlabel = "S "\nwidth = 6\ndecimals = 1',
            "F0 7D 01 53 20 20 2D 32 34 2E 35 F7",
        ),
        # Not measured: dashes on a display.
        (
            'shows = "note_hz"\ndrum = "snare"\nmessage = "text"\nhead = "7D"\nwidth = 3',
            "F0 7D 20 2D 2D F7",
        ),
    ],
)
def test_a_figure_on_a_control(entry: str, expected: str) -> None:
    assert _shown(entry) == bytes.fromhex(expected)


def test_a_fader_keeps_its_place_while_its_figure_is_not_measured() -> None:
    assert _shown('shows = "note_hz"\ndrum = "snare"\nmessage = "cc"\nnumber = 1') is None


def test_bleed_is_read_for_microphone_and_drum() -> None:
    entry = (
        'shows = "bleed_level_db"\nmic = "snare"\ndrum = "kick"\nmessage = "cc"\nrange = [-46.8, 0]'
    )
    assert _shown(entry) == midi.controller(1, 0, 64)  # -23.4 is half way: 63.5 rounds to 64


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ('type = "f"\nout = [0, 2]\nrange = [-49, 0]', OscMessage("/d", "f", (1.0,))),
        ('type = "i"\nout = [10, 20]\nrange = [-49, 0]', OscMessage("/d", "i", (15,))),
        ('type = "s"\nlabel = "suggested "', OscMessage("/d", "s", ("suggested -24.5 dBFS",))),
    ],
)
def test_a_figure_under_a_foreign_address(entry: str, message: OscMessage) -> None:
    shows = 'shows = "suggested_threshold_dbfs"\nmic = "snare"\nmessage = "osc"\naddress = "/d"\n'
    surface = _surface(f'[[control]]\nname = "c"\n{shows}{entry}\n')
    assert surface_osc(surface, "o", SNAPSHOT) == {"c": message}
    assert surface_messages(surface, "m", SNAPSHOT, 1, False) == {}


def test_pages() -> None:
    body = ""
    for name, page in (("both", 0), ("one", 1), ("two", 2)):
        body += (
            f'[[control]]\nname = "{name}"\nshows = "take_running"\nmessage = "cc"\npage = {page}\n'
        )
    surface = _surface(body)
    assert set(surface_messages(surface, "m", SNAPSHOT, 1, False)) == {
        "control both",
        "control one",
    }
    assert set(surface_messages(surface, "m", SNAPSHOT, 2, False)) == {
        "control both",
        "control two",
    }
    assert surface_messages(surface, "other", SNAPSHOT, 1, False) == {}


def test_a_hit_is_a_note_as_loud_as_the_hit() -> None:
    surface = _surface('[[hit]]\ndrum = "snare"\nnote = 38\n')
    found = [(on, off) for _, on, off in hit_notes(HIT, surface, "m")]
    assert found == [(bytes.fromhex("99 26 68"), bytes.fromhex("89 26 40"))]
    for stage in ("revised", "withdrawn", "complete"):
        assert list(hit_notes(replace(HIT, stage=stage), surface, "m")) == []
    assert list(hit_notes(replace(HIT, drum="kick"), surface, "m")) == []


# --- lights --------------------------------------------------------------------------------


def _light(shows: str, drum: str = "", mic: str = "") -> Light:
    return Light("l", "m", shows, drum, mic, "note", 1, 36, 0)


def _with(alert: Alert | None) -> Snapshot:
    return replace(SNAPSHOT, alerts=() if alert is None else (alert,))


STOP = replace(ALERT, severity="stop", mic="snare_top", drum=None)


@pytest.mark.parametrize(
    ("light", "snapshot", "meaning"),
    [
        (_light("take"), SNAPSHOT, "running"),
        (_light("take"), replace(SNAPSHOT, take=replace(TAKE, end_s=50.0)), "waiting"),
        (_light("take"), replace(SNAPSHOT, take=None), "waiting"),
        (_light("alerts"), SNAPSHOT, "look"),
        (_light("alerts"), _with(replace(ALERT, end_s=81.0)), "good"),
        (_light("alerts"), _with(STOP), "stop"),
        (_light("armed"), SNAPSHOT, "off"),
        (_light("armed"), replace(SNAPSHOT, armed={"snare_top": 4.0}), "stop"),
        (_light("armed", mic="kick_in"), replace(SNAPSHOT, armed={"snare_top": 4.0}), "off"),
        (_light("armed", mic="snare_top"), replace(SNAPSHOT, armed={"snare_top": 4.0}), "stop"),
        (_light("drum", drum="snare"), SNAPSHOT, "look"),
        (_light("drum", drum="kick"), SNAPSHOT, "good"),
        (_light("drum", drum="tom"), SNAPSHOT, "quiet"),
        (_light("drum", drum="snare"), replace(SNAPSHOT, figures=FIGURES, alerts=()), "good"),
        (_light("mic", mic="snare_top"), _with(STOP), "stop"),
        (_light("mic", mic="kick_in"), _with(STOP), "good"),
        (
            _light("mic", mic="left"),
            replace(SNAPSHOT, mics=(MicState("left", -9, -9, -9, 3, clip_age_s=0.5),)),
            "stop",
        ),
        (
            _light("mic", mic="left"),
            replace(SNAPSHOT, mics=(MicState("left", -9, -9, -9, 3, clip_age_s=9.0),)),
            "good",
        ),
        (
            _light("mic", mic="left"),
            replace(SNAPSHOT, mics=(MicState("left", -90, -90, -90, 0, fault="silent"),)),
            "stop",
        ),
    ],
)
def test_what_a_light_means(light: Light, snapshot: Snapshot, meaning: str) -> None:
    assert light_meaning(light, snapshot) == meaning


@pytest.mark.parametrize(
    ("taught", "snapshot", "dark", "value"),
    [
        ("off = 1, look = 80", SNAPSHOT, False, 80),
        ("off = 1, stop = 90", SNAPSHOT, False, 90),  # look was not taught: the next in urgency
        ("off = 1, good = 30", SNAPSHOT, False, 1),  # nothing like it was taught
        ("off = 1, stop = 90", _with(STOP), False, 90),
        ("off = 1, stop = 90", _with(STOP), True, 1),  # the dark half of blinking
    ],
)
def test_lights_use_the_values_the_user_taught(
    taught: str, snapshot: Snapshot, dark: bool, value: int
) -> None:
    body = f'meaning = {{ {taught} }}\nlight = [{{ name = "l", shows = "alerts", number = 36 }}]'
    shown = surface_messages(_surface(body), "m", snapshot, 1, dark)
    assert shown == {"light l": midi.note_on(1, 36, value)}
