"""`liveassist setup`: from an interface and a kit that nobody has described to a kit profile.

Asks which drums there are, listens while each is hit, shows which channel moves, and writes the
profile. What is asked and heard comes in through three functions, so that a whole conversation runs
in a test.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from liveassist.app.atomic import make_folder, write_whole
from liveassist.app.channelwatch import ChannelWatch, Moving, Stroke, which_moves
from liveassist.app.config import parse_kit
from liveassist.app.kittoml import kit_toml
from liveassist.app.nearest import did_you_mean
from liveassist.errors import ConfigError, DeviceError, LiveassistError
from liveassist.model import DRUM_KINDS, Drum, DrumKind, Kit, Mic

#: Strokes heard of each drum, and how long they are waited for, s.
STROKES, PATIENCE_S = 4, 30.0
USUAL_DRUMS = "kick snare hihat tom_high tom_floor"
CAUTION = (
    "Drum hits are loud: protect your hearing and keep monitoring low. Follow the rules of your "
    "workplace."
)
_WORDS: tuple[tuple[str, DrumKind], ...] = (
    ("kick", "kick"), ("bass", "kick"), ("snare", "snare"), ("tom", "tom"), ("hat", "hihat"),
    ("crash", "cymbal"), ("ride", "cymbal"), ("cym", "cymbal"), ("china", "cymbal"),
)  # fmt: skip
#: Names offered for channels that no drum took, in their order.
_LEFT_OVER = ("over_left", "over_right", "room_left", "room_right")

Ask = Callable[[str], str]
Say = Callable[[str], None]
#: Wait for strokes; those heard in time, at most `STROKES`.
Hear = Callable[[], Sequence[Stroke]]


@dataclass(frozen=True, slots=True)
class LiveSetup:
    """The options of `liveassist setup`, as given."""

    device: str | None = None
    sample_rate_hz: int | None = None
    block_frames: int | None = None
    out: Path = Path("my_kit.toml")
    name: str | None = None
    replace: bool = False


@dataclass
class Talk:
    """The conversation. ``channels``: how many the interface has."""

    channels: int
    ask: Ask
    say: Say
    hear: Hear
    _drums: list[Drum] = field(default_factory=list)
    _mics: dict[int, Mic] = field(default_factory=dict)
    _moved: set[int] = field(default_factory=set)

    def run(self, name: str | None = None) -> Kit:
        """Ask and listen until the kit is known."""
        self.say(CAUTION)
        name = name or self.ask("What is this kit called? [my kit] ").strip() or "my kit"
        for drum, kind in self._which_drums():
            self._one_drum(drum, kind)
        self._left_over()
        click = self._click()
        mics = [self._mics[channel] for channel in sorted(self._mics)]
        return Kit(name, tuple(self._drums), tuple(mics), click=click)

    def _which_drums(self) -> list[tuple[str, DrumKind]]:
        while True:
            given = self.ask(f"Which drums and cymbals are there? [{USUAL_DRUMS}] ")
            names = (given.strip() or USUAL_DRUMS).replace(",", " ").split()
            found = [(name, kind_of(name)) for name in dict.fromkeys(names)]
            unknown = [name for name, kind in found if kind is None]
            if unknown:
                kinds = [self._kind(name) for name in unknown]
                known = dict(zip(unknown, kinds, strict=True))
                found = [(name, kind or known[name]) for name, kind in found]
            drums = [(name, kind) for name, kind in found if kind is not None]
            if any(kind in ("kick", "snare") for _, kind in drums):
                return drums
            self.say("A kick or a snare is needed: they are what is judged.")

    def _kind(self, name: str) -> DrumKind:
        while True:
            given = self.ask(f"{name}: kick, snare, tom, hihat or cymbal? ").strip().casefold()
            for kind in DRUM_KINDS:
                if given == kind:
                    return kind
            self.say(f"Please one of these{did_you_mean(given, DRUM_KINDS)}.")

    def _one_drum(self, drum: str, kind: DrumKind) -> None:
        strokes = self._strokes(drum)
        if not strokes:
            self.say(f"The {drum} is kept without a microphone of its own.")
            self._drums.append(Drum(drum, kind))
            return
        moving = which_moves(strokes, list(self._mics))
        self._moved |= set(moving.moving())
        self.say(f"Moves: {moving_words(moving)}.")
        channel = self._channel(drum, moving.own)
        if channel is None:
            self._drums.append(Drum(drum, kind))
            return
        near = [one for one in moving.near if one not in self._mics and one != channel]
        mic = self._mic_name(drum, f"{drum}_top" if near and kind == "snare" else drum)
        self._mics[channel] = Mic(mic, channel)
        self._drums.append(Drum(drum, kind, own=mic))
        for number, one in enumerate(near):
            # Two microphones on a snare are usual, and nothing else is so near in level to it.
            likely = kind == "snare" and number == 0
            default = "y" if likely else "n"
            question = (
                f"Channel {one} is nearly as loud. A second microphone on the {drum}? [{default}] "
            )
            if (self.ask(question).strip().casefold() or default) in ("y", "yes"):
                second = self._mic_name(drum, f"{drum}_bottom" if kind == "snare" else f"{drum}_2")
                self._mics[one] = Mic(second, one, of=drum)

    def _strokes(self, drum: str) -> Sequence[Stroke]:
        """Strokes on the drum, after as many tries as are wanted; none if it is given up."""
        while True:
            self.say(f"Hit the {drum} {STROKES} times, with a pause between.")
            strokes = self.hear()
            if strokes:
                return strokes
            self.say("Nothing moved: is a microphone plugged in there, and turned up?")
            again = self.ask(f"{drum}: Enter to try again, or - for no microphone of its own: ")
            if again.strip() == "-":
                return []

    def _channel(self, drum: str, offered: int) -> int | None:
        while True:
            question = f"{drum}: its microphone is on channel [{offered}], or - for none: "
            given = self.ask(question).strip()
            if given == "-":
                return None
            channel = offered if not given else int(given) if given.isdecimal() else 0
            if channel in self._mics:
                self.say(f"Channel {channel} is {self._mics[channel].name} already.")
            elif 1 <= channel <= self.channels:
                return channel
            else:
                self.say(f"Channels go from 1 to {self.channels}.")

    def _mic_name(self, drum: str, offered: str) -> str:
        taken = {mic.name for mic in self._mics.values()}
        number = 2
        free = offered
        while free in taken:
            free, number = f"{offered}_{number}", number + 1
        while True:
            name = self.ask(f"What is this microphone called? [{free}] ").strip() or free
            if name in taken:
                self.say(f"There is a {name} already.")
            elif not _fit(name):
                self.say("A name begins with a letter and holds letters, digits, _ and -.")
            else:
                return name

    def _left_over(self) -> None:
        """Overheads, rooms: named, because they help to tell the drums apart.

        Only channels that moved for some drum are asked about: the others have nothing plugged in.
        """
        rest = [one for one in sorted(self._moved) if one not in self._mics]
        offers = iter(_LEFT_OVER)
        for channel in rest:
            offered = next(offers, "-")
            given = self.ask(
                f"Channel {channel}: an overhead, room or other microphone? Its name, or - to "
                f"leave it out [{offered}] "
            ).strip()
            name = given or offered
            if name == "-":
                continue
            if not _fit(name) or name in {mic.name for mic in self._mics.values()}:
                self.say(f"{name} cannot be a name here; channel {channel} is left out.")
                continue
            self._mics[channel] = Mic(name, channel)

    def _click(self) -> Mic | None:
        """The channel with the metronome, if one is wired: hits are then laid on its bars."""
        while True:
            given = self.ask(
                "Which channel carries the recorder's metronome (a wire, no microphone), or - for "
                "none? [-] "
            ).strip()
            if given in ("", "-"):
                return None
            channel = int(given) if given.isdecimal() else 0
            if channel in self._mics:
                self.say(f"Channel {channel} is {self._mics[channel].name} already.")
            elif 1 <= channel <= self.channels:
                free = [one for one in ("click", "metronome", "click_in") if not self._named(one)]
                return Mic(free[0], channel, type="line")
            else:
                self.say(f"Channels go from 1 to {self.channels}.")

    def _named(self, name: str) -> bool:
        return any(mic.name == name for mic in self._mics.values())


def kind_of(name: str) -> DrumKind | None:
    """The kind of drum that a name says, if it does."""
    word = name.casefold()
    return next((kind for part, kind in _WORDS if part in word), None)


def moving_words(moving: Moving) -> str:
    """``channel 2 at −9 dBFS, channel 3 at −14``, the five loudest."""
    parts = [f"channel {one} at {moving.levels_dbfs[one - 1]:.0f} dBFS" for one in moving.moving()]
    more = len(parts) - 5
    return ", ".join(parts[:5]) + (f" and {more} more" if more > 0 else "")


def _fit(name: str) -> bool:
    plain = name.replace("_", "").replace("-", "")
    return plain.isascii() and plain.isalnum() and name[0].isalpha() and len(name) <= 32


# --- at the interface -------------------------------------------------------------------------


def setup(request: LiveSetup, ask: Ask, out: TextIO) -> int:
    """The conversation at an interface; writes the profile. Always 0 or an error."""
    from liveassist.input.device import DeviceSource, find_input

    if request.out.exists() and not request.replace:
        raise ConfigError(f"{request.out}: is there already; give --replace, or another --out")

    def say(sentence: str) -> None:
        print(sentence, file=out, flush=True)

    wanted: str | int | None = request.device
    if request.device is not None and request.device.isdecimal():
        wanted = int(request.device)
    device = find_input(wanted)
    if not device.channels:
        raise DeviceError(f'"{device.name}" has no input channels; name another with --device')
    say(f'Listening to "{device.name}": {device.channels} channels.')
    mics = tuple(Mic(f"channel_{one}", one) for one in range(1, device.channels + 1))
    source = DeviceSource(
        Kit("setup", (), mics), wanted, request.sample_rate_hz, request.block_frames
    )
    with ExitStack() as stack:
        stack.callback(source.close)
        source.start()
        talk = Talk(device.channels, ask, say, _hear(source, device.channels, say))
        kit = talk.run(request.name)
    write_profile(kit, request.out)
    say(f"Wrote {request.out}. Next: liveassist soundcheck --kit {request.out}")
    return 0


def write_profile(kit: Kit, path: Path) -> None:
    """Write the profile, having read it back as every other command will."""
    comments = ["Written by liveassist setup; more keys are described in the README."]
    text = kit_toml(kit, comments)
    try:
        parse_kit(text, str(path))
    except ConfigError as error:
        raise LiveassistError(
            f"this kit cannot be used: {error.problems[0]}; start setup again"
        ) from None
    make_folder(path.parent)
    write_whole(path, text)


def _hear(source: object, channels: int, say: Say) -> Hear:
    from liveassist.input.device import DeviceSource

    assert isinstance(source, DeviceSource)

    def hear() -> list[Stroke]:
        # What was played while the person typed is not meant.
        while source.read(0.0) is not None:
            pass
        watch = ChannelWatch(channels, source.sample_rate_hz)
        strokes: list[Stroke] = []
        heard = 0
        while len(strokes) < STROKES and heard < PATIENCE_S * source.sample_rate_hz:
            block = source.read(0.1)
            if block is None:
                if source.state != "running":
                    raise DeviceError(source.note)
                continue
            heard += len(block.audio)
            for stroke in watch.feed(block.audio):
                strokes.append(stroke)
                say(f"  {len(strokes)}: loudest on channel {stroke.loudest}")
        return strokes[:STROKES]

    return hear
