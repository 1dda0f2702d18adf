#!/usr/bin/env bash
# Makes stand-ins for the images that docker-compose.yml and the tests name, from Debian's packages and the Node
# of this machine: for a machine whose Docker engine can pull nothing. Needs root, debootstrap and docker.
#
#   test/support/local-images.sh            makes node:20-bookworm-slim, postgres:15 and eclipse-mosquitto:2.0
#   DEBIAN_MIRROR=http://… test/support/local-images.sh
#
# Each offers as much of the original's interface as is used here: names, users, directories, environment, entry
# point. Bookworm has PostgreSQL 15, the oldest one supported: say so with POSTGRES_IMAGE=postgres:15 (Compose) and
# AFTERWATT_TEST_POSTGRES_IMAGE=postgres:15 (tests).
set -euo pipefail

mirror=${DEBIAN_MIRROR:-http://deb.debian.org/debian}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/packages"

# A minimal bookworm with some packages, in $work/$1.
bookworm() {
  local name=$1 packages=$2
  debootstrap --variant=minbase --cache-dir="$work/packages" --include="$packages" bookworm "$work/$name" "$mirror" \
    > "$work/$name.log" || { tail -n 20 "$work/$name.log" "$work/$name/debootstrap/debootstrap.log"; exit 1; }
  rm -rf "$work/$name"/var/cache/apt/archives/*.deb "$work/$name"/var/lib/apt/lists/*
}

# Turns $work/$1 into the image $2, with the Dockerfile instructions on standard input.
image() {
  local name=$1 tag=$2 layer
  layer=$(tar -C "$work/$name" --numeric-owner -c . | docker import -)
  { echo "FROM ${layer#sha256:}"; cat; } | docker build --quiet --tag "$tag" - > /dev/null
  echo "made $tag"
}

# ---- Node: the one of this machine with its npm, and the user "node"
bookworm node libstdc++6,ca-certificates
node_root=$(dirname "$(dirname "$(readlink -f "$(command -v node)")")")
install -D "$(readlink -f "$(command -v node)")" "$work/node/usr/local/bin/node"
mkdir -p "$work/node/usr/local/lib/node_modules"
cp -a "$node_root/lib/node_modules/npm" "$work/node/usr/local/lib/node_modules/npm"
ln -s ../lib/node_modules/npm/bin/npm-cli.js "$work/node/usr/local/bin/npm"
ln -s ../lib/node_modules/npm/bin/npx-cli.js "$work/node/usr/local/bin/npx"
chroot "$work/node" useradd --uid 1000 --create-home --shell /bin/bash node
# What this machine trusts, so that npm gets through where a proxy shows a certificate of its own.
cp /etc/ssl/certs/ca-certificates.crt "$work/node/etc/ssl/certs/ca-certificates.crt"
image node node:20-bookworm-slim << 'DOCKERFILE'
ENV NODE_EXTRA_CA_CERTS=/etc/ssl/certs/ca-certificates.crt
CMD ["node"]
DOCKERFILE

# ---- PostgreSQL: a first start makes the cluster, its user and its database, then the server runs
bookworm postgres postgresql-15,postgresql-client-15,gosu
rm -rf "$work/postgres/var/lib/postgresql/15" "$work/postgres/etc/postgresql/15"
install -d -m 1777 "$work/postgres/var/lib/postgresql"
cat > "$work/postgres/usr/local/bin/docker-entrypoint.sh" <<'ENTRYPOINT'
#!/bin/bash
set -euo pipefail
if [ "$1" != postgres ]; then exec "$@"; fi
if [ "$(id -u)" = 0 ]; then
  install -d -o postgres -g postgres -m 0700 "$PGDATA"
  install -d -o postgres -g postgres -m 3775 /var/run/postgresql
  exec gosu postgres "$0" "$@"
fi
if [ ! -s "$PGDATA/PG_VERSION" ]; then
  : "${POSTGRES_PASSWORD:?must be set before the first start}"
  user=${POSTGRES_USER:-postgres}
  initdb --username="$user" --pwfile=<(printf '%s\n' "$POSTGRES_PASSWORD") -D "$PGDATA" --auth-local=trust --auth-host=scram-sha-256
  echo 'host all all all scram-sha-256' >> "$PGDATA/pg_hba.conf"
  pg_ctl -D "$PGDATA" -o "-c listen_addresses=''" -w start
  database=${POSTGRES_DB:-$user}
  [ "$database" = postgres ] || psql -v ON_ERROR_STOP=1 -U "$user" -d postgres -c "create database \"$database\""
  pg_ctl -D "$PGDATA" -m fast -w stop
fi
exec "$@" -c listen_addresses='*'
ENTRYPOINT
chmod +x "$work/postgres/usr/local/bin/docker-entrypoint.sh"
image postgres postgres:15 << 'DOCKERFILE'
ENV PATH=/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin:/usr/lib/postgresql/15/bin
ENV PGDATA=/var/lib/postgresql/data
VOLUME /var/lib/postgresql/data
EXPOSE 5432
STOPSIGNAL SIGINT
ENTRYPOINT ["docker-entrypoint.sh"]
CMD ["postgres"]
DOCKERFILE

# ---- Mosquitto: runs as user 1883, whose directories are below /mosquitto
bookworm mosquitto mosquitto,mosquitto-clients
chroot "$work/mosquitto" usermod --uid 1883 mosquitto
chroot "$work/mosquitto" groupmod --gid 1883 mosquitto
install -d -o 1883 -g 1883 "$work/mosquitto"/mosquitto/{config,data,log}
printf 'listener 1883\nallow_anonymous false\n' > "$work/mosquitto/mosquitto/config/mosquitto.conf"
cat > "$work/mosquitto/docker-entrypoint.sh" <<'ENTRYPOINT'
#!/bin/sh
set -e
if [ "$(id -u)" = 0 ]; then chown -R mosquitto:mosquitto /mosquitto 2> /dev/null || true; fi
exec "$@"
ENTRYPOINT
chmod +x "$work/mosquitto/docker-entrypoint.sh"
image mosquitto eclipse-mosquitto:2.0 << 'DOCKERFILE'
VOLUME ["/mosquitto/data", "/mosquitto/log"]
EXPOSE 1883
ENTRYPOINT ["/docker-entrypoint.sh"]
CMD ["/usr/sbin/mosquitto", "-c", "/mosquitto/config/mosquitto.conf"]
DOCKERFILE
