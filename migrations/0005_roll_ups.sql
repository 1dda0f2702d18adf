-- Readings rolled up to stretches of 1 min, 15 min, 1 h and one day of the site's own, kept by ingest as they are
-- committed (packages/store/roll-up.ts). A row is one device and stretch, named by the stretch's start.

-- The registered time between readings, which says how long a gap is bridged. The API writes it with the device.
alter table device add column period_s real not null default 5;
update device d set period_s = coalesce(
  case d.kind
    when 'meter' then (s.config -> 'meter' ->> 'periodSeconds')::real
    else (select (b ->> 'periodSeconds')::real from jsonb_array_elements(s.config -> 'batteries') b
          where b ->> 'device' = d.id)
  end, d.period_s)
from site s where s.no = d.site_no;

-- Columns stand widest first. For each quantity its mean (of counters none), _min, _max and _n, which is null where
-- all of the stretch's readings told it; _pos_wh and _neg_wh are the energy of the parts of a power above and below
-- zero; _moved_wh is what a register counted in the same time, _excess_wh by how much the energy exceeds it.
do $$
declare
  kind text;
  bin text;
  counters text[];
  measured text[];
  energies text[];
  shown text;
  fields text;
begin
  foreach kind in array array['meter', 'battery'] loop
    if kind = 'meter' then
      counters := array['import_wh double precision', 'export_wh double precision', 'seq bigint'];
      measured := array['l1_v', 'l2_v', 'l1_a', 'l2_a', 'l1_w', 'l2_w', 'l1_var', 'l2_var', 'frequency_hz',
        'inlet1_a', 'inlet1_w', 'inlet2_a', 'inlet2_w', 'rssi_dbm'];
      energies := array['l1_w', 'l2_w', 'inlet1_w', 'inlet2_w', 'service_w'];
    else
      counters := array['seq bigint'];
      measured := array['soc_pct', 'ac_v', 'ac_a', 'ac_w', 'pv_w', 'temp_c', 'grid_present', 'reserve_pct',
        'limit_w', 'storm_preparing', 'rssi_dbm'];
      energies := array['ac_w', 'pv_w'];
    end if;
    fields := 'at timestamptz not null, '
      || (select string_agg(format('%1$s_min %2$s, %1$s_max %2$s', split_part(c, ' ', 1), substr(c, strpos(c, ' ') + 1)), ', ')
          from unnest(counters) c)
      || ', site_no integer not null, device_no integer not null, readings integer not null, covered_s real not null, '
      || (select string_agg(format('%1$s real, %1$s_min real, %1$s_max real, %1$s_n integer', m), ', ') from unnest(measured) m)
      || ', ' || (select string_agg(format('%s_n integer', split_part(c, ' ', 1)), ', ') from unnest(counters) c)
      || ', ' || (select string_agg(format('%1$s_pos_wh real, %1$s_neg_wh real', e), ', ') from unnest(energies) e);
    if kind = 'meter' then
      fields := fields || ', import_wh_moved_wh real, import_wh_excess_wh real, export_wh_moved_wh real, export_wh_excess_wh real';
    end if;
    -- The coarser tables are small, and a plot's columns stand in their key's index: a year of one device is then read
    -- from some hundred pages that lie together, however many other devices wrote in between. An index takes 32 columns.
    shown := (select string_agg(m, ', ') from unnest(measured) m)
      || ', ' || (select string_agg(split_part(c, ' ', 1) || '_max', ', ') from unnest(counters) c)
      || ', ' || (select string_agg(format('%1$s_pos_wh, %1$s_neg_wh', e), ', ') from unnest(energies) e)
      || ', readings';
    foreach bin in array array['1m', '15m', '1h', '1d'] loop
      execute format('create table %I (%s, primary key (site_no, device_no, at) %s) partition by range (at)',
        kind || '_' || bin, fields, case bin when '1m' then '' else 'include (' || shown || ')' end);
    end loop;
  end loop;
end $$;

-- Stretches that have to be rolled up (again): those that readings came to since. One is taken from here in the
-- transaction that writes its row.
create table rollup_due (
  site_no integer not null,
  device_no integer not null,
  kind text not null check (kind in ('meter', 'battery')),
  bin text not null check (bin in ('1m', '15m', '1h', '1d')),
  at timestamptz not null,
  primary key (site_no, device_no, kind, bin, at)
) with (autovacuum_vacuum_scale_factor = 0.05);
create index rollup_due_newest on rollup_due (kind, bin, at);

-- How far it has come: one row.
create table rollup_state (
  one boolean primary key default true check (one),
  -- Readings of transactions up to this one are rolled up, or in rollup_due.
  tx bigint not null default 0,
  -- When there was last nothing left to do.
  caught_up_at timestamptz not null default now(),
  -- Readings, and stretches of 1 min, before these were dropped: a stretch made of them cannot be made again.
  readings_from timestamptz not null default '-infinity',
  minutes_from timestamptz not null default '-infinity'
);
insert into rollup_state default values;

-- Makes the partitions that rows at `times` need: 1 min by the month, the others by the year (UTC).
create function ensure_rollup_partitions(parent text, times timestamptz[]) returns void language plpgsql
  security definer set search_path = public, pg_temp as $$
declare
  unit text := case when parent like '%\_1m' then 'month' else 'year' end;
  start timestamptz;
  child text;
begin
  if parent not in ('meter_1m', 'meter_15m', 'meter_1h', 'meter_1d', 'battery_1m', 'battery_15m', 'battery_1h', 'battery_1d') then
    raise exception 'no such roll-up: %', parent;
  end if;
  for start in select distinct date_trunc(unit, t, 'UTC') from unnest(times) t loop
    child := parent || '_' || to_char(start at time zone 'UTC', case unit when 'month' then 'YYYYMM' else 'YYYY' end);
    if to_regclass(child) is null then
      perform pg_advisory_xact_lock(hashtext('reading partitions'));
      execute format('create table if not exists %I partition of %I for values from (%L) to (%L)', child, parent,
        start, (start at time zone 'UTC' + ('1 ' || unit)::interval) at time zone 'UTC');
    end if;
  end loop;
end $$;

-- Drops what is older than it need be: readings of days before `readings_before`, roll-ups of 1 min of months that
-- end before `minutes_before`, the others of years that end before `coarse_before`. Readings that are not rolled up
-- yet stay, and all that are younger; `waiting` then says so.
drop function drop_reading_partitions(date);
create function drop_old_partitions(
  readings_before timestamptz, minutes_before timestamptz, coarse_before timestamptz,
  out dropped integer, out waiting boolean
) language plpgsql security definer set search_path = public, pg_temp as $$
declare
  child record;
  rolled_tx bigint;
begin
  dropped := 0;
  waiting := false;
  -- The roll-ups' lock first, as the worker takes them.
  perform pg_advisory_xact_lock(hashtext('roll-ups'));
  perform pg_advisory_xact_lock(hashtext('reading partitions'));
  select tx into rolled_tx from rollup_state;
  for child in
    select c.relname as name, p.relname as parent, split_part(p.relname, '_', 1) as kind,
      to_date(right(c.relname, 8), 'YYYYMMDD')::timestamp at time zone 'UTC' as start
    from pg_inherits i join pg_class c on c.oid = i.inhrelid join pg_class p on p.oid = i.inhparent
    where p.oid in ('meter_reading'::regclass, 'battery_reading'::regclass) order by start, name
  loop
    exit when child.start + interval '24 hours' > readings_before;
    -- The parent first, as every other statement does; nothing more can come once this is held.
    execute format('lock table only %I in access exclusive mode', child.parent);
    execute format('lock table %I in access exclusive mode', child.name);
    execute format('select exists (select from %I where tx > $1)', child.name) into waiting using rolled_tx;
    waiting := waiting or exists (select from rollup_due d where d.kind = child.kind and d.bin = '1m'
      and d.at >= child.start and d.at < child.start + interval '24 hours');
    exit when waiting;
    execute format('drop table %I', child.name);
    dropped := dropped + 1;
    update rollup_state set readings_from = greatest(readings_from, child.start + interval '24 hours');
  end loop;
  for child in
    select c.relname as name, p.relname like '%\_1m' as is_minutes,
      case when p.relname like '%\_1m'
        then (to_date(right(c.relname, 6), 'YYYYMM') + interval '1 month') at time zone 'UTC'
        else (to_date(right(c.relname, 4), 'YYYY') + interval '1 year') at time zone 'UTC'
      end as ends
    from pg_inherits i join pg_class c on c.oid = i.inhrelid join pg_class p on p.oid = i.inhparent
    where p.relname ~ '^(meter|battery)_(1m|15m|1h|1d)$' order by ends, name
  loop
    continue when child.ends > case when child.is_minutes then minutes_before else coarse_before end;
    continue when child.is_minutes and exists (select from rollup_due d where d.bin in ('1m', '15m') and d.at < child.ends);
    execute format('drop table %I', child.name);
    dropped := dropped + 1;
    if child.is_minutes then
      update rollup_state set minutes_from = greatest(minutes_from, child.ends);
    end if;
  end loop;
end $$;

-- A site that is said to lie in another time zone has other days.
create function roll_days_up_again() returns trigger language plpgsql
  security definer set search_path = public, pg_temp as $$
declare
  kind text;
begin
  foreach kind in array array['meter', 'battery'] loop
    execute format('delete from %I where site_no = $1', kind || '_1d') using new.no;
    execute format(
      'insert into rollup_due (site_no, device_no, kind, bin, at)
       select distinct site_no, device_no, %L, ''1d'', date_trunc(''day'', at, $2) from %I where site_no = $1
       on conflict do nothing', kind, kind || '_15m') using new.no, new.config ->> 'timeZone';
  end loop;
  return null;
end $$;
create trigger roll_days_up_again after update of config on site for each row
  when (old.config ->> 'timeZone' is distinct from new.config ->> 'timeZone') execute function roll_days_up_again();

do $$
declare
  name text;
begin
  foreach name in array array['meter_1m', 'meter_15m', 'meter_1h', 'meter_1d', 'battery_1m', 'battery_15m', 'battery_1h',
      'battery_1d', 'rollup_due'] loop
    execute format('alter table %I enable row level security', name);
    execute format('create policy workers on %I to afterwatt_ingest using (true) with check (true)', name);
    execute format('create policy of_opened_site on %I to afterwatt_api using (site_no = opened_site())', name);
    execute format('grant select, delete on %I to afterwatt_api', name);
    execute format('grant select, insert, update, delete on %I to afterwatt_ingest', name);
  end loop;
end $$;
grant select, update on rollup_state to afterwatt_ingest;
grant select on rollup_state to afterwatt_api;
grant execute on function ensure_rollup_partitions(text, timestamptz[]),
  drop_old_partitions(timestamptz, timestamptz, timestamptz) to afterwatt_ingest;
