-- Opens (or opens again) the account of a source file; the counts follow when its rows are settled.
-- Grain: source file
insert into raw.source_file by name
select
    $file_id as file_id,
    $sha256 as sha256,
    $name as name,
    $bytes as bytes,
    $shape as shape,
    $profile as profile,
    $status as status,
    $reason as reason,
    0 as rows_read,
    0 as rows_loaded,
    0 as rows_duplicate,
    0 as rows_rejected,
    0 as rows_skipped,
    make_timestamptz($first_record_us::bigint) as first_record_at,
    make_timestamptz($last_record_us::bigint) as last_record_at,
    $ingested_at as ingested_at,
    $notes as notes,
    $reading_fingerprint as reading_fingerprint,
    false as stale
on conflict (file_id) do update set
    shape = excluded.shape,
    profile = excluded.profile,
    status = excluded.status,
    reason = excluded.reason,
    rows_read = 0,
    rows_loaded = 0,
    rows_duplicate = 0,
    rows_rejected = 0,
    rows_skipped = 0,
    first_record_at = excluded.first_record_at,
    last_record_at = excluded.last_record_at,
    ingested_at = excluded.ingested_at,
    notes = excluded.notes,
    reading_fingerprint = excluded.reading_fingerprint,
    stale = false
