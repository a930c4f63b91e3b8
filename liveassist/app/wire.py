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
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Literal, TypeVar, Union

import numpy as np

from liveassist.model import Hit, Snapshot

T = TypeVar("T")
#: What a screen shows of a hit. What it left in other microphones and its partials, three quarters
#: of a snapshot, stay behind: a dashboard reads ten snapshots a second.
NOT_SHOWN = ("mic_dbfs", "mic_heard_dbfs", "mic_bound", "measures")
SHOWN = tuple(f.name for f in dataclasses.fields(Hit) if f.name not in NOT_SHOWN)


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
    """Writes snapshots as JSON text; a hit that was in the last one is not written anew, nor what
    cannot have changed since: the same kit, figures or takes."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[Hit, str]] = {}
        self._parts: dict[str, tuple[object, str]] = {}

    def text(self, snapshot: Snapshot) -> str:
        """``snapshot`` as one line of JSON."""
        known: dict[int, tuple[Hit, str]] = {}
        drums = []
        drawn = {drum.name for drum in snapshot.kit.drums if drum.judged}
        for drum, hits in snapshot.recent.items():
            if drum not in drawn:
                continue  # no screen shows the hits of a drum without a verdict
            texts = []
            for hit in hits:
                entry = self._known.get(id(hit))
                # The hit itself is kept beside its text, so its id cannot be given to another.
                if entry is None or entry[0] is not hit:
                    entry = (
                        hit,
                        json.dumps({name: to_plain(getattr(hit, name)) for name in SHOWN}),
                    )
                known[id(hit)] = entry
                texts.append(entry[1])
            drums.append(f"{json.dumps(drum)}: [{', '.join(texts)}]")
        self._known = known
        fields = [
            f"{json.dumps(name)}: {self._part(name, getattr(snapshot, name))}"
            for name in _field_names(Snapshot)
            if name != "recent"
        ]
        return f'{{{", ".join(fields)}, "recent": {{{", ".join(drums)}}}}}'

    def _part(self, name: str, value: object) -> str:
        """A field's text; one that is the very object of the last picture keeps its text. What can
        change within is never the same object twice."""
        kept = self._parts.get(name)
        if kept is None or kept[0] is not value or isinstance(value, dict):
            kept = (value, json.dumps(to_plain(value)))
            self._parts[name] = kept
        return kept[1]


def read_snapshot(plain: Any) -> Snapshot:
    """The snapshot that `SnapshotWriter.text` wrote, after `json.loads`.

    ValueError where the value is not one (another version of the program, for example).
    """
    return from_plain(Snapshot, plain)


def from_plain(kind: type[T], plain: Any) -> T:
    """The value of type ``kind`` that `to_plain` gave. ValueError names what does not fit."""
    whole: Any = kind
    try:
        result: T = _reader(whole)(plain)
    except _MisfitError as misfit:
        raise ValueError(f"{kind.__name__}{misfit.where}: {misfit.words}") from None
    return result


class _MisfitError(Exception):
    """What does not fit, and where: the path is put together only where something is wrong."""

    def __init__(self, words: str, where: str = "") -> None:
        super().__init__(words)
        self.words, self.where = words, where

    def inside(self, place: str) -> _MisfitError:
        return _MisfitError(self.words, place + self.where)


_Reader = Callable[[Any], Any]


@functools.cache
def _field_names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


@functools.cache
def _reader(kind: Any) -> _Reader:
    """What reads a value of ``kind``. Ten snapshots a second hold thousands of values, so that
    types are looked at once and not at each of them."""
    if kind is Any or typing.get_origin(kind) is Literal:
        return lambda plain: plain
    origin, items = typing.get_origin(kind), typing.get_args(kind)
    if hasattr(origin, "__value__"):
        # A named alias (PEP 695), as numpy from 2.5 on has for its arrays: what it stands for.
        origin = typing.get_origin(origin.__value__)
    if origin in (Union, types.UnionType):
        (one,) = (choice for choice in items if choice is not type(None))
        return _optional(_reader(one), optional=type(None) in items)
    if origin is tuple:
        if len(items) == 2 and items[1] is Ellipsis:
            return _many(_reader(items[0]))
        return _few([_reader(item) for item in items])
    if origin is not None and issubclass(origin, Mapping):
        return _mapping(_reader(items[1]))
    if origin is np.ndarray:
        return lambda plain: None
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _fields(kind)
    return _simple(kind)


def _simple(kind: type) -> _Reader:
    def read(plain: Any) -> Any:
        if kind is float and isinstance(plain, int | float):
            return float(plain)
        if isinstance(plain, kind):
            return plain
        raise _MisfitError(f"unexpected {type(plain).__name__}")

    return read


def _optional(one: _Reader, *, optional: bool) -> _Reader:
    return lambda plain: None if plain is None and optional else one(plain)


def _many(item: _Reader) -> _Reader:
    def read(plain: Any) -> Any:
        if not isinstance(plain, list):
            raise _MisfitError("a list is missing")
        try:
            return tuple([item(value) for value in plain])
        except _MisfitError:
            _find(enumerate(plain), item, "[{}]")
            raise

    return read


def _few(items: Sequence[_Reader]) -> _Reader:
    def read(plain: Any) -> Any:
        if not isinstance(plain, list):
            raise _MisfitError("a list is missing")
        if len(items) != len(plain):
            raise _MisfitError(f"{len(items)} values expected")
        return tuple([item(value) for item, value in zip(items, plain, strict=True)])

    return read


def _mapping(item: _Reader) -> _Reader:
    def read(plain: Any) -> Any:
        if not isinstance(plain, dict):
            raise _MisfitError("an object is missing")
        try:
            return {key: item(value) for key, value in plain.items()}
        except _MisfitError:
            _find(plain.items(), item, ".{}")
            raise

    return read


def _fields(kind: type) -> _Reader:
    readers: dict[str, _Reader] = {}

    def read(plain: Any) -> Any:
        if not readers:
            # Not before it is needed: types may hold themselves.
            readers.update({name: _reader(t) for name, t in typing.get_type_hints(kind).items()})
        if not isinstance(plain, dict):
            raise _MisfitError("an object is missing")
        known = {}
        for name, value in plain.items():
            if name in readers:
                try:
                    known[name] = readers[name](value)
                except _MisfitError as misfit:
                    raise misfit.inside(f".{name}") from None
        try:
            return kind(**known)
        except TypeError as problem:
            raise _MisfitError(str(problem)) from None

    return read


def _find(pairs: Iterable[tuple[Any, Any]], item: _Reader, place: str) -> None:
    """Raise again for the first of ``pairs`` that does not fit, with its place."""
    for key, value in pairs:
        try:
            item(value)
        except _MisfitError as misfit:
            raise misfit.inside(place.format(key)) from None
