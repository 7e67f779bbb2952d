"""The shift page: one self-contained HTML file that answers what to change before the next shift."""

import datetime as dt
from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.effect_strip import effect_strip
from reports.charts.load_why import load_why
from reports.charts.machine_dirt import machine_dirt
from reports.charts.wetness import wetness
from reports.money import assumption_words, price_rows
from reports.page import embedded, render
from reports.units import Shown, number
from reports.words import CAUTION, interval, move_in_words, percent_change, source_label, sure
from transforms.advice.outlook import FORECAST, PERSISTENCE
from transforms.catalogue import DIRT, ROOT_LOSS, Catalogue
from transforms.warehouse import Warehouse
from transforms.workspace import Season


def _move(r: dict[str, Any], catalogue: Catalogue, shown: Shown) -> dict[str, str]:
    acts_on_loss = ROOT_LOSS in catalogue[r["setting"]].responses
    return {
        "words": move_in_words(r, catalogue, shown),
        "dirt": percent_change(r, "dirt_change_pct", "dirt_lo95", "dirt_hi95"),
        "loss": percent_change(r, "root_loss_change_pct", "root_loss_lo95", "root_loss_hi95")
        if acts_on_loss
        else "not touched",
        "gain": shown.per_t(r["gain_per_t"]),
        "gain_interval": f"{shown.per_t(r['gain_lo95'])} to {shown.per_t(r['gain_hi95'])}",
        "sure": sure(r["probability_better"]),
        "n": number(r["n"], 0),
        "note": r["reason"].split("; ", 2)[2] if r["reason"].count("; ") > 1 else "",
    }


def _cards(advice: pl.DataFrame, worth: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> list[dict[str, Any]]:
    """One card a machine, the largest gain first: what to do there, in plain words, and what it is worth."""
    by_machine = {r["machine_id"]: r for r in worth.iter_rows(named=True)}
    cards = []
    for (machine,), rows in advice.group_by("machine_id", maintain_order=True):
        total = by_machine.get(machine)
        card = {
            **rows.row(0, named=True),
            "machine": machine,
            "worth": None,
            "worths": [],
            "costs": [],
            "moves": [
                _move(r, catalogue, shown) for r in rows.filter(pl.col("verdict") != "hold").iter_rows(named=True)
            ],
        }
        if total is not None:
            card["worth"] = f"{shown.per_t(total['gain_per_t'])} {shown.money_per_t}"
            card["worth_interval"] = f"{shown.per_t(total['lo95'])} to {shown.per_t(total['hi95'])}"
            card["worths"] = _worths(total, shown)
            card["costs"] = _costs(total, shown)
        cards.append(card)
    order = {m: i for i, m in enumerate(by_machine)}
    return sorted(cards, key=lambda c: (order.get(c["machine"], len(order)), c["machine"]))


def _worths(total: dict[str, Any], shown: Shown) -> list[str]:
    """What a machine's moves are worth per hectare, shift and season; none where it lifted nothing to reckon with."""
    out = []
    area = shown.per_area(1.0)
    per = f"{shown.currency}/{shown.sign('ha')}"
    ha = [total[n] * area for n in ("gain_per_ha", "ha_lo95", "ha_hi95") if total[n] is not None]
    if ha:
        out.append(f"{number(ha[0], 1)} {per} ({interval(ha[1], ha[2], 1)})")
    for key, prefix, words in (
        ("gain_per_shift", "shift", "a shift like the last"),
        ("gain_per_season", "season", "on all it lifted this season in such conditions"),
    ):
        if total[key] is not None:
            money = interval(total[f"{prefix}_lo95"], total[f"{prefix}_hi95"])
            out.append(f"{words}: {number(total[key], 0)} {shown.currency} ({money})")
    return out


def _costs(total: dict[str, Any], shown: Shown) -> list[str]:
    """What a machine costs as it runs now, by the same measures."""
    if total["cost_per_t"] is None:
        return []
    span = f"{shown.per_t(total['cost_lo95'])} to {shown.per_t(total['cost_hi95'])}"
    out = [f"{shown.per_t(total['cost_per_t'])} {shown.money_per_t} ({span})"]
    area = shown.per_area(1.0)
    for key, part, factor, unit in (
        ("cost_per_ha", "ha", area, f"{shown.currency}/{shown.sign('ha')}"),
        ("cost_per_shift", "shift", 1.0, f"{shown.currency} a shift like the last"),
        ("cost_per_season", "season", 1.0, f"{shown.currency} on all it lifted this season in such conditions"),
    ):
        if total[key] is not None:
            low, high = (total[f"cost_{part}_{e}"] * factor for e in ("lo95", "hi95"))
            out.append(f"{number(total[key] * factor, 0)} {unit} ({interval(low, high)})")
    return out


def _outlook_words(advice: pl.DataFrame) -> str:
    """Where the conditions of the next shift come from."""
    by = advice.group_by("outlook").agg(pl.col("machine_id").n_unique()).drop_nulls()
    counts = dict(by.iter_rows())
    ahead, still = counts.get(FORECAST, 0), counts.get(PERSISTENCE, 0)
    if ahead and not still:
        return "Conditions are those of the forecast, over the hours in which the fleet works."
    if ahead:
        return (
            f"Conditions are the forecast's for {ahead} machines; for {still} there is none, and they are taken to "
            "stay as they were at the last weather hour."
        )
    return "There is no forecast: conditions are taken to stay as they were at the last weather hour."


def _headline(cards: list[dict[str, Any]]) -> str:
    moving = [c for c in cards if c["verdict"] == "move"]
    if not cards:
        return "There is no advice yet: too few loads are measured and traced."
    if not moving:
        return "Hold: nothing within what the fleet has tried is better with enough certainty."
    best = moving[0]
    first = best["moves"][0]["words"]
    count = sum(len(c["moves"]) for c in moving)
    return (
        f"{count} moves on {len(moving)} of {len(cards)} machines. The largest gain is on {best['machine']}, "
        f"{best['worth']} ({best['worth_interval']}); there, first: {first[0].lower()}{first[1:]}."
    )


def _machine_rows(machines: pl.DataFrame, shown: Shown) -> list[dict[str, str]]:
    out = []
    for r in machines.iter_rows(named=True):
        over = None if r["observed_pct"] is None else r["observed_pct"] - r["expected_pct"]
        half = r["observed_half"]
        loss_half = r["root_loss_half"]
        out.append(
            {
                "machine": r["machine_id"],
                "generation": r["generation"] or "–",
                "loads": number(r["loads"], 0),
                "mass": shown.quantity(r["gross_t"], "t"),
                "measured": number(r["measured"], 0),
                "observed": number(r["observed_pct"]) + (f" ± {number(half)}" if half else ""),
                "expected": f"{number(r['expected_pct'])} ({interval(r['expected_lo95'], r['expected_hi95'], 1)})"
                if r["expected_pct"] is not None
                else "–",
                "over": number(over, 1, sign=True),
                "loss": "–"
                if r["root_loss_t_ha"] is None
                else shown.quantity(r["root_loss_t_ha"], "t/ha")
                + (f" ± {number(shown.convert(loss_half, 't/ha'))}" if loss_half else ""),
                "audits": number(r["audits"], 0),
                "trace": number(r["trace_quality"], 2),
            }
        )
    return out


def _machine_finding(machines: pl.DataFrame) -> str:
    rows = machines.drop_nulls("observed_pct").with_columns(
        (pl.col("observed_pct") - pl.col("expected_pct")).alias("over")
    )
    if not rows.height:
        return "No load of this shift is measured yet."
    above = rows.filter(pl.col("observed_pct") - pl.col("observed_half") > pl.col("expected_hi95"))[
        "machine_id"
    ].to_list()
    below = rows.filter(pl.col("observed_pct") + pl.col("observed_half") < pl.col("expected_lo95"))[
        "machine_id"
    ].to_list()
    parts = [
        f"clearly dirtier than their conditions explain: {', '.join(above)}"
        if above
        else "no machine is clearly dirtier than its conditions explain"
    ]
    if below:
        parts.append(f"clearly cleaner: {', '.join(below)}")
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _worst(warehouse: Warehouse, shift: dt.date, catalogue: Catalogue, shown: Shown) -> list[dict[str, Any]]:
    loads = warehouse.query("worst_load", shift_date=shift)
    reasons = warehouse.query("worst_load_why", load_ids=loads["load_id"].to_list())
    out = []
    for r in loads.iter_rows(named=True):
        sources = reasons.filter(pl.col("load_id") == r["load_id"]).with_columns(
            pl.col("source").map_elements(lambda s: source_label(s, catalogue), return_dtype=pl.String).alias("label")
        )
        top = sources.filter(pl.col("points") > 0).sort("points", descending=True).head(3)
        why = ", ".join(f"{s} {number(p, 1, sign=True)}" for s, p in top.select("label", "points").iter_rows())
        out.append(
            {
                "load": r["load_id"],
                "machine": r["machine_id"],
                "field": r["field_id"],
                "weighed": shown.moment(r["weighed_at"]),
                "observed": number(r["observed_pct"]),
                "expected": f"{number(r['expected_pct'])} ({interval(r['lo95'], r['hi95'], 1)})",
                "trace": number(r["trace_quality"], 2),
                "why": why,
                "spec": embedded(load_why(sources)) if sources.height else None,
                "sources": [
                    {"label": s, "points": number(p, 2, sign=True)}
                    for s, p in sources.select("label", "points").iter_rows()
                ],
            }
        )
    return out


def _effects(warehouse: Warehouse, response: str, catalogue: Catalogue) -> dict[str, Any]:
    rows = warehouse.query("effect_overall").filter(pl.col("response") == response)
    rows = rows.with_columns(
        pl.col("setting")
        .replace_strict({n: s.label for n, s in catalogue.items()}, return_dtype=pl.String)
        .alias("label")
    )
    known = rows.drop_nulls("change_pct")
    confounded = (
        known.filter(pl.col("says").str.starts_with("confounded"))["label"].unique(maintain_order=True).to_list()
    )
    untried = rows.filter(pl.col("change_pct").is_null())
    strongest = known.filter(pl.col("q_value") < 0.05).sort(pl.col("change_pct").abs(), descending=True).head(1)
    finding = "No setting shows an effect that stands out yet."
    if strongest.height:
        s = strongest.row(0, named=True)
        finding = (
            f"Strongest: one step up of {s['label']} changes it by {number(s['change_pct'], 1, sign=True)} % "
            f"({interval(s['lo95'], s['hi95'], 1)}) in {s['wetness_class']} topsoil, n = {number(s['n'], 0)}."
        )
    table = [
        {
            "label": r["label"],
            "topsoil": r["wetness_class"],
            "change": number(r["change_pct"], 1, sign=True),
            "interval": interval(r["lo95"], r["hi95"], 1) if r["change_pct"] is not None else "–",
            "n": number(r["n"], 0),
            "says": r["says"],
        }
        for r in rows.iter_rows(named=True)
    ]
    return {
        "spec": embedded(effect_strip(known)) if known.height else None,
        "finding": finding,
        "confounded": confounded,
        "untried": untried.height,
        "table": table,
        "checks": _checks(warehouse, response),
    }


def _checks(warehouse: Warehouse, response: str) -> list[str]:
    """How many checks of a fit were passed, and each that was not; nothing where none was made."""
    made = warehouse.query("fit_verdict").filter((pl.col("response") == response) & (pl.col("made") > 0))
    if not made.height:
        return []
    failed = warehouse.table("fit_check").filter((pl.col("response") == response) & ~pl.col("passed"))
    verdict = made.row(0, named=True)
    counted = f"{verdict['passed']} of {verdict['made']} checks of this fit were passed."
    return [counted, *(f"Not passed: {says}." for says in failed["says"])]


def _conditions(warehouse: Warehouse, season: Season, shown: Shown) -> dict[str, Any]:
    now, course = warehouse.query("condition_now"), warehouse.query("wetness_course")
    rows = [
        {
            "station": r["station_id"],
            "soil": r["soil_class"],
            "fields": number(r["fields"], 0),
            "wetness": number(r["topsoil_wetness"], 2),
            "rain_24": shown.quantity(r["rain_24h_mm"], "rain"),
            "rain_72": shown.quantity(r["rain_72h_mm"], "rain"),
            "temp": shown.quantity(r["air_temp_c"], "degC"),
        }
        for r in now.iter_rows(named=True)
    ]
    rain = warehouse.query("rain_course", zone=season.time_zone)
    fell = shown.quantity(float(rain["rain_mm"].sum()), "rain")
    wet = f"Over the last ten days {fell} of rain fell (mean of the stations)" if rain.height else ""
    at = shown.moment(now["hour_at"][0]) if now.height else ""
    return {
        "rows": rows,
        "spec": embedded(wetness(course)) if course.height else None,
        "finding": f"{wet}; conditions below are of {at}." if rows else "No weather yet.",
    }


def _closure(warehouse: Warehouse, shown: Shown) -> list[dict[str, str]]:
    """The fields, machines and days whose weighed and lifted masses are furthest out, five of each."""
    worst = warehouse.query("mass_closure").group_by("kind", maintain_order=True).head(5)
    return [
        {
            "kind": r["kind"],
            "subject": shown.day(dt.date.fromisoformat(r["subject"])) if r["kind"] == "day" else r["subject"],
            "weighed": shown.quantity(r["weighed_t"], "t"),
            "lifted": shown.quantity(r["lifted_t"], "t"),
            "closure": number(r["closure"], 2),
            "out": number(shown.convert(r["out_t"], "t"), 0, sign=True),
        }
        for r in worst.iter_rows(named=True)
    ]


FAULT_WORDS = {
    "stuck": "stuck", "drift": "drifting", "clock_step": "clock that jumps", "off_position": "ground speed off its way",
    "out_of_range": "readings out of range", "spike": "spikes",
}  # fmt: skip


def _faulty(warehouse: Warehouse) -> str:
    """Which machine has which lasting fault, in a line; single wild readings are left to the table."""
    rows = warehouse.query("machine_fault")
    parts = [
        f"{r['machine_id']}: {FAULT_WORDS[r['reason']]}"
        + ("" if r["reason"] in {"clock_step", "off_position"} else f" ({r['setting']})")
        for r in rows.iter_rows(named=True)
    ]
    return "; ".join(parts)


def _health(warehouse: Warehouse, shown: Shown) -> dict[str, Any]:
    h = warehouse.query("data_health").row(0, named=True)
    arrived = warehouse.query("arrival")
    share = 100 * (h["rows_rejected"] or 0) / max(h["rows_in"] or 1, 1)
    line = (
        f"{number(h['loads'], 0)} loads, {number(h['measured'], 0)} measured; mean trace quality "
        f"{number(h['trace_quality'], 2)} of 1; weighed over lifted mass {number(h['closure'], 2)}; "
        f"{number(h['rows_rejected'], 0)} of {number(h['rows_in'], 0)} rows rejected ({number(share, 3)} %)."
    )
    return {
        "line": line,
        "clocks": h["clocks"],
        "closure_by": _closure(warehouse, shown),
        "faulty": _faulty(warehouse),
        "arrived": [{k: (number(v, 0) if isinstance(v, int) else v) for k, v in r.items()} for r in arrived.to_dicts()],
        "rejected": warehouse.query("rejection").to_dicts(),
        "sensors": [
            {**r, "reason": FAULT_WORDS[r["reason"]]} for r in warehouse.query("sensor_health").iter_rows(named=True)
        ],
        **h,
    }


def _context(warehouse: Warehouse, season: Season) -> dict[str, Any]:
    shown = Shown(season.units, season.currency, season.time_zone)
    shift: dt.date | None = warehouse.query("last_shift")["shift_date"][0]
    advice, runs = warehouse.table("advice"), warehouse.table("fit_run")
    machines = warehouse.query("shift_machine", shift_date=shift)
    cards = _cards(advice, warehouse.query("advice_worth", shift_date=shift), season.catalogue, shown)
    measured = machines.drop_nulls("observed_pct")
    return {
        "season": season,
        "shown": shown,
        "caution": CAUTION,
        "shift": shown.day(shift) if shift else None,
        "next_shift": shown.day(advice["shift_date"][0]) if advice.height else None,
        "headline": _headline(cards),
        "outlook": _outlook_words(advice),
        "assumptions": assumption_words(season),
        "cards": cards,
        "machines": _machine_rows(machines, shown),
        "machine_finding": _machine_finding(machines),
        "machine_spec": embedded(machine_dirt(machines)) if measured.height else None,
        "worst": _worst(warehouse, shift, season.catalogue, shown) if shift else [],
        "effects": [
            ("dirt (dirt over clean)", "dirt", _effects(warehouse, DIRT, season.catalogue)),
            ("root loss", "loss", _effects(warehouse, ROOT_LOSS, season.catalogue)),
        ],
        "conditions": _conditions(warehouse, season, shown),
        "health": _health(warehouse, shown),
        "prices": price_rows(season),
        "runs": [{**r, "fingerprint": r["data_fingerprint"][:12]} for r in runs.to_dicts()],
    }


def write_shift_page(warehouse: Warehouse, season: Season, out: Path) -> Path:
    """Write `shift-<date>.html` and `shift.html` (the same, the latest) into `out`; return the dated one."""
    shift = warehouse.query("last_shift")["shift_date"][0]
    dated = render("shift.html.j2", out / f"shift-{shift or 'none'}.html", **_context(warehouse, season))
    latest = out / "shift.html"
    partial = latest.with_suffix(".partial")
    partial.write_bytes(dated.read_bytes())
    partial.replace(latest)
    return dated
