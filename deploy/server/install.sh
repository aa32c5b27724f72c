#!/usr/bin/env bash
# Sets PostgreSQL up beside the broker on a yard's server (Debian bookworm or later), for the logs of
# its stations. Run it again to bring the tables up to date. `--dry-run` shows every command.
set -euo pipefail
export LC_ALL=C PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin

readonly DATABASE=filmcall FILMCALL=/opt/filmcall/venv/bin/filmcall

usage() {
    cat <<'TEXT'
usage: sudo deploy/server/install.sh [--dry-run] NETWORK ...

  NETWORK    from where stations and readers may come, such as 192.168.7.0/24 or fd12:3456::/64; each
             by its own account with a password, over TLS only. Those of the last run count, and
             no others.

Wants filmcall in /opt/filmcall (deploy/install.sh --with ship).
TEXT
}

stop() {
    printf 'install.sh: %s\n' "$1" >&2
    exit "${2:-1}"
}

dry=no networks=()
while [ $# -gt 0 ]; do
    case $1 in
        --dry-run) dry=yes ;;
        -h | --help) usage && exit 0 ;;
        -*) stop "$1 is no option; nothing is done. See --help." 2 ;;
        *) networks+=("$1") ;;
    esac
    shift
done
[ "${#networks[@]}" -gt 0 ] || stop "NETWORK is missing; nothing is done. See --help." 2
# PostgreSQL does not start with a line that it cannot read.
for place in "${!networks[@]}"; do
    checked=$(python3 -Ic 'import ipaddress, sys; print(ipaddress.ip_network(sys.argv[1]))' \
        "${networks[place]}" 2>/dev/null) || checked=''
    if [[ ${networks[place]} != */* || ! $checked =~ ^[0-9a-f.:]+/[0-9]+$ ]]; then
        stop "NETWORK '${networks[place]}' is no network; nothing is done. Write it like\
 192.168.7.0/24, the bits behind its length 0." 2
    fi
    networks[place]=$checked
done

run() {
    printf '+'
    printf ' %q' "$@"
    printf '\n'
    if [ "$dry" = no ]; then
        "$@"
    fi
}

as_postgres() {
    run runuser -u postgres -- "$@"
}

if [ "$dry" = no ]; then
    [ "$(id -u)" = 0 ] || stop "this needs root; nothing is done. Run it with sudo."
    [ -d /run/systemd/system ] || stop "no systemd runs here, and the database is its service; nothing\
 is done. Run it on the booted server."
    "$FILMCALL" ship --help >/dev/null || stop "no filmcall in /opt/filmcall; run deploy/install.sh --with ship first."
fi

run apt-get install -y --no-install-recommends postgresql
version=$({ find /usr/lib/postgresql -mindepth 1 -maxdepth 1 -printf '%f\n' 2>/dev/null || true; } |
    sort -n | tail -n 1)
config=/etc/postgresql/${version:-VERSION}/main # not known before it is installed

# A file of settings of our own, and lines that let stations in; both are written anew.
settings=$(mktemp)
trap 'rm -f -- "$settings" "$settings.hba"' EXIT
cat >"$settings" <<'TEXT'
# Written by filmcall's deploy/server/install.sh.
listen_addresses = '*'
ssl = on
password_encryption = 'scram-sha-256'
# A batch is told of only when it is on disk; a station that was told forgets what it need not ship.
synchronous_commit = on
TEXT
run install -o postgres -g postgres -m 644 -- "$settings" "$config/conf.d/filmcall.conf"
readonly TITLE='# Stations and readers of filmcall, over TLS only.'
{
    printf '%s\n' "$TITLE"
    for network in "${networks[@]}"; do
        for role in station reader; do
            printf 'hostssl %s +filmcall_%s %s scram-sha-256\n' "$DATABASE" "$role" "$network"
        done
    done
} >"$settings.hba"
if [ "$dry" = yes ]; then sed 's/^/    /' "$settings.hba"; fi
grep -vE -e "^$TITLE\$" -e "^hostssl $DATABASE \+filmcall_(station|reader) [^ ]+ scram-sha-256\$" \
    "$config/pg_hba.conf" 2>/dev/null >>"$settings.hba" || true
run install -o postgres -g postgres -m 640 -- "$settings.hba" "$config/pg_hba.conf"
run systemctl restart postgresql
if [ "$dry" = yes ] || ! runuser -u postgres -- psql -lqtA | cut -d '|' -f 1 | grep -qx "$DATABASE"; then
    as_postgres createdb --encoding UTF8 --template template0 "$DATABASE"
fi
as_postgres "$FILMCALL" ship --prepare --to "postgresql:///$DATABASE"

cat <<TEXT

Next, an account for each station, by its name in its config; the line that comes goes into
/etc/filmcall/pgpass on that station:
    sudo runuser -u postgres -- $FILMCALL ship --grant shed-pi --to postgresql:///$DATABASE
TEXT
if [ "$dry" = yes ]; then
    printf 'Nothing was changed.\n'
fi
