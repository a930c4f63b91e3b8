"""Events and snapshots as OSC messages: pure functions over the table in `addresses`."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from liveassist.model import Alert, Change, Event, Hit, Kit, LevelFrames, Snapshot, Take

from .addresses import ROOT, address_parts, kit_addresses
from .osc_codec import OscBundle, OscMessage, OscPacket, encode_message
from .quantities import LEVEL_DBFS, Quantity, Value, reason

#: Range that stands for velocity 1 to 127 until a drum's own range is known, dBFS
#: (common practice, no source: useful close-microphone levels).
UNLEARNED_RANGE_DBFS = (-48.0, 0.0)
#: A bundle is closed before it grows beyond this, bytes: one Ethernet frame less its headers.
MAX_BUNDLE_BYTES = 1400


def velocity(hit: Hit) -> int:
    """Velocity 1 to 127 of a hit; from its level alone while the drum's range is unknown."""
    if hit.velocity is not None:
        return max(1, min(127, hit.velocity))
    low, high = UNLEARNED_RANGE_DBFS
    level = hit.heard_peak_dbfs if hit.peak_dbfs is None else hit.peak_dbfs
    share = 0.0 if level is None else (level - low) / (high - low)
    return round(1 + 126 * max(0.0, min(1.0, share)))


def alert_id(alert: Alert) -> str:
    """The name of an alert in messages and commands: ``uneven.snare``."""
    subject = alert.drum or alert.mic
    return f"{alert.key}.{subject}" if subject else alert.key


def messages_for_event(event: Event, kit: Kit) -> list[OscMessage]:
    """What an event says, in the order to be sent; level frames say nothing by themselves."""
    if isinstance(event, Hit):
        return list(_hit_messages(event, _drum_parts(kit).get(event.drum, event.drum)))
    if isinstance(event, Take):
        return [_take_message(event)]
    if isinstance(event, Alert):
        return list(_alert_messages(event))
    assert isinstance(event, LevelFrames)
    return []


@lru_cache(maxsize=8)
def _drum_parts(kit: Kit) -> Mapping[str, str]:
    return address_parts(drum.name for drum in kit.drums)


def _hit_messages(hit: Hit, drum: str) -> Iterator[OscMessage]:
    base = f"{ROOT}/drum/{drum}/hit"
    number, time_s = int(hit.number), float(hit.time_s)
    if hit.stage == "withdrawn":
        yield OscMessage(f"{base}/withdrawn", "if", (number, time_s))
        return
    if hit.peak_dbfs is None:
        if hit.stage == "early":
            args = (number, time_s, float(hit.confidence))
            yield OscMessage(f"{ROOT}/drum/{drum}/onset", "iff", args)
        return
    end = {"early": "", "revised": "/revised", "complete": "/complete"}[hit.stage]
    level = min(max(float(hit.peak_dbfs), LEVEL_DBFS[0]), LEVEL_DBFS[1])
    sure = float(hit.confidence)
    figures = (number, time_s, level, velocity(hit), hit.role, sure)
    yield OscMessage(base + end, "iffisf", figures)
    if hit.stage != "complete":
        return
    if hit.measures is not None and hit.measures.note_hz is not None:
        yield OscMessage(f"{base}/note_hz", "if", (number, float(hit.measures.note_hz)))
    if hit.measures is not None and hit.measures.ring_s is not None:
        yield OscMessage(f"{base}/ring_s", "if", (number, float(hit.measures.ring_s)))
    for flag in hit.flags:
        yield OscMessage(f"{base}/flag", "is", (number, flag))


def _take_message(take: Take) -> OscMessage:
    if take.was is not None:
        return OscMessage(f"{ROOT}/take/renamed", "ss", (take.was, take.name))
    if take.end_s is None:
        args = (take.name, float(take.start_s), int(take.provisional))
        return OscMessage(f"{ROOT}/take/started", "sfi", args)
    ended = (take.name, float(take.start_s), float(take.end_s))
    return OscMessage(f"{ROOT}/take/ended", "sff", ended)


def _alert_messages(alert: Alert) -> Iterator[OscMessage]:
    name = alert_id(alert)
    if alert.end_s is not None:
        yield OscMessage(f"{ROOT}/alert/ended", "sf", (name, float(alert.end_s)))
        return
    subject = alert.drum or alert.mic or ""
    began = (name, alert.when, alert.severity, subject, alert.sentence)
    yield OscMessage(f"{ROOT}/alert/began", "sssss", began)
    if alert.value is not None:
        value = (name, float(alert.value), alert.unit or "")
        yield OscMessage(f"{ROOT}/alert/value", "sfs", value)


def _change_messages(change: Change) -> Iterator[OscMessage]:
    subject = change.drum or change.mic or ""
    said = (change.cause, subject, change.sentence, float(change.confidence))
    yield OscMessage(f"{ROOT}/change", "sssf", said)
    if change.amount is not None:
        amount = (change.cause, subject, float(change.amount), change.unit or "")
        yield OscMessage(f"{ROOT}/change/amount", "ssfs", amount)


# --- snapshots -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class State:
    """All figures of one snapshot: by address, the type tag and value, or why it is missing.

    ``changes`` and ``outputs`` are those of the snapshot; ``armed``: whole seconds left, by
    microphone.
    """

    values: Mapping[str, tuple[str, Value]]
    missing: Mapping[str, str]
    changes: tuple[Change, ...] = ()
    outputs: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    armed: Mapping[str, int] = field(default_factory=dict)


@lru_cache(maxsize=8)
def _rows(kit: Kit) -> list[tuple[str, Quantity, str, str]]:
    return kit_addresses(kit)


def state_of(snapshot: Snapshot) -> State:
    """Read every figure of a snapshot once."""
    values: dict[str, tuple[str, Value]] = {}
    missing: dict[str, str] = {}
    for path, quantity, first, second in _rows(snapshot.kit):
        value = quantity.read(snapshot, first, second)
        if value is None:
            missing[path] = reason(snapshot, quantity, first, second)
        else:
            values[path] = (quantity.type, value)
    outputs = {output.name: (output.state, output.note) for output in snapshot.outputs}
    armed = {mic: math.ceil(left) for mic, left in snapshot.armed.items() if left > 0.0}
    return State(values, missing, snapshot.changes, outputs, armed)


def messages_between(state: State, previous: State | None) -> list[OscMessage]:
    """What changed from ``previous`` to ``state``; everything if there is no previous."""
    before = previous if previous is not None else State({}, {})
    messages = [
        OscMessage(path, tag, (value,))
        for path, (tag, value) in state.values.items()
        if before.values.get(path) != (tag, value)
    ]
    messages += [
        OscMessage(f"{ROOT}/unmeasured", "ss", (path, why))
        for path, why in state.missing.items()
        if before.missing.get(path) != why
    ]
    for change in state.changes:
        if change not in before.changes:
            messages += _change_messages(change)
    messages += [
        OscMessage(f"{ROOT}/output/state", "sss", (name, *health))
        for name, health in state.outputs.items()
        if before.outputs.get(name) != health
    ]
    messages += [
        OscMessage(f"{ROOT}/apply/armed", "sf", (mic, float(state.armed.get(mic, 0))))
        for mic in sorted(state.armed.keys() | before.armed.keys())
        if before.armed.get(mic) != state.armed.get(mic)
    ]
    return messages


def messages_for_snapshot(snapshot: Snapshot, previous: Snapshot | None) -> list[OscMessage]:
    """What changed since ``previous``; every figure if ``previous`` is None."""
    return messages_between(state_of(snapshot), None if previous is None else state_of(previous))


def packets(messages: list[OscMessage], tag: int) -> list[OscPacket]:
    """Messages as packets to send: one alone as it is, several in bundles of bounded size.

    A message too long for any bundle of `MAX_BUNDLE_BYTES` travels in one of its own.
    """
    if len(messages) == 1:
        return [messages[0]]
    bundles: list[OscPacket] = []
    held: list[OscMessage] = []
    size = 16
    for message in messages:
        more = 4 + len(encode_message(message))
        if held and size + more > MAX_BUNDLE_BYTES:
            bundles.append(OscBundle(tuple(held), tag))
            held, size = [], 16
        held.append(message)
        size += more
    if held:
        bundles.append(OscBundle(tuple(held), tag))
    return bundles
