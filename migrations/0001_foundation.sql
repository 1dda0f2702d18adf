-- Sites, devices, readings, quarantine, incidents, and who may see them.
-- Each process works under its own role; the API's is subject to row-level security (end of this file).

do $$
declare name text;
begin
  foreach name in array array['afterwatt_ingest', 'afterwatt_rules', 'afterwatt_api'] loop
    if not exists (select from pg_roles where rolname = name) then
      begin
        execute format('create role %I nologin', name);
      exception when duplicate_object or unique_violation then null; -- another database of this cluster was first
      end;
    end if;
    if not pg_has_role(current_user, name, 'member') then
      execute format('grant %I to current_user', name);
    end if;
  end loop;
end $$;

-- The transaction that wrote a row, as a number that BTREE can order and COPY can carry. Rules read by it:
-- all that is below the oldest transaction still running is complete and will not change.
create function current_tx() returns bigint language sql stable parallel safe
  return pg_current_xact_id()::text::bigint;

-- ---------------------------------------------------------------- companies, sites, devices, credentials

create table company (
  id text primary key,
  name text not null
);
insert into company (id, name) values ('default', 'Default company');

create table site (
  -- Readings carry this number instead of the name: four bytes a row instead of a text in heap and index.
  no integer generated always as identity primary key,
  id text not null,
  company text not null references company (id),
  name text not null,
  region text,
  -- The registration as the contract writes it, with every default filled in.
  config jsonb not null,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  deleted_at timestamptz,
  tx bigint not null default current_tx()
);
create unique index site_id on site (id) where deleted_at is null;
create index site_company on site (company, id) where deleted_at is null;
create index site_tx on site (tx);

create table device (
  no integer generated always as identity primary key,
  site_no integer not null references site (no) on delete cascade,
  id text not null,
  kind text not null check (kind in ('meter', 'battery')),
  created_at timestamptz not null default now(),
  unique (site_no, id)
);

-- A device's credential names site and device; a gateway's only its company.
create table credential (
  username text primary key,
  secret_sha256 bytea not null,
  company text not null references company (id),
  site_no integer references site (no) on delete cascade,
  device_no integer references device (no) on delete cascade,
  created_at timestamptz not null default now(),
  revoked_at timestamptz,
  check ((site_no is null) = (device_no is null))
);
create index credential_device on credential (device_no);

create table api_token (
  id integer generated always as identity primary key,
  name text not null,
  token_sha256 bytea not null unique,
  role text not null check (role in ('installer', 'homeowner', 'support', 'operator')),
  company text references company (id),
  sites text[] not null default '{}',
  created_at timestamptz not null default now(),
  revoked_at timestamptz,
  check (role <> 'installer' or company is not null)
);

-- ---------------------------------------------------------------- readings

-- Columns stand widest first, so that no row is padded.
create table meter_reading (
  at timestamptz not null,
  tx bigint not null,
  import_wh double precision,
  export_wh double precision,
  seq bigint,
  site_no integer not null,
  device_no integer not null,
  l1_v real, l2_v real,
  l1_a real, l2_a real,
  l1_w real, l2_w real,
  l1_var real, l2_var real,
  frequency_hz real,
  inlet1_a real, inlet1_w real,
  inlet2_a real, inlet2_w real,
  rssi_dbm real,
  period_s real,
  primary key (site_no, device_no, at)
) partition by range (at);
-- One transaction is a whole batch, so this index holds one key for thousands of rows and costs a few bytes each.
create index meter_reading_tx on meter_reading (tx);

create table battery_reading (
  at timestamptz not null,
  tx bigint not null,
  seq bigint,
  site_no integer not null,
  device_no integer not null,
  soc_pct real,
  ac_v real, ac_a real, ac_w real,
  pv_w real,
  temp_c real,
  reserve_pct real,
  limit_w real,
  rssi_dbm real,
  period_s real,
  grid_present boolean,
  storm_preparing boolean,
  primary key (site_no, device_no, at)
) partition by range (at);
create index battery_reading_tx on battery_reading (tx);

-- Makes the two partitions of one UTC day, if they are not there. Owned by the migrating role, so that ingest
-- needs no right to create tables of its own.
create function ensure_reading_partitions(day date) returns void language plpgsql
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
    end if;
  end loop;
end $$;

-- Drops the partitions of days before `oldest`; returns how many.
create function drop_reading_partitions(oldest date) returns integer language plpgsql
  security definer set search_path = public, pg_temp as $$
declare
  child record;
  dropped integer := 0;
begin
  perform pg_advisory_xact_lock(hashtext('reading partitions'));
  for child in
    select c.relname from pg_inherits i join pg_class c on c.oid = i.inhrelid
    where i.inhparent in ('meter_reading'::regclass, 'battery_reading'::regclass)
      and to_date(right(c.relname, 8), 'YYYYMMDD') < oldest
  loop
    execute format('drop table %I', child.relname);
    dropped := dropped + 1;
  end loop;
  return dropped;
end $$;

-- What devices say of themselves, each message kept: firmware and self-tests are history too.
create table device_state (
  received_at timestamptz not null,
  tx bigint not null default current_tx(),
  site_no integer not null references site (no) on delete cascade,
  device_no integer not null references device (no) on delete cascade,
  online boolean,
  firmware text,
  self_test_at timestamptz,
  self_test_passed boolean,
  self_test_detail text,
  clock_at timestamptz,
  settings jsonb,
  primary key (site_no, device_no, received_at)
);
create index device_state_tx on device_state (tx);

-- What could not be accepted, and why. One row a refused record, or a refused message as a whole.
create table quarantine (
  id bigint generated always as identity primary key,
  received_at timestamptz not null default now(),
  company text,
  site text,
  device text,
  reason text not null,
  detail text not null,
  -- The record's resolved name, where one record was refused.
  record text,
  topic text not null,
  content_type text,
  payload bytea not null
);
create index quarantine_site on quarantine (site, id desc);

-- "The ingest is up, connected, and this is its clock." Rules take the passing of time from here, so that a
-- dead ingest never looks like silent homes, and a replay sees time pass just as it did.
create table pulse (
  tx bigint not null default current_tx(),
  at timestamptz not null,
  worker text not null
);
create index pulse_tx on pulse (tx);

-- Every process that is up, when it was last seen, and its metrics, which the API serves for all of them.
create table worker (
  name text primary key,
  service text not null,
  seen_at timestamptz not null default now(),
  metrics json not null default '[]'
);

-- ---------------------------------------------------------------- rules

-- A shard is a sixty-fourth of the sites. A worker that holds its lease has read everything up to `tx`.
create table shard (
  no smallint primary key,
  holder text,
  lease_until timestamptz not null default '-infinity',
  tx bigint not null default 0
);
insert into shard (no) select generate_series(0, 63);

-- Detector state of one site after transaction `tx`; everything later is read again after a crash.
create table detector_state (
  site_no integer primary key references site (no) on delete cascade,
  tx bigint not null,
  saved_at timestamptz not null default now(),
  state json not null
);

create table storm_alert (
  id bigint generated always as identity primary key,
  tx bigint not null default current_tx(),
  received_at timestamptz not null default now(),
  sender text not null,
  identifier text not null,
  sent_at timestamptz not null,
  -- The latest `expires` of its info blocks; null when it names none.
  expires_at timestamptz,
  alert jsonb not null,
  document text not null,
  unique (sender, identifier, sent_at)
);
create index storm_alert_tx on storm_alert (tx);

create table incident (
  id uuid primary key,
  company text not null,
  site text,
  site_no integer references site (no) on delete cascade,
  kind text not null,
  subject text not null,
  priority text not null check (priority in ('critical', 'high', 'medium', 'low')),
  state text not null check (state in ('active', 'cleared')),
  onset_at timestamptz not null,
  detected_at timestamptz not null,
  raised_at timestamptz not null default now(),
  cleared_at timestamptz,
  cleared_why text,
  -- Raised from readings that came long after their time: nobody is notified.
  late boolean not null,
  chattering boolean not null,
  confidence real not null,
  headline text not null,
  explanation text not null,
  steps text[] not null,
  caution text,
  -- The homeowner's sentence; null where homeowners are not told, and then they cannot read the row.
  homeowner text,
  facts jsonb not null,
  evidence jsonb not null,
  acknowledged_at timestamptz,
  acknowledged_by text,
  shelved_until timestamptz
);
-- An incident is named by what it is and the device time that decided it: saying it twice changes nothing.
create unique index incident_name on incident (company, coalesce(site_no, 0), kind, subject, detected_at);
create unique index incident_open on incident (company, coalesce(site_no, 0), kind, subject) where state = 'active';
create index incident_newest on incident (raised_at desc, id);
create index incident_site on incident (site_no, raised_at desc);

create table incident_transition (
  id bigint generated always as identity primary key,
  tx bigint not null default current_tx(),
  incident_id uuid not null references incident (id) on delete cascade,
  type text not null check (type in
    ('raised', 'updated', 'cleared', 'acknowledged', 'shelved', 'unshelved', 'note', 'mended')),
  -- Wall clock.
  at timestamptz not null default now(),
  -- Device time, for what detection said.
  event_at timestamptz,
  -- 'detection', or the caller's name.
  by text not null,
  note text
);
create unique index incident_transition_said on incident_transition (incident_id, type, event_at)
  where event_at is not null;
create index incident_transition_of on incident_transition (incident_id, id);
create index incident_transition_tx on incident_transition (tx);

-- ---------------------------------------------------------------- who may do what

grant usage on schema public to afterwatt_ingest, afterwatt_rules, afterwatt_api;
-- Each process looks, before it starts, whether the schema is its own.
grant select on kysely_migration to afterwatt_ingest, afterwatt_rules, afterwatt_api;

grant select, insert, update, delete on worker to afterwatt_ingest, afterwatt_rules, afterwatt_api;

grant select on company, site, device, credential to afterwatt_ingest;
grant select, insert on meter_reading, battery_reading to afterwatt_ingest;
grant insert, select on device_state, pulse to afterwatt_ingest;
grant delete on pulse to afterwatt_ingest;
grant insert, select, delete on quarantine to afterwatt_ingest;
grant execute on function ensure_reading_partitions(date), drop_reading_partitions(date) to afterwatt_ingest;
grant temporary on database :database to afterwatt_ingest;

grant select on site, device, meter_reading, battery_reading, device_state, pulse, storm_alert, incident_transition
  to afterwatt_rules;
grant select, update on shard to afterwatt_rules;
grant select, insert, update, delete on detector_state to afterwatt_rules;
grant select, insert, update on incident to afterwatt_rules;
grant insert on incident_transition to afterwatt_rules;

grant select, insert on company to afterwatt_api;
grant select, insert, update on site to afterwatt_api;
grant select, insert, update, delete on device to afterwatt_api;
grant select, insert, update on credential, api_token to afterwatt_api;
grant select, delete on meter_reading, battery_reading, device_state to afterwatt_api;
grant select, delete on quarantine to afterwatt_api;
grant select, insert on storm_alert to afterwatt_api;
grant select, update, delete on incident to afterwatt_api;
grant select, insert on incident_transition to afterwatt_api;
grant select on pulse, shard to afterwatt_api;
grant select, delete on detector_state to afterwatt_api;

-- Row-level security. The API says who calls with set_config('afterwatt.role' | '.company' | '.sites', …, true)
-- at the start of each transaction; without it nothing is visible.

create function caller_role() returns text language sql stable parallel safe
  return coalesce(current_setting('afterwatt.role', true), '');
create function caller_company() returns text language sql stable parallel safe
  return coalesce(current_setting('afterwatt.company', true), '');
create function caller_sites() returns text[] language sql stable parallel safe
  return string_to_array(coalesce(current_setting('afterwatt.sites', true), ''), ',');
-- The one site whose readings this transaction may read, set once the site itself was found under these rules.
create function opened_site() returns integer language sql stable parallel safe
  return nullif(current_setting('afterwatt.site_no', true), '')::integer;

do $$
declare
  name text;
begin
  foreach name in array array['site', 'device', 'credential', 'meter_reading', 'battery_reading', 'device_state',
      'quarantine', 'incident', 'incident_transition', 'detector_state'] loop
    execute format('alter table %I enable row level security', name);
    execute format('create policy workers on %I to afterwatt_ingest, afterwatt_rules using (true) with check (true)', name);
  end loop;
end $$;

create policy read_own on site for select to afterwatt_api using (
  caller_role() in ('operator', 'support')
  or (caller_role() = 'installer' and company = caller_company())
  or (caller_role() = 'homeowner' and id = any (caller_sites())));
create policy add_own on site for insert to afterwatt_api with check (
  caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()));
create policy change_own on site for update to afterwatt_api
  using (caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()))
  with check (caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()));

create policy of_visible_site on device to afterwatt_api
  using (exists (select from site s where s.no = site_no))
  with check (exists (select from site s where s.no = site_no));
create policy of_own_company on credential to afterwatt_api
  using (caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()))
  with check (caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()));

create policy of_opened_site on meter_reading to afterwatt_api using (site_no = opened_site());
create policy of_opened_site on battery_reading to afterwatt_api using (site_no = opened_site());
create policy of_opened_site on device_state to afterwatt_api using (site_no = opened_site());
create policy of_opened_site on detector_state to afterwatt_api using (site_no = opened_site());

create policy of_own_company on quarantine to afterwatt_api using (
  caller_role() in ('operator', 'support') or (caller_role() = 'installer' and company = caller_company()));

create policy read_own on incident for select to afterwatt_api using (
  caller_role() in ('operator', 'support')
  or (caller_role() = 'installer' and company = caller_company())
  or (caller_role() = 'homeowner' and homeowner is not null and site = any (caller_sites())));
create policy change_own on incident for update to afterwatt_api using (
  caller_role() in ('operator', 'support') or (caller_role() = 'installer' and company = caller_company()));
create policy drop_own on incident for delete to afterwatt_api using (
  caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()));
create policy of_visible_incident on incident_transition to afterwatt_api
  using (exists (select from incident i where i.id = incident_id))
  with check (exists (select from incident i where i.id = incident_id));
