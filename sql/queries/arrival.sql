-- A row is a kind of file: the files received and the fate of their rows. Key: kind. Reads source_file.
select coalesce(kind, 'not recognised') as kind, count(distinct source_sha256) as files, sum(rows_in)::bigint as rows_in,
    sum(rows_accepted)::bigint as rows_accepted, sum(rows_rejected)::bigint as rows_rejected,
    sum(rows_repeated)::bigint as rows_repeated
from source_file
group by 1
order by 1
