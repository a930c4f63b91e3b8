"""The parts the pages are made of: head, urgent line, drum blocks, alerts, outputs, foot."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from rich.cells import cell_len

from liveassist.model import Alert, Drum, OutputState, Snapshot
from liveassist.output.keys import COMMANDS
from liveassist.output.terminal_canvas import Canvas, clean, fit, wrap
from liveassist.output.terminal_plot import Lines, draw_drum_plot
from liveassist.output.terminal_words import (
    AlertId,
    Verdict,
    alert_age,
    alert_id,
    alert_tag,
    between,
    count,
    drum_figures,
    level,
    many,
    margin,
    number,
    ordered_alerts,
    roles,
    take_words,
    trend,
    tuning,
    verdict,
)

GAP = "  "


def join_fitting(parts: Sequence[str], width: int, gap: str = GAP) -> str:
    """As many whole parts as fit, in order; the first is cut where even it does not."""
    out = ""
    for part in parts:
        if not part:
            continue
        longer = f"{out}{gap}{part}" if out else part
        if cell_len(longer) <= width:
            out = longer
        elif not out:
            return fit(part, width)
    return out


# --- head and foot --------------------------------------------------------------------------


def draw_head(canvas: Canvas, snapshot: Snapshot) -> None:
    """One bar across the top: take and clock on the left, kit and source on the right."""
    canvas.band(0, "bar")
    name, clock_text, kind = take_words(snapshot)
    marked = snapshot.take is not None and snapshot.take.end_s is None
    sign = "●" if marked and snapshot.take and not snapshot.take.provisional else "○"
    room = max(8, canvas.width // 4)
    x = canvas.put(1, 0, f"{sign} {fit(clean(name), room)}", "bar_strong")
    x = canvas.put(x + 2, 0, clock_text, "bar_strong")
    x = canvas.put(x + 2, 0, kind, "bar", width=max(0, canvas.width - x - 3))
    left = canvas.width - x - 3
    rate = f"{snapshot.sample_rate_hz / 1000:g} kHz"
    parts = (clean(snapshot.kit.name), clean(snapshot.source), rate, sureness(snapshot))
    canvas.put(x + 2, 0, join_fitting(parts, left), "bar", width=max(0, left), align="right")


def sureness(snapshot: Snapshot) -> str:
    """How sure the telling of drums is."""
    if snapshot.sureness is None or not math.isfinite(snapshot.sureness):
        return ""
    return f"{number(100 * snapshot.sureness, 0)} % sure"


def learned(snapshot: Snapshot) -> str:
    """What the telling of drums rests on."""
    if snapshot.learned:
        return f"learned from {snapshot.learned}"
    return "learning as it listens"


def standing_alerts(snapshot: Snapshot, silenced: Collection[AlertId]) -> list[Alert]:
    """Alerts that last, are not put away and want something done; most urgent first."""
    return [
        alert
        for alert in ordered_alerts(snapshot.alerts, silenced)
        if alert.end_s is None and alert_id(alert) not in silenced and alert.severity != "info"
    ]


def draw_urgent(
    canvas: Canvas, y: int, snapshot: Snapshot, silenced: Collection[AlertId] = frozenset()
) -> None:
    """The one alert to look at first, or that there is none."""
    standing = standing_alerts(snapshot, silenced)
    if not standing:
        quiet = sum(1 for alert in snapshot.alerts if alert.end_s is None)
        words = "all well" if not quiet else f"nothing new, {many(quiet, 'alert')} below"
        canvas.put(1, y, words, "good", width=canvas.width - 2)
        return
    first = standing[0]
    tag, style = alert_tag(first, silenced)
    ground = "stop" if style == "stop" else "bar_strong"
    more = f"  +{len(standing) - 1} more" if len(standing) > 1 else ""
    canvas.band(y, ground)
    tail = f"{more}  {alert_age(first, snapshot.time_s)} "
    x = canvas.put(1, y, tag, ground)
    room = max(0, canvas.width - x - 1 - cell_len(tail))
    canvas.put(x + 1, y, first.sentence, ground, width=room)
    canvas.put(canvas.width - cell_len(tail), y, tail, ground)


def draw_status(canvas: Canvas, y: int, snapshot: Snapshot) -> None:
    """One line: lost samples, outputs and their health, load, what was learned."""
    lost = snapshot.lost_samples
    words = f"LOST {count(lost)} samples" if lost else "no samples lost"
    x = canvas.put(1, y, words, "stop" if lost else "quiet")
    for output in sorted(snapshot.outputs, key=lambda o: o.state == "ok"):
        text, style = output_words(output)
        if x + 2 + cell_len(clean(text)) > canvas.width - 1:
            canvas.put(x + 1, y, "…", "strong")
            return
        x = canvas.put(x + 2, y, text, style)
    load = f"load {number(100 * snapshot.load, 0)} %" if snapshot.load is not None else ""
    rest = join_fitting((load, clean(learned(snapshot))), canvas.width - x - 3)
    canvas.put(x + 2, y, rest, "quiet", width=max(0, canvas.width - x - 3), align="right")


def output_words(output: OutputState) -> tuple[str, str]:
    """Name and health of an output in a few words, and the style."""
    name = fit(clean(output.name), 18)
    if output.state == "down":
        return f"{name} DOWN", "stop"
    if output.state == "absent":
        return f"{name} not there", "quiet"
    if output.dropped:
        return f"{name} DROPPED {count(output.dropped)}", "look"
    return f"{name} ok", "plain"


def draw_outputs(
    canvas: Canvas, x: int, y: int, width: int, rows: int, outputs: Sequence[OutputState]
) -> None:
    """Outputs one a row, with what was sent."""
    for row, output in enumerate(outputs[:rows]):
        if row == rows - 1 and len(outputs) > rows:
            canvas.put(x, y + row, f"+{len(outputs) - row} more outputs", "strong", width=width)
            return
        text, style = output_words(output)
        end = canvas.put(x, y + row, text, style, width=width)
        rate = f"{count(output.bytes_per_s)} B/s" if output.bytes_per_s is not None else ""
        parts = (f"{count(output.sent)} sent", rate, clean(output.note))
        detail = join_fitting(parts, x + width - end - 2)
        canvas.put(end + 2, y + row, detail, "quiet", width=max(0, x + width - end - 2))


def draw_foot(canvas: Canvas, y: int, message: str = "") -> None:
    """The keys, or a message that is more pressing."""
    if message:
        canvas.band(y, "bar_strong")
        canvas.put(1, y, message, "bar_strong", width=canvas.width - 2)
        return
    x = 1
    pairs = [(b.key, b.brief) for b in COMMANDS]
    # What does not fit is left out, the least often wanted first; the help page has all.
    for least in "ghnxjwcmarslbkp":
        if sum(len(key) + len(brief) + 3 for key, brief in pairs) <= canvas.width:
            break
        pairs = [(key, brief) for key, brief in pairs if key != least]
    for key, brief in pairs:
        if x + len(key) + len(brief) + 2 > canvas.width:
            return
        x = canvas.put(x, y, key, "strong")
        x = canvas.put(x + 1, y, brief, "quiet") + 2


# --- drums ----------------------------------------------------------------------------------


def draw_drum(
    canvas: Canvas,
    place: tuple[int, int, int, int],
    snapshot: Snapshot,
    drum: Drum,
    silenced: Collection[AlertId] = frozenset(),
) -> None:
    """One drum in ``place`` (x, y, width, rows): verdict line, figures, then the picture."""
    x, y, width, rows = place
    found = verdict(snapshot, drum, silenced)
    _draw_drum_title(canvas, x, y, width, snapshot, drum, found)
    if rows < 2:
        return
    below = y + 1
    facts = drum_facts(snapshot, drum, found)
    for line in wrap_parts(facts, width, 2 if rows >= 9 or rows == 3 else 1):
        canvas.put(x, below, line, "plain", width=width)
        below += 1
    if rows >= 4 and y + rows - below >= 2:
        hits = snapshot.recent.get(drum.name, ())
        lines_drawn = plot_lines(snapshot, drum)
        draw_drum_plot(canvas, x, below, width, y + rows - below, hits, lines_drawn)


def _draw_drum_title(
    canvas: Canvas, x: int, y: int, width: int, snapshot: Snapshot, drum: Drum, found: Verdict
) -> None:
    figures = drum_figures(snapshot, drum.name)
    name = fit(clean(drum.name).upper(), max(6, width // 4))
    end = canvas.put(x, y, name, "strong")
    end = canvas.put(end + 2, y, found.word.upper(), found.tone, width=max(0, x + width - end - 2))
    room = x + width - end - 3
    spread = ""
    if figures.spread_db is not None:
        spread = f"spread {number(figures.spread_db)} dB"
        span = f" ({between(figures.spread_ci)})" if between(figures.spread_ci) else ""
        spread += span if len(spread) + len(span) <= room else ""
    parts = (spread, trend(figures), many(figures.hits, "hit"))
    canvas.put(end + 3, y, join_fitting(parts, room), "plain", width=max(0, room), align="right")


def drum_facts(snapshot: Snapshot, drum: Drum, found: Verdict) -> list[str]:
    """What else is known of a drum, most useful first."""
    figures = drum_figures(snapshot, drum.name)
    missing = ""
    if drum.own and snapshot.expander.get(drum.own) is None:
        why = snapshot.expander_reason.get(drum.own, "")
        missing = f"no threshold: {why}" if why else ""
    ghost = ""
    if figures.ghost_distance_db is not None:
        ghost = f"ghosts {number(abs(figures.ghost_distance_db))} dB softer"
    limb = ""
    if figures.limb_imbalance_db is not None:
        limb = f"hands differ {number(abs(figures.limb_imbalance_db))} dB"
    waiting = found.why if found.tone == "wait" else ""
    dynamics = ""
    if figures.dynamics_db is not None:
        dynamics = f"dynamics {number(figures.dynamics_db)} dB"
    return [
        part
        for part in (
            waiting,
            margin(snapshot, drum),
            tuning(figures),
            missing,
            roles(figures),
            ghost,
            dynamics,
            limb,
        )
        if part
    ]


def wrap_parts(parts: Sequence[str], width: int, lines: int) -> list[str]:
    """Whole parts laid into at most ``lines`` lines; what does not fit is left out."""
    out: list[str] = []
    left = [clean(part) for part in parts]
    while left and len(out) < lines:
        line = join_fitting(left, width)
        used = [part for part in left if part in line.split(GAP)]
        out.append(line)
        left = [part for part in left[1:] if part not in used]
    return out


def plot_lines(snapshot: Snapshot, drum: Drum) -> Lines:
    """The levels to draw across a drum's picture."""
    figures = drum_figures(snapshot, drum.name)
    suggestion = snapshot.expander.get(drum.own or "")
    found = snapshot.figures.bleed_margin.get(drum.own or "")
    bleed = None
    if found is not None and found.full_band_db is not None and figures.p10_dbfs is not None:
        bleed = figures.p10_dbfs - found.full_band_db
    return Lines(
        threshold_dbfs=suggestion.threshold_dbfs if suggestion else None,
        bleed_dbfs=bleed,
        median_dbfs=figures.median_dbfs,
        bleed_source=(found.worst_source or "") if found else "",
    )


# --- alerts ---------------------------------------------------------------------------------


def draw_alerts(
    canvas: Canvas,
    place: tuple[int, int, int, int],
    snapshot: Snapshot,
    silenced: Collection[AlertId] = frozenset(),
    *,
    shown_above: bool = False,
) -> None:
    """Alerts in ``place`` (x, y, width, rows), most urgent first, each with its age.

    ``shown_above``: the urgent line already says the first one whole, so it is left out.
    """
    x, y, width, rows = place
    alerts = ordered_alerts(snapshot.alerts, silenced)
    if shown_above and standing_alerts(snapshot, silenced)[:1] == alerts[:1]:
        alerts = alerts[1:]
    if not alerts:
        words = "no other alerts" if snapshot.alerts else "no alerts"
        canvas.put(x, y, words, "quiet", width=width)
        return
    row = 0
    for index, alert in enumerate(alerts):
        if row >= rows:
            return
        others = len(alerts) - index - 1
        rest = f"  (+{others} more)" if row == rows - 1 and others else ""
        tag, style = alert_tag(alert, silenced)
        canvas.put(x, y + row, tag, style, width=5)
        since = alert_age(alert, snapshot.time_s)
        canvas.put(x + 5, y + row, since, "quiet", width=7, align="right")
        room = width - 13 - len(rest)
        spare = max(1, rows - row - others)
        text_style = "quiet" if alert.end_s is not None else "plain"
        for line in wrap(alert.sentence, room, spare) or [""]:
            end = canvas.put(x + 13, y + row, line, text_style, width=max(0, room))
            canvas.put(end, y + row, rest, "strong", width=max(0, x + width - end))
            row += 1


def level_words(snapshot: Snapshot, drum: Drum) -> str:
    """The middle level of the main hits."""
    figures = drum_figures(snapshot, drum.name)
    if figures.median_dbfs is None:
        return ""
    return f"main hits {level(figures.median_dbfs)} dBFS"
