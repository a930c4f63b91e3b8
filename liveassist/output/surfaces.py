"""Surface profiles: which OSC targets, MIDI ports, faders, lights and displays there are.

A profile is a TOML file in profiles/surfaces/, named for what it describes. Bytes and addresses
of a given device are the user's to enter. `load_surface` reads one and reports every mistake
together; nothing here opens a socket or a port.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from liveassist.errors import ConfigError

from .osc_codec import OscError, check_address
from .profile_schema import Field, Problems, read_table
from .quantities import QUANTITIES, Quantity
from .scaling import CURVES, Curve, Scale
from .surface_checks import check_light, check_names, check_osc_in, check_press, check_target
from .surface_model import (
    LIGHT_SHOWS,
    MEANINGS,
    MESSAGES,
    PRESS_COMMANDS,
    Control,
    HitNote,
    Light,
    MidiPort,
    OscIn,
    OscTarget,
    Press,
    Surface,
)

__all__ = ["Surface", "load_surface", "parse_surface", "read_surface"]


BY_KEY: Mapping[str, Quantity] = {quantity.key: quantity for quantity in QUANTITIES}

_CHANNEL = Field("whole", 1, 1, 16)
_PAGE = Field("whole", 0, 0, 16)
#: Every table of a profile and its keys.
FIELDS: Mapping[str, Mapping[str, Field]] = {
    "surface": {
        "name": Field("text"),
        "about": Field("text", ""),
        "pages": Field("whole", 1, 1, 16),
        "blink": Field("texts", ()),
    },
    "osc": {
        "name": Field("text"),
        "host": Field("text", "127.0.0.1"),
        "port": Field("whole", low=1, high=65535),
        "transport": Field("text", "udp", choices=("udp", "tcp_slip", "tcp_length")),
        "prefix": Field("text", ""),
        "only": Field("texts", ()),
        "but_not": Field("texts", ()),
        "rate_hz": Field("number", 10.0, 0.1, 100.0),
        "table": Field("yesno", True),
    },
    "osc_in": {
        "host": Field("text", "127.0.0.1"),
        "port": Field("whole", 9001, 0, 65535),
        "transport": Field("text", "udp", choices=("udp", "tcp_slip", "tcp_length")),
        "allow": Field("texts", ()),
        "commands_per_s": Field("number", 20.0, 1.0, 100.0),
        "query_port": Field("whole", 0, 0, 65535),
        "announce": Field("yesno", False),
    },
    "midi": {
        "name": Field("text"),
        "port": Field("text"),
        "output": Field("yesno", True),
        "input": Field("yesno", False),
        "bytes_per_s": Field("whole", 3125, 100, 3_000_000),
        "transport": Field("yesno", False),
        "record_only": Field("yesno", False),
        "clock": Field("yesno", None),
        "beats_a_bar": Field("whole", 4, 1, 32),
    },
    "control": {
        "name": Field("text"),
        "to": Field("text", ""),
        "shows": Field("text", choices=tuple(BY_KEY)),
        "drum": Field("text", ""),
        "mic": Field("text", ""),
        "message": Field("text", choices=MESSAGES),
        "channel": _CHANNEL,
        "number": Field("whole", 0, 0, 16383),
        "range": Field("range", None),
        "curve": Field("text", "linear", choices=CURVES),
        "invert": Field("yesno", False),
        "page": _PAGE,
        "address": Field("text", ""),
        "type": Field("text", "f", choices=("f", "i", "s")),
        "out": Field("range", (0.0, 1.0)),
        "head": Field("bytes", b""),
        "tail": Field("bytes", b""),
        "label": Field("text", ""),
        "decimals": Field("whole", 1, 0, 6),
        "width": Field("whole", 0, 0, 200),
    },
    "hit": {
        "name": Field("text", ""),
        "to": Field("text", ""),
        "drum": Field("text"),
        "channel": Field("whole", 10, 1, 16),
        "note": Field("whole", low=0, high=127),
        "length_ms": Field("number", 50.0, 1.0, 2000.0),
        "page": _PAGE,
    },
    "light": {
        "name": Field("text"),
        "to": Field("text", ""),
        "shows": Field("text", choices=LIGHT_SHOWS),
        "drum": Field("text", ""),
        "mic": Field("text", ""),
        "message": Field("text", "note", choices=("note", "cc")),
        "channel": _CHANNEL,
        "number": Field("whole", low=0, high=127),
        "page": _PAGE,
    },
    "press": {
        "name": Field("text"),
        "on": Field("text", ""),
        "message": Field("text", "cc", choices=("note", "cc", "program", "bend")),
        "channel": _CHANNEL,
        "number": Field("whole", None, 0, 127),
        "between": Field("span", (64, 127)),
        "command": Field("text", choices=PRESS_COMMANDS),
        "value": Field("text", ""),
    },
}
FIELDS = {**FIELDS, "apply": FIELDS["control"]}
_SINGLE = ("surface", "osc_in")
#: What ``to`` and ``on`` name, and what is wrong where there is nothing to name.
_CAN = {"to": "outputs it can use", "on": "ports that are heard"}
_NOTHING_THERE = {
    "to": "there is no output it could use: describe one, in [[midi]] or (for osc) in [[osc]]",
    "on": "no port is heard: give one [[midi]] port input = true",
}
#: Largest ``number`` of each kind of message.
_HIGHEST = {"cc": 127, "cc14": 31, "nrpn": 16383, "note": 127}


def load_surface(path: Path | str) -> Surface:
    """The surface described by a TOML file.

    Raises ConfigError with every mistake in it: file, key, what is wrong, nearest right word.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise ConfigError(f"{path}: the surface profile cannot be read: {why}") from None
    return parse_surface(text, str(path))


def parse_surface(text: str, file: str) -> Surface:
    """The surface described by TOML ``text``; ``file`` is named in messages."""
    surface, problems = read_surface(text, file)
    if problems or surface is None:
        raise ConfigError(problems)
    return surface


def read_surface(text: str, file: str) -> tuple[Surface | None, list[str]]:
    """The surface, None if it has mistakes, and the list of all of them."""
    problems = Problems(file)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, [f"{file}: not a TOML file: {error}"]
    tables = _read_tables(document, problems)
    surface = _build(tables, problems, file)
    return (None if problems.found else surface), problems.found


def _read_tables(document: Mapping[str, Any], problems: Problems) -> dict[str, list[Any]]:
    """Every known table of the document as a list of checked values."""
    tables: dict[str, list[Any]] = {name: [] for name in FIELDS}
    meanings = document.get("meaning", {})
    tables["meaning"] = [_read_meanings(meanings, problems)]
    for key, value in document.items():
        if key == "meaning":
            continue
        if key not in FIELDS:
            problems.unknown("top level", "the table", key, [*FIELDS, "meaning"])
        elif key in _SINGLE:
            tables[key].append(_read(key, value, f"[{key}]", 1, problems))
        elif not isinstance(value, list):
            problems.add(f"[{key}]", f"is written with two brackets: [[{key}]]")
        else:
            for index, item in enumerate(value, 1):
                name = item.get("name") if isinstance(item, Mapping) else None
                where = f"[[{key}]] {name!r}" if isinstance(name, str) else f"[[{key}]] {index}"
                tables[key].append(_read(key, item, where, index, problems))
    if not tables["surface"]:
        problems.add("[surface]", "is missing; it holds at least a name")
        tables["surface"].append({"name": "", "about": "", "pages": 16, "blink": ()})
    return tables


def _read(key: str, item: object, where: str, index: int, problems: Problems) -> dict[str, Any]:
    """A table's values. What is missing or wrong has a stand-in that raises no further objection,
    so that the rest of the table is checked all the same."""
    values = read_table(item, FIELDS[key], where, problems)
    stand_ins: dict[str, Any] = {"name": str(index), "port": -index, "number": 0, "note": 0}
    stand_ins.update(shows="take" if key == "light" else None, message=None, drum="?")
    stand_ins.update(command="take/start")
    if key == "midi":
        stand_ins["port"] = "?"
    for name, spec in FIELDS[key].items():
        if spec.required:
            values.setdefault(name, stand_ins[name])
    return values


def _read_meanings(table: object, problems: Problems) -> dict[str, int]:
    fields = {meaning: Field("whole", None, 0, 127) for meaning in MEANINGS}
    values = read_table(table, fields, "[meaning]", problems)
    return {meaning: value for meaning, value in values.items() if value is not None}


def _build(tables: Mapping[str, list[Any]], problems: Problems, file: str) -> Surface:
    head = tables["surface"][0]
    osc = tuple(OscTarget(**values) for values in tables["osc"])
    midi = tuple(MidiPort(**values) for values in tables["midi"])
    check_names(osc, midi, problems)
    for target in osc:
        check_target(target, problems)
    osc_in = OscIn(**tables["osc_in"][0]) if tables["osc_in"] else None
    if osc_in is not None:
        check_osc_in(osc_in, problems)
        for target in osc:
            if target.port == osc_in.port and target.host in ("localhost", osc_in.host):
                what = "is where [osc_in] listens: liveassist would talk to itself"
                problems.add(f"[[osc]] {target.name!r}.port", what)
            local = target.host in ("localhost", osc_in.host) and target.transport != "udp"
            if local and target.port == osc_in.query_port:
                what = "is where [osc_in] describes its addresses (query_port)"
                problems.add(f"[[osc]] {target.name!r}.port", what)
    sends = [port.name for port in midi if port.output]
    hears = [port.name for port in midi if port.input]
    controls = []
    for values in tables["control"]:
        outputs = _outputs_for(values["message"], osc, sends)
        values = _default_output(values, "to", outputs, "control", problems)
        controls.append(_control(values, problems))
    applies = []
    for values in tables["apply"]:
        outputs = _outputs_for(values["message"], osc, sends)
        values = _default_output(values, "to", outputs, "apply", problems)
        applies.append(_apply(values, problems))
    hits, lights, presses = [], [], []
    for values in tables["hit"]:
        hits.append(HitNote(**_default_output(values, "to", sends, "hit", problems)))
    for values in tables["light"]:
        lights.append(Light(**_default_output(values, "to", sends, "light", problems)))
        check_light(lights[-1], problems)
    for values in tables["press"]:
        if values["number"] is None:
            values["number"] = 0
            if values["message"] != "bend":
                where = f"[[press]] {values['name']!r}"
                problems.add(where, "number is missing; it holds a whole number")
        presses.append(Press(**_default_output(values, "on", hears, "press", problems)))
        check_press(presses[-1], head["pages"], problems)
    for word in head["blink"]:
        if word not in MEANINGS:
            problems.unknown("[surface].blink", "the meaning", word, MEANINGS)
    meanings = tables["meaning"][0]
    if lights and "off" not in meanings:
        problems.add("[meaning]", "lights need at least the value that means off")
    return Surface(
        name=head["name"],
        about=head["about"],
        osc=osc,
        osc_in=osc_in,
        midi=midi,
        controls=tuple(control for control in controls if control is not None),
        hits=tuple(hits),
        lights=tuple(lights),
        presses=tuple(presses),
        applies=tuple(control for control in applies if control is not None),
        meanings=meanings,
        blink=head["blink"],
        pages=head["pages"],
        file=file,
    )


def _outputs_for(
    message: str | None, osc: Sequence[OscTarget], sends: Sequence[str]
) -> Sequence[str] | None:
    """Names of the outputs a message can go to; None where the message is not known."""
    return None if message is None else [t.name for t in osc] if message == "osc" else sends


def _default_output(
    values: dict[str, Any], key: str, outputs: Sequence[str] | None, table: str, problems: Problems
) -> dict[str, Any]:
    """Fill in the only possible output where none is named; a wrong one is a problem."""
    where = f"[[{table}]] {values.get('name') or values.get('drum')!r}"
    if outputs is None:
        return values
    if not values[key] and len(outputs) == 1:
        return {**values, key: outputs[0]}
    if values[key] not in outputs:
        if values[key]:
            problems.unknown(f"{where}.{key}", "the output", values[key], outputs)
        else:
            problems.add(
                f"{where}.{key}",
                _NOTHING_THERE[key]
                if not outputs
                else f"must name one of the {_CAN[key]}: {', '.join(outputs)}",
            )
    return values


def _apply(values: dict[str, Any], problems: Problems) -> Control | None:
    """An [[apply]] entry: a control, but for suggested settings only, and never as text."""
    where = f"[[apply]] {values['name']!r}"
    if values["shows"] is not None and not values["shows"].startswith("suggested_"):
        problems.add(f"{where}.shows", "only suggested settings can be applied")
    if values["message"] == "text" or (values["message"] == "osc" and values["type"] == "s"):
        problems.add(f"{where}.message", "a setting is a number, not text")
    return _control(values, problems, "apply")


def _control(values: dict[str, Any], problems: Problems, table: str = "control") -> Control | None:
    where = f"[[{table}]] {values['name']!r}"
    before = len(problems.found)
    shows = values.pop("shows")
    quantity = None if shows is None else BY_KEY[shows]
    span = values.pop("range")
    curve: Curve = values.pop("curve")
    invert = values.pop("invert")
    message = values["message"]
    for key, needed in (("drum", ("drum", "bleed")), ("mic", ("mic", "bleed"))):
        if quantity is not None and quantity.subject in needed and not values[key]:
            problems.add(where, f"{quantity.key} needs {key} = a {key} of the kit")
    if values["number"] > _HIGHEST.get(message, 16383):
        problems.add(f"{where}.number", f"must be at most {_HIGHEST[message]} for {message}")
    if message == "osc":
        try:
            check_address(values["address"])
        except OscError as error:
            problems.add(f"{where}.address", str(error))
    if message == "text" and not values["label"].isascii():
        what = f"a display is sent plain ASCII letters; {values['label']!r} has others"
        problems.add(f"{where}.label", what)
    as_text = message == "text" or (message == "osc" and values["type"] == "s")
    if quantity is not None and message is not None and quantity.type == "s" and not as_text:
        problems.add(f"{where}.message", f"{quantity.key} is text; only a display can show it")
    scale = None
    if not as_text and (span is not None or quantity is not None):
        scale = _scale(quantity, span, curve, invert, where, problems)
    if quantity is None or message is None or len(problems.found) > before:
        return None
    return Control(quantity=quantity, scale=scale, **values)


def _scale(
    quantity: Quantity | None,
    span: tuple[float, float] | None,
    curve: Curve,
    invert: bool,
    where: str,
    problems: Problems,
) -> Scale | None:
    if span is None:
        assert quantity is not None
        if quantity.low is None or quantity.high is None:
            problems.add(where, f"{quantity.key} needs range = [low, high] in {quantity.unit}")
            return None
        span = (quantity.low, quantity.high)
    low, high = span
    if low > high:
        problems.add(f"{where}.range", "goes from low to high; use invert = true to turn it round")
    elif curve == "log" and low <= 0:
        problems.add(f"{where}.curve", "log needs a range above 0")
    return Scale(low, high, curve, invert)
