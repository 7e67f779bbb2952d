-- A row is a content received, with its name and date, whatever kinds of rows it has. Key: source_sha256. Reads
-- source_file. The other views join it, so its name is the first of them.
create or replace view arrived_file as
select source_sha256, min(file) as file, min(file_at) as file_at, min(received_at) as received_at
from source_file
group by source_sha256;
