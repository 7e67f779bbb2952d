"""Lists of the demo's inspections: dig-behind plots and quality checks of roots."""

from pathlib import Path

import polars as pl

from transforms.demo.office_formats import local_time, write_sheet
from transforms.demo.season import DemoSeason
from transforms.demo.sensors import at


def write_audits(season: DemoSeason, inbox: Path) -> None:
    """Write dig-behind plots as a sheet of a workbook."""
    ids = season.district.machines["machine_id"].to_list()
    fields = season.district.fields["field_id"].to_list()
    a = season.audits
    table = a.select(
        ("A" + pl.col("n").cast(pl.String).str.zfill(4)).alias("Audit"),
        pl.Series("Machine", [ids[m] for m in a["machine"]]),
        pl.Series("Field", [fields[f] for f in a["field_index"]]),
        at(season, pl.col("audited_s")).pipe(local_time).dt.strftime("%Y-%m-%d %H:%M:%S").alias("Dug"),
        pl.col("plot_m2").alias("Plot m2"),
        pl.col("^broken.*$"),
        pl.col("whole_roots_count").alias("Whole roots"),
        pl.col("root_mass_kg").alias("Mean root kg"),
    )
    write_sheet(inbox / "loss_audits.xlsx", "Plots", table)


def write_checks(season: DemoSeason, inbox: Path) -> None:
    """Write quality checks as a yard's list: semicolons, local time, counts by class."""
    ids = season.district.machines["machine_id"].to_list()
    fields = season.district.fields["field_id"].to_list()
    c = season.checks
    c.select(
        ("Q" + pl.col("n").cast(pl.String).str.zfill(4)).alias("Check"),
        pl.Series("Machine", [ids[m] for m in c["machine"]]),
        pl.Series("Field", [fields[f] for f in c["field_index"]]),
        at(season, pl.col("checked_s")).pipe(local_time).dt.strftime("%d.%m.%Y %H:%M:%S").alias("Checked"),
        pl.lit("tank").alias("Place"),
        pl.col("checked_roots_count").alias("Roots"),
        pl.col("petioles_over_2_cm_count").alias("Stalks over 2 cm"),
        pl.col("petioles_up_to_2_cm_count").alias("Stalks up to 2 cm"),
        pl.col("clean_topped_count").alias("Clean"),
        pl.col("over_topped_count").alias("Too deep"),
        pl.col("slanting_count").alias("Slanting"),
        pl.col("slightly_damaged_count").alias("Slight damage"),
        pl.col("severely_damaged_count").alias("Severe damage"),
        pl.col("root_mass_kg").round(2).alias("Mean root kg"),
    ).write_csv(inbox / "root_checks.csv", separator=";")
