"""Findings on joins: each planted slip is found with its cause and share, and an intact season has none."""

import datetime as dt
from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest

from transforms.joins.id_causes import find_id_cause
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_findings import join_findings
from transforms.joins.join_frames import JoinFrames, Paths
from transforms.model.audit_plot import with_inputs

BEGINS = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
DAYS, MACHINES, LOADS_A_DAY, LOAD_T, YIELD_T_HA = 12, 4, 10, 27.0, 80.0
PATHS = Paths("/w", "/w/inbox")


def field_of(machine: int, day: int) -> int:
    """Each machine works in a field of its own for two days."""
    return machine * 100 + day // 2


def intact(seed: int = 1) -> JoinFrames:
    """A season of two sites and two kinds of logs whose sources fit together; the last shift has no tares yet."""
    rng = np.random.default_rng(seed)
    jobs = [(d, m, k) for d in range(DAYS) for m in range(MACHINES) for k in range(LOADS_A_DAY)]
    weighed = [BEGINS + dt.timedelta(days=d, minutes=50 * k + 5 * m) for d, m, k in jobs]
    loads = pl.DataFrame(
        {
            "load_id": [f"T{1000 + i:06d}" for i in range(len(jobs))],
            "field_id": [f"F{field_of(m, d):04d}" for d, m, _ in jobs],
            "machine_id": [f"M{m + 1:02d}" for _, m, _ in jobs],
            "truck_id": [f"LK {40 + (d + m + k) % 7}" for d, m, k in jobs],
            "site_id": ["north" if m < MACHINES // 2 else "south" for _, m, _ in jobs],
            "weighed_at": weighed,
            "day": [w.date() for w in weighed],
            "delivered_t": rng.normal(LOAD_T, 1.0, len(jobs)),
            "mapping": "tickets",
            "file": "tickets.csv",
            "file_at": BEGINS + dt.timedelta(days=DAYS),
        }
    ).with_columns((pl.col("delivered_t") * 0.85).alias("clean_t"))
    sampled = loads.filter(pl.col("weighed_at") < BEGINS + dt.timedelta(days=DAYS - 1))
    tares = sampled.select(
        pl.format("S{}", pl.int_range(pl.len()) + 7).alias("sample_id"),
        "load_id",
        (pl.col("weighed_at") + dt.timedelta(hours=20)).alias("issued_at"),
        pl.lit("tares").alias("mapping"),
        pl.lit("tares.xlsx").alias("file"),
        (pl.col("file_at") + dt.timedelta(hours=1)).alias("file_at"),
    )
    weighed_t = (
        loads.group_by("field_id", "machine_id").agg(pl.col("delivered_t").sum().alias("weighed_t")).sort("field_id")
    )
    balance = weighed_t.with_columns(
        pl.col("weighed_t") / pl.Series(np.exp(rng.normal(0.05, 0.1, weighed_t.height))).alias("factor")
    ).with_columns(weighed_t["weighed_t"], pl.col("weighed_t").alias("lifted_t"))
    logged = loads.select("machine_id", "day").unique().sort("machine_id", "day")
    of_kind = pl.when(pl.col("machine_id").is_in(["M01", "M03"])).then(pl.lit("log_a")).otherwise(pl.lit("log_b"))
    return JoinFrames(
        loads=loads,
        tares=tares,
        fields=pl.DataFrame({"field_id": balance["field_id"], "area_ha": 8.0, "yield_t_ha": YIELD_T_HA}).with_columns(
            pl.lit("fields").alias("mapping"), pl.lit("fields.csv").alias("file")
        ),
        machines=logged.select("machine_id").unique().sort("machine_id"),
        logged=logged.with_columns(
            pl.lit(value=True).alias("worked"),
            pl.lit(0.97).alias("covered"),
            of_kind.alias("mapping"),
            pl.lit("log.csv").alias("file"),
        ),
        worked_fields=loads.select("machine_id", "day", "field_id").unique(),
        balance=balance,
        audits=audits(rng),
        settings=loads.select("machine_id", pl.Series("share_depth_cm", rng.normal(6.0, 0.8, len(jobs)))),
        truck_days=loads.select("truck_id", "day", pl.lit("gps").alias("mapping"), pl.lit("gps.gpx").alias("file"))
        .unique(maintain_order=True)
        .filter(pl.col("truck_id") != "LK 43"),
    )


def audits(rng: np.random.Generator) -> pl.DataFrame:
    """Plots of 60 m2 on which 3 t/ha were weighed, as their stated losses say."""
    kg = rng.normal(18.0, 3.0, 8)
    rows = pl.DataFrame({"audit_id": [f"A{i}" for i in range(8)], "lost_mass_kg": kg, "plot_m2": 60.0})
    stated = pl.Series("root_loss_t_ha", kg / 6.0 * rng.normal(1.0, 0.05, 8))
    return with_inputs(rows.with_columns(stated, pl.lit("audits").alias("mapping"), yield_t_ha=YIELD_T_HA))


def found(**changed: pl.DataFrame) -> list[JoinFinding]:
    return join_findings(replace(intact(), **changed), PATHS)


def codes(findings: list[JoinFinding]) -> list[tuple[str, str]]:
    return [(f.says.code, f.cause.code) for f in findings]


@pytest.mark.parametrize("seed", range(8))
def test_an_intact_season_has_no_finding(seed):
    assert join_findings(intact(seed), PATHS) == []


def test_seasons_that_are_empty_or_lack_a_source_have_no_finding_but_missing_lists():
    frames = intact()
    empty = {f.name: getattr(frames, f.name).clear() for f in fields(frames)}
    assert join_findings(replace(frames, **empty), PATHS) == []
    for name in ("tares", "logged", "audits", "settings", "balance", "worked_fields"):
        assert join_findings(replace(frames, **{name: empty[name]}), PATHS) == [], name
    assert codes(found(fields=empty["fields"])) == [("loads_without_field", "list_not_received")]
    assert codes(found(machines=empty["machines"])) == [
        ("machines_without_list", "list_not_received"),
        ("machines_without_list", "list_not_received"),
    ]


SPELLINGS = {
    "ids_leading_zeros": pl.col("load_id").str.replace("T0+", "T"),
    "ids_letter_case": pl.col("load_id").str.to_lowercase(),
    "ids_separators": pl.col("load_id").str.replace("T", "T "),
    "ids_spelling": pl.col("load_id").str.replace("T0+", "t-"),
    "ids_prefix": pl.col("load_id").str.replace("T", "Z-2025/"),
}


@pytest.mark.parametrize("cause", SPELLINGS)
def test_a_spelling_of_load_numbers_is_recognised(cause):
    tares = intact().tares
    first, second = found(tares=tares.with_columns(SPELLINGS[cause]))
    assert (first.says.code, first.cause.code) == ("tares_without_load", cause)
    assert (first.n, first.share, first.source) == (tares.height, 1.0, "tares")
    assert (second.says.code, second.cause.code) == ("loads_without_tare", cause)


def test_numbers_that_a_spreadsheet_changed_are_recognised():
    frames = intact()
    number = pl.col("load_id").str.replace("T", "")
    loads = frames.loads.with_columns(number)
    cut = frames.tares.with_columns(number.cast(pl.Int64).cast(pl.String))
    assert found(loads=loads, tares=cut)[0].cause.code == "ids_leading_zeros"
    decimal = frames.tares.with_columns(pl.format("{}.0", number))
    assert found(loads=loads, tares=decimal)[0].cause.code == "ids_number_format"


def test_only_the_tares_of_one_file_are_counted_and_given_their_share():
    frames = intact()
    half = frames.tares.height // 2
    some = pl.when(pl.int_range(pl.len()) < half).then(pl.col("load_id").str.to_lowercase()).otherwise("load_id")
    (finding,) = found(tares=frames.tares.with_columns(some))
    assert codes([finding]) == [("tares_without_load", "ids_letter_case")]
    assert (finding.n, finding.total) == (half, frames.tares.height)


def test_another_number_column_matches_nothing_and_is_named_so():
    tares = intact().tares.with_columns(pl.format("LAB{}", pl.int_range(pl.len()) * 7919 % 100_003).alias("load_id"))
    first, second = found(tares=tares)
    assert codes([first, second]) == [
        ("tares_without_load", "ids_of_other_column"),
        ("loads_without_tare", "ids_of_other_column"),
    ]
    assert first.remedy.code == "choose_id_column"
    assert '"mapping": "tares"' in first.remedy.args


def test_numbers_of_the_same_range_are_not_a_prefix_by_chance():
    rng = np.random.default_rng(4)
    loads = pl.Series(rng.permutation([f"{'NS'[i % 2]}{i}" for i in range(1, 2001)]))
    samples = pl.Series([f"P{i % 7}-{i}x{i % 3}" for i in rng.choice(np.arange(1, 2001), 1500, replace=False)])
    assert find_id_cause(samples, loads) is None


def test_ids_that_a_spelling_would_merge_are_no_cause():
    assert find_id_cause(pl.Series(["1", "2", "3"]), pl.Series(["N1", "S1", "N2", "S2", "N3", "S3"])) is None


def test_tares_that_came_before_their_load_are_no_finding():
    frames = intact()
    early = frames.tares.tail(40).with_columns(
        pl.format("S9{}", pl.int_range(pl.len())).alias("sample_id"),
        pl.col("load_id").str.replace("T", "T9"),
        pl.lit(frames.loads["weighed_at"].max()).alias("issued_at"),
    )
    assert found(tares=pl.concat([frames.tares, early])) == []
    lost = early.with_columns(pl.lit(BEGINS + dt.timedelta(days=2)).alias("issued_at"))
    assert codes(found(tares=pl.concat([frames.tares, lost]))) == [("tares_without_load", "ids_not_received")]


def test_a_site_without_tares_is_found_only_after_the_delay_of_the_lab():
    frames = intact()
    north = frames.loads.filter(site_id="north")["load_id"]
    tares = frames.tares.filter(~pl.col("load_id").is_in(north.implode()))
    (finding,) = found(tares=tares)
    assert (finding.says.code, finding.source) == ("loads_without_tare", "north")
    late = frames.loads.filter(
        (pl.col("site_id") == "south") | (pl.col("weighed_at") > BEGINS + dt.timedelta(days=10.5))
    )
    assert found(tares=tares, loads=late) == []


def test_fields_and_machines_spelled_otherwise_are_found():
    frames = intact()
    (finding,) = found(fields=frames.fields.with_columns(pl.col("field_id").str.replace("F0+", "F")))
    assert codes([finding]) == [("loads_without_field", "ids_leading_zeros")]
    assert finding.share == 1.0
    listed = frames.machines.filter(pl.col("machine_id") != "M02")
    (finding,) = found(machines=listed)
    assert codes([finding]) == [("machines_without_list", "not_in_list")]
    assert (finding.source, finding.n, finding.total) == ("log_b", 1, 2)
    (finding,) = found(machines=pl.concat([listed, pl.DataFrame({"machine_id": ["m02"]})]))
    assert finding.cause.code == "ids_letter_case"


def test_tickets_of_an_idle_machine_are_found_and_those_of_a_pile_are_not():
    frames = intact()
    idle = pl.col("machine_id").eq("M01") & pl.col("day").is_between(dt.date(2025, 10, 4), dt.date(2025, 10, 8))
    logged = frames.logged.with_columns(pl.col("worked") & ~idle)
    worked = frames.worked_fields.filter(~idle)
    (finding,) = found(logged=logged, worked_fields=worked)
    assert codes([finding]) == [("tickets_of_idle_machines", "machine_or_log_wrong")]
    assert finding.n == 2 * LOADS_A_DAY or finding.n == 3 * LOADS_A_DAY
    assert finding.total < frames.loads.height
    assert found(logged=logged) == []  # it worked in these fields before, so the loads are from heaps


def test_a_machine_on_tickets_that_is_nowhere_else_is_found():
    loads = intact().loads.with_columns(pl.format("9{}", pl.col("machine_id").str.slice(1)).alias("machine_id"))
    (finding,) = found(loads=loads)
    assert finding.says.code == "tickets_of_unknown_machines"
    assert finding.share == 1.0


def scaled(frames: JoinFrames, times: float, plus_t: float = 0.0, site: str | None = None) -> dict[str, pl.DataFrame]:
    """The season with other weights on the tickets of a site, or of all."""
    own = pl.col("site_id") == site if site else pl.lit(value=True)
    loads = frames.loads.with_columns(
        pl.when(own).then(pl.col("delivered_t") * times + plus_t).otherwise("delivered_t").alias("delivered_t")
    )
    weighed = loads.group_by("field_id").agg(pl.col("delivered_t").sum().alias("weighed_t"))
    return {"loads": loads, "balance": frames.balance.drop("weighed_t").join(weighed, on="field_id")}


@pytest.mark.parametrize(
    ("times", "plus_t", "cause", "unit"),
    [
        (1.0, 14.0, "truck_in_weight", ""),
        (0.001, 0.0, "unit_misread", '"unit": "t", '),
        (1000.0, 0.0, "unit_misread", '"unit": "kg", '),
        (2.2046, 0.0, "unit_misread", '"unit": "lb", '),
    ],
)
@pytest.mark.parametrize("site", [None, "south"])
def test_weights_by_another_unit_or_with_their_truck_are_recognised(times, plus_t, cause, unit, site):
    (finding,) = found(**scaled(intact(), times, plus_t, site))
    assert finding.says.code == ("weighed_over_lifted_of_site" if site else "weighed_over_lifted")
    assert finding.cause.code == cause
    assert unit.strip(", ") in finding.cause.args
    assert finding.ratio == pytest.approx(times + plus_t / LOAD_T, rel=0.12)
    assert finding.source == (site or "")


@pytest.mark.parametrize(
    ("times", "plus_t", "cause"),
    [(1.0, 14.0, "truck_in_weight_unknown"), (0.001, 0.0, "unit_misread"), (0.1, 0.0, "decimal_misplaced")],
)
def test_weights_that_no_truck_hauls_are_found_without_logs(times, plus_t, cause):
    frames = intact()
    loads = scaled(frames, times, plus_t, "south")["loads"]
    (finding,) = found(loads=loads, balance=frames.balance.clear())
    assert (finding.says.code, finding.source, finding.cause.code) == ("usual_load_implausible", "south", cause)


def test_short_tons_of_one_site_are_recognised_if_the_ratios_are_precise_enough():
    frames = intact()
    assert found(**scaled(frames, 1.1023, site="south")) == []
    changed = scaled(frames, 1.1023, site="south")
    exact = (
        changed["balance"]
        .drop("lifted_t")
        .join(frames.loads.group_by("field_id").agg(pl.col("delivered_t").sum().alias("lifted_t")), on="field_id")
    )
    (finding,) = found(loads=changed["loads"], balance=exact)
    assert (finding.source, finding.cause.code) == ("south", "unit_misread")
    assert '"unit": "short_ton"' in finding.cause.args


@pytest.mark.parametrize(("times", "unit"), [(1 / 1.609344, "mph"), (1 / 3.6, "m/s"), (1 / 2.54, "in")])
def test_a_unit_of_one_kind_of_logs_is_recognised_by_the_mass_lifted(times, unit):
    frames = intact()
    own = pl.col("machine_id").is_in(["M02", "M04"])
    lifted = pl.when(own).then(pl.col("lifted_t") * times).otherwise("lifted_t").alias("lifted_t")
    (finding,) = found(balance=frames.balance.with_columns(lifted))
    assert (finding.says.code, finding.source) == ("weighed_over_lifted_of_logs", "log_b")
    assert f'"unit": "{unit}"' in finding.cause.args


def test_logs_with_gaps_are_not_taken_for_another_unit():
    frames = intact()
    balance = frames.balance.with_columns(pl.col("lifted_t") * 0.6)
    logged = frames.logged.with_columns(pl.lit(0.6).alias("covered"))
    assert codes(found(balance=balance, logged=logged)) == [("weighed_over_lifted", "logs_with_gaps")]


def test_yields_by_another_unit_are_recognised():
    frames = intact()
    times = 0.446
    balance = frames.balance.with_columns(pl.col("lifted_t") * times)
    (finding,) = found(balance=balance)
    assert '"unit": "short_ton/acre"' in finding.cause.args
    listed = frames.fields.with_columns(pl.col("yield_t_ha") / 10)
    first, second = found(balance=frames.balance.with_columns(pl.col("lifted_t") / 10), fields=listed)
    assert (first.says.code, second.says.code) == ("weighed_over_lifted", "yields_implausible")


def test_missing_tickets_of_some_fields_are_no_unit():
    frames = intact()
    few = pl.when(pl.int_range(pl.len()) % 3 == 0).then(pl.col("weighed_t") / 5).otherwise("weighed_t")
    assert found(balance=frames.balance.with_columns(few.alias("weighed_t"))) == []


def test_stated_losses_that_the_plots_contradict_are_found():
    rows = intact().audits
    (finding,) = found(audits=rows.with_columns(pl.col("root_loss_t_ha") / 3))
    assert codes([finding]) == [("stated_losses_differ", "column_or_unit_wrong")]
    assert finding.ratio == pytest.approx(1 / 3, rel=0.1)
    (finding,) = found(audits=rows.with_columns(pl.col("root_loss_t_ha") * 0.446))
    assert '"unit": "short_ton/acre"' in finding.cause.args


def test_depths_in_inches_are_found_beside_other_logs_and_alone():
    frames = intact()
    own = pl.col("machine_id").is_in(["M01", "M03"])
    inches = pl.when(own).then(pl.col("share_depth_cm") / 2.54).otherwise("share_depth_cm").alias("share_depth_cm")
    (finding,) = found(settings=frames.settings.with_columns(inches))
    assert (finding.says.code, finding.source, finding.n) == ("setting_by_unit", "log_a", 2)
    assert '"unit": "in"' in finding.cause.args
    alone = frames.logged.with_columns(pl.lit("logs").alias("mapping"))
    settings = frames.settings.with_columns(pl.col("share_depth_cm") / 2.54)
    (finding,) = found(settings=settings, logged=alone)
    assert finding.source == "logs"


def test_positions_of_trucks_spelled_otherwise_are_found_with_the_spelling():
    other = intact().truck_days.with_columns(pl.col("truck_id").str.replace(" ", "-"))
    assert codes(found(truck_days=other)) == [("positions_of_unknown_trucks", "ids_separators")]


def test_positions_of_other_trucks_are_found_on_both_sides():
    letters = pl.col("truck_id").replace_strict({f"LK {40 + i}": f"{c}{c}" for i, c in enumerate("ABCDEFG")})
    assert codes(found(truck_days=intact().truck_days.with_columns(letters))) == [
        ("positions_of_unknown_trucks", "ids_of_other_column"),
        ("tickets_without_positions", "positions_not_received"),
    ]


def test_positions_are_of_no_use_if_no_ticket_names_a_truck():
    loads = intact().loads.with_columns(pl.lit(None, pl.String).alias("truck_id"))
    assert codes(found(loads=loads)) == [("positions_without_truck_on_tickets", "tickets_name_no_truck")]


@pytest.mark.parametrize(("trackers", "expected"), [(4, []), (2, ["tickets_without_positions"])])
def test_a_few_trucks_without_a_tracker_are_no_finding_and_most_are(trackers, expected):
    tracked = intact().truck_days.filter(pl.col("truck_id").is_in(["LK 40", "LK 41", "LK 42", "LK 44"][:trackers]))
    assert [f.says.code for f in found(truck_days=tracked)] == expected
