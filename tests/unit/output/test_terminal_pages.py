"""The pages at fixed and at arbitrary sizes, read back as bare text.

Cell widths are checked with rich's own table (Unicode Standard Annex 11, East Asian Width).
"""

from __future__ import annotations

import io
import re
import time
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from liveassist.model import Alert, Snapshot
from liveassist.output.keys import COMMANDS
from liveassist.output.terminal_canvas import COLOUR, MONO
from liveassist.output.terminal_meters import shorten
from liveassist.output.terminal_pages import render
from liveassist.output.terminal_reading import expander_lines
from liveassist.output.terminal_words import alert_id, evenness_places, verdict
from tests.unit.output import terminal_samples as samples

PAGES = ("main", "large", "between", "takes", "help")
SNAPSHOTS: dict[str, Callable[[], Snapshot]] = {
    "full": samples.full,
    "calm": samples.calm,
    "empty": samples.empty,
    "no_drums": samples.no_drums,
    "huge": samples.huge,
    "long_names": samples.long_names,
    "many_mics": samples.many_mics,
}
MADE = {name: make() for name, make in SNAPSHOTS.items()}
SIZES = ((40, 12), (60, 20), (80, 24), (100, 30), (120, 24), (160, 50), (250, 80))


def text(snapshot: Snapshot, width: int, height: int, page: str = "main") -> str:
    return "\n".join(render(snapshot, width, height, page=page).lines())


def printed(snapshot: Snapshot, width: int, height: int, **console: object) -> str:
    """What a console of fixed size writes for the main page."""
    out = Console(file=io.StringIO(), width=width, height=height, **console)  # type: ignore[arg-type]
    out.print(render(snapshot, width, height, colour=not out.no_color), end="")
    assert isinstance(out.file, io.StringIO)
    return out.file.getvalue()


@pytest.mark.parametrize("name", SNAPSHOTS)
@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("size", SIZES)
def test_every_page_fills_its_size_exactly(name: str, page: str, size: tuple[int, int]) -> None:
    lines = render(MADE[name], *size, page=page).lines()
    assert len(lines) == size[1]
    assert {cell_len(line) for line in lines} == {size[0]}


@settings(max_examples=150, deadline=None)
@given(
    name=st.sampled_from(sorted(SNAPSHOTS)),
    page=st.sampled_from(PAGES),
    width=st.integers(-3, 260),
    height=st.integers(-3, 90),
)
def test_any_size_renders_within_it(name: str, page: str, width: int, height: int) -> None:
    lines = render(MADE[name], width, height, page=page).lines()
    assert len(lines) == max(1, height)
    assert all(cell_len(line) == max(1, width) for line in lines)


@settings(max_examples=60, deadline=None)
@given(name=st.text(max_size=40), width=st.integers(1, 130), height=st.integers(1, 40))
def test_any_name_stays_inside_and_leaves_no_control_character(
    name: str, width: int, height: int
) -> None:
    base = samples.full()
    alert = replace(base.alerts[0], sentence=name, key=name, drum=None, mic=None)
    snapshot = replace(
        base,
        mics=tuple(replace(mic, name=name, fault=name) for mic in base.mics),
        alerts=(alert,),
        source=name,
        outputs=tuple(replace(output, name=name, note=name) for output in base.outputs),
    )
    lines = render(snapshot, width, height).lines()
    assert all(cell_len(line) == width for line in lines)
    assert not re.search(r"[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", "".join(lines))


def test_console_writes_no_wrapped_or_extra_line() -> None:
    lines = printed(samples.full(), 80, 24).split("\n")
    assert len(lines) == 25
    assert lines[-1] == ""
    assert all(cell_len(line) <= 80 for line in lines)


def test_80_by_24_shows_everything_asked_for() -> None:
    shown = text(samples.full(), 80, 24)
    for wanted in (
        "take 3",
        "2:14",  # 204.6 s less the start at 70.2 s
        "SNARE",
        "KICK",
        "spread 1.9 dB (1.5 to 2.5)",
        "falling 0.8 dB/min (0.3 to 1.3)",
        "level steady",
        "bleed margin 14.2 dB (hat)",
        "note 187.3 Hz, ring 0.42 s",
        "−22.5 threshold",
        "−19.0 threshold",
        "CLIP 3",
        "dead",
        "NOW",
        "LOOK",
        "33 s",  # 204.6 s less 171.0 s
        "over",
        "no samples lost",
        "pads DOWN",
        "tablet ok",
        "97 % sure",
        "? help",
    ):
        assert wanted in shown, wanted
    for mic in ("kick_in", "snare_top", "snare.b", "tom_rack", "tom_floor", "hat", "over_left"):
        assert mic in shown


def test_wide_adds_outputs_changes_and_expander_settings() -> None:
    shown = text(samples.full(), 160, 50)
    assert "pads DOWN  812 sent" in shown
    assert "18 cents flat" in shown
    assert "threshold −22.5 dBFS, range 12.0 dB" in shown
    assert "tom_floor: none, 3 hits, 12 needed" in shown
    assert "snare_bottom" in shown


def test_narrowest_still_says_verdicts_trouble_and_health() -> None:
    shown = text(samples.full(), 40, 12)
    for wanted in ("2:14", "NOW", "SNARE  CLIPPING", "KICK  EVEN", "CLIP", "no samples lost"):
        assert wanted in shown, wanted


def test_calm_screen_says_so() -> None:
    shown = text(samples.calm(), 80, 24)
    assert "all well" in shown
    assert "SNARE  EVEN" in shown
    assert "no alerts" in shown


def test_lost_samples_and_drops_are_said() -> None:
    outputs = (replace(samples.OUTPUTS[0], dropped=12),)
    shown = text(replace(samples.full(), lost_samples=1280, outputs=outputs), 80, 24)
    assert "LOST 1280 samples" in shown
    assert "tablet DROPPED 12" in shown


def test_all_32_microphones_fit_at_80_by_24() -> None:
    snapshot = samples.many_mics()
    shown = text(snapshot, 80, 24)
    assert not re.search(r"\+\d+ more", shown.split("\n", 2)[2])
    for mic in snapshot.mics:
        assert any(shorten(mic.name, width) in shown for width in (5, 6)), mic.name


def test_microphones_in_trouble_are_kept_where_not_all_fit() -> None:
    base = samples.many_mics(64)
    mics = (*base.mics[:-1], replace(base.mics[-1], name="last", fault="dead"))
    shown = text(replace(base, mics=mics), 40, 12)
    assert "last" in shown
    assert "DEAD" in shown
    assert re.search(r"\+\d+ more", shown)


def test_large_page_draws_the_verdict_and_the_clock_in_blocks() -> None:
    lines = render(samples.calm(), 80, 24, page="large").lines()
    assert "██████████" not in lines[0]
    assert sum("██" in line for line in lines) >= 15
    assert "spread 1.9 dB" in "\n".join(lines)


def test_large_page_shows_trouble_elsewhere_large() -> None:
    base = samples.calm()
    dead = Alert("dead", 200.0, None, "now", "stop", "over_left is silent.", None, "over_left")
    calm = render(base, 120, 32, page="large").lines()
    lines = render(replace(base, alerts=(dead,)), 120, 32, page="large").lines()
    assert "█" not in "".join(line[80:] for line in calm[2:7])
    assert "████" in "".join(line[80:] for line in lines[2:7])


def test_large_page_in_a_small_window_falls_back_to_plain_letters() -> None:
    shown = text(samples.calm(), 30, 8, page="large")
    assert "EVEN  1.9" in shown


def test_help_page_names_every_key() -> None:
    shown = text(samples.full(), 80, 24, page="help")
    for binding in COMMANDS:
        assert re.search(
            rf"^ +{re.escape(binding.key)} +{re.escape(binding.sentence)}", shown, re.M
        )


def test_between_page_gives_reasons_and_suggestions() -> None:
    shown = " ".join(text(samples.full(), 80, 24, page="between").split())
    assert "The last take, take 2 snare spread 1.5 dB (1.2 to 2.0), kick" in shown
    assert "evenest, 1 weak hit" in shown
    assert "What changed in it since the reference take (take 1)" in shown
    assert "The snare head is 18 cents flat against take 1." in shown
    assert "never sent by itself" in shown
    assert "98 % of main hits" in shown


def test_text_that_does_not_fit_is_said_to_be_missing() -> None:
    assert "lines 1 to 7 of " in text(samples.full(), 60, 12, page="help")
    moved = "\n".join(render(samples.full(), 60, 12, page="help", scroll=3).lines())
    assert "lines 4 to 10 of " in moved


def test_takes_page_lists_takes_and_says_more_of_the_chosen_one() -> None:
    shown = "\n".join(render(samples.full(), 80, 24, page="takes", scroll=1).lines())
    assert re.search(r"^   take 1 +0:30 +snare 3.0 dB +kick 1.2 dB.*reference", shown, re.M)
    assert re.search(
        r"^>\* take 2 +0:30 +snare 1.5 dB +kick 1.2 dB.*evenest.*1 change", shown, re.M
    )
    assert re.search(r"^   take 3 +\d+:\d\d +runs", shown, re.M)
    words = " ".join(shown.split())
    assert "snare spread 1.5 dB (1.2 to 2.0), kick spread 1.2 dB (0.9 to 1.6)" in words
    assert "Noted: fill too early" in shown
    assert "18 cents flat" in shown


def test_of_many_takes_the_chosen_one_is_shown() -> None:
    many = replace(samples.full(), takes=samples.take_lines(64))
    for at in (0, 20, 63):
        shown = "\n".join(render(many, 80, 24, page="takes", scroll=at).lines())
        assert re.search(rf"^>. take {at + 1} ", shown, re.M)


def test_evenest_take_and_those_as_even() -> None:
    """Intervals that do not overlap are told apart; a take without a figure is not ranked."""
    lines = samples.take_lines(5)
    assert evenness_places(lines) == {"take 4": "evenest", "take 3": "as even"}
    assert evenness_places(lines[:1]) == {}
    punched = tuple(replace(x, punch_in="into take 1") if x.name == "take 4" else x for x in lines)
    assert "take 4" not in evenness_places(punched)


def test_the_key_line_shows_as_many_keys_as_fit() -> None:
    for width in (40, 60, 80, 120, 200):
        foot = text(samples.full(), width, 24).split("\n")[-1]
        assert "t take" in foot
        assert "? help" in foot
        assert "q quit" in foot
    assert "p takes" in text(samples.full(), 80, 24).split("\n")[-1]
    assert all(b.brief in text(samples.full(), 200, 24).split("\n")[-1] for b in COMMANDS)


def test_no_drums_is_said_in_words() -> None:
    for page in ("main", "between"):
        assert "there is nothing to judge" in " ".join(
            text(samples.no_drums(), 80, 24, page=page).split()
        )


def test_unknown_page_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="no page 'nowhere'"):
        render(samples.full(), 80, 24, page="nowhere")


def test_silenced_alert_leaves_the_top_and_the_verdict() -> None:
    base = samples.full()
    away = frozenset({alert_id(base.alerts[0])})
    lines = render(base, 80, 24, silenced=away).lines()
    assert "LOOK" in lines[1]
    assert "CLIPPING" not in lines[2]
    assert any(line.startswith(" hush") for line in lines) or "+1 more" in "\n".join(lines)


def test_message_takes_the_place_of_the_keys() -> None:
    lines = render(samples.full(), 80, 24, message="Take saved.").lines()
    assert lines[-1].strip() == "Take saved."


@pytest.mark.parametrize("page", PAGES)
def test_nothing_is_told_by_colour_alone(page: str) -> None:
    coloured = render(samples.full(), 80, 24, page=page)
    plain = render(samples.full(), 80, 24, page=page, colour=False)
    assert coloured.lines() == plain.lines()


def test_roles_differ_in_shape_and_letter() -> None:
    from liveassist.output.terminal_plot import ROLE_MARKS

    letters = [mark[0] for mark in ROLE_MARKS.values()]
    assert len(set(letters)) == len(letters)
    assert ROLE_MARKS["main"][1] != ROLE_MARKS["ghost"][1]


def test_every_style_has_a_form_without_colour() -> None:
    assert MONO.keys() == COLOUR.keys()
    assert all(style.color is None and style.bgcolor is None for style in MONO.values())


def test_without_colour_no_colour_code_is_sent() -> None:
    sent = printed(samples.full(), 80, 24, force_terminal=True, no_color=True, color_system="256")
    codes = {code for found in re.findall(r"\x1b\[([0-9;]*)m", sent) for code in found.split(";")}
    # ECMA-48 select graphic rendition: 30 to 49 and 90 to 107 set colours.
    assert not {c for c in codes if c.isdigit() and (30 <= int(c) <= 49 or int(c) >= 90)}
    assert "7" in codes  # reverse video is left for what is urgent


@pytest.mark.parametrize("name", SNAPSHOTS)
@pytest.mark.parametrize("page", PAGES)
def test_ascii_terminal_gets_ascii_of_the_same_width(name: str, page: str) -> None:
    raw = io.BytesIO()
    console = Console(
        file=io.TextIOWrapper(raw, encoding="ascii", errors="strict"), width=80, height=24
    )
    console.print(render(MADE[name], 80, 24, page=page))
    console.file.flush()
    lines = raw.getvalue().decode("ascii").rstrip("\n").split("\n")
    assert {len(line) for line in lines} == {80}


def test_same_snapshot_gives_the_same_picture() -> None:
    assert render(samples.full(), 80, 24) == render(samples.full(), 80, 24)


def test_thousand_alerts_cost_no_more_rows() -> None:
    base = samples.full()
    alerts = tuple(
        Alert("bleed_up", float(i), None, "between", "look", f"Sentence {i}.") for i in range(1000)
    )
    shown = text(replace(base, alerts=alerts), 80, 24)
    assert "+999 more" in shown or "+998 more" in shown


def test_a_frame_is_cheap() -> None:
    """Ten frames a second must leave the machine to the analysis: generous bound for a busy one."""
    console = Console(
        file=io.StringIO(), width=160, height=50, force_terminal=True, color_system="256"
    )
    snapshot = samples.full()
    console.print(render(snapshot, 160, 50))
    spent = []
    for _ in range(10):
        begin = time.process_time()
        console.print(render(snapshot, 160, 50))
        spent.append(time.process_time() - begin)
    assert min(spent) < 0.05


def test_a_suggestion_that_became_wrong_says_so() -> None:
    snapshot = replace(
        samples.full(), expander_wrong={"snare_top": "bleed is up: it would open 9 times"}
    )
    (line,) = [one for one in expander_lines(snapshot) if one.startswith("snare_top")]
    assert line.endswith("; no longer right: bleed is up: it would open 9 times")


def test_nobody_is_called_uneven_from_a_few_hits_that_chance_explains() -> None:
    shown = samples.calm()
    drum = shown.kit.drum("snare")

    def said(spread_db: float, ci: tuple[float, float], main_hits: int) -> str:
        figures = replace(
            shown.figures.drums["snare"], spread_db=spread_db, spread_ci=ci, main_hits=main_hits
        )
        drums = {**shown.figures.drums, "snare": figures}
        return verdict(replace(shown, figures=replace(shown.figures, drums=drums)), drum).word

    assert said(4.6, (2.0, 9.0), 5) == "listening"
    assert said(4.6, (3.1, 9.0), 9) == "uneven"
    assert said(3.0, (2.4, 3.7), 40) == "fair"
    assert said(1.2, (0.5, 3.0), 5) == "even"
