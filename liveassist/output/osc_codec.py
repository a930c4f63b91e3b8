"""Open Sound Control 1.0 packets: values to bytes and back, strictly.

Source: M. Wright, "The Open Sound Control 1.0 Specification" (2002), with the type tags that
its table of non-standard types lists. What departs from it, or is decided where it leaves a choice:

- Text arguments are UTF-8 (the specification says ASCII; common senders write UTF-8).
  Addresses are printable ASCII.
- A message without a type tag string, which the specification asks to survive, is refused.
- A message with an unknown type tag is refused, as the specification says. A bundle is accepted
  or refused whole.
- Padding must be zero and every size must fit exactly; nothing may follow the packet.
- Nesting is bounded (`MAX_NESTING`), so that no datagram can exhaust the stack.

The decoder raises `OscError` and nothing else, whatever the bytes; its time is linear in their
number.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from liveassist.errors import OutputError

OscValue = int | float | str | bytes | bool | None | tuple["OscValue", ...]

#: Largest UDP payload over IPv4, bytes (RFC 768 and 791: 65,535 - 20 - 8).
MAX_PACKET_BYTES = 65_507
#: Bundles within bundles, or arrays within arrays, that are followed.
MAX_NESTING = 8
#: The time tag that means "at once".
IMMEDIATELY = 1
#: Seconds from 1900-01-01, where time tags start, to 1970-01-01 (RFC 5905).
UNIX_EPOCH_S = 2_208_988_800

_BUNDLE = b"#bundle\0"
_FIXED = {"i": ">i", "f": ">f", "h": ">q", "d": ">d", "t": ">Q", "r": ">I"}
_FIXED_SIZE = {tag: struct.calcsize(form) for tag, form in _FIXED.items()}
#: Tags that stand for a value and carry no bytes. ``I`` (impulse) is kept as the text "impulse".
_BARE: dict[str, OscValue] = {"T": True, "F": False, "N": None, "I": "impulse"}
_FORBIDDEN_IN_ADDRESS = frozenset(" #")


class OscError(OutputError):
    """Bytes that are not a good OSC packet, or values that cannot be made into one."""


@dataclass(frozen=True, slots=True)
class OscMessage:
    """One message. ``types`` holds one type tag a value, without the comma: ``"ifs"``.

    An array is ``[...]`` in ``types`` and a tuple in ``args``.
    """

    address: str
    types: str = ""
    args: tuple[OscValue, ...] = ()


@dataclass(frozen=True, slots=True)
class OscBundle:
    """Messages and bundles that belong together. ``time_tag``: 64-bit NTP, 1 = at once."""

    elements: tuple[OscMessage | OscBundle, ...]
    time_tag: int = IMMEDIATELY


OscPacket = OscMessage | OscBundle


def time_tag(unix_s: float) -> int:
    """64-bit time tag of a Unix time in seconds; wraps in 2036 as the format does."""
    whole = int(unix_s // 1)
    fraction = round((unix_s - whole) * 2**32)
    return (((whole + UNIX_EPOCH_S) << 32) + fraction) % 2**64


def unix_time(tag: int) -> float:
    """Unix time in seconds of a time tag, in the era that began in 1900."""
    return tag / 2**32 - UNIX_EPOCH_S


# --- to bytes ------------------------------------------------------------------------------


def encode(packet: OscPacket) -> bytes:
    """The bytes of a message or bundle; OscError if a value does not fit its type tag."""
    return _encode(packet, 0)


def _encode(packet: OscPacket, depth: int) -> bytes:
    if isinstance(packet, OscMessage):
        return encode_message(packet)
    if depth >= MAX_NESTING:
        raise OscError(f"OSC bundles are nested more than {MAX_NESTING} deep")
    if not 0 <= packet.time_tag < 2**64:
        raise OscError("an OSC time tag has 64 bits")
    parts = [_BUNDLE, struct.pack(">Q", packet.time_tag)]
    for element in packet.elements:
        body = _encode(element, depth + 1)
        parts += [struct.pack(">i", len(body)), body]
    return b"".join(parts)


def encode_message(message: OscMessage) -> bytes:
    """The bytes of one message."""
    check_address(message.address)
    tags = _string("," + message.types)
    body: list[bytes] = []
    used = _encode_values(message.types, message.args, body)
    if used != len(message.types):
        raise OscError(f"{message.address}: unbalanced ] in the types {message.types!r}")
    return _string(message.address) + tags + b"".join(body)


def _encode_values(types: str, args: tuple[OscValue, ...], body: list[bytes], at: int = 0) -> int:
    """Append the bytes of ``args``; returns the index after the last type tag used."""
    remaining = iter(args)
    while at < len(types) and types[at] != "]":
        try:
            value = next(remaining)
        except StopIteration:
            raise OscError(f"fewer values than the types {types!r} name") from None
        if types[at] == "[":
            if not isinstance(value, tuple):
                raise OscError("an OSC array needs a tuple")
            at = _encode_values(types, value, body, at + 1)
            if at >= len(types):
                raise OscError(f"unbalanced [ in the types {types!r}")
        else:
            body.append(_encode_value(types[at], value))
        at += 1
    if next(remaining, _BARE) is not _BARE:
        raise OscError(f"more values than the types {types!r} name")
    return at


def _encode_value(tag: str, value: OscValue) -> bytes:
    if tag in _BARE:
        if value is not _BARE[tag] and value != _BARE[tag]:
            raise OscError(f"the OSC type {tag} stands for {_BARE[tag]!r}, not {value!r}")
        return b""
    if tag in _FIXED:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise OscError(f"the OSC type {tag} needs a number, not {value!r}")
        if tag not in "fd" and not isinstance(value, int):
            raise OscError(f"the OSC type {tag} needs a whole number, not {value!r}")
        try:
            return struct.pack(_FIXED[tag], value)
        except (struct.error, OverflowError):
            raise OscError(f"{value!r} does not fit the OSC type {tag}") from None
    if tag in "sS" and isinstance(value, str):
        return _string(value)
    if tag == "b" and isinstance(value, bytes):
        return struct.pack(">i", len(value)) + value + b"\0" * (-len(value) % 4)
    if tag == "c" and isinstance(value, str) and len(value) == 1 and value.isascii():
        return struct.pack(">I", ord(value))
    if tag == "m" and isinstance(value, bytes) and len(value) == 4:
        return value
    raise OscError(f"{value!r} cannot be sent as the OSC type {tag!r}")


def _string(text: str) -> bytes:
    if "\0" in text:
        raise OscError("an OSC string cannot hold a zero character")
    try:
        raw = text.encode("utf-8")
    except UnicodeEncodeError:
        raise OscError("an OSC string must be valid text") from None
    return raw + b"\0" * (4 - len(raw) % 4)


def check_address(address: str) -> None:
    """OscError unless ``address`` starts with / and is printable ASCII without blank or #."""
    if not address.startswith("/"):
        raise OscError(f"an OSC address begins with /, not {address[:20]!r}")
    if not (address.isascii() and address.isprintable()) or _FORBIDDEN_IN_ADDRESS & set(address):
        raise OscError("an OSC address is printable ASCII without blanks and #")


# --- from bytes ----------------------------------------------------------------------------


def decode(data: bytes) -> OscPacket:
    """The message or bundle in ``data`` (one whole packet); OscError on anything else."""
    if len(data) > MAX_PACKET_BYTES:
        raise OscError(f"an OSC packet of {len(data)} bytes is too long")
    return _decode(data, 0)


def _decode(data: bytes, depth: int) -> OscPacket:
    if not data or len(data) % 4:
        raise OscError("the size of an OSC packet is a multiple of 4, and not 0")
    if data.startswith(_BUNDLE):
        return _decode_bundle(data, depth)
    return decode_message(data)


def _decode_bundle(data: bytes, depth: int) -> OscBundle:
    if depth >= MAX_NESTING:
        raise OscError(f"OSC bundles are nested more than {MAX_NESTING} deep")
    if len(data) < 16:
        raise OscError("an OSC bundle is cut off before its time tag")
    (tag,) = struct.unpack_from(">Q", data, 8)
    elements: list[OscPacket] = []
    at = 16
    while at < len(data):
        (size,) = struct.unpack_from(">i", data, at)
        at += 4
        if size <= 0 or size % 4 or at + size > len(data):
            raise OscError(f"an OSC bundle element claims {size} bytes of {len(data) - at}")
        element = _decode(data[at : at + size], depth + 1)
        if isinstance(element, OscBundle) and element.time_tag < tag:
            raise OscError("an enclosed OSC bundle is earlier than the one around it")
        elements.append(element)
        at += size
    return OscBundle(tuple(elements), tag)


def decode_message(data: bytes) -> OscMessage:
    """The message in ``data``; OscError if it is not exactly one well-formed message."""
    if len(data) % 4:
        raise OscError("the size of an OSC message is a multiple of 4")
    address, at = _read_string(data, 0)
    check_address(address)
    tags, at = _read_string(data, at)
    if not tags.startswith(","):
        raise OscError("an OSC message has no type tags")
    if tags.count("[") != tags.count("]"):
        raise OscError("an OSC array is not closed")
    values: list[list[OscValue]] = [[]]
    for tag in tags[1:]:
        if tag == "[":
            if len(values) > MAX_NESTING:
                raise OscError(f"OSC arrays are nested more than {MAX_NESTING} deep")
            values.append([])
        elif tag == "]":
            if len(values) == 1:
                raise OscError("an OSC array is closed before it begins")
            inner = tuple(values.pop())
            values[-1].append(inner)
        else:
            value, at = _read_value(tag, data, at)
            values[-1].append(value)
    if len(values) != 1:
        raise OscError("an OSC array is not closed")
    if at != len(data):
        raise OscError(f"{len(data) - at} bytes follow the last OSC argument")
    return OscMessage(address, tags[1:], tuple(values[0]))


def _read_value(tag: str, data: bytes, at: int) -> tuple[OscValue, int]:
    if tag in _BARE:
        return _BARE[tag], at
    if tag in _FIXED:
        _need(data, at, _FIXED_SIZE[tag])
        return struct.unpack_from(_FIXED[tag], data, at)[0], at + _FIXED_SIZE[tag]
    if tag in "sS":
        return _read_string(data, at)
    if tag == "b":
        return _read_blob(data, at)
    if tag == "m":
        _need(data, at, 4)
        return data[at : at + 4], at + 4
    if tag == "c":
        _need(data, at, 4)
        (code,) = struct.unpack_from(">I", data, at)
        if code > 127:
            raise OscError("an OSC character is ASCII")
        return chr(code), at + 4
    raise OscError(f"the OSC type tag {tag!r} is not known")


def _need(data: bytes, at: int, size: int) -> None:
    if at + size > len(data):
        raise OscError("an OSC message is cut off within its arguments")


def _read_blob(data: bytes, at: int) -> tuple[bytes, int]:
    _need(data, at, 4)
    (size,) = struct.unpack_from(">i", data, at)
    at += 4
    end = at + size + (-size % 4)
    if size < 0 or end > len(data):
        raise OscError(f"an OSC blob claims {size} bytes of {len(data) - at}")
    if any(data[at + size : end]):
        raise OscError("the padding of an OSC blob is not zero")
    return data[at : at + size], end


def _read_string(data: bytes, at: int) -> tuple[str, int]:
    stop = data.find(b"\0", at)
    if stop < 0:
        raise OscError("an OSC string has no end")
    end = stop + 4 - (stop - at) % 4
    if end > len(data) or any(data[stop:end]):
        raise OscError("an OSC string is not padded with zeros to a multiple of 4")
    try:
        return data[at:stop].decode("utf-8"), end
    except UnicodeDecodeError:
        raise OscError("an OSC string is not valid text") from None
