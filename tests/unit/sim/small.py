"""A small, quick scenario for the tests: three microphones, a dry room, 16 kHz."""

from __future__ import annotations

import textwrap
from pathlib import Path

KIT = """
name = "Test bench"
seed = 3
[room]
size_m = [5.0, 4.0, 2.6]
t60_s = 0.1
t60_high_s = 0.1
reflection = 0.2

[[instrument]]
name = "kick"
kind = "kick"
own = "kick"
position_m = [2.2, 1.6, 0.3]
axis = [0.0, -1.0, 0.0]
[instrument.sound]
diameter_in = 22.0
depth_in = 16.0
note_hz = 55.0
seal = 0.2
t60_s = 0.2
ring_t60_s = 0.2

[[instrument]]
name = "snare"
kind = "snare"
own = "snare"
position_m = [1.8, 1.5, 0.7]
[instrument.sound]
note_hz = 185.0
t60_s = 0.2
ring_t60_s = 0.2
uneven = 0.0
wires_db = -10.0

[[instrument]]
name = "hihat"
kind = "hihat"
position_m = [1.3, 1.6, 0.95]
[instrument.sound]
t60_s = 0.6
loudness_db = -10.0

[[mic]]
name = "kick"
position_m = [2.25, 1.75, 0.32]
aim_m = [2.2, 1.6, 0.3]
peak = { of = "kick", dbfs = -3.0 }

[[mic]]
name = "snare"
position_m = [1.7, 1.62, 0.77]
aim_m = [1.8, 1.5, 0.7]
peak = { of = "snare", dbfs = -3.0 }

[[mic]]
name = "over"
position_m = [1.9, 1.6, 1.9]
aim_m = [1.9, 1.6, 0.7]
peak = { of = "hihat", dbfs = -20.0 }
"""

SCENARIO = """
name = "small"
kit = "bench.toml"
seed = 2
sample_rate_hz = 16000
[drummer]
spread_db = 0.5
[[groove]]
name = "bar"
pattern = '''
hihat | x-x-x-o- x-x-x-x- |
snare | ----X--g ----X--- |
kick  | X-----x- X-x----- |
'''
[[take]]
name = "one"
bpm = 140
song = ["bar*2"]
"""


def write_small(folder: Path, extra: str = "", scenario: str = SCENARIO) -> Path:
    """Write kit and scenario into ``folder``; the scenario's path. ``extra`` is appended."""
    (folder / "bench.toml").write_text(KIT, encoding="utf-8")
    path = folder / "small.toml"
    path.write_text(scenario + textwrap.dedent(extra), encoding="utf-8")
    return path
