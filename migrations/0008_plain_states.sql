-- Detector states are written all the time and read once after a start: compressing them takes Postgres longer than
-- writing them.
alter table detector_state alter column state set storage external;
