"""Writing a surface profile by asking the user to move each control and to look at each light.

`identify` tells from the messages a control sent what kind of control it is; `Learner` asks and
collects, `learn_lights` does so for lights; `learn_toml` writes the profile. No port is opened
here: listening, lighting, asking and telling are given as functions.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from .profile_schema import Problems
from .quantities import Quantity
from .surface_model import PRESS_COMMANDS
from .surfaces import BY_KEY

#: How long one control may take, seconds; and the pause that ends its movement.
MOVE_S = 20.0
PAUSE_S = 0.5
#: Figures a fader can be taught here; bleed needs a microphone and a drum: write it by hand.
FADER_FIGURES = [key for key, q in BY_KEY.items() if q.type != "s" and q.subject != "bleed"]


@dataclass(frozen=True, slots=True)
class Moved:
    """What a control turned out to be. ``continuous``: a fader or knob; otherwise a button."""

    message: str
    channel: int
    number: int
    continuous: bool


@dataclass(frozen=True, slots=True)
class Learned:
    """One control with what it is to do: show a figure, or give a command."""

    name: str
    moved: Moved
    shows: str = ""
    subject: str = ""
    command: str = ""
    value: str = ""
    span: tuple[float, float] | None = None
    page: int = 0


@dataclass(frozen=True, slots=True)
class LearnedLight:
    """One light with what it is to say; ``moved`` tells its message and place."""

    name: str
    moved: Moved
    shows: str
    subject: str = ""
    page: int = 0


@dataclass(frozen=True, slots=True)
class Lesson:
    """Everything that was learned. ``meanings``: the value your lights want for each meaning."""

    controls: tuple[Learned, ...] = ()
    lights: tuple[LearnedLight, ...] = ()
    meanings: Mapping[str, int] = field(default_factory=dict)
    blink: tuple[str, ...] = ()
    pages: int = 1


def identify(messages: Sequence[bytes]) -> Moved | None:
    """The control that sent these whole messages; None if they are not of one control.

    Of several controls moved at once the one that spoke most is meant.
    """
    counts: dict[tuple[int, int], list[int]] = {}
    for message in messages:
        kind = message[0] & 0xF0
        if kind == 0x90 or kind == 0xB0:
            counts.setdefault((message[0], message[1]), []).append(message[2])
        elif kind == 0xC0:
            counts.setdefault((message[0], message[1]), []).append(127)
        elif kind == 0xE0:
            counts.setdefault((message[0], 0), []).append(message[2])
    if not counts:
        return None
    parameter = _parameter(messages)
    if parameter is not None:
        return parameter
    status, number = max(counts, key=lambda key: len(counts[key]))
    channel = (status & 0x0F) + 1
    kind = status & 0xF0
    if kind == 0xE0:
        return Moved("bend", channel, 0, continuous=True)
    if kind == 0xC0:
        return Moved("program", channel, number, continuous=False)
    if kind == 0x90:
        return Moved("note", channel, number, continuous=False)
    low = number - 32 if number >= 32 else number
    if low < 32 and (status, low) in counts and (status, low + 32) in counts:
        return Moved("cc14", channel, low, continuous=True)
    continuous = bool(set(counts[status, number]) - {0, 127})
    return Moved("cc", channel, number, continuous)


def _parameter(messages: Sequence[bytes]) -> Moved | None:
    """A non-registered parameter: controllers 99 and 98 select it, 6 sets it (MIDI 1.0)."""
    high = low = None
    for message in messages:
        if message[0] & 0xF0 != 0xB0:
            continue
        if message[1] == 99:
            high = message[2]
        elif message[1] == 98:
            low = message[2]
        elif message[1] == 6 and high is not None and low is not None:
            return Moved("nrpn", (message[0] & 0x0F) + 1, high << 7 | low, continuous=True)
    return None


#: Whole messages heard until nothing came for the second's length after the first, at most for
#: the first's (seconds).
Listen = Callable[[float, float], Sequence[bytes]]


class Talk:
    """Questions with answers that are checked. ``ask(question)`` returns the user's answer,
    ``tell(text)`` shows a line."""

    def __init__(self, ask: Callable[[str], str], tell: Callable[[str], None]) -> None:
        self._ask, self.tell = ask, tell

    def ask(self, question: str) -> str:
        """The answer, without spaces around it."""
        return self._ask(question).strip()

    def choose(self, question: str, words: Sequence[str], what: str) -> str:
        """One of ``words``; asked again until it is."""
        while True:
            given = self.ask(question)
            if given in words:
                return given
            problems = Problems("answer")
            problems.unknown(what, "the word", given, words)
            self.tell(problems.found[0])

    def whole(self, question: str, low: int, high: int, empty: int) -> int:
        """A whole number from ``low`` to ``high``; ``empty`` is what no answer means."""
        while True:
            given = self.ask(question)
            if not given:
                return empty
            if given.isdecimal() and low <= int(given) <= high:
                return int(given)
            self.tell(f"that is a whole number from {low} to {high}, not {given!r}")

    def needed(self, question: str) -> str:
        """An answer that is not empty."""
        while not (given := self.ask(question)):
            self.tell("an answer is needed here")
        return given


class Learner:
    """Asks for one control after the other. ``listen``: see `Listen`."""

    def __init__(
        self, listen: Listen, ask: Callable[[str], str], tell: Callable[[str], None]
    ) -> None:
        self._listen = listen
        self._talk = Talk(ask, tell)
        self.pages = 1

    def run(self) -> list[Learned]:
        """Learn controls until the user answers the question for a name with nothing."""
        talk = self._talk
        self.pages = talk.whole("how many pages of controls, 1 to 16 (empty: 1)? ", 1, 16, 1)
        learned: list[Learned] = []
        while name := talk.ask("name of the next control (empty: done)? "):
            talk.tell(f"move {name} now, over its whole way, or press it twice")
            moved = identify(self._listen(MOVE_S, PAUSE_S))
            if moved is None:
                talk.tell("nothing was heard; is the port the right one?")
                continue
            kind = "fader" if moved.continuous else "button"
            talk.tell(f"{name} is a {kind}: {place_words(moved)}")
            taken = next((item.name for item in learned if self._is_taken(item, moved)), None)
            if taken is not None:
                talk.tell(f"that is {taken} again")
                continue
            use = self._fader if moved.continuous else self._button
            learned.append(use(name, moved))
        return learned

    def _is_taken(self, item: Learned, moved: Moved) -> bool:
        """Whether the control has its use already: on another page a fader may show another."""
        return item.moved == moved and not (self.pages > 1 and item.shows and item.page)

    def _fader(self, name: str, moved: Moved) -> Learned:
        talk = self._talk
        shows = talk.choose("which figure does it show? ", FADER_FIGURES, "the figure")
        quantity = BY_KEY[shows]
        subject = ""
        if quantity.subject in ("drum", "mic"):
            question = f"of which {quantity.subject} (a name or kind, such as snare)? "
            subject = talk.needed(question)
        span = self._span(usual_range(quantity), quantity.unit)
        return Learned(
            name, moved, shows=shows, subject=subject, span=span, page=ask_page(talk, self.pages)
        )

    def _span(self, usual: tuple[float, float], unit: str) -> tuple[float, float]:
        """What the ends of the way mean."""
        words = f"{usual[0]:g} {usual[1]:g}"
        unit = "" if " to " in unit else f" {unit}"
        while given := self._talk.ask(f"from what to what{unit} (empty: {words})? "):
            try:
                low, high = (float(part) for part in given.replace("to", " ").split())
            except ValueError:
                low = high = 0.0
            if -1e9 < low < high < 1e9:
                return low, high
            self._talk.tell(f"that is two numbers, the lower first, such as {words}")
        return usual

    def _button(self, name: str, moved: Moved) -> Learned:
        talk = self._talk
        command = talk.choose("what does it do? ", list(PRESS_COMMANDS), "the command")
        value = ""
        if command == "page":
            value = str(talk.whole(f"which page, 1 to {self.pages}? ", 1, self.pages, 1))
        elif command == "aim":
            value = talk.needed("which aim? ")
        elif command.startswith("apply/"):
            value = talk.needed("of which mic (a microphone of the kit)? ")
        return Learned(name, moved, command=command, value=value)


def ask_page(talk: Talk, pages: int) -> int:
    """The page a control or light stands on; 0 is every page."""
    if pages == 1:
        return 0
    return talk.whole(f"on which page, 1 to {pages} (empty: every page)? ", 1, pages, 0)


def place_words(moved: Moved) -> str:
    """Where a control is, in words: ``cc 21, channel 1``."""
    return f"{moved.message} {moved.number}, channel {moved.channel}"


def usual_range(quantity: Quantity) -> tuple[float, float]:
    """A useful range to begin with."""
    if quantity.unit == "dBFS":
        return -60.0, 0.0
    low = 0.0 if quantity.low is None else quantity.low
    return low, low + 100.0 if quantity.high is None else quantity.high
