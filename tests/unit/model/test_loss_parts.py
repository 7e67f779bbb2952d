"""Root loss against the sum of its parts: agreement on good audits, a finding where the audits of a class disagree."""

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from transforms.config.response_catalogue import LOSS_PARTS, ROOT_LOSS, TIP_LOSS, WHOLE_ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.classes import WET_FROM
from transforms.model.checks.fit_checks import check_rows
from transforms.model.checks.loss_parts import MAX_PARTS_Z, loss_balances, loss_parts_check
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit

PLOT_M2, TIP_KG, WHOLE_KG = 20.0, 0.05, 0.45


def audits(catalogue: Catalogue, seed: int, excess: float = 0.0) -> pl.DataFrame:
    """Return plots with both parts, and as many that state the total alone, too high by `excess` on wet ground."""
    rng = np.random.default_rng(400 + seed)
    loads = fit_season(seed, "sieving", catalogue, machines=8, days=20).facts.gather_every(4)
    wet, depth = loads["topsoil_wetness"].to_numpy(), loads["share_depth_cm"].to_numpy() - 7.0
    field = loads["field_id"].rank("dense").to_numpy().astype(int) - 1
    own = rng.normal(0, 0.25, field.max() + 1)[field]
    tips = rng.poisson(np.exp(0.4 - 0.6 * (wet - 0.5) - 0.3 * depth + own) * 0.1 * PLOT_M2 / TIP_KG)
    wholes = rng.poisson(np.exp(-0.4 + 0.3 * (wet - 0.5) + own) * 0.1 * PLOT_M2 / WHOLE_KG)
    tip_t_ha, whole_t_ha = tips * TIP_KG / (0.1 * PLOT_M2), wholes * WHOLE_KG / (0.1 * PLOT_M2)
    is_total = np.arange(loads.height) % 2 == 1
    factor = np.where(is_total & (wet >= WET_FROM), np.exp(excess), 1.0)
    total = (tip_t_ha + whole_t_ha) * factor
    part = {TIP_LOSS: tip_t_ha, WHOLE_ROOT_LOSS: whole_t_ha}
    return loads.with_columns(
        pl.Series(ROOT_LOSS, total),
        pl.Series(
            "root_loss_log_var", (tips * TIP_KG**2 + (wholes + 0.5) * WHOLE_KG**2) / (0.1 * PLOT_M2 * total) ** 2
        ),
        *(pl.Series(n, np.where(is_total, np.nan, v)).fill_nan(None) for n, v in part.items()),
        pl.lit(TIP_KG).alias("tip_loss_mass_each_kg"),
        pl.lit(WHOLE_KG).alias("whole_root_mass_each_kg"),
        pl.lit(PLOT_M2).alias("plot_m2"),
    )


def fitted(facts: pl.DataFrame, catalogue: Catalogue) -> dict[str, ResponseFit]:
    found = {r: fit_response(facts, r, catalogue, 0.1) for r in (ROOT_LOSS, *LOSS_PARTS)}
    return {r: f for r, f in found.items() if f is not None}


@pytest.mark.parametrize("seed", [1, *(pytest.param(s, marks=pytest.mark.slow) for s in (2, 3))])
def test_good_audits_add_up_in_every_class(seed, catalogue):
    fits = fitted(audits(catalogue, seed), catalogue)
    found = loss_balances(fits)
    assert len(found) >= 3
    assert max(abs(b.z) for b in found) < MAX_PARTS_Z
    assert np.median([b.parts_t_ha / b.total_t_ha for b in found]) == pytest.approx(1, abs=0.1)
    (row,) = loss_parts_check(fits)
    assert (row["reason_code"], row["passed"]) == ("loss_parts_agree", True)


def test_totals_that_disagree_on_wet_ground_are_found_and_named(catalogue):
    fits = fitted(audits(catalogue, 1, excess=0.9), catalogue)
    (row,) = loss_parts_check(fits)
    assert (row["reason_code"], row["passed"]) == ("loss_parts_disagree", False)
    about = json.loads(str(row["reason_args"]))
    assert about["wetness_class"] == "wet"
    assert about["total_t_ha"] > about["parts_t_ha"]
    table = check_rows(fits[ROOT_LOSS], [row])
    assert table["response"].to_list() == [ROOT_LOSS]


def test_classes_without_audits_and_seasons_without_parts_say_so(catalogue):
    facts = audits(catalogue, 2)
    fits = fitted(facts.with_columns(pl.lit(45.0).alias("clay_pct"), pl.lit(0.5).alias("topsoil_wetness")), catalogue)
    assert len(loss_balances(fits)) == 1
    few = fits | {r: replace(fits[r], rows=fits[r].rows.head(10)) for r in LOSS_PARTS}
    (row,) = loss_parts_check(few)
    assert (row["value"], row["passed"], row["reason_code"]) == (None, None, "few_audits_in_classes")
    assert loss_parts_check({ROOT_LOSS: fits[ROOT_LOSS]}) == []
