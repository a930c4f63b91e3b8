"""Everything liveassist raises on purpose.

::

    LiveassistError
    ├── ConfigError     a profile or option is wrong: stops before audio starts (exit 2)
    ├── InputError      a recording cannot be read or used (exit 1)
    ├── DeviceError     an audio device is missing or failed (exit 1, or retried when live)
    ├── OutputError     one output cannot be used: only that output stops
    └── StorageError    a file or folder cannot be written (exit 1)

The message of each is one sentence: what, where, how to mend. Anything else that escapes is a
bug of ours.
"""

from __future__ import annotations

from collections.abc import Sequence


class LiveassistError(Exception):
    """Base of all errors meant for the user."""

    exit_code = 1


class ConfigError(LiveassistError):
    """One or several mistakes in a profile or on the command line, all found at once."""

    exit_code = 2

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems: tuple[str, ...] = (
            (problems,) if isinstance(problems, str) else tuple(problems)
        )
        super().__init__("\n".join(self.problems))


class InputError(LiveassistError):
    """A recording that cannot be read, or that does not fit the kit profile."""


class DeviceError(LiveassistError):
    """An audio device that is missing, too small, or has stopped."""


class OutputError(LiveassistError):
    """An output (OSC target, MIDI port) that cannot be used."""


class StorageError(LiveassistError):
    """A file or folder that cannot be written."""
