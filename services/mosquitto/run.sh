#!/bin/sh
# Starts Mosquitto once its password and access files are there, and has it read them again when they change. Who is
# no longer in them is disconnected then. (Nothing else may cause a SIGHUP: after a restart of its own, and until
# ingest is connected again, Mosquitto 2.0 answers one by dropping what comes for ingest.)
set -u
directory=/mosquitto/access

fingerprint() {
  cat "$directory/access" "$directory/passwords" | cksum
}

until [ -s "$directory/passwords" ]; do sleep 1; done
seen=$(fingerprint)
mosquitto -c /mosquitto/config/mosquitto.conf &
broker=$!
trap 'kill -TERM "$broker"' TERM INT
while kill -0 "$broker" 2> /dev/null; do
  sleep 1 &
  wait $!
  now=$(fingerprint)
  if [ "$now" != "$seen" ]; then
    seen=$now
    kill -HUP "$broker"
  fi
done
wait "$broker"
