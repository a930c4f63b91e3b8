"""The table of all OSC addresses: what is sent, what is understood, types, units, ranges, when.

Code, documentation (`catalogue.markdown`) and the machine-readable description
(`catalogue.description`) are made from `ADDRESSES`. The namespace is versioned: what a released
version sends under `/liveassist/1` keeps its meaning there.

Names of drums and microphones become part of an address; characters OSC reserves turn into ``_``.
"""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping
from typing import get_args

from liveassist.model import Kit, Role

from .address_lugs import LUG_COMMANDS, LUG_EVENTS
from .address_row import ROOT as ROOT
from .address_row import Address as Address
from .address_row import Arg as Arg
from .address_row import When as When
from .address_takes import TAKE_COMMANDS
from .quantities import LEVEL_DBFS, QUANTITIES, Quantity, subjects

_PREFIX: Mapping[str, str] = {
    "session": f"{ROOT}/session",
    "take": f"{ROOT}/take",
    "clock": f"{ROOT}/clock",
    "alerts": f"{ROOT}/alerts",
    "drum": f"{ROOT}/drum/{{drum}}",
    "mic": f"{ROOT}/mic/{{mic}}",
    "bleed": f"{ROOT}/mic/{{mic}}/bleed/{{drum}}",
}
_ALLOWED = frozenset(string.ascii_letters + string.digits + "_-.")


_NUMBER = Arg("number", "i", "", 0)
_TIME = Arg("time_s", "f", "s", 0)
_LEVEL = Arg("peak_dbfs", "f", "dBFS", *LEVEL_DBFS)
_VELOCITY = Arg("velocity", "i", "", 1, 127)
_ROLE = Arg("role", "s", choices=get_args(Role))
_SURE = Arg("confidence", "f", "fraction", 0, 1)
_HIT = f"{ROOT}/drum/{{drum}}/hit"
_HIT_ARGS = (_NUMBER, _TIME, _LEVEL, _VELOCITY, _ROLE, _SURE)
_ID = Arg("alert", "s")

_EVENTS = (
    Address(
        _HIT,
        _HIT_ARGS,
        "event",
        "A hit, a few milliseconds after its onset; the level is the peak so far. Role is "
        "main, weak, ghost, rim_click, flam or unsure.",
        (412, 83.214, -9.3, 104, "main", 0.97),
    ),
    Address(
        f"{_HIT}/revised",
        _HIT_ARGS,
        "event",
        "The same hit, corrected once.",
        (412, 83.214, -9.1, 105, "main", 0.99),
    ),
    Address(
        f"{_HIT}/withdrawn",
        (_NUMBER, _TIME),
        "event",
        "It was bleed after all.",
        (413, 83.52),
    ),
    Address(
        f"{_HIT}/complete",
        _HIT_ARGS,
        "event",
        "Some 300 ms later: the final figures, in a bundle with what follows here.",
        (412, 83.214, -9.1, 105, "main", 0.99),
    ),
    Address(
        f"{_HIT}/note_hz",
        (_NUMBER, Arg("note_hz", "f", "Hz", 20, 2000)),
        "event",
        "Frequency of the lowest mode of this hit, if it was measured.",
        (412, 187.4),
    ),
    Address(
        f"{_HIT}/ring_s",
        (_NUMBER, Arg("ring_s", "f", "s", 0, 10)),
        "event",
        "Ring of this hit, if it was measured.",
        (412, 0.42),
    ),
    Address(
        f"{_HIT}/flag",
        (_NUMBER, Arg("flag", "s")),
        "event",
        "Something special about this hit, such as clipped.",
        (412, "clipped"),
    ),
    Address(
        f"{ROOT}/drum/{{drum}}/onset",
        (_NUMBER, _TIME, _SURE),
        "event",
        "A hit on a drum or cymbal without an own microphone.",
        (414, 83.6, 0.8),
    ),
    Address(
        f"{ROOT}/take/started",
        (Arg("name", "s"), _TIME, Arg("provisional", "i", "0 or 1", 0, 1)),
        "event",
        "A take began; provisional: found between silences, not marked by anyone.",
        ("take 3", 41.5, 0),
    ),
    Address(
        f"{ROOT}/take/ended",
        (Arg("name", "s"), Arg("start_s", "f", "s", 0), Arg("end_s", "f", "s", 0)),
        "event",
        "A take is over.",
        ("take 3", 41.5, 221.0),
    ),
    Address(
        f"{ROOT}/take/renamed",
        (Arg("was", "s"), Arg("name", "s")),
        "event",
        "A take has another name.",
        ("take 3", "second verse"),
    ),
    Address(
        f"{ROOT}/alert/began",
        (
            _ID,
            Arg("when", "s", choices=("now", "between")),
            Arg("severity", "s", choices=("info", "look", "stop")),
            Arg("subject", "s"),
            Arg("sentence", "s"),
        ),
        "event",
        "An alert began. When is now or between; severity is info, look or stop; the subject is a "
        "drum or a microphone. The first argument names it in later messages.",
        ("clipping.snare_top", "now", "stop", "snare_top", "Snare top clips."),
    ),
    Address(
        f"{ROOT}/alert/value",
        (_ID, Arg("value", "f"), Arg("unit", "s")),
        "event",
        "The figure behind an alert, if there is one.",
        ("uneven.snare", 3.1, "dB"),
    ),
    Address(
        f"{ROOT}/alert/ended",
        (_ID, _TIME),
        "event",
        "An alert is over.",
        ("clipping.snare_top", 97.0),
    ),
    Address(
        f"{ROOT}/change",
        (Arg("cause", "s"), Arg("subject", "s"), Arg("sentence", "s"), _SURE),
        "event",
        "What differs from the reference take, by cause.",
        ("head_pitch", "snare", "The snare head is 28 cents flat.", 0.95),
    ),
    Address(
        f"{ROOT}/change/amount",
        (Arg("cause", "s"), Arg("subject", "s"), Arg("amount", "f"), Arg("unit", "s")),
        "event",
        "By how much, if that was measured.",
        ("head_pitch", "snare", -28.0, "cents"),
    ),
    Address(
        f"{ROOT}/output/state",
        (
            Arg("output", "s"),
            Arg("state", "s", choices=("ok", "down", "absent")),
            Arg("note", "s"),
        ),
        "change",
        "Health of one output: ok, down (was there) or absent.",
        ("pad grid", "down", "unplugged"),
    ),
    Address(
        f"{ROOT}/apply/armed",
        (Arg("mic", "s"), Arg("seconds_left", "f", "s", 0, 30)),
        "change",
        "Which microphone is armed for applying, counted down by whole seconds; 0: no longer. In "
        "the state only while one is.",
        ("snare_top", 27.0),
    ),
    Address(
        f"{ROOT}/unmeasured",
        (Arg("address", "s"), Arg("reason", "s")),
        "change",
        "The figure of that address is not measured now; forget the last value.",
        (f"{ROOT}/drum/snare/note_hz", "3 hits, 8 needed"),
    ),
)

_COMMANDS = (
    Address(
        f"{ROOT}/take/start",
        (Arg("name", "s", optional=True),),
        "command",
        "Start a take. One that runs goes on around it: takes nest. A hit in both is listed under "
        "the one begun last, and counts in the figures of both.",
        ("take 4",),
    ),
    Address(
        f"{ROOT}/take/stop",
        (),
        "command",
        "End the take that runs; of several the one begun last.",
        (),
    ),
    Address(
        f"{ROOT}/take/rename",
        (Arg("name", "s"), Arg("take", "s", optional=True)),
        "command",
        "Name the take that runs or was last, or the one named.",
        ("second verse",),
    ),
    Address(
        f"{ROOT}/take/mark",
        (Arg("text", "s", optional=True),),
        "command",
        "Put a mark at this moment.",
        ("bass drum change",),
    ),
    *TAKE_COMMANDS,
    *LUG_COMMANDS,
    Address(
        f"{ROOT}/reference/set",
        (Arg("take", "s", optional=True),),
        "command",
        "Compare with this take from now on; without a name, the latest.",
        ("take 1",),
    ),
    Address(f"{ROOT}/reference/clear", (), "command", "Compare with no take.", ()),
    Address(
        f"{ROOT}/alert/acknowledge",
        (_ID,),
        "command",
        "Seen: silence this alert until it begins anew.",
        ("uneven.snare",),
    ),
    Address(
        f"{ROOT}/aim",
        (Arg("aim", "s", choices=("natural", "tight", "keep-ghosts")),),
        "command",
        "What the suggestions aim at: natural, tight or keep-ghosts.",
        ("natural",),
    ),
    Address(
        f"{ROOT}/correct/not_a_hit",
        (Arg("drum", "s", optional=True),),
        "command",
        "The last hit reported on this drum (without a name: on a kick or snare) was none. It is "
        "withdrawn, and what sounds like it is not taken for one again.",
        ("snare",),
    ),
    Address(
        f"{ROOT}/correct/missed",
        (Arg("drum", "s", optional=True),),
        "command",
        "There was a hit on this drum (without a name: a kick or snare) in the last 2.5 s that was "
        "not reported. It is reported, and what sounds like it is taken for one.",
        ("snare",),
    ),
    Address(
        f"{ROOT}/audit",
        (),
        "command",
        "Try how soft a hit would still be heard in what sounds now; the answer comes a few "
        "seconds later as audit/softest_dbfs.",
        (),
    ),
    Address(
        f"{ROOT}/apply/arm",
        (Arg("mic", "s"), Arg("present_dbfs", "f", "dBFS", *LEVEL_DBFS, optional=True)),
        "command",
        "Make one microphone ready for applying its suggested settings, for 30 s. The threshold "
        "the device has now, if you give it, is what undo goes back to.",
        ("snare_top", -30.0),
    ),
    Address(
        f"{ROOT}/apply/disarm", (Arg("mic", "s"),), "command", "Take that back.", ("snare_top",)
    ),
    Address(
        f"{ROOT}/apply/now",
        (Arg("mic", "s"),),
        "command",
        "Send the suggested settings of an armed microphone to your device, once.",
        ("snare_top",),
    ),
    Address(
        f"{ROOT}/apply/undo",
        (Arg("mic", "s"),),
        "command",
        "Send what was there before.",
        ("snare_top",),
    ),
    Address(f"{ROOT}/state", (), "command", "Send every figure to me once.", ()),
    Address(
        f"{ROOT}/subscribe",
        (
            Arg("port", "i", "", 1, 65535, optional=True),
            Arg("seconds", "f", "s", 1, 3600, optional=True),
            Arg("rate_hz", "f", "Hz", 0.1, 100, optional=True),
        ),
        "command",
        "Send everything to this port of mine (without one: where I send from) for so many seconds "
        "(60); begins with every figure. Repeat it to renew.",
        (9000, 60.0, 10.0),
    ),
    Address(
        f"{ROOT}/unsubscribe",
        (Arg("port", "i", "", 1, 65535, optional=True),),
        "command",
        "Send no more.",
        (9000,),
    ),
)

_ANSWER = Address(
    f"{ROOT}/answer",
    (Arg("command", "s"), Arg("outcome", "s", choices=("done", "refused")), Arg("why", "s")),
    "answer",
    "To every command: done or refused, and why.",
    (f"{ROOT}/take/stop", "refused", "no take runs"),
)


def path_of(quantity: Quantity) -> str:
    """The address template of a quantity."""
    return f"{_PREFIX[quantity.subject]}/{quantity.name}"


def _row(quantity: Quantity) -> Address:
    last = quantity.name.rsplit("/", 1)[-1]
    arg = Arg(last, quantity.type, quantity.unit, quantity.low, quantity.high)
    return Address(path_of(quantity), (arg,), quantity.when, quantity.about, (quantity.example,))


#: The whole table.
ADDRESSES: tuple[Address, ...] = (
    *_EVENTS,
    *LUG_EVENTS,
    *map(_row, QUANTITIES),
    *_COMMANDS,
    _ANSWER,
)
#: Commands by their full address.
COMMANDS: Mapping[str, Address] = {address.path: address for address in _COMMANDS}


def address_part(name: str) -> str:
    """``name`` as one part of an address: characters OSC reserves, and all beyond ASCII, as _."""
    return "".join(c if c in _ALLOWED else "_" for c in name) or "_"


def address_parts(names: Iterable[str]) -> dict[str, str]:
    """Address part of every name; where two would be the same, the later gets a number."""
    parts: dict[str, str] = {}
    for name in names:
        part = plain = address_part(name)
        count = 2
        while part in parts.values():
            part, count = f"{plain}_{count}", count + 1
        parts[name] = part
    return parts


def kit_addresses(kit: Kit) -> list[tuple[str, Quantity, str, str]]:
    """(address, quantity, mic or drum, drum) of every figure a session with this kit can have."""
    drums = address_parts(drum.name for drum in kit.drums)
    mics = address_parts(mic.name for mic in kit.mics)
    rows = []
    for quantity in QUANTITIES:
        for first, second in subjects(quantity, kit):
            drum = drums.get(first if quantity.subject == "drum" else second, "")
            path = path_of(quantity).format(drum=drum, mic=mics.get(first, ""))
            rows.append((path, quantity, first, second))
    return rows
