-- Where a site's readings begin. Rules that start a site without a saved state read from here on, not from the
-- beginning of all readings. What was registered before has no such mark, and is read from the beginning.
alter table site add column first_tx bigint not null default 0;
alter table site alter column first_tx set default current_tx();
