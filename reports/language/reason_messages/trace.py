"""Messages of the reasons of `trace`."""

from reports.language.translate import mark

TRACE: dict[str, str] = {
    "traced_by_emptyings": mark("traced by the emptyings of the tank"),
    "log_incomplete": mark("the log has no records of a part of it"),
    "emptyings_not_detected": mark("the machine's emptyings are not detected: its mass curve was used"),
    "mass_ratio_unusual": mark(
        "the ratio of weighed to lifted mass of that work differs by {difference_pct:+.0f} % from the usual ratio"
    ),
    "no_matching_mass": mark("no matching harvested mass in this field: the ticket may name the wrong field"),
    "machine_uncertain": mark("several machines worked in the field, and it is uncertain which of them filled it"),
    "ticket_machine_without_telemetry": mark("its ticket names a machine without telemetry in this field at that time"),
    "no_work_near_load": mark("no machine worked in this field within hours of it"),
    "no_telemetry_in_field": mark("no telemetry in this field"),
    "nothing_left_to_haul": mark("it left long after the work, when everything lifted had already been hauled"),
    "from_heap": mark("loaded long after the work from a heap"),
    "heap_order_unknown": mark("it is not known from which end the heap was loaded: spread over both ends"),
    "load_not_processed": mark("it has not been processed yet"),
}
