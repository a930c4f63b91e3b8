"""Snapshots as JSON and back, for the dashboard in another process.

The values are those of `liveassist.model`; what JSON cannot carry (spectra of single hits) is left
out, because no screen shows it. Numbers that are not finite travel as Python writes them.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import types
import typing
from collections.abc import Mapping, Sequence
from typing import Any, Literal, TypeVar, Union

import numpy as np

from liveassist.model import Hit, Snapshot

T = TypeVar("T")


def to_plain(value: Any) -> Any:
    """``value`` as what `json.dumps` takes. Arrays become None."""
    if value is None or isinstance(value, str | bool | int | float):
        return value.item() if isinstance(value, np.generic) else value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: to_plain(getattr(value, name)) for name in _field_names(type(value))}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [to_plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} cannot be sent")


class SnapshotWriter:
    """Writes snapshots as JSON text; a hit that was in the last one is not written anew."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[Hit, str]] = {}

    def text(self, snapshot: Snapshot) -> str:
        """``snapshot`` as one line of JSON."""
        known: dict[int, tuple[Hit, str]] = {}
        drums = []
        for drum, hits in snapshot.recent.items():
            texts = []
            for hit in hits:
                entry = self._known.get(id(hit))
                # The hit itself is kept beside its text, so its id cannot be given to another.
                if entry is None or entry[0] is not hit:
                    entry = (hit, json.dumps(to_plain(hit)))
                known[id(hit)] = entry
                texts.append(entry[1])
            drums.append(f"{json.dumps(drum)}: [{', '.join(texts)}]")
        self._known = known
        rest = json.dumps(to_plain(dataclasses.replace(snapshot, recent={})))
        # The last key wins where a JSON object names one twice; ours is put last.
        return f'{rest[:-1]}, "recent": {{{", ".join(drums)}}}}}'


def read_snapshot(plain: Any) -> Snapshot:
    """The snapshot that `SnapshotWriter.text` wrote, after `json.loads`.

    ValueError where the value is not one (another version of the program, for example).
    """
    return from_plain(Snapshot, plain)


def from_plain(kind: type[T], plain: Any) -> T:
    """The value of type ``kind`` that `to_plain` gave. ValueError names what does not fit."""
    result: T = _read(kind, plain, kind.__name__)
    return result


@functools.cache
def _field_names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


@functools.cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _read(kind: Any, plain: Any, where: str) -> Any:
    if kind is Any:
        return plain
    origin = typing.get_origin(kind)
    if origin in (Union, types.UnionType):
        return _read_union(kind, plain, where)
    if origin is Literal:
        return plain
    if origin is tuple:
        return _read_tuple(typing.get_args(kind), plain, where)
    if origin is not None and issubclass(origin, Mapping):
        item = typing.get_args(kind)[1]
        return {key: _read(item, value, f"{where}.{key}") for key, value in _dict(plain, where)}
    if origin is np.ndarray:
        return None
    if dataclasses.is_dataclass(kind):
        return _read_fields(kind, plain, where)
    if kind is float and isinstance(plain, int | float):
        return float(plain)
    if isinstance(kind, type) and isinstance(plain, kind):
        return plain
    raise ValueError(f"{where}: unexpected {type(plain).__name__}")


def _read_union(kind: Any, plain: Any, where: str) -> Any:
    choices = typing.get_args(kind)
    if plain is None and type(None) in choices:
        return None
    (one,) = (choice for choice in choices if choice is not type(None))
    return _read(one, plain, where)


def _read_tuple(items: tuple[Any, ...], plain: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(plain, list):
        raise ValueError(f"{where}: a list is missing")
    if len(items) == 2 and items[1] is Ellipsis:
        return tuple(_read(items[0], value, f"{where}[{i}]") for i, value in enumerate(plain))
    if len(items) != len(plain):
        raise ValueError(f"{where}: {len(items)} values expected")
    return tuple(_read(item, value, where) for item, value in zip(items, plain, strict=True))


def _read_fields(kind: Any, plain: Any, where: str) -> Any:
    hints = _hints(kind)
    known = {
        name: _read(hints[name], value, f"{where}.{name}")
        for name, value in _dict(plain, where)
        if name in hints
    }
    try:
        return kind(**known)
    except TypeError as problem:
        raise ValueError(f"{where}: {problem}") from None


def _dict(plain: Any, where: str) -> Any:
    if not isinstance(plain, dict):
        raise ValueError(f"{where}: an object is missing")
    return plain.items()
