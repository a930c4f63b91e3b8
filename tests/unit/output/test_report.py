"""The report: whole HTML that needs nothing else, saying what the session's figures say."""

from __future__ import annotations

import builtins
import dataclasses
import math
import re
import statistics
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from liveassist.app.reporting import ReportRequest, write_report
from liveassist.app.sessionfolder import read_session
from liveassist.errors import ConfigError, OutputError
from liveassist.output.bars import session_maps
from liveassist.output.report import report
from liveassist.output.report_svg import clock, signed
from liveassist.output.report_words import (
    expander_words,
    for_drummer,
    for_engineer,
    for_mixer,
    headroom_rows,
    rank_takes,
)
from liveassist.output.stored import PunchIn, StoredSession
from tests.unit.output import stored_samples
from tests.unit.output.test_expander_plots import SHEET

VOID = {"meta", "link", "br", "img", "hr", "input"}


class Reader(HTMLParser):
    """Checks that tags are balanced (SVG's may close themselves) and collects what they say."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            self.attributes.append((tag, name, value or ""))
            if name == "id":
                self.ids.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> StoredSession:
    folder = stored_samples.write_session(tmp_path_factory.mktemp("sessions") / "evening")
    stored = read_session(folder)
    return dataclasses.replace(stored, notes={"snare_top": "gain 34", "again": "tired"})


@pytest.fixture(scope="module")
def page(session: StoredSession) -> str:
    return report(session)


@pytest.fixture(scope="module")
def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    return reader


def test_tags_are_balanced_and_names_are_unique(read: Reader) -> None:
    assert read.open == []
    assert len(read.ids) == len(set(read.ids))
    assert len(read.ids) > 50


def test_every_reference_inside_the_page_is_there(page: str, read: Reader) -> None:
    wanted = [value[1:] for _, name, value in read.attributes if name.endswith("href")]
    wanted += re.findall(r"url\(#([^)]+)\)", page)
    for _, name, value in read.attributes:
        if name == "aria-labelledby":
            wanted += value.split()
    assert len(wanted) > 50
    assert set(wanted) - set(read.ids) - _data(read) == set()


def _data(read: Reader) -> set[str]:
    return {
        value[1:]
        for _, name, value in read.attributes
        if name.endswith("href") and value.startswith("data:")
    }


def test_nothing_is_fetched_from_anywhere(page: str, read: Reader) -> None:
    """Only names of XML vocabularies look like addresses, and no script runs."""
    addresses = set(re.findall(r"https?:" + r"//([^/\"' )]+)", page))
    assert addresses <= {"www.w3.org"}
    assert not {tag for tag, _, _ in read.attributes} & {"script", "link", "iframe", "img"}
    assert "default-src 'none'" in page
    assert "@import" not in page


def test_every_plot_has_words_in_its_place(page: str) -> None:
    plots = re.findall(r"<svg.*?</svg>", page, re.S)
    # Level, histogram and tones of two drums, evenness, the map of takes, bleed and headroom; each
    # in two sizes.
    assert len(plots) == 2 * (2 * 3 + 4)
    for plot in plots:
        assert re.search(r'role="img" aria-labelledby="\S+ \S+"', plot)
        assert re.search(r"<title id=[^>]+>[^<]{8,}</title><desc id=[^>]+>[^<]{30,}</desc>", plot)
        assert "<text" in plot, "letters stay letters"


def test_axes_carry_units(read: Reader) -> None:
    text = " ".join(read.text)
    for label in ("level, dBFS", "heard level, dBFS", "note, Hz", "ring (T60), s", "bleed, dB",
                  "spread, dB (lower is evener)", "time from the start, min:s"):  # fmt: skip
        assert label in text, label


def test_what_others_wrote_cannot_break_the_page(page: str, read: Reader) -> None:
    assert "cellar <one>" in " ".join(read.text)
    assert "over <left> went silent" in " ".join(read.text)
    assert "<one>" not in page
    assert "verse &amp; chorus" in page


def test_the_same_session_gives_the_same_page(session: StoredSession, page: str) -> None:
    assert report(session) == page


def test_takes_are_ranked_by_evenness(session: StoredSession) -> None:
    """Root mean square of the spreads, computed here from the summary itself."""
    ranked = rank_takes(session, ["kick", "snare"])
    assert [one.take.name for one in ranked] == ["verse & chorus", "again"]
    for one, row in zip(ranked, session.summary["takes"], strict=True):
        spreads = [row["drums"][drum]["main"]["spread_db"] for drum in ("kick", "snare")]
        assert one.score_db == pytest.approx(math.hypot(*spreads) / math.sqrt(2.0))
    assert not ranked[1].as_good, "1.8 dB against 0.6 dB over 40 hits is no chance"


def test_a_take_without_figures_is_not_ranked(session: StoredSession) -> None:
    takes = [dict(row) for row in session.summary["takes"]]
    drums = takes[0]["drums"]
    main = {**drums["snare"]["main"], "spread_db": None, "spread_ci": None}
    takes[0]["drums"] = {**drums, "snare": {**drums["snare"], "main": main}}
    short = dataclasses.replace(session, summary={**session.summary, "takes": takes})
    ranked = rank_takes(short, ["kick", "snare"])
    assert [(one.take.name, one.place) for one in ranked] == [
        ("again", 1),
        ("verse & chorus", None),
    ]


def test_each_reader_is_told_what_they_need(session: StoredSession) -> None:
    engineer = " ".join(for_engineer(session, "verse & chorus"))
    assert "1:00: over <left> went silent" in engineer
    assert "30 cents flat" in engineer
    drummer = " ".join(for_drummer(session, ["kick", "snare"]))
    assert "Evenest take: verse & chorus" in drummer
    assert "and clearly so" in drummer
    assert f"1 weak hit, at {clock(stored_samples.WEAK_S)}" in drummer
    mix = " ".join(for_mixer(session, ["kick", "snare"]))
    # The kick's track is 6 dB lower than what was heard (track_offset_db of the kit).
    assert "kick_in: threshold −24.0 dBFS, range 12 dB." in mix
    assert "snare_top: threshold −18.0 dBFS, range 12 dB, key high-pass 300 Hz." in mix


def test_a_threshold_behind_a_key_filter_is_not_drawn_over_full_band_levels(
    session: StoredSession, page: str
) -> None:
    kick = page[page.index('id="drum-0-hist-w-t"') : page.index('id="drum-0-tone-w-t"')]
    snare = page[page.index('id="drum-1-hist-w-t"') : page.index('id="drum-1-tone-w-t"')]
    assert ">threshold to try</text>" in kick
    assert ">threshold to try</text>" not in snare
    assert "counts behind the key filter" in snare


def test_headroom_is_that_of_the_hits(session: StoredSession) -> None:
    rows = {name: (median, top) for name, median, _, top in headroom_rows(session)}
    levels = sorted(h.heard_peak_dbfs or 0.0 for h in session.hits if h.drum == "kick")
    middle = len(levels) // 2
    assert rows["kick"][1] == levels[-1]
    assert rows["kick"][0] == pytest.approx((levels[middle - 1] + levels[middle]) / 2, abs=0.01)


def test_notes_stand_where_they_belong(page: str) -> None:
    setup = page[page.index('id="setup"') : page.index('id="mix"')]
    assert ">gain 34<" in setup
    assert ">tired<" in page[page.index('id="takes"') : page.index('id="drum-0"')]


def test_pairs_and_landmarks_come_from_advice(session: StoredSession) -> None:
    pair = {
        "drum": "snare", "first": "snare_top", "second": "snare_bottom", "inverted": True,
        "agreement": 0.98, "delay_ms": 0.31, "distance_mm": 106.0, "blend_db": -9.5, "hits": 40,
        "sentence": "flip the polarity of one of the two",
    }  # fmt: skip
    mode = {"frequency_hz": 331.0, "t60_s": 0.22, "level_db": -6.0}
    advice = {"schema": 1, "pairs": [pair], "landmarks": {"snare": [mode]}}
    page = report(dataclasses.replace(session, advice=advice))
    mix = page[page.index('id="mix"') :]
    assert "flip the polarity" in mix
    assert "opposite in 98 % of 40 hits" in mix
    assert "331 Hz" in mix
    assert "--audio" not in mix


def test_the_expander_is_drawn_where_the_session_kept_its_levels(session: StoredSession) -> None:
    microphones = {"snare_top": {"suggested": SHEET}, "over": {"suggested": None}}
    page = report(dataclasses.replace(session, advice={"schema": 1, "microphones": microphones}))
    mix = page[page.index('id="mix"') :]
    assert "snare_top: levels the expander sees" in mix
    assert "5 main hits, 4 ghosts and 8 foreign hits" in mix
    assert "chosen: -20 dBFS" in mix
    assert "over: levels" not in mix


def test_an_empty_session_has_a_page_too(session: StoredSession) -> None:
    summary = {
        **session.summary, "takes": [], "alerts": [], "bleed_db": {}, "bleed_margin_db": {},
        "expander": {}, "drums": {},
    }  # fmt: skip
    bare = dataclasses.replace(session, hits=(), summary=summary, kit=None)
    reader = Reader()
    reader.feed(report(bare))
    assert reader.open == []
    text = " ".join(reader.text)
    assert "No take was played or marked." in text
    assert "No alert." in text


def test_the_command_writes_into_the_folder_and_keeps_notes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import sys

    folder = stored_samples.write_session(tmp_path / "s")
    assert write_report(ReportRequest(folder, notes=("over=1.2 m up",)), sys.stdout) == 0
    assert "1.2 m up" in (folder / "report.html").read_text(encoding="utf-8")
    assert read_session(folder).notes == {"over": "1.2 m up"}
    write_report(ReportRequest(folder, out=tmp_path / "x" / "r.html", notes=("over=",)), sys.stdout)
    assert read_session(folder).notes == {}
    assert (tmp_path / "x" / "r.html").is_file()
    with pytest.raises(ConfigError, match='did you mean "again"'):
        write_report(ReportRequest(folder, reference="agian"), sys.stdout)


def test_without_matplotlib_one_sentence_says_so(
    session: StoredSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def missing(name: str, *rest: Any, **more: Any) -> Any:
        if name.partition(".")[0] == "matplotlib":
            raise ModuleNotFoundError(f"No module named {name!r}")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(OutputError, match="pip install matplotlib"):
        report(session)


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (59.6, "1:00"), (3599, "59:59"), (3661, "1:01:01")]
)
def test_clock(seconds: float, text: str) -> None:
    assert clock(seconds) == text


def test_minus_is_a_minus_and_nothing_is_minus_nothing() -> None:
    assert signed(-3.25, 1) == "−3.2"
    assert signed(-0.04, 1) == "0.0"
    assert signed(7) == "7"


def test_expander_words_without_a_kit_use_what_was_heard(session: StoredSession) -> None:
    bare = dataclasses.replace(session, kit=None)
    words = expander_words(bare, "kick_in", bare.summary["expander"]["kick_in"])
    assert words.startswith("threshold −18.0 dBFS")


def test_many_takes_are_named_by_number(session: StoredSession) -> None:
    rows = session.summary["takes"]
    many = [
        {**rows[n % 2], "name": f"attempt {n}", "start_s": 9.0 * n, "end_s": 9.0 * n + 8.0}
        for n in range(20)
    ]
    page = report(dataclasses.replace(session, summary={**session.summary, "takes": many}))
    plot = re.search(r"<svg[^>]*evenness-n-t.*?</svg>", page, re.S)
    assert plot is not None
    assert ">attempt 3<" not in plot[0]
    assert ">number of the take</text>" in plot[0]
    words = page[page.index('id="drum-0-level-w-d"') :].split("</desc>")[0]
    assert words.endswith("and 10 more.")


# --- bars, songs, punch-ins ---------------------------------------------------------------------


def test_without_a_tempo_the_page_says_how_to_get_bars(page: str) -> None:
    assert "No tempo is known" in page
    assert "--tempo BPM" in page


def test_takes_are_laid_on_bars_where_a_tempo_is_known(session: StoredSession) -> None:
    laid = report(dataclasses.replace(session, tempos={"": 120.0}))
    assert 'id="bars-0-w' in laid or "bars-0-w" in laid
    # Beat 61 of the second take fell short: bar 16.
    assert "again, bar 16: weak; clean there: verse &amp; chorus." in laid
    assert "No tempo is known" not in laid
    loose = report(dataclasses.replace(session, tempos={"": 97.0}))
    assert "do not keep to this tempo" in loose


def test_level_and_timing_of_bars_are_those_of_the_hits(session: StoredSession) -> None:
    """The invented drummer keeps time; bar 16 of the second take has the weak backbeat in it."""
    (maps,) = session_maps(dataclasses.replace(session, tempos={"": 120.0}), ["kick", "snare"], [])
    again = maps[1]
    assert all(cell.timing_ms is not None and cell.timing_ms < 0.1 for cell in again.cells)
    low = min(again.cells, key=lambda cell: cell.level_db or 0.0)
    assert low.bar == 16
    hits = [h for h in session.hits if 80.0 <= h.time_s < 82.0 and h.role in ("main", "weak")]
    medians = {
        drum: statistics.median(
            h.peak_dbfs or 0.0
            for h in session.hits
            if h.drum == drum and h.role in ("main", "weak") and 50.0 <= h.time_s <= 90.0
        )
        for drum in ("kick", "snare")
    }
    direct = statistics.fmean((h.peak_dbfs or 0.0) - medians[h.drum] for h in hits)
    assert low.level_db == pytest.approx(direct, abs=1e-6)


def test_reference_songs_and_punch_ins_stand_in_the_table(session: StoredSession) -> None:
    summary = {**session.summary, "reference": "verse & chorus"}
    said = dataclasses.replace(
        session,
        summary=summary,
        songs={"again": "gannet road"},
        punch_ins={"again": PunchIn("verse & chorus")},
        notes={"session": "rain on the roof"},
        title="first night",
    )
    text = report(said)
    assert "<title>Session report: first night</title>" in text
    assert "rain on the roof" in text
    assert "1. verse &amp; chorus, the reference" in text
    assert "gannet road" in text
    assert "punch-in into verse &amp; chorus" in text
    assert "again, held against all of verse &amp; chorus" in text


def test_paper_gets_the_wide_page(page: str) -> None:
    """A sheet of paper is narrower than a desk's screen, but no telephone."""
    assert "@media screen and (max-width: 760px)" in page
    assert "@media (max-width" not in page


def test_a_bound_is_no_worst_bleed(tmp_path: Path) -> None:
    """Hi-hat buried under the snare: at most so much is not the most."""
    session = read_session(stored_samples.write_session(tmp_path / "evening"))
    row = {"kick": -31.0, "hihat": -20.0}
    summary = {**session.summary, "bleed_db": {"snare_top": row}}
    buried = {**summary, "bleed_upper_bound": ["snare_top.hihat"]}
    told = for_mixer(dataclasses.replace(session, summary=buried), ["snare"])
    assert any(line.startswith("Most bleed: kick in snare_top") for line in told)
    heard = {**summary, "bleed_upper_bound": []}
    told = for_mixer(dataclasses.replace(session, summary=heard), ["snare"])
    assert any(line.startswith("Most bleed: hihat in snare_top") for line in told)


def test_captions_begin_like_sentences(session: StoredSession) -> None:
    captions = re.findall(r"<(?:fig)?caption>(.*?)</", report(session))
    assert len(captions) > 5
    for caption in captions:
        assert caption[0].isupper() or "_" in caption.split(" ")[0], caption
