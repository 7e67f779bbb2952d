"""Result tables of tracing; `sql/results/` says what a row of each is."""

import dataframely as dy


def _instant(*, nullable: bool = False) -> dy.Datetime:
    return dy.Datetime(time_unit="us", time_zone="UTC", nullable=nullable)


class ClockOffset(dy.Schema):
    """Rows of `clock_offset`."""

    subject_kind = dy.String()
    subject_id = dy.String()
    from_date = dy.Date()
    to_date = dy.Date()
    offset_min = dy.Float64()
    lo95 = dy.Float64()
    hi95 = dy.Float64()
    n = dy.Int64()
    corrected = dy.Bool()
    cause_code = dy.String(nullable=True)


class LagSample(dy.Schema):
    """Rows of `lag_sample`."""

    field_id = dy.String()
    shift_date = dy.Date()
    machine_id = dy.String(nullable=True)
    site_id = dy.String()
    km = dy.Float64()
    n = dy.Int64()
    lag_min = dy.Float64()
    lag_spread_min = dy.Float64()
    leave_min = dy.Float64(nullable=True)
    leave_spread_min = dy.Float64(nullable=True)
    leave_n = dy.Int64()
    drive_spread_min = dy.Float64(nullable=True)
    drive_n = dy.Int64()
    late_n = dy.Int64()
    full_to_left_min = dy.Float64(nullable=True)
    closure = dy.Float64()
    has_signal = dy.Bool()


class AuditFinding(dy.Schema):
    """Rows of `audit_finding`."""

    source_sha256 = dy.String()
    file = dy.String()
    reason_code = dy.String()
    reason_args = dy.String()


class LoadTrace(dy.Schema):
    """Rows of `load_trace`."""

    load_id = dy.String()
    machine_id = dy.String(nullable=True)
    bin_at = _instant(nullable=True)
    share = dy.Float64()
    share_sd = dy.Float64(nullable=True)


class LoadTraceGrade(dy.Schema):
    """Rows of `load_trace_grade`."""

    load_id = dy.String()
    field_id = dy.String()
    kind_code = dy.String()
    trace_quality = dy.Float64()
    claimed_quality = dy.Float64()
    traced_share = dy.Float64()
    machine_chance = dy.Float64()
    reason_code = dy.String()
    reason_args = dy.String()


class TraceReplicate(dy.Schema):
    """Rows of `trace_replicate`."""

    field_id = dy.String()
    shift_date = dy.Date()
    load_id = dy.String()
    site_id = dy.String()
    kind_code = dy.String()
    claimed_quality = dy.Float64()
    overlap = dy.Float64()


class TruckKeeping(dy.Schema):
    """Rows of `truck_keeping`."""

    field_id = dy.String()
    shift_date = dy.Date()
    kind_code = dy.String()
    stray_share = dy.Float64()
    log_likelihood = dy.Float64()


class MassBalance(dy.Schema):
    """Rows of `mass_balance`."""

    machine_id = dy.String(nullable=True)
    field_id = dy.String()
    shift_date = dy.Date()
    weighed_t = dy.Float64()
    lifted_t = dy.Float64()
    closure = dy.Float64(nullable=True)


class TruckStop(dy.Schema):
    """Rows of `truck_stop`."""

    day = dy.String()
    truck_id = dy.String()
    machine_id = dy.String(nullable=True)
    field_id = dy.String(nullable=True)
    site_id = dy.String(nullable=True)
    arrived_at = _instant()
    left_at = _instant()
    distance_m = dy.Float64()
    machine_ahead_min = dy.Float64()


class MissingData(dy.Schema):
    """Rows of `missing_data`."""

    source_code = dy.String()
    fields = dy.Int64()
    n = dy.Int64()
    used_now_pct = dy.Float64()
    used_with_pct = dy.Float64()
    quality_now = dy.Float64()
    quality_with = dy.Float64()
    lacking_loads = dy.Int64()
    season_loads = dy.Int64()
    season_now_pct = dy.Float64()
    season_with_pct = dy.Float64()
    inputs = dy.String()
