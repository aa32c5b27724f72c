#!/usr/bin/env bash
# Backs the yard's database up while stations write to it: one file of data, one of accounts. Keeps
# the newest ones and checks that what it wrote can be read.
set -euo pipefail
umask 077
export LC_ALL=C

usage() {
    cat <<'TEXT'
usage: backup.sh URL DIR [KEEP]

  URL    the database as its owner, such as postgresql:///filmcall
  DIR    where the files go: filmcall-TIME.dump and filmcall-TIME.roles
  KEEP   how many of each to keep, 14 if left out

DIR belongs on another disk. The roles hold hashes of passwords: keep them as you would the
passwords. restore.sh reads both.
TEXT
}

stop() {
    printf 'backup.sh: %s\n' "$1" >&2
    exit "${2:-1}"
}

if [ $# -lt 2 ] || [ $# -gt 3 ]; then
    usage >&2
    exit 2
fi
url=$1 dir=$2 keep=${3:-14}
[[ $keep =~ ^[1-9][0-9]*$ ]] || stop "KEEP '$keep' is no count of 1 or more; nothing is done." 2
[ -d "$dir" ] || stop "$dir is no folder; nothing is done." 2

base=$dir/filmcall-$(date -u +%Y%m%dT%H%M%SZ)
[ ! -e "$base.dump" ] || stop "$base.dump is there already; nothing is done."
trap 'rm -f -- "$base.dump.part" "$base.roles.part"' EXIT

# One moment of the whole database, however long it takes.
pg_dump --dbname="$url" --format=custom --schema=filmcall --file="$base.dump.part"
listed=$(pg_restore --list "$base.dump.part") # no pipe: grep would leave before its end
grep -q 'TABLE DATA filmcall logs' <<<"$listed" ||
    stop "the backup cannot be read; nothing is kept."
pg_dumpall --dbname="$url" --roles-only --file="$base.roles.part"
mv -- "$base.dump.part" "$base.dump"
mv -- "$base.roles.part" "$base.roles"
for kind in dump roles; do
    find "$dir" -maxdepth 1 -name "filmcall-*Z.$kind" -print0 | sort -zr | tail -zn "+$((keep + 1))" |
        xargs -0r rm -f --
done
printf '%s\n' "$base.dump"
