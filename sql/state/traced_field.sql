-- A row is a field as it was last traced: fingerprints of its own rows and of the clocks it used, and which those are (JSON). Key: field_id. Written by trace.
create table if not exists traced_field (
    field_id varchar not null,
    inputs varchar not null,
    used varchar not null,
    uses varchar not null
);
