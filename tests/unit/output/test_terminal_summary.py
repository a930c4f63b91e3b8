"""What is printed when a session is over: order, sentences, line breaks."""

from __future__ import annotations

from dataclasses import replace

from liveassist.output.terminal_plain import summary_lines, wrapped
from tests.unit.output import terminal_samples as samples


def test_summary_says_what_was_done() -> None:
    text = "\n".join(summary_lines(samples.record()))
    for wanted in (
        "Listened to 3 minutes 24 seconds of Blue attic through 8 microphones.",
        "snare: 214 hits (118 main (6 weak), 84 ghost, 1 clipped), main hits at -11.6 dBFS, "
        "spread 1.9 dB (1.5 to 2.5)",
        "take 1 (the reference), 1:02",
        "changed: The snare head is 18 cents flat against take 1.",
        "Expander to try on snare_top: threshold -22.5 dBFS",
        "No expander setting for tom_floor: 3 hits, 12 needed.",
        "3 alerts:\n",
        "learned in blue-attic.learned.json",
    ):
        assert wanted in text, wanted
    assert text.isascii()


def test_the_summary_begins_with_what_is_urgent_and_says_each_once() -> None:
    base = samples.record()
    dull = replace(base.alerts[0], when="between", key="headroom", drum=None, start_s=1.0,
                   sentence="over_left has 2 dB of room.")  # fmt: skip
    urgent = replace(dull, when="now", key="clipping", start_s=9.0, sentence="kick clips.")
    again = replace(urgent, start_s=20.0, sentence="kick clips again.")
    lines = summary_lines(replace(base, alerts=(dull, urgent, again), lost_samples=24_000))
    assert lines[1:6] == [
        "3 alerts:",
        "  from 0:09 on, 2 times, last: kick clips again.",
        "  at 0:01: over_left has 2 dB of room.",
        "0.5 s of sound were lost on the way in.",
        "2 takes.",
    ]


def test_lines_are_broken_at_the_terminal_and_nowhere_else() -> None:
    lines = ["  at 0:09: the snare head is eighteen cents flat against the first take of today."]
    assert wrapped(lines, None) == lines
    broken = wrapped(lines, 40)
    assert len(broken) == 3
    assert all(len(line) <= 40 for line in broken)
    assert broken[0].startswith("  at")
    assert broken[1].startswith("      ")
    assert " ".join(" ".join(broken).split()) == lines[0].strip()


def test_summary_of_nothing_says_so() -> None:
    base = samples.record()
    nothing = replace(
        base,
        figures=samples.empty().figures,
        takes=(),
        alerts=(),
        expander={},
        learned=None,
        duration_s=0.0,
    )
    assert summary_lines(nothing) == [
        "Listened to 0 seconds of Blue attic through 8 microphones.",
        "No alerts.",
        "No takes.",
        "snare: no hits.",
        "kick: no hits.",
    ]
