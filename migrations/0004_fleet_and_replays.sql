-- What one rules worker, the one that holds the fleet's lock, knows of each company's silent sites.
create table fleet_state (
  company text primary key references company (id) on delete cascade,
  -- Silences told up to this transaction are in the state.
  tx bigint not null,
  state json not null
);
grant select, insert, update on fleet_state to afterwatt_rules;

-- "What would these thresholds have done?" asked of stored readings, answered in the background.
create table replay (
  id uuid primary key default gen_random_uuid(),
  company text not null,
  asked_by text not null,
  asked_at timestamptz not null default now(),
  -- Site numbers, and the days of stored readings to judge.
  sites integer[] not null,
  from_at timestamptz not null,
  to_at timestamptz not null,
  -- incident kind -> parameter -> value, in place of what each site has.
  thresholds jsonb not null,
  state text not null default 'waiting' check (state in ('waiting', 'running', 'done', 'failed')),
  -- 0 to 1.
  progress real not null default 0,
  -- Renewed while a worker is at it; a replay whose worker died is begun again by another.
  seen_at timestamptz,
  result jsonb,
  failure text,
  check (from_at < to_at)
);
create index replay_waiting on replay (asked_at) where state in ('waiting', 'running');

alter table replay enable row level security;
create policy workers on replay to afterwatt_rules using (true) with check (true);
create policy of_own_company on replay to afterwatt_api
  using (caller_role() in ('operator', 'support') or (caller_role() = 'installer' and company = caller_company()))
  with check (caller_role() = 'operator' or (caller_role() = 'installer' and company = caller_company()));
grant select, update on replay to afterwatt_rules;
grant select, insert on replay to afterwatt_api;
