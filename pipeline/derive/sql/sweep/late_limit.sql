-- How long held and faulted count outside shifts, in a row.
select (off_shift_hold_max_s * 1e6)::bigint as limit_us from core.shop_setting
