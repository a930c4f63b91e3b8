"""What a table of a surface profile must be beside each of its keys being right."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence

from .addresses import ADDRESSES
from .osc_codec import OscError, check_address
from .osc_match import matches
from .profile_schema import Problems
from .surface_model import Light, MidiPort, OscIn, OscTarget, Press


def check_names(osc: Sequence[OscTarget], midi: Sequence[MidiPort], problems: Problems) -> None:
    """Names of outputs are used once; what is heard of a port needs its input."""
    seen: set[str] = set()
    for name in [*(target.name for target in osc), *(port.name for port in midi)]:
        if name in seen:
            problems.add(f"name {name!r}", "two outputs have this name")
        seen.add(name)
    for port in midi:
        if port.record_only and not port.transport:
            problems.add(f"[[midi]] {port.name!r}.record_only", "needs transport = true")
        for key, on in (("transport", port.transport), ("clock", port.clock)):
            if on and not port.input:
                problems.add(f"[[midi]] {port.name!r}.{key}", "needs input = true")


def check_target(target: OscTarget, problems: Problems) -> None:
    """Prefix and patterns of an OSC target."""
    where = f"[[osc]] {target.name!r}"
    if target.prefix:
        try:
            check_address(target.prefix)
        except OscError as error:
            problems.add(f"{where}.prefix", str(error))
        if target.prefix.endswith("/"):
            problems.add(f"{where}.prefix", "does not end with /")
    for key, patterns in (("only", target.only), ("but_not", target.but_not)):
        for pattern in patterns:
            try:
                check_address(pattern)
                matches(pattern, "/")
            except OscError as error:
                problems.add(f"{where}.{key}", str(error))
                continue
            if target.table and not _means_something(pattern):
                what = f"no address of the table matches {pattern!r}"
                problems.add(f"{where}.{key}", what)
    if not target.host.strip() or any(c.isspace() or c in "/@" for c in target.host):
        problems.add(f"{where}.host", f"{target.host!r} is neither an address nor a name")


def _means_something(pattern: str) -> bool:
    """Whether an address that is sent could match, whatever drums and microphones are called."""
    parts = pattern.split("/")
    for row in ADDRESSES:
        known = row.path.split("/")
        if row.when != "command" and len(known) == len(parts):
            pairs = zip(parts, known, strict=True)
            if all("{" in name or matches(f"/{part}", f"/{name}") for part, name in pairs):
                return True
    return False


def check_osc_in(osc_in: OscIn, problems: Problems) -> None:
    """An address of this computer; beyond it, a list of who may give commands."""
    if osc_in.transport != "udp" and 0 < osc_in.query_port == osc_in.port:
        what = f"is the TCP port of commands too, since transport is {osc_in.transport}"
        problems.add("[osc_in].query_port", what)
    for network in osc_in.allow:
        try:
            ipaddress.ip_network(network, strict=False)
        except ValueError:
            what = f"{network!r} is not an address or network such as 192.168.1.0/24"
            problems.add("[osc_in].allow", what)
    try:
        loopback = ipaddress.ip_address(osc_in.host).is_loopback
    except ValueError:
        problems.add("[osc_in].host", f"{osc_in.host!r} is not an IP address of this computer")
        return
    if not loopback and not osc_in.allow:
        what = "listening beyond this computer needs allow, the addresses commands may come from"
        problems.add("[osc_in]", what)


def check_press(press: Press, pages: int, problems: Problems) -> None:
    """A number, and what the command needs."""
    where = f"[[press]] {press.name!r}.value"
    if press.command == "page":
        if not press.value.isdecimal() or not 1 <= int(press.value) <= pages:
            problems.add(where, f"names the page to turn to, 1 to {pages}, not {press.value!r}")
    elif press.command == "aim" and not press.value:
        problems.add(where, "names the aim")
    elif press.command.startswith("apply/") and not press.value:
        problems.add(where, "names the microphone")


def check_light(light: Light, problems: Problems) -> None:
    """A light that says how a drum or microphone is names it."""
    for key, given in (("drum", light.drum), ("mic", light.mic)):
        if light.shows == key and not given:
            problems.add(f"[[light]] {light.name!r}", f"needs {key} = a {key} of the kit")
