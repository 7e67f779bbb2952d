"""Slow proof: is a planted effect of fitted parts recovered, or reported as confounded, and never wrong and certain?

`pytest -m slow tests/validation/test_parts.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=6` makes a quick run that only prints them. A run takes some two minutes.
"""

import datetime as dt
import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, fit_season
from tests.validation.processes import processes
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.classes import WET_FROM
from transforms.model.estimate import fit_response
from transforms.model.fitted_parts import part_effects
from transforms.model.response_scale import pct_from_scale, ratio_scale

PAGE_SEASONS = 36
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
IN_WET, HIDDEN = -0.20, 0.25
"""Log change of dirt by tines on wet days; dirt that no log holds, with the weather in which crews change."""
SCENES = (
    "planned days",
    "planned days, no effect",
    "changed when it turns wet",
    "changed when it turns wet, hidden dirt",
)
ZONE = "Europe/Prague"


def _changes(rng: np.random.Generator, facts: pl.DataFrame, scene: str) -> dict[str, list[tuple[dt.date, str]]]:
    """Return when each machine changed and the new parts: on two planned days, or at each turn of the weather."""
    out: dict[str, list[tuple[dt.date, str]]] = {}
    by_day = facts.group_by("machine_id", "shift_date", maintain_order=True).agg(pl.col("topsoil_wetness").mean())
    for (machine,), days in by_day.group_by("machine_id", maintain_order=True):
        dates, wet = days["shift_date"].to_list(), days["topsoil_wetness"].to_list()
        if scene.startswith("planned"):
            first, second = sorted(rng.choice(np.arange(2, len(dates) - 2), 2, replace=False))
            out[str(machine)] = [(dates[0], "bars"), (dates[first], "tines"), (dates[second], "bars")]
            continue
        parts = ["tines" if w > 0.5 else "bars" for w in wet]
        turns = [i for i in range(len(dates)) if i == 0 or parts[i] != parts[i - 1]]
        out[str(machine)] = [(dates[i], parts[i]) for i in turns]
    return out


def judged(job: int) -> list[dict[str, object]]:
    """Return the comparison of tines with bars in each wetness class of a season, with its true effect."""
    catalogue, scene = load_catalogue(), SCENES[job % len(SCENES)]
    facts = fit_season(7300 + job, list(MECHANICS)[job // len(SCENES) % 3], catalogue, machines=8, days=30).facts
    changes = _changes(np.random.default_rng(job), facts, scene)
    setups = pl.DataFrame(
        [
            (m, dt.datetime.combine(day, dt.time(12), dt.UTC), part)
            for m, of_machine in changes.items()
            for day, part in of_machine
        ],
        schema=["machine_id", "valid_from_at", "cleaning_elements"],
        orient="row",
    ).with_columns(pl.col("valid_from_at").dt.cast_time_unit("us"))
    part = facts.join_asof(
        setups.select("machine_id", pl.col("valid_from_at").dt.date().alias("shift_date"), "cleaning_elements").sort(
            "shift_date"
        ),
        on="shift_date",
        by="machine_id",
        check_sortedness=False,
    )["cleaning_elements"]
    wet = (facts["topsoil_wetness"] >= WET_FROM).to_numpy()
    tines = (part == "tines").to_numpy()
    effect = 0.0 if scene.endswith("no effect") else IN_WET
    z = ratio_scale(facts[DIRT].to_numpy()) + effect * (tines & wet)
    if scene.endswith("hidden dirt"):
        z = z + HIDDEN * (facts["topsoil_wetness"].to_numpy() > 0.5)
    fit = fit_response(facts.with_columns(pl.Series(DIRT, pct_from_scale(z))), DIRT, catalogue, 0.1)
    assert fit is not None
    rows = []
    for row in part_effects(fit, setups, ZONE).iter_rows(named=True):
        if row["change_pct"] is None:
            continue
        of_class = {None: np.ones(wet.size, bool), "wet": wet}.get(row["wetness_class"], ~wet)
        both = of_class & np.isin(facts["machine_id"].to_numpy(), list(changes))
        share = float(wet[both & tines].mean()) if row["wetness_class"] is None and (both & tines).any() else 1.0
        truth = -effect * (share if row["wetness_class"] in {None, "wet"} else 0.0)
        low, high = (float(np.log1p(row[c] / 100)) for c in ("lo95", "hi95"))
        rows.append(
            {
                "scene": scene,
                "class": row["wetness_class"] or "all days",
                "covered": low <= truth <= high,
                "is_certain": low > 0 or high < 0,
                "is_wrong": (low > 0 and truth <= 0) or (high < 0 and truth >= 0),
                "is_confounded": row["reason_code"] == "part_confounded_wetness",
            }
        )
    return rows


@pytest.mark.slow
def test_effects_of_parts_are_recovered_or_reported_as_confounded():
    with processes() as pool:
        table = pl.DataFrame([row for rows in pool.map(judged, range(SEASONS)) for row in rows])
    rows = [
        [
            str(scene),
            str(name),
            *(f"{to_float(g[c].mean()):.2f}" for c in ("covered", "is_certain", "is_confounded")),
            f"{(g['is_wrong'] & ~g['is_confounded']).sum()}",
            f"{g.height}",
        ]
        for (scene, name), g in table.sort("scene", "class", maintain_order=True).group_by(
            ["scene", "class"], maintain_order=True
        )
    ]
    head = [
        "parts are changed",
        "class",
        "covered",
        "zero excluded",
        "confounded with wetness",
        "wrong, zero excluded, not confounded",
        "comparisons",
    ]
    note = f"Tines change the log dirt by {IN_WET} on wet days; hidden dirt adds {HIDDEN} above a wetness of 0.5."
    lines = [*markdown_table(head, rows), "", note]
    write_figures(VALIDATION, "fitted parts", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS)
    planned = table.filter(pl.col("scene").str.starts_with("planned"))
    assert to_float(planned["covered"].mean()) >= 0.92
    turned = table.filter(~pl.col("scene").str.starts_with("planned"), pl.col("class") == "all days")
    assert to_float(turned["is_confounded"].mean()) >= 0.95
    asserted = table.filter(~pl.col("is_confounded"))
    assert to_float(asserted["is_wrong"].mean()) <= 0.025
    found = planned.filter(pl.col("scene") == "planned days", pl.col("class") == "wet")
    assert to_float(found["is_certain"].mean()) >= 0.5
