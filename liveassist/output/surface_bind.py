"""Fit a surface profile to a kit, and say in words what it does.

A profile may name a drum by its name or by its kind (``snare``: the first snare), and a
microphone by its name or by its drum (``snare``: the snare's own microphone), so that one profile
serves many kits. What the kit does not have is left out, and said.
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import TypeVar

from liveassist.model import DRUM_KINDS, Kit

from .surface_model import Control, HitNote, Light, OscIn, Press, Surface


def find_drum(kit: Kit, name: str) -> str | None:
    """The drum called ``name``, or else the first of that kind."""
    names = [drum.name for drum in kit.drums]
    if name in names:
        return name
    return next((drum.name for drum in kit.drums if drum.kind == name), None)


def find_mic(kit: Kit, name: str) -> str | None:
    """The microphone called ``name``, or else the own microphone of the drum it names."""
    if name in [mic.name for mic in kit.mics]:
        return name
    drum = find_drum(kit, name)
    return None if drum is None else kit.drum(drum).own


def bind(surface: Surface, kit: Kit) -> tuple[Surface, list[str]]:
    """The surface with names of this kit, less what the kit does not have; and what was left out.

    Each sentence names the file, the entry, the word, and the nearest the kit has.
    """
    bound, missing = _bind(surface, kit)
    return bound, [sentence for sentence, _ in missing]


def _bind(surface: Surface, kit: Kit) -> tuple[Surface, list[tuple[str, str]]]:
    """As `bind`; with each sentence the word that the kit does not have."""
    left_out: list[tuple[str, str]] = []
    controls = [_bound(item, "control", kit, surface, left_out) for item in surface.controls]
    applies = [_bound(item, "apply", kit, surface, left_out) for item in surface.applies]
    lights = [_bound(item, "light", kit, surface, left_out) for item in surface.lights]
    hits = []
    for hit in surface.hits:
        drum = find_drum(kit, hit.drum)
        if drum is None:
            name = hit.name or hit.drum
            said = _missing(surface, "hit", name, "drum", hit.drum, kit)
            left_out.append((said, hit.drum))
        else:
            hits.append(replace(hit, drum=drum))
    for press in surface.presses:
        key = _NAMED_BY.get(press.command)
        find = find_mic if key == "mic" else find_drum
        if key is not None and press.value and find(kit, press.value) is None:
            said = _missing(surface, "press", press.name, key, press.value, kit)
            left_out.append((said.replace(f".{key}:", ".value:"), press.value))
    bound = replace(
        surface,
        controls=tuple(item for item in controls if item is not None),
        applies=tuple(item for item in applies if item is not None),
        lights=tuple(item for item in lights if item is not None),
        hits=tuple(hits),
    )
    return bound, left_out


def check_surface(surface: Surface, kit: Kit) -> list[str]:
    """What the surface asks for that the kit does not have, one sentence each."""
    return bind(surface, kit)[1]


def wrong_names(surface: Surface, kit: Kit) -> list[str]:
    """Of `check_surface`, what no kit could have meant: the word is no kind of drum either. A kind
    that this kit lacks is no mistake, since one profile serves many kits."""
    return [said for said, word in _bind(surface, kit)[1] if word not in DRUM_KINDS]


_Named = TypeVar("_Named", Control, Light)


def _bound(
    item: _Named, table: str, kit: Kit, surface: Surface, left_out: list[tuple[str, str]]
) -> _Named | None:
    drum = find_drum(kit, item.drum) if item.drum else ""
    mic = find_mic(kit, item.mic) if item.mic else ""
    if drum is None:
        said = _missing(surface, table, item.name, "drum", item.drum, kit)
        left_out.append((said, item.drum))
    if mic is None:
        said = _missing(surface, table, item.name, "mic", item.mic, kit)
        left_out.append((said, item.mic))
    if drum is None or mic is None:
        return None
    return replace(item, drum=drum, mic=mic)


def _missing(surface: Surface, table: str, name: str, key: str, given: str, kit: Kit) -> str:
    known = [drum.name for drum in kit.drums]
    if key == "mic":
        known += [mic.name for mic in kit.mics]
    near = difflib.get_close_matches(given, known, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]!r}?" if near else f"it has {', '.join(known)}"
    return (
        f"{surface.file or surface.name}: [[{table}]] {name!r}.{key}: "
        f"the kit {kit.name!r} has no {given!r}; {hint}"
    )


# --- in words ------------------------------------------------------------------------------

_SENT_AS = {
    "cc": "controller {0.number}",
    "cc14": "14-bit controller {0.number}",
    "nrpn": "parameter {0.number}",
    "bend": "pitch bend",
    "note": "the velocity of note {0.number}",
    "program": "program change",
    "text": "text",
}
_TAKE_WORDS = {
    False: "its transport starts and ends takes",
    True: "its machine-control record starts takes",
}
#: What the value of a button's command names.
_NAMED_BY = {
    "apply/arm": "mic",
    "apply/disarm": "mic",
    "apply/now": "mic",
    "apply/undo": "mic",
    "correct/not_a_hit": "drum",
    "correct/missed": "drum",
}
_COMMAND_WORDS = {
    "take/start": "starts a take",
    "take/stop": "ends the take",
    "take/toggle": "starts a take, or ends the one that runs",
    "take/mark": "puts a mark",
    "reference/set": "makes the latest take the reference",
    "reference/clear": "clears the reference",
    "alert/acknowledge": "silences the most urgent alert",
    "aim": "sets the aim of the suggestions",
    "correct/not_a_hit": "says that the last hit was none",
    "correct/missed": "says that a hit was missed",
    "audit": "asks how soft a hit would still be heard",
    "apply/arm": "arms the suggested settings of a microphone",
    "apply/disarm": "takes that back",
    "apply/now": "sends the armed settings",
    "apply/undo": "sends what was there before",
    "page": "turns to a page",
}


def explain(surface: Surface, kit: Kit | None) -> list[str]:
    """What the surface does, one sentence each, with the names of this kit, if there is one."""
    bound, left_out = (surface, list[str]()) if kit is None else bind(surface, kit)
    lines = [f"{surface.name}: {surface.about}".rstrip(": ")]
    lines += [_explain_target(bound, index) for index in range(len(bound.osc))]
    if bound.osc_in is not None:
        allowed = ", ".join(bound.osc_in.allow) or "this computer only"
        lines.append(_explain_in(bound.osc_in, allowed))
    for port in bound.midi:
        ways = " and ".join(
            word for word, on in (("sends to", port.output), ("hears", port.input)) if on
        )
        lines.append(
            f"{port.name}: {ways} the MIDI port matching {port.port!r}"
            + (f", at most {port.bytes_per_s} bytes a second" if port.output else "")
            + (f", and {_TAKE_WORDS[port.record_only]}" if port.transport else "")
            + (", and its clock and time code are the session's" if port.keeps_time else "")
        )
    lines += [_explain_control(control) for control in bound.controls]
    lines += [_explain_hit(hit) for hit in bound.hits]
    lines += [_explain_light(light) for light in bound.lights]
    if bound.lights:
        lines.append(_explain_meanings(bound))
    lines += [_explain_apply(control) for control in bound.applies]
    lines += [_explain_press(press) for press in bound.presses]
    return lines + [f"not used: {sentence}" for sentence in left_out]


def _explain_target(surface: Surface, index: int) -> str:
    target = surface.osc[index]
    what = "every documented address" if target.table else "only the addresses of this profile"
    if target.only:
        what = f"what matches {', '.join(target.only)}"
    if target.but_not:
        what += f" except {', '.join(target.but_not)}"
    under = f" under {target.prefix}" if target.prefix else ""
    return (
        f"{target.name}: sends {what}{under} to {target.host}:{target.port} ({target.transport}), "
        f"figures at most {target.rate_hz:g} times a second"
    )


def _explain_in(osc_in: OscIn, allowed: str) -> str:
    said = f"hears OSC commands on {osc_in.host}:{osc_in.port}: {allowed}"
    if osc_in.transport != "udp":
        said += f"; {osc_in.transport} on the same port besides"
    if osc_in.query_port:
        said += f"; describes its addresses over HTTP on port {osc_in.query_port}"
    return said + ("; announced by mDNS" if osc_in.announce else "")


def _subject(item: Control) -> str:
    """Whose figure it is: "the snare's "."""
    if item.mic and item.drum:
        return f"the {item.drum}'s (in {item.mic}) "
    owner = item.drum or item.mic
    return f"the {owner}'s " if owner else "the "


def _explain_control(control: Control) -> str:
    quantity = control.quantity
    what = f"{control.name} shows {_subject(control)}{quantity.words}"
    if control.scale is not None:
        low, high = control.scale.low, control.scale.high
        if control.scale.invert:
            low, high = high, low
        unit = "" if " to " in quantity.unit else f" {quantity.unit}"
        what += f" from {low:g} to {high:g}{unit}"
        if control.scale.curve != "linear":
            what += f" ({control.scale.curve} curve)"
    if control.message == "osc":
        sent = f"as {control.address} to {control.to}"
    else:
        sent = f"as {_SENT_AS[control.message].format(control)} to {control.to}"
        if control.message != "text":
            sent += f", channel {control.channel}"
        else:
            sent += _explain_text(control)
    page = f", on page {control.page}" if control.page else ""
    return f"{what}, {sent}{page}"


def _explain_text(control: Control) -> str:
    """What stands around the text of a display."""
    said = f", {control.width} letters wide" if control.width else ""
    said += f", after {control.label!r}" if control.label else ""
    for bytes_, where in ((control.head, "behind"), (control.tail, "before")):
        said += f", {where} the bytes {bytes_.hex(' ').upper()}" if bytes_ else ""
    return said


def _explain_apply(control: Control) -> str:
    said = _explain_control(control).replace(" shows ", " is set to ", 1)
    return f"{said}, only when armed and applied by hand"


def _explain_hit(hit: HitNote) -> str:
    return (
        f"a hit on {hit.drum} plays note {hit.note} on channel {hit.channel} of {hit.to} for "
        f"{hit.length_ms:g} ms, as loud as the hit"
    )


def _explain_meanings(surface: Surface) -> str:
    """The values of all lights, once."""
    meanings = surface.meanings or {}
    taught = ", ".join(f"{word} = {value}" for word, value in meanings.items())
    blinking = [word for word in surface.blink if word in meanings]
    return f"lights: {taught}" + (f"; blinking: {', '.join(blinking)}" if blinking else "")


def _explain_light(light: Light) -> str:
    kind = "note" if light.message == "note" else "controller"
    what = f"{light.drum or light.mic} ({light.shows})" if light.drum or light.mic else light.shows
    return (
        f"{light.name} lights {kind} {light.number} on channel {light.channel} of {light.to} "
        f"for {what}" + (f", on page {light.page}" if light.page else "")
    )


def _explain_press(press: Press) -> str:
    kinds = {"note": "note", "cc": "controller", "program": "program", "bend": "pitch bend"}
    kind = kinds[press.message] + ("" if press.message == "bend" else f" {press.number}")
    value = f" ({press.value})" if press.value else ""
    low, high = press.between
    when = "" if press.between == (64, 127) else f" when it comes to {low} to {high}"
    return (
        f"{press.name} ({kind} on channel {press.channel} of {press.on}) "
        f"{_COMMAND_WORDS[press.command]}{value}{when}"
    )
