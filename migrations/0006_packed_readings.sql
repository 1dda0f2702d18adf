-- Closed days are packed: a row holds an hour of one device, an array a quantity, which takes a fifth of the room
-- (packages/store/pack-readings.ts). Either all readings of a device's hour are packed, or all are plain rows.

do $$
declare
  kind text;
  name text;
begin
  foreach kind in array array['meter', 'battery'] loop
    name := kind || '_packed';
    -- `at` is the start of the hour; the arrays are in the order of `times`, and null where no reading told anything.
    -- pglz, whatever the server's default: it leaves a third less than lz4 of numbers that share most of their bytes.
    execute format(
      'create table %I (at timestamptz not null, tx bigint not null, site_no integer not null, device_no integer not null,
        times timestamptz[] compression pglz not null, %s, primary key (site_no, device_no, at)) partition by range (at)',
      name,
      (select string_agg(format('%I %s[] compression pglz', attname, format_type(atttypid, atttypmod)), ', ' order by attnum)
       from pg_attribute where attrelid = (kind || '_reading')::regclass and attnum > 0
         and attname not in ('at', 'tx', 'site_no', 'device_no')));
    execute format('alter table %I enable row level security', name);
    execute format('create policy workers on %I to afterwatt_ingest, afterwatt_rules using (true) with check (true)', name);
    execute format('create policy of_opened_site on %I to afterwatt_api using (site_no = opened_site())', name);
    execute format('grant select, delete on %I to afterwatt_ingest, afterwatt_api', name);
    execute format('grant select on %I to afterwatt_rules', name);
  end loop;
end $$;

-- Locks. Who writes readings of a day that may be packed, or deletes a site, holds the packed tables in row exclusive
-- mode, who packs or drops holds them in share row exclusive mode, both before they touch plain rows: a day is never
-- packed under a writer's hands. Readings of the last days are never packed, and their writers need none of this. Who
-- reads both does so in the other order (packages/store/stored-readings.ts), and is in nobody's way.

-- Which of the days are packed; this stays so until the transaction ends. Those who are going to open hours of them
-- go one after another.
create function hold_packed_days(of_days date[]) returns setof date language plpgsql
  security definer set search_path = public, pg_temp as $$
declare
  found_days date[];
begin
  lock table only meter_packed, only battery_packed in row exclusive mode;
  select array_agg(day order by day) into found_days from unnest(of_days) day
  where to_regclass('meter_packed_' || to_char(day, 'YYYYMMDD')) is not null
    or to_regclass('battery_packed_' || to_char(day, 'YYYYMMDD')) is not null;
  if found_days is not null then
    perform pg_advisory_xact_lock(hashtext('open packed hours'));
  end if;
  return query select unnest(found_days);
end $$;

-- Readings up to this transaction may be packed: rolled up, judged, and in the detectors' saved states, so that nobody
-- reads them by transaction again. A site that was not judged for a day while others were holds nobody up.
create function packable_tx() returns bigint language sql stable security definer set search_path = public, pg_temp
  return (select least(
    (select tx from rollup_state),
    (select min(tx) from shard),
    (select min(tx) from detector_state
     where saved_at > (select max(saved_at) from detector_state) - interval '1 day')));

-- Begins to pack a day. `up_to_tx` is null where there is nothing to pack; `waiting` says that there is, but that more
-- than `most_late` readings of it were not read by all yet.
create function begin_packing(of_kind text, of_day date, most_late integer, out up_to_tx bigint, out waiting boolean)
  language plpgsql security definer set search_path = public, pg_temp set lock_timeout = '500ms' as $$
declare
  plain text := of_kind || '_reading_' || to_char(of_day, 'YYYYMMDD');
  packed text := of_kind || '_packed_' || to_char(of_day, 'YYYYMMDD');
  packing text := of_kind || '_packing_' || to_char(of_day, 'YYYYMMDD');
  is_any boolean;
  late bigint;
begin
  if of_kind not in ('meter', 'battery') then
    raise exception 'no such kind: %', of_kind;
  end if;
  waiting := false;
  if to_regclass(plain) is null then return; end if;
  execute format('select exists (select from %I)', plain) into is_any;
  if not is_any then return; end if;
  up_to_tx := packable_tx();
  -- A day that is packed already: what came late is packed into it.
  if to_regclass(packed) is not null then return; end if;
  execute format(
    'select count(*), exists (select from %1$I where tx <= $1) from (select from %1$I where tx > $1 limit $2 + 1) late',
    plain) into late, is_any using up_to_tx, most_late;
  if late > most_late or not is_any then
    up_to_tx := null;
    waiting := true;
    return;
  end if;
  -- Seen by nobody before it is whole. What was begun before and not finished is done again.
  execute format('drop table if exists %I', packing);
  execute format('create table %I (like %I including all, constraint of_day check (at >= %L and at < %L))', packing,
    of_kind || '_packed', of_day::timestamp at time zone 'UTC', (of_day + 1)::timestamp at time zone 'UTC');
end $$;

-- Packs the hours from the given one on, in order of site, device and time, about `most` readings of them, and says
-- where to go on; `site` is null at the end.
create function pack_readings(of_kind text, of_day date, up_to_tx bigint, most integer,
  inout site integer, inout device integer, inout hour timestamptz, out readings bigint
) language plpgsql security definer set search_path = public, pg_temp set lock_timeout = '500ms' as $$
declare
  plain text := of_kind || '_reading_' || to_char(of_day, 'YYYYMMDD');
  is_packed boolean := to_regclass(of_kind || '_packed_' || to_char(of_day, 'YYYYMMDD')) is not null;
  target text := of_kind || case when is_packed then '_packed' else '_packing_' || to_char(of_day, 'YYYYMMDD') end;
  names text;
  arrays text;
  next record;
begin
  if of_kind not in ('meter', 'battery') then
    raise exception 'no such kind: %', of_kind;
  end if;
  select string_agg(quote_ident(attname), ', ' order by attnum),
    string_agg(format('case when count(%1$I) > 0 then array_agg(%1$I order by at) end', attname), ', ' order by attnum)
    into names, arrays
  from pg_attribute where attrelid = (of_kind || '_reading')::regclass and attnum > 0 and not attisdropped
    and attname not in ('at', 'tx', 'site_no', 'device_no');
  -- Into a day that is packed already rows are moved, and nobody may add one meanwhile.
  if is_packed then
    execute format('lock table only %I in share row exclusive mode', of_kind || '_packed');
  end if;
  execute format(
    'select site_no, device_no, date_bin(''1 hour'', at, ''epoch'') as hour from %I
     where (site_no, device_no, at) >= ($1, $2, $3) order by site_no, device_no, at offset $4 limit 1', plain)
    into next using site, device, hour, most;
  if (next.site_no, next.device_no, next.hour) = (site, device, hour) then
    next.hour := hour + interval '1 hour';
  end if;
  execute format(
    'with made as (
       insert into %I (site_no, device_no, at, tx, times, %s)
       select site_no, device_no, date_bin(''1 hour'', at, ''epoch''), max(tx), array_agg(at order by at), %s
       from %I
       where (site_no, device_no, at) >= ($1, $2, $3) and ($4 is null or (site_no, device_no, at) < ($4, $5, $6))
       group by 1, 2, 3 having max(tx) <= $7
       returning site_no, device_no, at, cardinality(times) as readings
     ) %s
     select coalesce(sum(readings), 0) from made',
    target, names, arrays, plain, case when is_packed then format(
    ', gone as (
       delete from %I r using made m
       where r.site_no = m.site_no and r.device_no = m.device_no and r.at >= m.at and r.at < m.at + interval ''1 hour''
     )', plain) end)
    into readings using site, device, hour, next.site_no, next.device_no, next.hour, up_to_tx;
  site := next.site_no;
  device := next.device_no;
  hour := next.hour;
end $$;

-- Puts the packed hours in the place of a day's plain rows. An hour into which a reading came meanwhile stays plain.
create function finish_packing(of_kind text, of_day date, up_to_tx bigint) returns void language plpgsql
  security definer set search_path = public, pg_temp set lock_timeout = '500ms' as $$
declare
  plain text := of_kind || '_reading_' || to_char(of_day, 'YYYYMMDD');
  packed text := of_kind || '_packed_' || to_char(of_day, 'YYYYMMDD');
  packing text := of_kind || '_packing_' || to_char(of_day, 'YYYYMMDD');
begin
  -- Into a day that was packed before, its late readings are packed by now.
  if to_regclass(packing) is null then return; end if;
  perform pg_advisory_xact_lock(hashtext('reading partitions'));
  execute format('lock table only %I in share row exclusive mode', of_kind || '_packed');
  execute format('lock table %I in access exclusive mode', plain);
  execute format(
    'create temporary table plain_still on commit drop as
     select r.* from %1$I r join (
       select distinct site_no, device_no, date_bin(''1 hour'', at, ''epoch'') as hour from %1$I where tx > $1
     ) late on r.site_no = late.site_no and r.device_no = late.device_no and r.at >= hour and r.at < hour + interval ''1 hour''',
    plain) using up_to_tx;
  execute format(
    'delete from %I p using (
       select distinct site_no, device_no, date_bin(''1 hour'', at, ''epoch'') as hour from plain_still
     ) late where p.site_no = late.site_no and p.device_no = late.device_no and p.at = late.hour', packing);
  execute format('delete from %I where site_no in (select no from site where deleted_at is not null)', packing);
  execute format('truncate %I', plain);
  execute format('insert into %I select * from plain_still', plain);
  execute format('alter table %I rename to %I', packing, packed);
  execute format('alter table %I attach partition %I for values from (%L) to (%L)', of_kind || '_packed', packed,
    of_day::timestamp at time zone 'UTC', (of_day + 1)::timestamp at time zone 'UTC');
  execute format('alter table %I drop constraint of_day', packed);
end $$;

-- As before, and the packed hours of a day go with its plain rows.
create or replace function drop_old_partitions(
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
    execute format('lock table only %I in share row exclusive mode', child.kind || '_packed');
    -- The parent first, as every other statement does; nothing more can come once this is held.
    execute format('lock table only %I in access exclusive mode', child.parent);
    execute format('lock table %I in access exclusive mode', child.name);
    execute format('select exists (select from %I where tx > $1)', child.name) into waiting using rolled_tx;
    waiting := waiting or exists (select from rollup_due d where d.kind = child.kind and d.bin = '1m'
      and d.at >= child.start and d.at < child.start + interval '24 hours');
    exit when waiting;
    execute format('drop table %I', child.name);
    execute format('drop table if exists %I, %I', child.kind || '_packed_' || right(child.name, 8),
      child.kind || '_packing_' || right(child.name, 8));
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

revoke execute on function begin_packing(text, date, integer),
  pack_readings(text, date, bigint, integer, integer, integer, timestamptz), finish_packing(text, date, bigint),
  packable_tx(), hold_packed_days(date[]) from public;
grant execute on function begin_packing(text, date, integer),
  pack_readings(text, date, bigint, integer, integer, integer, timestamptz), finish_packing(text, date, bigint),
  hold_packed_days(date[]) to afterwatt_ingest;
