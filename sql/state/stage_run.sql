-- A row is a stage whose results are stored: the fingerprint of its inputs and results, and the files it wrote (JSON: path ->
-- sha-256). Key: stage. Written by the stages of a run; a stage whose fingerprint is unchanged is skipped.
create table if not exists stage_run (
    stage varchar not null,
    fingerprint varchar not null,
    files varchar not null,
    finished_at timestamptz not null
);
