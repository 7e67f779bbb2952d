"""Decision about the kind of rows in a table, from names, units, values, repetition and intervals of time."""

from dataclasses import dataclass

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.harvest_checks import AUDIT_LOSSES, AUDIT_PIECES, CHECK_RESULTS
from transforms.contracts.required_columns import ONE_NEEDED, needed_columns
from transforms.contracts.source_tables import CONTRACTS, contract
from transforms.ingest.propose.familiarity import demand, pieces
from transforms.ingest.propose.issue_time import issue_columns
from transforms.ingest.propose.lexicon import Lexicon
from transforms.ingest.propose.matching import Match, Phrase, guess_rest, match, phrases_of
from transforms.ingest.propose.table import ProposalContext, SourceTable

OFTEN_ELSEWHERE = {"machine_id", "site_id", "station_id"}
"""Needed ids that exports often have in the file name, or nowhere."""
SIGNATURE = {
    "load": {"truck_full_t", "truck_empty_t", "delivered_t", "clean_t"},
    "truck_position": {"truck_id"},
    "tare": {"dirt_tare_pct", "top_tare_pct", "sugar_pct", "amino_n_mmol_per_kg", "sample_kg"},
    "loss_audit": {*AUDIT_PIECES, *AUDIT_LOSSES, "plot_m2", "plot_length_m", "sampled_roots_count"},
    "root_check": {*CHECK_RESULTS, "checked_roots_count", "place"} - {"root_mass_kg"},
    "weather_hour": {"air_temp_c", "rain_mm", "humidity_pct", "wind_m_s", "irradiation_mj_m2"},
    "forecast_hour": {"issued_at"},
    "weather_day": {"air_temp_max_c", "air_temp_min_c", "rain_mm"},
    "field": {"grower_id", "area_ha", "clay_pct", "sand_pct", "yield_t_ha"},
    "field_boundary": {"boundary"},
    "machine_setup": {"valid_from_at", "generation", "rows_count", "tank_capacity_t", "operator_id"},
}
"""Kind of file -> columns that only such rows have; for telemetry, the settings and the state of the machine."""
TELEMETRY_SIGNS = {"lat_deg", "lon_deg", "work_state", "tank_t", "unloading"}
FULL_SIGNATURE = 2
MIN_SCORE, CLOSE_KINDS, SIGNED = 0.5, 0.85, 0.88
CHECKS = {"loss_audit", "root_check"}
CLOSE_PARTNERS, OWN_SIGNS = 0.5, 2
"""Audits and root checks have most words in common. If the lower score exceeds this share of the higher one, the kind
is certain only with this number of columns that the other kind cannot have."""
INTERVALS = {
    "telemetry": (0.0, 300.0),
    "truck_position": (0.0, 400.0),
    "weather_hour": (500.0, 3 * 3600.0),
    "forecast_hour": (500.0, 6 * 3600.0),
    "weather_day": (20 * 3600.0, 28 * 3600.0),
}
"""Kind of file -> plausible median interval of its times in seconds."""
TIME_COLUMN = {
    "telemetry": "logged_at",
    "truck_position": "logged_at",
    "weather_hour": "hour_at",
    "forecast_hour": "hour_at",
    "weather_day": "day_at",
}
UNLIKELY_INTERVAL, NO_INTERVAL = 0.6, 0.8
TITLES = {
    "telemetry": {"log"},
    "load": {"ticket", "load", "weighed", "delivered"},
    "truck_position": {"truck"},
    "tare": {"lab", "tare", "sample"},
    "loss_audit": {"loss", "audit"},
    "root_check": {"check"},
    "weather_hour": {"weather"},
    "weather_day": {"weather"},
    "forecast_hour": {"forecast"},
    "field": {"field"},
    "machine_setup": {"machine"},
}
"""Kind of file -> concepts in the names of such files."""
NAMED, NAMED_FORECAST = 1.08, 1.4
PARTNERS = {frozenset({"load", "tare"}), frozenset({"loss_audit", "root_check"})}
"""Kinds that a row may contain together."""


@dataclass(frozen=True)
class KindFit:
    """Fit of a table to a kind of file: score from 0 to about 1, and the match of each column."""

    kind: str
    score: float
    found: dict[str, Match]


def fit_kind(table: SourceTable, kind: str, context: ProposalContext) -> KindFit:
    """Return how well a table fits a kind of file."""
    found = match_kind(table, kind, context.lexicon, context.catalogue)
    confidence = {c: m.confidence for c, m in found.items()}
    needed = [(c,) for c in needed_columns(contract(kind, context.catalogue)) if c not in OFTEN_ELSEWHERE]
    hits = [max(confidence.get(c, 0.0) for c in group) for group in needed]
    hits += [
        max(sum(confidence.get(c, 0.0) for c in a) / len(a) for a in alternatives)
        for alternatives in ONE_NEEDED.get(kind, ())
    ]
    signs = _signs(kind, context.catalogue)
    signature = min(1.0, sum(confidence.get(c, 0.0) for c in signs) / min(FULL_SIGNATURE, max(1, len(signs))))
    explained = sum(confidence.values()) / max(1, len(table.names))
    score = 0.35 * sum(hits) / max(1, len(hits)) + 0.45 * min(1.0, explained) + 0.2 * signature
    score *= _interval_factor(table, kind, found) * _title_factor(table, kind, context.lexicon)
    return KindFit(kind, score, found)


def _signs(kind: str, catalogue: Catalogue) -> set[str]:
    """Return the columns that show a kind of rows."""
    return TELEMETRY_SIGNS | set(catalogue) if kind == "telemetry" else SIGNATURE.get(kind, set())


def _title_factor(table: SourceTable, kind: str, lexicon: Lexicon) -> float:
    """Return the factor of a score for words in the names of the file and of its sheet."""
    concepts = title_concepts(table, lexicon)
    if "forecast" in concepts and kind in {"weather_hour", "forecast_hour"}:
        return NAMED_FORECAST if kind == "forecast_hour" else UNLIKELY_INTERVAL
    return NAMED if concepts & TITLES.get(kind, set()) else 1.0


def title_concepts(table: SourceTable, lexicon: Lexicon) -> frozenset[str]:
    """Return the concepts in the names of a file and of its sheet."""
    title = f"{table.path.stem} {table.sniffed.first_sheet}"
    return frozenset(c for t in lexicon.tokens(title) for c in t.concepts)


def match_kind(table: SourceTable, kind: str, lexicon: Lexicon, catalogue: Catalogue) -> dict[str, Match]:
    """Return the match of each column of a kind of file."""
    known = _known_phrases(kind, lexicon, catalogue)
    return match(table.names, known, lambda column, name: table.plausibility.weigh(kind, column, name))


def _known_phrases(kind: str, lexicon: Lexicon, catalogue: Catalogue) -> dict[str, list[Phrase]]:
    labels = tuple((n, s.label) for n, s in catalogue.items())
    schema = contract(kind, catalogue).columns()
    return {c: p for c, p in phrases_of(lexicon, kind, labels).items() if c in schema}


def guess_unmatched(table: SourceTable, fit: KindFit, context: ProposalContext) -> dict[str, Match]:
    """Return the matches of a kind with guesses for the columns that have none."""
    phrases = _known_phrases(fit.kind, context.lexicon, context.catalogue)
    rest = guess_rest(table.names, phrases, lambda c, n: table.plausibility.weigh(fit.kind, c, n), fit.found)
    return {**fit.found, **rest}


def _interval_factor(table: SourceTable, kind: str, found: dict[str, Match]) -> float:
    """Return the factor of a score for the intervals of the times."""
    if kind not in INTERVALS:
        return 1.0
    matched = found.get(TIME_COLUMN[kind])
    seconds = None if matched is None else median_interval(table, matched.name.sources[0])
    if seconds is None:
        return NO_INTERVAL
    if kind == "weather_hour" and has_issue_time(table):
        return UNLIKELY_INTERVAL
    low, high = INTERVALS[kind]
    return 1.0 if low <= seconds <= high else UNLIKELY_INTERVAL


def has_issue_time(table: SourceTable) -> bool:
    """Return True if a second time of the table may be that at which its hours were forecast."""
    return bool(issue_columns(table.names, table.profiles))


def median_interval(table: SourceTable, column: str) -> float | None:
    """Return the median seconds between different times of a column, or of it with a clock; None if unknown."""
    profile = table.profiles[column]
    form = profile.time_form
    if form is not None and form.has_clock:
        return _median_step(form.read)
    if profile.serial_form is not None:
        factor = {"excel_1900": 86_400.0, "epoch_s": 1.0, "epoch_ms": 0.001}[profile.serial_form]
        steps = pl.Series(profile.numbers).unique().sort().diff().drop_nulls()
        return float(steps.median()) * factor if steps.len() else None  # type: ignore[arg-type]
    clock = next((p for p in table.profiles.values() if p.is_clock), None)
    if clock is None:
        return _median_step(form.read) if form is not None else None
    read = [c.replace(".", ":").replace("h", ":")[:8] for c in clock.filled]
    times = pl.Series(read).str.to_time("%H:%M:%S", strict=False)
    if times.null_count() > len(times) / 2:
        times = pl.Series([r[:5] for r in read]).str.to_time("%H:%M", strict=False)
    return _median_step(times)


def _median_step(times: pl.Series) -> float | None:
    steps = times.drop_nulls().cast(pl.Int64).unique().sort().diff().drop_nulls()
    if not steps.len():
        return None
    scale = 1e9 if times.dtype == pl.Time else 1e6
    return float(steps.median()) / scale  # type: ignore[arg-type]


def rank_kinds(table: SourceTable, context: ProposalContext) -> list[KindFit]:
    """Return the fit of every kind that `names.toml` describes, best first."""
    kinds = [k for k in context.lexicon.sections if k in CONTRACTS]
    return sorted((fit_kind(table, k, context) for k in kinds), key=lambda f: -f.score)


def is_sure(table: SourceTable, ranked: list[KindFit], context: ProposalContext) -> bool:
    """Return True if the best kind needs no question.

    Args:
        table: the table.
        ranked: fits of all kinds, best first.
        context: knowledge beside the file.
    """
    first, others = ranked[0], ranked[1:]
    title = title_concepts(table, context.lexicon)
    other = next((f for f in others if frozenset({first.kind, f.kind}) in PARTNERS), None)
    if other is not None and _has_both(first, other):
        others = [f for f in others if f is not other]
    elif other is not None and other.score > CLOSE_PARTNERS * first.score:
        own = _signed(first) - {s for m in other.found.values() for s in m.name.sources}
        is_titled = bool(title & TITLES[first.kind]) and not title & TITLES[other.kind]
        if first.kind in CHECKS and len(own) < OWN_SIGNS and not is_titled:
            return False
    # The values of measured and forecast hours are alike, so that only words and a second time tell them apart.
    is_named = first.kind != "weather_hour" or (bool(title & {"weather", "station"}) and not has_issue_time(table))
    is_shown = _pieces(table, ranked, context, title) >= demand(table).of_kind
    return is_named and is_shown and first.score >= MIN_SCORE and others[0].score <= CLOSE_KINDS * first.score


def _pieces(table: SourceTable, ranked: list[KindFit], context: ProposalContext, title: frozenset[str]) -> int:
    """Return the number of independent pieces of evidence for the best kind: its signs, its title, and its intervals.

    A sign is a column that shows the kind, with an exactly recognized name or an own unit, and that the second kind
    does not read.
    """
    first, second = ranked[:2]
    others = {s for m in second.found.values() for s in m.name.sources}
    signs = [(c, m) for c, m in first.found.items() if c in _signs(first.kind, context.catalogue)]
    shown = sum(pieces(table, first.kind, c, m) > 0 for c, m in signs if not others & set(m.name.sources))
    has_interval = first.kind in INTERVALS and _interval_factor(table, first.kind, first.found) == 1.0
    return shown + bool(title & TITLES.get(first.kind, set())) + has_interval


def _signed(fit: KindFit) -> set[str]:
    """Return the columns of the file that are likely to be some that only this kind has."""
    found = [m for c, m in fit.found.items() if c in SIGNATURE[fit.kind] and m.confidence >= SIGNED]
    return {s for m in found for s in m.name.sources}


def _has_both(first: KindFit, second: KindFit) -> bool:
    """Return True if rows are of both kinds: each has columns of its own that the other does not use."""
    if frozenset({first.kind, second.kind}) not in PARTNERS:
        return False
    used = [_signed(f) for f in (first, second)]
    return bool(used[0] - used[1]) and bool(used[1] - used[0])
