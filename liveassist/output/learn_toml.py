"""What was learned of a surface, as a profile."""

from __future__ import annotations

import json

from .learn import Learned, LearnedLight, Lesson, Moved, usual_range
from .surfaces import BY_KEY


def to_toml(name: str, port: str, lesson: Lesson) -> str:
    """The profile of what was learned. Texts are quoted as JSON, which TOML reads alike."""
    q = json.dumps
    sends = bool(lesson.lights) or any(item.shows for item in lesson.controls)
    lines = [f"# Written by liveassist learn for the MIDI port {port!r}.", "", "[surface]"]
    lines += [f"name = {q(name)}", f"pages = {lesson.pages}"]
    if lesson.blink:
        lines.append(f"blink = {q(list(lesson.blink))}")
    lines += ["", "[[midi]]", f"name = {q(name)}", f"port = {q(port)}"]
    lines += [f"output = {q(sends)}", "input = true", ""]
    if lesson.meanings:
        lines += ["[meaning]", *(f"{word} = {value}" for word, value in lesson.meanings.items())]
        lines.append("")
    for item in lesson.controls:
        lines += [*_press(item), ""] if item.command else [*_control(item), ""]
    for light in lesson.lights:
        lines += [*_light(light), ""]
    return "\n".join(lines)


def _place(moved: Moved) -> list[str]:
    message = json.dumps(moved.message)
    return [f"message = {message}", f"channel = {moved.channel}", f"number = {moved.number}"]


def _press(item: Learned) -> list[str]:
    q = json.dumps
    lines = ["[[press]]", f"name = {q(item.name)}", *_place(item.moved)]
    lines.append(f"command = {q(item.command)}")
    return lines + ([f"value = {q(item.value)}"] if item.value else [])


def _control(item: Learned) -> list[str]:
    q = json.dumps
    quantity = BY_KEY[item.shows]
    lines = ["[[control]]", f"name = {q(item.name)}", *_place(item.moved)]
    lines.append(f"shows = {q(item.shows)}")
    if quantity.subject in ("drum", "mic"):
        lines.append(f"{quantity.subject} = {q(item.subject)}")
    low, high = item.span or usual_range(quantity)
    lines.append(f"range = [{low:g}, {high:g}]")
    return lines + ([f"page = {item.page}"] if item.page else [])


def _light(light: LearnedLight) -> list[str]:
    q = json.dumps
    lines = ["[[light]]", f"name = {q(light.name)}", *_place(light.moved)]
    lines.append(f"shows = {q(light.shows)}")
    if light.subject:
        key = "drum" if light.shows == "drum" else "mic"
        lines.append(f"{key} = {q(light.subject)}")
    return lines + ([f"page = {light.page}"] if light.page else [])
