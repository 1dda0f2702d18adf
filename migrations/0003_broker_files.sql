-- A credential's secret as an MQTT broker's password file wants it, for a broker between devices and ingest.
-- Null for credentials made before: their secrets are known to nobody, so a broker takes only newer ones.
alter table credential add column broker_hash text;
