"""Commands in: what is understood, refused, bounded; and who gets figures."""

from __future__ import annotations

import pytest

from liveassist.output.addresses import ROOT
from liveassist.output.commands import Command, RefusedError, parse
from liveassist.output.osc_codec import OscBundle, OscMessage, OscValue, encode
from liveassist.output.osc_desk import ANSWER_S, MAX_SOURCES, MAX_SUBSCRIBERS, Desk
from liveassist.output.osc_tcp import Place
from liveassist.output.surface_model import OscIn

ME: Place = ("127.0.0.1", 5000, "udp")


def _say(name: str, types: str = "", *args: OscValue) -> OscMessage:
    return OscMessage(f"{ROOT}/{name}", types, args)


@pytest.mark.parametrize(
    ("message", "name", "args"),
    [
        (_say("take/start"), "take/start", ()),
        (_say("take/start", "s", "verse"), "take/start", ("verse",)),
        (_say("take/stop"), "take/stop", ()),
        (_say("take/rename", "s", "verse"), "take/rename", ("verse",)),
        (_say("alert/acknowledge", "s", "uneven.snare"), "alert/acknowledge", ("uneven.snare",)),
        (_say("subscribe", "iff", 9000, 60, 10.0), "subscribe", (9000, 60.0, 10.0)),
        (_say("subscribe", "f", 9000.0), "subscribe", (9000,)),
        (_say("take/sto?"), "take/stop", ()),
    ],
)
def test_commands(message: OscMessage, name: str, args: tuple[object, ...]) -> None:
    assert parse(message, "x", 3) == Command(name, args, "x", 3)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("message", "why"),
    [
        (_say("take/begin"), "no such command"),
        (_say("take/st*"), "means 3 commands"),
        (_say("take/[st"), "not closed"),
        (_say("take/rename"), "name is missing"),
        (_say("take/rename", "i", 3), "name is text"),
        (_say("take/rename", "s", "x" * 121), "at most 120 letters"),
        (_say("take/rename", "s", "a\nb"), "name holds a letter that cannot be shown"),
        (_say("take/stop", "i", 1), "at most 0 values"),
        (_say("take/start", "[s]", ("a",)), "at most 1 values"),
        (_say("subscribe", "i", 0), "port is 1 to 65535"),
        (_say("subscribe", "f", 0.5), "port is 1 to 65535"),
        (_say("subscribe", "f", 9000.5), "whole number"),
        (_say("subscribe", "T", True), "port is a number"),
        (_say("subscribe", "if", 1, float("nan")), "seconds is a number"),
        (_say("subscribe", "if", 1, float("inf")), "seconds is a number"),
    ],
)
def test_refusals(message: OscMessage, why: str) -> None:
    with pytest.raises(RefusedError, match=why.replace("[", "\\[")):
        parse(message, "x", 1)


class _Daemon:
    """Takes commands until it is full."""

    def __init__(self, room: int = 1000) -> None:
        self.room = room
        self.commands: list[Command] = []

    def offer(self, command: Command) -> bool:
        if len(self.commands) >= self.room:
            return False
        self.commands.append(command)
        return True


def _desk(daemon: _Daemon, **settings: object) -> Desk:
    return Desk(OscIn(**settings), daemon.offer)  # type: ignore[arg-type]


def _answers(desk: Desk, message: OscMessage, now: float, place: Place = ME) -> list[object]:
    return [m.args[1:] for m in desk.packet(encode(message), place, now)]


def test_a_command_is_handed_on_and_waits_for_its_answer() -> None:
    daemon = _Daemon()
    desk = _desk(daemon)
    assert _answers(desk, _say("take/start", "s", "verse"), 0.0) == []
    assert [(c.name, c.args) for c in daemon.commands] == [("take/start", ("verse",))]
    assert daemon.commands[0].ticket in desk.waiting
    assert desk.expire(ANSWER_S - 0.1) == []
    late = desk.expire(ANSWER_S)
    assert [(place, m.args) for place, m in late] == [
        (ME, (f"{ROOT}/take/start", "refused", "the analysis did not answer"))
    ]
    assert desk.waiting == {}


def test_every_refusal_is_answered() -> None:
    desk = _desk(_Daemon(room=0))
    assert _answers(desk, _say("take/begin"), 0.0) == [("refused", "no such command")]
    assert _answers(desk, _say("take/stop"), 0.0) == [("refused", "too many commands are waiting")]


def test_commands_are_bounded_in_rate_for_each_source() -> None:
    daemon = _Daemon()
    desk = _desk(daemon, commands_per_s=20.0)
    answers = [answer for _ in range(100) for answer in _answers(desk, _say("take/mark"), 0.0)]
    assert len(daemon.commands) == 20
    why = "too many commands: 20 a second are heard; this is said once a second"
    assert answers == [("refused", why)]
    # Each program on that computer is told, and told again after a second.
    assert _answers(desk, _say("take/mark"), 0.0, ("127.0.0.1", 5001, "udp")) == [("refused", why)]
    _answers(desk, _say("take/mark"), 0.5)
    assert len(daemon.commands) == 21


def test_disarming_and_stopping_are_always_heard() -> None:
    daemon = _Daemon()
    desk = _desk(daemon, commands_per_s=1.0)
    for _ in range(5):
        _answers(desk, _say("take/mark"), 0.0)
    for _ in range(3):
        _answers(desk, _say("apply/disarm", "s", "snare"), 0.0)
        _answers(desk, _say("take/stop"), 0.0)
    names = [command.name for command in daemon.commands]
    assert names == ["take/mark", *["apply/disarm", "take/stop"] * 3]


def test_messages_beyond_those_looked_at_are_refused_not_lost() -> None:
    desk = _desk(_Daemon(), commands_per_s=100.0)
    bundle = OscBundle(tuple(_say("take/mark") for _ in range(17)))
    (said,) = desk.packet(encode(bundle), ME, 0.0)
    why = "16 messages of a packet are looked at; it had 17"
    assert said.args == (f"{ROOT}/take/mark", "refused", why)


def test_sources_are_bounded() -> None:
    desk = _desk(_Daemon(), allow=("10.0.0.0/8",))
    for number in range(3 * MAX_SOURCES):
        place = (f"10.0.{number // 250}.{number % 250}", 1, "udp")
        desk.packet(encode(_say("take/stop")), place, 0.0)
    assert len(desk.sources) == MAX_SOURCES


def test_only_this_computer_is_heard_unless_the_profile_allows_more() -> None:
    daemon = _Daemon()
    desk = _desk(daemon)
    assert _answers(desk, _say("take/stop"), 0.0, ("192.168.1.20", 1, "udp")) == []
    assert daemon.commands == []
    assert desk.counters.strangers == 1
    open_desk = _desk(daemon, host="0.0.0.0", allow=("192.168.1.0/24",))
    open_desk.packet(encode(_say("take/stop")), ("192.168.1.20", 1, "udp"), 0.0)
    open_desk.packet(encode(_say("take/stop")), ("192.168.2.20", 1, "udp"), 0.0)
    open_desk.packet(encode(_say("take/stop")), ("::1", 1, "udp"), 0.0)
    assert len(daemon.commands) == 1


def test_malformed_and_oversized_packets_are_counted_and_answered_once_a_second() -> None:
    desk = _desk(_Daemon())
    (said,) = desk.packet(b"nonsense", ME, 0.0)
    assert said.args[:2] == ("", "refused")
    long = encode(OscMessage("/a", "s", ("x" * 5000,)))
    assert desk.packet(long, ME, 0.1) == []
    (said,) = desk.packet(long, ME, 1.1)
    assert said.args == ("", "refused", "too long for a command: 4096 bytes are read")
    assert desk.counters.malformed == 3
    # Another of us may be there: what it answers is not answered.
    assert desk.packet(encode(said), ME, 9.0) == []


def test_answers_are_never_answered() -> None:
    """Two daemons pointed at each other must not talk for ever."""
    desk = _desk(_Daemon())
    assert _answers(desk, _say("answer", "sss", "a", "refused", "b"), 0.0) == []


def test_all_messages_of_a_bundle_are_commands() -> None:
    daemon = _Daemon()
    bundle = OscBundle((_say("take/stop"), OscBundle((_say("take/mark"),), 1)), 1)
    _desk(daemon).packet(encode(bundle), ME, 41.5)
    assert [command.name for command in daemon.commands] == ["take/stop", "take/mark"]
    # A take ends when it was asked for, not when the analysis comes to it.
    assert [command.heard_s for command in daemon.commands] == [41.5, 41.5]


def test_subscribing_renewing_and_expiring() -> None:
    desk = _desk(_Daemon())
    assert _answers(desk, _say("subscribe", "iff", 9000, 10.0, 5.0), 0.0) == [("done", "for 10 s")]
    place = ("127.0.0.1", 9000, "udp")
    assert desk.subscribers[place].rate_hz == 5.0
    answers = _answers(desk, _say("subscribe", "if", 9000, 10.0), 8.0)
    assert answers == [("done", "renewed for 10 s")]
    desk.expire(17.9)
    assert place in desk.subscribers
    desk.expire(18.0)
    assert desk.subscribers == {}


def test_a_subscription_goes_only_to_where_it_came_from() -> None:
    desk = _desk(_Daemon())
    _answers(desk, _say("subscribe"), 0.0)
    assert list(desk.subscribers) == [ME]


def test_unsubscribing() -> None:
    desk = _desk(_Daemon())
    _answers(desk, _say("subscribe", "i", 9000), 0.0)
    assert _answers(desk, _say("unsubscribe", "i", 9000), 0.0) == [("done", "")]
    assert _answers(desk, _say("unsubscribe", "i", 9000), 0.0) == [
        ("refused", "there is no such subscription")
    ]


def test_subscribers_are_bounded() -> None:
    desk = _desk(_Daemon(), commands_per_s=100.0)
    for port in range(MAX_SUBSCRIBERS):
        _answers(desk, _say("subscribe", "i", 9000 + port), 0.0)
    assert _answers(desk, _say("subscribe", "i", 8000), 0.0) == [
        ("refused", f"{MAX_SUBSCRIBERS} others are subscribed")
    ]


def test_asking_for_the_state_once() -> None:
    desk = _desk(_Daemon())
    assert _answers(desk, _say("state"), 0.0) == [("done", "")]
    assert desk.subscribers[ME].once


def test_it_does_not_talk_to_itself() -> None:
    desk = _desk(_Daemon())
    desk.port = 9001
    assert _answers(desk, _say("subscribe", "i", 9001), 0.0) == [
        ("refused", "that port is where I listen myself")
    ]
    assert _answers(desk, _say("take/begin"), 0.0, ("127.0.0.1", 9001, "udp")) == []
    assert desk.counters.refused == 2
