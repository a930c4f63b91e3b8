"""Teaching lights: the user sees values on a light of theirs and says what each shall mean."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from . import midi_codec as midi
from .learn import (
    MOVE_S,
    PAUSE_S,
    LearnedLight,
    Listen,
    Moved,
    Talk,
    ask_page,
    identify,
    place_words,
)
from .surface_model import LIGHT_SHOWS, MEANINGS

#: What each meaning stands for, for whoever chooses a value.
MEANING_WORDS: Mapping[str, str] = {
    "off": "dark",
    "quiet": "nothing measured yet",
    "good": "all is well",
    "info": "good to know",
    "look": "worth a look between takes",
    "stop": "cannot wait",
    "running": "a take runs",
    "waiting": "no take runs",
}
#: Messages that a light can be switched by.
_LIGHT_MESSAGES = ("note", "cc")


class LightLearner:
    """Asks for lights. ``send`` gives one message to the port; see `learn.Learner` for the rest."""

    def __init__(
        self,
        listen: Listen,
        send: Callable[[bytes], None],
        ask: Callable[[str], str],
        tell: Callable[[str], None],
        pages: int = 1,
    ) -> None:
        self._listen, self._send, self._pages = listen, send, pages
        self._talk = Talk(ask, tell)
        self._lit: list[Moved] = []
        self.meanings: dict[str, int] = {}
        self.blink: tuple[str, ...] = ()

    def run(self) -> list[LearnedLight]:
        """Learn what values mean, then each light. All that was lit is dark again afterwards."""
        talk = self._talk
        if talk.ask("teach its lights (yes; empty: no)? ").lower() not in ("y", "yes"):
            return []
        try:
            talk.tell("First the values that mean something: take one light and look at it.")
            sample = self._place("the pad or button whose light you look at")
            if sample is None:
                return []
            for meaning in MEANINGS:
                self._teach(meaning, sample)
            self._teach_blinking(sample)
            return self._lights()
        finally:
            for moved in self._lit:
                self._show(moved, self.meanings.get("off", 0))

    def _teach(self, meaning: str, sample: Moved) -> None:
        """Show values until the user keeps one."""
        talk, shown = self._talk, None
        what = f"value for {meaning!r} ({MEANING_WORDS[meaning]})"
        while True:
            given = talk.ask(f"{what}: 0 to 127 shows it, empty keeps it, - leaves it out? ")
            if given.isdecimal() and int(given) <= 127:
                shown = int(given)
                self._show(sample, shown)
            elif given == "-" and meaning != "off":
                return
            elif not given and shown is not None:
                self.meanings[meaning] = shown
                return
            elif given == "-":
                talk.tell("lights need at least the value that means off")
            elif not given:
                talk.tell("nothing is shown yet: give a value first")
            else:
                talk.tell(f"that is a whole number from 0 to 127, not {given!r}")

    def _teach_blinking(self, sample: Moved) -> None:
        known = [meaning for meaning in self.meanings if meaning != "off"]
        while True:
            given = self._talk.ask("which of these blink, with commas (empty: none)? ")
            words = tuple(word.strip() for word in given.split(",") if word.strip())
            wrong = [word for word in words if word not in known]
            if not wrong:
                self.blink = words
                return
            self._talk.tell(f"{wrong[0]!r} is none of them; taught: {', '.join(known)}")

    def _lights(self) -> list[LearnedLight]:
        talk = self._talk
        found: list[LearnedLight] = []
        while name := talk.ask("name of the next light (empty: done)? "):
            moved = self._place(name)
            if moved is None:
                continue
            shows = talk.choose("what does it show? ", LIGHT_SHOWS, "the subject")
            subject = ""
            if shows in ("drum", "mic"):
                subject = talk.needed(f"which {shows} (a name or kind, such as snare)? ")
            elif shows == "armed":
                subject = talk.ask("which mic (empty: any)? ")
            page = ask_page(talk, self._pages)
            found.append(LearnedLight(name, moved, shows, subject, page))
            self._show(moved, self.meanings.get("good", 127))
            talk.tell(f"{name} is lit now: {place_words(moved)}")
        return found

    def _place(self, name: str) -> Moved | None:
        """The note or controller of a light: its button is pressed, or its number is typed."""
        talk = self._talk
        talk.tell(f"press {name} now")
        moved = identify(self._listen(MOVE_S, PAUSE_S))
        if moved is not None and moved.message in _LIGHT_MESSAGES:
            return moved
        if moved is None:
            talk.tell("nothing was heard")
        else:
            talk.tell(f"{place_words(moved)} is nothing that a light can be switched by")
        while given := talk.ask('its message, such as "note 36" or "cc 20 2" (empty: skip)? '):
            words = given.split()
            numbers = [int(word) for word in words[1:] if word.isdecimal()]
            good = len(words) in (2, 3) and len(numbers) == len(words) - 1
            if good and words[0] in _LIGHT_MESSAGES and numbers[0] <= 127:
                channel = numbers[1] if len(numbers) == 2 else 1
                if 1 <= channel <= 16:
                    return Moved(words[0], channel, numbers[0], continuous=False)
            talk.tell("write note or cc, its number from 0 to 127, and the channel if it is not 1")
        return None

    def _show(self, moved: Moved, value: int) -> None:
        make = midi.controller if moved.message == "cc" else midi.note_on
        self._send(make(moved.channel, moved.number, value))
        if moved not in self._lit:
            self._lit.append(moved)
