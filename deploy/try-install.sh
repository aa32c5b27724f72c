#!/usr/bin/env bash
# Tries install.sh in a fresh Debian: makes one by debootstrap in a folder that is thrown away,
# then installs, upgrades, breaks an upgrade, and removes. Needs root, debootstrap, the network.
#
#     sudo deploy/try-install.sh bookworm
#     sudo deploy/try-install.sh trixie
#     sudo deploy/try-install.sh bookworm arm64    by emulation: needs qemu-user-static, binfmt_misc
set -euo pipefail

suite=${1:-bookworm}
architecture=${2:-$(dpkg --print-architecture)}
here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")" && pwd)
tmp=$(mktemp -d)
root=$tmp/root
trap 'rm -rf --one-file-system -- "$tmp"' EXIT

passed() { printf 'ok: %s\n' "$1"; }

# A copy of the checkout, since one of the trials spoils it.
mkdir -- "$tmp/tree"
for part in pyproject.toml README.md sensors rules monitor deploy; do
    cp -R -- "$here/../$part" "$tmp/tree/"
done
install="$tmp/tree/deploy/install.sh"

debootstrap --arch="$architecture" --variant=minbase --include=python3,python3-venv,ca-certificates,systemd \
    "$suite" "$root" >"$tmp/log" || { tail -n 5 "$tmp/log"; exit 1; }
# The network of the machine that we are on: its name servers, and authorities it trusts.
cp -L -- /etc/resolv.conf "$root/etc/resolv.conf"
cp -- /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/ca-certificates.crt"
passed "$suite for $architecture is there: $(chroot "$root" python3 --version), $(chroot "$root" systemctl --version |
    head -n 1)"

before=$(find "$root" -newer "$tmp/log" | wc -l)
"$install" --dry-run --root "$root" >/dev/null
[ "$(find "$root" -newer "$tmp/log" | wc -l)" = "$before" ]
passed 'a dry run leaves no trace'

"$install" --root "$root" --with page --with ship --with alarms >"$tmp/log" 2>&1 ||
    { tail -n 20 "$tmp/log"; exit 1; }
chroot "$root" filmcall --version
chroot "$root" su -s /bin/sh filmcall -c 'filmcall --help' >/dev/null
[ "$(chroot "$root" stat -c %U:%G:%a /var/lib/filmcall /etc/filmcall | xargs)" = \
    'filmcall:filmcall:750 root:filmcall:750' ]
[ "$(chroot "$root" systemctl is-enabled filmcall)" = enabled ]
chroot "$root" systemd-analyze verify --man=no filmcall.service
for each in page ship; do
    install -m 644 -- "$tmp/tree/deploy/filmcall-$each.service" "$root/etc/systemd/system/"
    chroot "$root" systemctl enable "filmcall-$each"
done
passed 'installed, runs for the account filmcall, enabled, and the unit verifies'

printf '# mine\n' >>"$root/etc/filmcall/filmcall.toml"
printf 'log' >"$root/var/lib/filmcall/log.db"
"$install" --root "$root" >"$tmp/log" 2>&1 || { tail -n 20 "$tmp/log"; exit 1; }
[ "$(readlink -- "$root/opt/filmcall/venv")" = venv.b ]
[ ! -e "$root/opt/filmcall/venv.a" ]
[ "$(tail -n 1 -- "$root/etc/filmcall/filmcall.toml")" = '# mine' ]
chroot "$root" /opt/filmcall/venv/bin/python -c 'import apprise, argon2, psycopg, starlette, uvicorn'
chroot "$root" filmcall page --help >/dev/null
chroot "$root" filmcall ship --help >/dev/null
passed 'upgraded: the new program runs with what was asked for beside, config and data as they were'

printf 'raise SystemExit(3)\n' >"$tmp/tree/monitor/cli/app.py"
if "$install" --root "$root" >"$tmp/log" 2>&1; then
    printf 'a program that does not start was installed\n'
    exit 1
fi
chroot "$root" filmcall --version
[ "$(readlink -- "$root/opt/filmcall/venv")" = venv.b ]
[ ! -e "$root/opt/filmcall/venv.a" ]
passed 'a broken upgrade leaves what was there'

sed -i 's/sha256:[0-9a-f]\{8\}/sha256:00000000/' "$tmp/tree/deploy/requirements.lock"
if "$install" --root "$root" >"$tmp/log" 2>&1; then
    printf 'packages with a wrong hash were installed\n'
    exit 1
fi
grep -q 'DO NOT MATCH THE HASHES' "$tmp/log"
chroot "$root" filmcall --version
passed 'a wrong hash stops it'

"$install" --remove --root "$root" >/dev/null
[ ! -e "$root/opt/filmcall" ]
[ ! -L "$root/usr/local/bin/filmcall" ]
[ -z "$(find "$root/etc/systemd/system" -name 'filmcall*')" ]
[ "$(cat -- "$root/var/lib/filmcall/log.db")" = log ]
[ -f "$root/etc/filmcall/filmcall.toml" ]
passed 'removed; config and data are kept'
