"""Recordings: one multichannel file, or one mono file a microphone, read in blocks.

Forms of input (`open_recording`):

- one file with all microphones: column of a microphone is its ``channel`` in the kit profile;
- a folder with one mono file a microphone, named for the microphone (``snare_top.wav``);
- several ``MIC=FILE``, or several files named for their microphones.

WAV, FLAC and AIFF of any depth, 44.1 to 192 kHz. The whole file is never held in memory. All
faults are `InputError` with one sentence; faults found while reading (a file shorter than its
header says, a sample that is no number) are raised when the reading gets there, so that what was
heard before can be kept.
"""

from __future__ import annotations

import difflib
import os
import re
import stat
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from liveassist.errors import InputError
from liveassist.input.headers import announced_frames
from liveassist.model import Audio, Block, Kit

SUFFIXES = (".wav", ".flac", ".aif", ".aiff")
LOWEST_RATE_HZ = 44_100
HIGHEST_RATE_HZ = 192_000
#: Whole recordings are read at once only to learn from; larger ones are refused, bytes.
LARGEST_WHOLE_BYTES = 2**31

_MIC_EQUALS = re.compile(r"([A-Za-z][A-Za-z0-9_\-]*)=(.+)\Z", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Part:
    """One file and where its channels go: pairs of (channel from 0, column of the block)."""

    path: Path
    routes: tuple[tuple[int, int], ...]


class Recording:
    """A recording opened for reading. Use as a context manager; made by `open_recording`.

    ``name`` is the input as given, ``frames`` the length every header announces.
    """

    def __init__(self, parts: Sequence[Part], kit: Kit, name: str) -> None:
        self.name = name
        self._kit = kit
        #: Whether the kit has a channel for the metronome that this recording lacks.
        columns = {column for part in parts for _, column in part.routes}
        self.click_missing = kit.click is not None and len(kit.mics) not in columns
        self._parts = tuple(parts)
        self._stack = ExitStack()
        try:
            self._files = [self._open(part) for part in self._parts]
            self._announced = [
                announced_frames(part.path) or int(file.frames)
                for part, file in zip(self._parts, self._files, strict=True)
            ]
            self.sample_rate_hz = self._common_rate()
            self.frames = self._common_length()
        except BaseException:
            self.close()
            raise

    @property
    def duration_s(self) -> float:
        """Length by the headers, seconds."""
        return self.frames / self.sample_rate_hz

    @property
    def channels(self) -> int | None:
        """Channels of the file; None where each microphone has a file of its own."""
        return int(self._files[0].channels) if len(self._files) == 1 else None

    def blocks(self, frames: int = 4096) -> Iterator[Block]:
        """Blocks of ``frames`` samples (the last one shorter), columns in the order of the kit.

        InputError where the audio ends before the header says it does, or is not a number.
        """
        first, mics = 0, len(self._kit.mics)
        while first < self.frames:
            audio = np.zeros((min(frames, self.frames - first), len(self._kit.inputs)), np.float32)
            got = min(self._read_part(index, audio, first) for index in range(len(self._parts)))
            if got:
                self._refuse_non_numbers(audio[:got], first)
                click = audio[:got, mics] if self._kit.click and not self.click_missing else None
                yield Block(first, np.ascontiguousarray(audio[:got, :mics]), click=click)
            if got < len(audio):
                raise self._truncated(first + got)
            first += got

    def read_all(self) -> Audio:
        """Everything, shape (frames, microphones), float32. For learning from a soundcheck."""
        size = self.frames * len(self._kit.mics) * 4
        if size > LARGEST_WHOLE_BYTES:
            raise InputError(
                f"{self.name}: {self.duration_s / 60:.0f} minutes are too long to learn from "
                f"({size / 1e9:.1f} GB); cut the part in which each drum is played alone"
            )
        whole = np.zeros((self.frames, len(self._kit.mics)), np.float32)
        for block in self.blocks(65_536):
            whole[block.first_sample : block.first_sample + len(block.audio)] = block.audio
        return whole

    def close(self) -> None:
        """Close all files; may be called again."""
        self._stack.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _open(self, part: Part) -> Any:
        import soundfile

        path = part.path
        try:
            with path.open("rb") as raw:
                empty = not raw.read(1)
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {error.strerror}") from None
        if empty:
            raise InputError(f"{path}: this file is empty (0 bytes)")
        try:
            file = soundfile.SoundFile(path)
        except soundfile.SoundFileError as error:
            reason = str(error).rpartition(": ")[2].rstrip(".")
            raise InputError(
                f"{path}: this is not a readable WAV, FLAC or AIFF file ({reason}); export it again"
            ) from None
        self._stack.enter_context(file)
        self._check_channels(part, file.channels)
        return file

    def _check_channels(self, part: Part, channels: int) -> None:
        if len(self._parts) > 1 and channels != 1:
            raise InputError(
                f"{part.path}: has {channels} channels; where each microphone has its own file, "
                "each must be mono"
            )
        missing = [
            f"{self._kit.inputs[column].name} (channel {channel + 1})"
            for channel, column in part.routes
            if channel >= channels
        ]
        if missing:
            has = "1 channel" if channels == 1 else f"{channels} channels"
            raise InputError(
                f"{part.path}: has {has}, but the kit profile "
                f'"{self._kit.name}" needs {", ".join(missing)}; '
                "correct the channels in the profile or choose another file"
            )

    def _common_rate(self) -> int:
        rates = [int(file.samplerate) for file in self._files]
        if len(set(rates)) > 1:
            raise InputError(
                f"{self.name}: the files differ in sample rate "
                f"({self._each(f'{rate} Hz' for rate in rates)}); export them all at one rate"
            )
        if not LOWEST_RATE_HZ <= rates[0] <= HIGHEST_RATE_HZ:
            raise InputError(
                f"{self.name}: the sample rate is {rates[0]} Hz; "
                f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz can be used"
            )
        return rates[0]

    def _common_length(self) -> int:
        for part, file in zip(self._parts, self._files, strict=True):
            if file.frames == 0:
                raise InputError(
                    f"{part.path}: its header says that it holds no audio; if it should, the "
                    "recorder did not finish the file: repair it there or export it again"
                )
        if len(set(self._announced)) > 1:
            raise InputError(
                f"{self.name}: the files differ in length "
                f"({self._each(f'{length} samples' for length in self._announced)}); "
                "export them all from the same start to the same end"
            )
        return self._announced[0]

    def _each(self, values: Iterator[str]) -> str:
        pairs = zip(self._parts, values, strict=True)
        return ", ".join(f"{part.path.name} {value}" for part, value in pairs)

    def _read_part(self, index: int, audio: Audio, first: int) -> int:
        """Fill the columns of one file; how many frames there were."""
        import soundfile

        part, file = self._parts[index], self._files[index]
        try:
            data = file.read(len(audio), dtype="float32", always_2d=True)
        except soundfile.SoundFileError:
            # A damaged stream fails as a whole block: take what comes before the damage.
            data = self._read_up_to_damage(file, first, len(audio))
        for channel, column in part.routes:
            audio[: len(data), column] = data[:, channel]
        return len(data)

    @staticmethod
    def _read_up_to_damage(file: Any, first: int, frames: int) -> Audio:
        import soundfile

        data = np.zeros((0, file.channels), np.float32)
        step = frames
        while step > 1:
            step //= 2
            try:
                file.seek(first)
                data = file.read(len(data) + step, dtype="float32", always_2d=True)
            except soundfile.SoundFileError:
                continue
        return data

    def _refuse_non_numbers(self, audio: Audio, first: int) -> None:
        if np.isfinite(audio).all():
            return
        frame, column = np.argwhere(~np.isfinite(audio))[0]
        raise InputError(
            f"{self.name}: {self._kit.inputs[column].name} holds a sample that is not a finite "
            f"number at {(first + frame) / self.sample_rate_hz:.3f} s; what follows cannot be "
            "trusted, so export the file again"
        )

    def _truncated(self, heard: int) -> InputError:
        return InputError(
            f"{self.name}: the audio ends at {heard / self.sample_rate_hz:.3f} s although its "
            f"header says {self.duration_s:.3f} s; the file is truncated or damaged: copy or "
            "export it again"
        )


def open_recording(given: Sequence[str], kit: Kit) -> Recording:
    """Open one of the forms of input described at the top of this module.

    InputError: no such file, a microphone without a file, too few channels, no audio, files that
    differ in rate or length.
    """
    name = " ".join(given)
    if not given:
        raise InputError("no input is named; give a file, a folder or MIC=FILE")
    if len(given) == 1 and os.path.isdir(given[0]):
        return Recording(_parts_of_folder(Path(given[0]), kit), kit, name)
    if len(given) == 1 and (os.path.exists(given[0]) or not _MIC_EQUALS.match(given[0])):
        path = _existing(given[0])
        routes = tuple((mic.channel - 1, column) for column, mic in enumerate(kit.mics))
        if kit.click is not None and kit.click.channel <= _channels(path):
            routes = (*routes, (kit.click.channel - 1, len(kit.mics)))
        return Recording((Part(path, routes),), kit, name)
    return Recording(_parts_by_name(given, kit), kit, name)


def _channels(path: Path) -> int:
    """How many channels the file has; 0 where that is not to be read (`Recording` says why)."""
    import soundfile

    try:
        return int(soundfile.info(path).channels)
    except (soundfile.SoundFileError, OSError):
        return 0


def _parts_of_folder(folder: Path, kit: Kit) -> list[Part]:
    try:
        files = sorted(path for path in folder.iterdir() if path.suffix.lower() in SUFFIXES)
    except OSError as error:
        raise InputError(f"{folder}: cannot be read: {error.strerror}") from None
    if not files:
        raise InputError(f"{folder}: there is no WAV, FLAC or AIFF file in this folder")
    named: dict[str, list[Path]] = {}
    for path in files:
        named.setdefault(path.stem.casefold(), []).append(path)
    chosen: dict[str, Path] = {}
    for mic in kit.inputs:
        candidates = named.get(mic.name.casefold(), [])
        if len(candidates) > 1:
            raise InputError(
                f"{folder}: both {candidates[0].name} and {candidates[1].name} could be "
                f"{mic.name}; leave one, or name the files as MIC=FILE"
            )
        if candidates:
            chosen[mic.name] = candidates[0]
    return _parts(chosen, kit, str(folder), [path.stem for path in files])


def _parts_by_name(given: Sequence[str], kit: Kit) -> list[Part]:
    names = [mic.name for mic in kit.inputs]
    chosen: dict[str, Path] = {}
    for item in given:
        match = None if os.path.exists(item) else _MIC_EQUALS.match(item)
        mic = match.group(1) if match else _mic_of_stem(item, names)
        path = _existing(match.group(2) if match else item)
        if mic not in names:
            raise InputError(
                f'{item}: the kit profile "{kit.name}" has no microphone "{mic}"'
                f"{_hint(mic, names)}; its microphones: {', '.join(names)}"
            )
        if mic in chosen:
            raise InputError(f"{item}: {mic} is given a second file; one file a microphone")
        chosen[mic] = path
    return _parts(chosen, kit, "the input", [])


def _mic_of_stem(item: str, names: Sequence[str]) -> str:
    stem = Path(item).stem
    return next((name for name in names if name.casefold() == stem.casefold()), stem)


def _parts(chosen: dict[str, Path], kit: Kit, where: str, stems: Sequence[str]) -> list[Part]:
    missing = [mic.name for mic in kit.mics if mic.name not in chosen]
    if missing:
        hints = "".join(_hint(name, stems) for name in missing[:1])
        raise InputError(
            f"{where}: no file for {', '.join(missing)}{hints}; name each file for its microphone, "
            "or take the microphone out of the kit profile"
        )
    return [
        Part(chosen[mic.name], ((0, column),))
        for column, mic in enumerate(kit.inputs)
        if mic.name in chosen
    ]


def _existing(given: str) -> Path:
    path = Path(given).expanduser()
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        siblings = os.listdir(path.parent) if os.path.isdir(path.parent) else []
        raise InputError(f"{given}: there is no such file{_hint(path.name, siblings)}") from None
    except OSError as error:
        raise InputError(f"{given}: cannot be read: {error.strerror}") from None
    if stat.S_ISDIR(mode):
        raise InputError(f"{given}: this is a folder; name a single file")
    return path


def _hint(word: str, choices: Sequence[str]) -> str:
    found = difflib.get_close_matches(word, choices, n=1, cutoff=0.6)
    return f' (did you mean "{found[0]}"?)' if found else ""
