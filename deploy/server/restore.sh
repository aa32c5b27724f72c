#!/usr/bin/env bash
# Puts a backup of the yard's database into a database that is empty. Stations then ship what came
# after the backup: each goes on where this database stands.
set -euo pipefail
export LC_ALL=C

usage() {
    cat <<'TEXT'
usage: restore.sh FILE.dump URL

  FILE.dump  of backup.sh, with FILE.roles beside it
  URL        an empty database as its owner, such as postgresql:///filmcall; `createdb filmcall`
             makes one

Accounts get the passwords that they had when the backup was made.
TEXT
}

stop() {
    printf 'restore.sh: %s\n' "$1" >&2
    exit "${2:-1}"
}

if [ $# -ne 2 ]; then
    usage >&2
    exit 2
fi
dump=$1 url=$2 roles=${1%.dump}.roles
[ -r "$dump" ] || stop "$dump cannot be read; nothing is done." 2
[ -r "$roles" ] || stop "$roles is not beside the backup; nothing is done." 2
there=$(psql --dbname="$url" -XqtAc "SELECT count(*) FROM pg_namespace WHERE nspname = 'filmcall'")
[ "$there" = 0 ] || stop "the database has a filmcall schema already; nothing is done. Make an empty one."

# Those that are there are said to be, and left; all else must go well.
psql --dbname="$url" -Xq --file="$roles" 2>&1 >/dev/null | grep -v 'already exists' >&2 || true
pg_restore --dbname="$url" --exit-on-error --single-transaction "$dump"
psql --dbname="$url" -XqtAc "DO \$\$ BEGIN EXECUTE format('GRANT CONNECT, TEMPORARY ON DATABASE %I TO \
filmcall_station', current_database()); EXECUTE format('GRANT CONNECT ON DATABASE %I TO \
filmcall_reader', current_database()); END \$\$"
psql --dbname="$url" -XqtA -F ' ' \
    -c "SELECT station, uuid, 'stands at change', number FROM filmcall.logs ORDER BY station"
