-- A row is a file received and the mapping that read it. Key: source_sha256. Reads source_file.
select source_sha256, coalesce(mapping, '') as mapping from source_file order by source_sha256
