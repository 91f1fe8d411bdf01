-- Every machine that shop.toml names or the data mentions.
-- Grain: machine.
-- Renewed: first.
with
seen as (
    select machine from core.item_day
    union
    select machine from core.record_extent
)

select
    machine,
    coalesce(setting.name, machine) as name,
    setting.kind,
    setting.rate_per_hour,
    setting.max_speed_rpm,
    setting.spindle_kw,
    setting.rapid_mm_min,
    setting.tool_change_s,
    coalesce(setting.silent_after_s, 300.0) as silent_after_s,
    coalesce(setting.no_data_after_h, 744.0) as no_data_after_h,
    coalesce(setting.setup_max_s, 14400.0) as setup_max_s,
    setting.machine is not null as in_shop_file,
from seen
full join core.machine_setting as setting using (machine)
order by machine
