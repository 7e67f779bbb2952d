-- A row is something a person should know of the dig-behind audits of a file: numbers that cannot belong to their plots.
-- Key: source_sha256, reason_code. reason_code, reason_args (JSON): the finding. Written by tracing.
create table if not exists audit_finding (
    source_sha256 varchar not null,
    file varchar not null,
    reason_code varchar not null,
    reason_args varchar not null
);
