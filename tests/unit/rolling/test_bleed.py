"""Bleed from levels and bounds: closed forms, a survival function of scipy, known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from liveassist.model import Hit
from liveassist.rolling.bleed import MIN_CELL_HITS, WASH, censored_quantile
from liveassist.rolling.figures import figures

from .drumming import BLEED, KIT, hit, song, truth


@settings(max_examples=60, deadline=None)
@given(
    levels=st.lists(st.floats(-60, 0), min_size=5, max_size=40, unique=True),
)
def test_without_bounds_the_median_is_the_median(levels: list[float]) -> None:
    x = np.array(levels)
    found, is_bound = censored_quantile(x[:, None], np.zeros((x.size, 1), bool), 0.5)
    assert found[0] == pytest.approx(float(np.median(x)), abs=1e-9)
    assert not is_bound[0]


def test_product_limit_is_scipys() -> None:
    # scipy.stats.ecdf estimates the survival function of right-censored data; levels turned
    # upside down are that.
    rng = np.random.default_rng(5)
    x = -30.0 + 3.0 * rng.normal(size=50)
    bound = rng.random(50) < 0.4
    survival = stats.ecdf(stats.CensoredData(uncensored=-x[~bound], right=-x[bound])).sf
    for share in (0.3, 0.5, 0.8, 0.95):
        found, is_bound = censored_quantile(x[:, None], bound[:, None], share)
        assert not is_bound[0]
        at = int(np.flatnonzero(survival.probabilities <= share + 1e-12)[0])
        assert found[0] == pytest.approx(-survival.quantiles[at])


def test_bounds_do_not_bias_the_level() -> None:
    """Bleed of -35 dB, buried at random: leaving bounds out or taking them for levels is 2 to
    4 dB wrong; the estimate is within 0.7 dB."""
    rng = np.random.default_rng(6)
    true = -35.0 + 3.0 * rng.normal(size=400)
    over = -35.0 + 5.0 * rng.normal(size=400)
    bound = true < over
    x = np.maximum(true, over)
    found, is_bound = censored_quantile(x[:, None], bound[:, None], 0.5)
    assert found[0] == pytest.approx(-35.0, abs=0.7)
    assert not is_bound[0]
    assert np.median(x[~bound]) > -33.5
    assert np.median(x) > -33.0


def test_all_buried_gives_an_upper_bound() -> None:
    x = np.linspace(-30.0, -20.0, 11)
    found, is_bound = censored_quantile(x[:, None], np.ones((11, 1), bool), 0.5)
    assert found[0] == pytest.approx(-25.0)
    assert is_bound[0]


def test_unknown_cells_and_empty_columns() -> None:
    x = np.full((9, 2), np.nan)
    x[:5, 0] = [-5, -4, -3, -2, -1]
    found, _ = censored_quantile(x, np.zeros((9, 2), bool), 0.5)
    assert found[0] == -3.0
    assert np.isnan(found[1])


def test_matrix_margin_and_reasons_of_a_song() -> None:
    hits = [_with_role(h) for h in song(1, 40.0)]
    hits.append(hit(9001, "crash", 20.0, None))
    result = figures(KIT, hits, 0.0, 60.0, wash_dbfs={"snare_top": -30.0, "kick_in": None})
    for index, mic in enumerate(m.name for m in KIT.mics):
        for drum in ("kick", "snare", "hats"):
            if mic != KIT.drum(drum).own:
                cell = result.bleed_db[mic][drum]
                assert cell == pytest.approx(BLEED[drum][index], abs=0.8)
    assert result.bleed_dbfs["over"]["crash"] is None
    assert result.unmeasured["bleed_dbfs.over.crash"] == f"0 hits, {MIN_CELL_HITS} needed"
    margin = result.bleed_margin["snare_top"]
    assert margin.worst_source == WASH
    snare = result.drums["snare"]
    assert snare.p10_dbfs is not None
    assert margin.full_band_db == pytest.approx(snare.p10_dbfs + 30.0)
    assert margin.key_filtered_db is None
    assert "kick" in margin.by_source_db
    assert result.bleed_margin["snare_under"].worst_source is not None
    assert "over" not in result.bleed_margin


def test_few_hits_are_not_a_cell() -> None:
    hits = [hit(i, "kick", float(i), -5.0, "main") for i in range(3)]
    result = figures(KIT, hits, 0.0, 10.0)
    assert result.bleed_db["snare_top"]["kick"] is None
    assert result.unmeasured["bleed_db.snare_top.kick"] == "3 hits, 8 needed"


def test_buried_cells_are_marked() -> None:
    flags = (False, True, True, True, True)
    hits = [hit(i, "kick", float(i), -5.0, "main", bound=flags) for i in range(12)]
    result = figures(KIT, hits, 0.0, 20.0)
    assert result.bleed_db["snare_top"]["kick"] == pytest.approx(-40.0)
    assert "snare_top.kick" in result.bleed_upper_bound


def test_levels_of_a_mixture_are_bounds_where_another_drum_sounds() -> None:
    """Kick and hat together in two of three strokes, levels not separated: what the kick's lone
    strokes say stands, not what the hat says."""
    hits = []
    for i in range(30):
        alone = i % 3 == 0
        kick = hit(2 * i, "kick", float(i), -5.0, "main")
        levels = list(kick.mic_dbfs)
        if not alone:
            levels[3] = -12.0
            hits.append(hit(2 * i + 1, "hats", i + 0.01, -12.0, "main"))
        mixture = tuple(v for v in levels if v is not None)
        hits.append(replace(kick, mic_dbfs=mixture, mic_heard_dbfs=mixture))
    result = figures(KIT, hits, 0.0, 99.0)
    assert result.bleed_db["hats_mic"]["kick"] == pytest.approx(BLEED["kick"][3])
    assert "hats_mic.kick" not in result.bleed_upper_bound


def _with_role(one: Hit) -> Hit:
    assert one.peak_dbfs is not None
    quiet = one.drum == "snare" and one.peak_dbfs < -22.0
    return replace(one, role="ghost" if quiet else "main")


@pytest.mark.realkit
@pytest.mark.parametrize("session", ["a_groove", "a_hardbleed", "a_fewmics"])
def test_recorded_bleed_with_most_of_it_buried(session: str) -> None:
    """True levels, then 60 per cent of the quieter cells only known as bounds: within 1.5 dB."""
    played = truth(session)
    rng = np.random.default_rng(3)
    whole, hidden = [], []
    for one, role in zip(played.hits, played.roles, strict=True):
        main = replace(one, role="ghost" if role == "ghost" else "main")
        whole.append(main)
        levels = np.array(one.mic_dbfs, dtype=np.float64)
        over = levels + 4.0 * rng.normal(size=levels.size) + 1.0
        bound = (over > levels) & (levels < max(levels) - 10.0)
        seen = np.where(bound, np.maximum(over, levels), levels)
        hidden.append(replace(main, mic_dbfs=tuple(seen.tolist()), mic_bound=tuple(bound.tolist())))
    true = figures(played.kit, whole, 0.0, 1e4)
    found = figures(played.kit, hidden, 0.0, 1e4)
    errors = [
        abs(value - true_value)
        for mic, cells in found.bleed_db.items()
        for drum, value in cells.items()
        if drum in ("kick", "snare")
        and value is not None
        and (true_value := true.bleed_db[mic][drum]) is not None
        and f"{mic}.{drum}" not in found.bleed_upper_bound
    ]
    assert len(errors) >= 2
    assert float(np.quantile(errors, 0.9)) < 1.5


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_the_quantile_of_bounds_is_numpys(share: float) -> None:
    """All readings bounds: the plain quantile, as numpy's linear method gives it."""
    for size in (1, 2, 7, 30):
        levels = np.random.default_rng(size).normal(-30.0, 5.0, (size, 2))
        found, bound = censored_quantile(levels, np.ones((size, 2), bool), share)
        assert np.allclose(found, np.quantile(levels, share, axis=0), atol=1e-9)
        assert bound.all()


def test_what_others_add_in_two_strokes_of_three_does_not_raise_the_bleed() -> None:
    """Power only adds: the level that a fifth of the strokes stay under is the drum's own."""
    rng = np.random.default_rng(12)
    column = [mic.name for mic in KIT.mics].index("over")
    raised = []
    for one in (_with_role(h) for h in song(7, 60.0)):
        if one.drum == "kick" and rng.random() < 0.65:
            levels = list(one.mic_dbfs)
            levels[column] = (levels[column] or 0.0) + float(rng.uniform(6.0, 12.0))
            one = replace(one, mic_dbfs=tuple(levels), mic_bound=(False,) * len(KIT.mics))
        raised.append(one)
    cell = figures(KIT, raised, 0.0, 70.0, wash_dbfs={}).bleed_db["over"]["kick"]
    assert cell == pytest.approx(BLEED["kick"][column], abs=2.0)
