"""Events and snapshots as MIDI messages and foreign OSC messages, by the table of a surface.

Pure functions: what should stand on each fader, light and display now. Sending only what changed,
and not too fast, is `midi_sender`'s work.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

from liveassist.model import Alert, Event, Hit, Snapshot

from . import midi_codec as midi
from .osc_codec import OscMessage
from .osc_messages import velocity
from .quantities import Value, standing, told_verdict
from .scaling import to_bits, to_range, to_text
from .surface_model import Control, HitNote, Light, Surface

#: What a light shows if the user taught no value for a meaning: the next one that was taught.
_INSTEAD: Mapping[str, tuple[str, ...]] = {
    "quiet": (),
    "waiting": (),
    "good": (),
    "running": ("good",),
    "info": ("look", "stop"),
    "look": ("stop", "info"),
    "stop": ("look", "info"),
}
#: A clipped microphone shows for so long after the last full-scale sample, seconds.
CLIP_SHOWN_S = 2.0


def _value(control: Control, snapshot: Snapshot) -> Value | None:
    subject = control.quantity.subject
    first = control.drum if subject == "drum" else control.mic
    second = control.drum if subject == "bleed" else ""
    return control.quantity.read(snapshot, first, second)


def _text(control: Control, value: Value | None) -> str:
    unit = "" if control.quantity.type == "s" else control.quantity.unit
    return control.label + to_text(value, control.decimals, unit, control.width)


def control_message(control: Control, snapshot: Snapshot) -> bytes | None:
    """The MIDI message that puts a control where its figure is.

    None while the figure is not measured: the control keeps its place. A display shows dashes.
    """
    return control_message_for(control, _value(control, snapshot))


def control_message_for(control: Control, value: Value | None) -> bytes | None:
    """The MIDI message that puts a control at ``value`` (unit of its figure)."""
    if control.message == "text":
        return midi.sysex_text(control.head, _text(control, value), control.tail)
    if control.scale is None or value is None or isinstance(value, str):
        return None
    share = control.scale.share(value)
    channel, number = control.channel, control.number
    if control.message == "cc":
        return midi.controller(channel, number, to_bits(share, 7))
    if control.message == "cc14":
        return midi.controller_14(channel, number, to_bits(share, 14))
    if control.message == "nrpn":
        return midi.nrpn(channel, number, to_bits(share, 14))
    if control.message == "bend":
        return midi.pitch_bend(channel, to_bits(share, 14))
    if control.message == "note":
        return midi.note_on(channel, number, to_bits(share, 7))
    return midi.program_change(channel, to_bits(share, 7))


def control_osc(control: Control, snapshot: Snapshot) -> OscMessage | None:
    """The message of an OSC device's own address; None while the figure is not measured."""
    return control_osc_for(control, _value(control, snapshot))


def control_osc_for(control: Control, value: Value | None) -> OscMessage | None:
    """The message of a foreign address for ``value``."""
    if control.type == "s":
        return OscMessage(control.address, "s", (_text(control, value),))
    if control.scale is None or value is None or isinstance(value, str):
        return None
    number = to_range(control.scale.share(value), *control.out)
    return OscMessage(
        control.address, control.type, (round(number) if control.type == "i" else number,)
    )


def hit_notes(event: Event, surface: Surface, to: str) -> Iterator[tuple[HitNote, bytes, bytes]]:
    """(entry, note on, note off) for a hit just found; nothing for its later reports."""
    if isinstance(event, Hit) and event.stage == "early":
        for hit in surface.hits:
            if hit.to == to and hit.drum == event.drum:
                on = midi.note_on(hit.channel, hit.note, velocity(event))
                yield hit, on, midi.note_off(hit.channel, hit.note)


# --- lights --------------------------------------------------------------------------------


def light_meaning(light: Light, snapshot: Snapshot) -> str:
    """What a light has to say: one of `surface_model.MEANINGS`."""
    if light.shows == "take":
        runs = snapshot.take is not None and snapshot.take.end_s is None
        return "running" if runs else "waiting"
    if light.shows == "verdict":
        told = told_verdict(snapshot)
        return "quiet" if told is None else {"fine": "good"}.get(told.light, told.light)
    if light.shows == "armed":
        named = (light.mic,) if light.mic else tuple(snapshot.armed)
        return "stop" if any(snapshot.armed.get(mic, 0.0) > 0.0 for mic in named) else "off"
    lasting = standing(snapshot)
    if light.shows == "alerts":
        return _worst(lasting) or "good"
    if light.shows == "drum":
        found = _worst([alert for alert in lasting if alert.drum == light.drum])
        figures = snapshot.figures.drums.get(light.drum)
        return found or ("good" if figures is not None and figures.hits else "quiet")
    found = _worst([alert for alert in lasting if alert.mic == light.mic])
    for state in snapshot.mics:
        clipping = state.clip_age_s is not None and state.clip_age_s < CLIP_SHOWN_S
        if state.name == light.mic and (state.fault or clipping):
            return "stop"
    return found or "good"


def _worst(alerts: list[Alert]) -> Literal["info", "look", "stop"] | None:
    order: tuple[Literal["stop", "look", "info"], ...] = ("stop", "look", "info")
    return next((word for word in order if any(a.severity == word for a in alerts)), None)


def light_message(light: Light, meaning: str, surface: Surface, dark: bool) -> bytes:
    """The message for a light, in the values the user taught; ``dark``: blinking lights are off."""
    taught = surface.meanings or {}
    if dark and meaning in surface.blink:
        meaning = "off"
    words = (meaning, *_INSTEAD.get(meaning, ()), "off")
    value = next((taught[word] for word in words if word in taught), 0)
    if light.message == "cc":
        return midi.controller(light.channel, light.number, value)
    return midi.note_on(light.channel, light.number, value)


def surface_messages(
    surface: Surface, to: str, snapshot: Snapshot, page: int, dark: bool
) -> dict[str, bytes]:
    """What should stand on every control and light of one MIDI port on this page, by its name."""
    wanted: dict[str, bytes] = {}
    for control in surface.controls:
        if control.to == to and control.page in (0, page) and control.message != "osc":
            message = control_message(control, snapshot)
            if message is not None:
                wanted[f"control {control.name}"] = message
    for light in surface.lights:
        if light.to == to and light.page in (0, page):
            meaning = light_meaning(light, snapshot)
            wanted[f"light {light.name}"] = light_message(light, meaning, surface, dark)
    return wanted


def surface_osc(surface: Surface, to: str, snapshot: Snapshot) -> dict[str, OscMessage]:
    """What should stand on every foreign address of one OSC target, by control name."""
    wanted: dict[str, OscMessage] = {}
    for control in surface.controls:
        if control.to == to and control.message == "osc":
            message = control_osc(control, snapshot)
            if message is not None:
                wanted[control.name] = message
    return wanted
