"""Result tables of machine-days and sensors; `sql/results/` says what a row of each is."""

import dataframely as dy


def _instant(*, nullable: bool = False) -> dy.Datetime:
    return dy.Datetime(time_unit="us", time_zone="UTC", nullable=nullable)


class MachineDay(dy.Schema):
    """Rows of `machine_day`."""

    machine = dy.String()
    day = dy.String()
    machine_id = dy.String()
    first_at = _instant()
    last_at = _instant()
    bins = dy.Int64()
    working_h = dy.Float64()
    area_ha = dy.Float64()
    fingerprint = dy.String()


class SensorFault(dy.Schema):
    """Rows of `sensor_fault`."""

    machine = dy.String()
    day = dy.String()
    machine_id = dy.String()
    setting = dy.String()
    fault_code = dy.String()
    from_at = _instant()
    to_at = _instant()
    records = dy.Int64()
    size = dy.Float64(nullable=True)


class SettingDecision(dy.Schema):
    """Rows of `setting_decision`."""

    machine_id = dy.String()
    decided_at = _instant()
    field_id = dy.String(nullable=True)
    setting = dy.String()
    unit = dy.String()
    from_value = dy.Float64()
    to_value = dy.Float64()
    steps = dy.Float64()
    topsoil_wetness = dy.Float64(nullable=True)


class SetPointOffset(dy.Schema):
    """Rows of `set_point_offset`."""

    machine_id = dy.String()
    setting = dy.String()
    kind = dy.String()
    gap = dy.Float64()
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    sd = dy.Float64(nullable=True)
    days = dy.Int64()
    bins = dy.Int64()
    reason_code = dy.String()
    reason_args = dy.String()


class UnloadEvent(dy.Schema):
    """Rows of `unload_event`."""

    machine = dy.String()
    day = dy.String()
    machine_id = dy.String()
    started_at = _instant()
    ended_at = _instant()
    found_by = dy.String()
    unloaded_t = dy.Float64(nullable=True)
