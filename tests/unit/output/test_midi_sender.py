"""When MIDI is sent: changes only, hits first, never faster than the wire."""

from __future__ import annotations

from dataclasses import replace

from liveassist.model import DrumFigures, Snapshot
from liveassist.output import midi_codec as midi
from liveassist.output.midi_sender import BLINK_HALF_S, FIGURES_AHEAD_S, MidiSender
from liveassist.output.surface_bind import bind
from liveassist.output.surface_model import Surface
from liveassist.output.surfaces import parse_surface

from .scene import ALERT, FIGURES, HIT, KIT, SNAPSHOT


def _surface(body: str, bytes_per_s: int = 3125) -> Surface:
    text = 'surface = { name = "x", pages = 2, blink = ["stop"] }\n'
    text += f'midi = [{{ name = "m", port = "p", bytes_per_s = {bytes_per_s} }}]\n'
    return bind(parse_surface(text + body, "x.toml"), KIT)[0]


def _sender(surface: Surface) -> MidiSender:
    return MidiSender(surface, surface.midi[0])


HITS = '[[hit]]\ndrum = "snare"\nnote = 38\nlength_ms = 50\n'
SPREAD = (
    '[[control]]\nname = "s"\nshows = "spread_db"\ndrum = "snare"\n'
    'message = "cc"\nrange = [0, 12.7]\n'
)


def _spread(value: float | None) -> Snapshot:
    drums = {"snare": DrumFigures("snare", spread_db=value)}
    return replace(SNAPSHOT, figures=replace(FIGURES, drums=drums))


def test_a_note_is_ended_after_its_length() -> None:
    sender = _sender(_surface(HITS))
    assert sender.event(HIT, 10.0) == [midi.note_on(10, 38, 104)]
    assert sender.due(10.04) == []
    assert 0.0 < sender.wait_s(10.04) <= 0.0101
    assert sender.due(10.05) == [midi.note_off(10, 38)]
    assert sender.due(10.06) == []


def test_notes_that_sound_are_ended_at_the_close() -> None:
    sender = _sender(_surface(HITS))
    sender.event(HIT, 10.0)
    assert sender.last_words(10.01) == [midi.note_off(10, 38)]
    assert sender.last_words(10.01) == []


def test_only_changes_are_sent() -> None:
    sender = _sender(_surface(SPREAD))
    assert sender.due(0.0) == []
    sender.show(_spread(1.4))
    assert sender.due(0.0) == [midi.controller(1, 0, 14)]
    assert sender.due(1.0) == []
    sender.show(_spread(1.4))
    assert sender.due(2.0) == []
    sender.show(_spread(None))
    assert sender.due(3.0) == []
    sender.show(_spread(2.0))
    assert sender.due(4.0) == [midi.controller(1, 0, 20)]


def test_a_port_that_came_back_is_told_everything_again() -> None:
    sender = _sender(_surface(SPREAD))
    sender.show(_spread(1.4))
    first = sender.due(0.0)
    sender.forget()
    assert sender.due(1.0) == first


def test_turning_the_page_shows_the_other_figures() -> None:
    sender = _sender(
        _surface(SPREAD + "page = 1\n" + SPREAD.replace('"s"', '"t"') + "number = 9\npage = 2\n")
    )
    sender.show(_spread(1.4))
    assert sender.due(0.0) == [midi.controller(1, 0, 14)]
    sender.page = 2
    assert sender.due(0.0) == [midi.controller(1, 9, 14)]


def _many(count: int, bytes_per_s: int) -> MidiSender:
    body = "".join(
        SPREAD.replace('"s"', f'"c{number}"') + f"number = {number}\n" for number in range(count)
    )
    return _sender(_surface(body + HITS, bytes_per_s))


def test_the_wire_is_never_flooded() -> None:
    """120 controls that all change at every snapshot want 36,000 bytes a second of 3,125."""
    sender = _many(120, 3125)
    sent: list[tuple[float, int]] = []
    now = 0.0
    for step in range(400):
        now = step / 100
        sender.show(_spread((step % 100) / 10))
        sent += [(now, len(message)) for message in sender.due(now)]
    for start in range(4):
        count = sum(size for at, size in sent if start <= at < start + 1)
        assert count <= 3125 * (1 + FIGURES_AHEAD_S) + 3
    assert sum(size for _, size in sent) > 0.9 * 3125 * 4
    assert sender.bytes_per_s(now) <= 3125 * (1 + FIGURES_AHEAD_S) + 3


def test_no_control_waits_for_ever() -> None:
    sender = _many(120, 300)
    seen: set[int] = set()
    for step in range(600):
        sender.show(_spread((step % 100) / 10))
        seen |= {message[1] for message in sender.due(step / 100)}
    assert seen == set(range(120))


def test_hits_go_before_figures() -> None:
    sender = _many(120, 3125)
    sender.show(_spread(1.0))
    sender.due(0.0)
    assert sender.event(HIT, 0.001) == [midi.note_on(10, 38, 104)]


def test_a_flood_of_hits_is_cut_off_and_counted() -> None:
    sender = _many(0, 300)
    sent = sum(len(message) for _ in range(1000) for message in sender.event(HIT, 0.0))
    assert sent == 63  # 60 bytes are 0.2 s of 300 a second; one more is begun
    assert sender.dropped == 1000 - sent // 3


def test_a_long_text_does_not_cost_a_hit() -> None:
    """A text of 203 bytes takes 0.4 s of a wire of 500 bytes a second; hits go on meanwhile."""
    body = '[[control]]\nname = "d"\nshows = "alerts_sentence"\n'
    body += 'message = "text"\nhead = "7D"\nwidth = 200\n'
    sender = _sender(_surface(body + HITS, 500))
    sender.show(SNAPSHOT)
    assert [len(message) for message in sender.due(0.0)] == [203]
    assert len(sender.event(HIT, 0.01)) == 1
    assert sender.dropped == 0


def test_figures_leave_the_wire_free_for_a_hit() -> None:
    """However much is to be shown, never more than 10 ms of the wire and one message are ahead
    of a hit: at 3,125 bytes a second 31 bytes and the message's 3."""
    sender = _many(120, 3125)
    waiting = 0.0
    for step in range(1000):
        now = step / 1000
        waiting = max(0.0, waiting - 3.125)
        sender.show(_spread((step % 100) / 10))
        waiting += sum(len(message) for message in sender.due(now))
        assert waiting <= 31.25 + 3


def test_a_long_message_gets_through_a_narrow_budget() -> None:
    body = '[[control]]\nname = "d"\nshows = "alerts_sentence"\n'
    body += 'message = "text"\nhead = "7D"\nwidth = 100\n'  # no rate fits it at once
    sender = _sender(_surface(body, 100))
    sender.show(SNAPSHOT)
    assert [len(message) for message in sender.due(0.0)] == [103]
    sender.show(replace(SNAPSHOT, alerts=()))
    assert sender.due(0.5) == []
    assert len(sender.due(1.2)) == 1


def test_lights_blink() -> None:
    body = 'meaning = { off = 0, stop = 9 }\nlight = [{ name = "l", shows = "alerts", number = 3 }]'
    sender = _sender(_surface(body))
    sender.show(replace(SNAPSHOT, alerts=(replace(ALERT, severity="stop"),)))
    assert sender.due(0.0) == [midi.note_on(1, 3, 9)]
    assert sender.due(BLINK_HALF_S) == [midi.note_on(1, 3, 0)]
    assert sender.due(2 * BLINK_HALF_S) == [midi.note_on(1, 3, 9)]


def test_flashing_is_slow_enough_to_be_safe() -> None:
    """WCAG 2.1, success criterion 2.3.1: not more than three flashes in any second."""
    assert 1.0 / (2 * BLINK_HALF_S) < 3.0
