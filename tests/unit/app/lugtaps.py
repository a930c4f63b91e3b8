"""Taps beside each lug of a simulated snare, one lug's tension changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from liveassist.app.config import parse_kit
from liveassist.model import Audio, Kit
from sim.drummer import Stroke
from sim.faults import Fault
from sim.scenario import load_plan
from sim.scene import Scene

RATE = 48_000
APART_S = 1.2


def tapped(
    lug: int, tension: float, taps: int = 2, scenario: str = "rock_ghosts"
) -> tuple[Kit, Audio]:
    """The kit (with its lugs) and the recording; ``lug`` counts from 1."""
    plan = load_plan(scenario)
    lugs = plan.kit.instrument("snare").sound.lugs  # type: ignore[union-attr]
    strokes = tuple(
        Stroke(0.8 + APART_S * index, "snare", f"lug_tap_{index // taps + 1}", "tap", -16.0)
        for index in range(lugs * taps)
    )
    slip = Fault("lug_slip", 0.0, drum="snare", tension=tension, lug=lug - 1)
    end_s = strokes[-1].time_s + 1.5
    scene = Scene(replace(plan, strokes=strokes, faults=(slip,), takes=(), duration_s=end_s))
    kit = parse_kit(scene.kit_toml, "simulated")
    drums = tuple(replace(d, lugs=lugs if d.name == "snare" else None) for d in kit.drums)
    audio = np.asarray(scene.read(scene.total_frames), dtype=np.float32)
    return replace(kit, drums=drums), audio
