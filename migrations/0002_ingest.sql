-- Readings are copied straight into the partitions, where COPY is allowed: into a table with row-level security it
-- is not. The transaction's number comes by itself.
alter table meter_reading alter column tx set default txid_current();
alter table battery_reading alter column tx set default txid_current();

create or replace function ensure_reading_partitions(day date) returns void language plpgsql
  security definer set search_path = public, pg_temp as $$
declare
  parent text;
  child text;
begin
  foreach parent in array array['meter_reading', 'battery_reading'] loop
    child := parent || '_' || to_char(day, 'YYYYMMDD');
    if to_regclass(child) is null then
      perform pg_advisory_xact_lock(hashtext('reading partitions'));
      execute format('create table if not exists %I partition of %I for values from (%L) to (%L)', child, parent,
        day::timestamp at time zone 'UTC', (day + 1)::timestamp at time zone 'UTC');
      execute format('grant insert on %I to afterwatt_ingest', child);
    end if;
  end loop;
end $$;

do $$
declare child record;
begin
  for child in select inhrelid::regclass as name from pg_inherits
    where inhparent in ('meter_reading'::regclass, 'battery_reading'::regclass)
  loop
    execute format('grant insert on %s to afterwatt_ingest', child.name);
  end loop;
end $$;

-- One row for each reason and name within a message, which (tx, message_no) names; its first row carries the
-- payload. The digest of topic and payload keeps a message that is sent again from lying here twice.
alter table quarantine
  add column records integer not null default 1,
  add column tx bigint not null default txid_current(),
  add column message_no integer not null default 0,
  add column digest bytea,
  add column replay_at timestamptz,
  alter column payload drop not null;
create unique index quarantine_once on quarantine (digest, reason, record) nulls not distinct
  where digest is not null;
create index quarantine_message on quarantine (tx, message_no);
create index quarantine_company on quarantine (coalesce(company, ''), id);
create index quarantine_replay on quarantine (id) where replay_at is not null;

-- How many rows were dropped because a company's part of the quarantine was full.
create table quarantine_dropped (
  company text primary key,
  dropped bigint not null,
  last_at timestamptz not null default now()
);

-- Keeps the newest `most_rows` and `most_bytes` of a company's quarantine ('' = of no known company).
create function trim_quarantine(of_company text, most_rows bigint, most_bytes bigint) returns bigint
  language sql security definer set search_path = public, pg_temp as $$
  with kept as (
    select id, row_number() over newest as rows, sum(coalesce(octet_length(payload), 0)) over newest as bytes
    from quarantine where coalesce(company, '') = of_company window newest as (order by id desc)
  ), gone as (
    delete from quarantine where id in (select id from kept where rows > most_rows or bytes > most_bytes) returning 1
  ), counted as (select count(*) as dropped from gone), noted as (
    insert into quarantine_dropped (company, dropped) select of_company, dropped from counted where dropped > 0
    on conflict (company) do update set dropped = quarantine_dropped.dropped + excluded.dropped, last_at = now()
  )
  select dropped from counted
$$;

alter table quarantine_dropped enable row level security;
create policy of_own_company on quarantine_dropped to afterwatt_api using (
  caller_role() in ('operator', 'support') or (caller_role() = 'installer' and company = caller_company()));
grant select on quarantine_dropped to afterwatt_api;
grant update (replay_at) on quarantine to afterwatt_api;
grant update (tx, message_no, payload, detail, replay_at) on quarantine to afterwatt_ingest;
grant execute on function trim_quarantine(text, bigint, bigint) to afterwatt_ingest;
