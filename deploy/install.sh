#!/usr/bin/env bash
# Installs, upgrades or removes filmcall as a service of Debian or Raspberry Pi OS (bookworm or
# later). Run it again to upgrade: the new version is built beside the old one, which goes on
# until the new one has shown that it starts. `--dry-run` shows every command.
set -euo pipefail
umask 022
# sudo may hand over the caller's PATH; the system's own Python is the one to build on.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
unset CDPATH PYTHONPATH PYTHONHOME

readonly ACCOUNT=filmcall
readonly PREFIX=/opt/filmcall
readonly CONFIG=/etc/filmcall
readonly DATA=/var/lib/filmcall
readonly UNITS=/etc/systemd/system
readonly UNIT=$UNITS/filmcall.service
readonly COMMAND=/usr/local/bin/filmcall
readonly STAGING=$PREFIX/staging
readonly PYPI=https://pypi.org/simple

usage() {
    cat <<'TEXT'
usage: sudo deploy/install.sh [--dry-run] [--with EXTRA ...] [--wheel FILE]
                              [--no-lock | --index-url URL] [--root DIR [--files-only]]
       sudo deploy/install.sh --remove [--dry-run] [--root DIR]

Installs filmcall from the checkout around this script, or from a wheel:
  account   filmcall, without shell, password or home
  program   /opt/filmcall, in a virtual environment of its own
  config    /etc/filmcall/filmcall.toml; one that is there is never touched
  data      /var/lib/filmcall
  service   filmcall.service; command: /usr/local/bin/filmcall

  --with EXTRA     what else it needs to run: alarms, page or ship, one after each --with; an
                   upgrade takes it again by itself
  --wheel FILE     install this wheel; a single filmcall-*.whl beside the script is found alone
  --no-lock        take the newest packages that fit, from the package index of this system,
                   instead of those in the locks, checked by hash, from PyPI
  --index-url URL  fetch the locked packages from this index; the hashes still count
  --root DIR       install into the system whose root is DIR, by chroot; nothing is started
  --files-only     with --root: lay the files only; no account, program or package
  --remove         remove program, command and services, filmcall-page and filmcall-ship too; keep
                   config, data and accounts
  --dry-run        print every command, change nothing
TEXT
}

stop() {
    printf 'install.sh: %s\n' "$1" >&2
    exit "${2:-1}"
}

say() {
    printf '%s\n' "$1"
}

# ---- what is asked for --------------------------------------------------------------------

action=install dry=no files_only=no lock=yes index=$PYPI root='' wheel='' with=()
while [ $# -gt 0 ]; do
    case $1 in
        --wheel | --index-url | --root | --with)
            if [ $# -lt 2 ] || [ -z "$2" ]; then
                stop "$1 has nothing after it; nothing is done. Give a value." 2
            fi
            case $1 in
                --wheel) wheel=$2 ;;
                --index-url) index=$2 ;;
                --root) root=$2 ;;
                --with)
                    case $2 in
                        alarms | page | ship) with+=("$2") ;;
                        *) stop "--with $2 is not alarms, page or ship; nothing is done." 2 ;;
                    esac
                    ;;
            esac
            shift
            ;;
        --no-lock) lock=no ;;
        --files-only) files_only=yes ;;
        --remove) action=remove ;;
        --dry-run) dry=yes ;;
        -h | --help)
            usage
            exit 0
            ;;
        *) stop "$1 is not known; nothing is done. --help lists what is." 2 ;;
    esac
    shift
done

here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")" && pwd)
if [ -n "$root" ]; then
    [ -d "$root" ] || stop "--root $root is not a folder; nothing is done. Make it first." 2
    root=$(cd -- "$root" && pwd -P)
    [ "$root" != / ] || root=''
fi
if [ "$files_only" = yes ] && [ -z "$root" ]; then
    stop "--files-only goes with --root DIR only; nothing is done. Give the folder." 2
fi
if [ "$dry" = no ] && [ "$files_only" = no ] && [ "$(id -u)" != 0 ] &&
    ! { [ "$action" = remove ] && [ -n "$root" ]; }; then
    stop "accounts and services need root; nothing is done. Use sudo, or --dry-run to look." 1
fi

# ---- how it is done -----------------------------------------------------------------------

# Every change goes through here, so that --dry-run shows all of them and makes none.
run() {
    if [ "$dry" = yes ]; then
        printf '+'
        printf ' %q' "$@"
        printf '\n'
    else
        "$@"
    fi
}

# A command that looks at, or changes, the system under --root.
inside() {
    if [ -n "$root" ]; then chroot "$root" "$@"; else "$@"; fi
}

run_inside() {
    if [ -n "$root" ]; then run chroot "$root" "$@"; else run "$@"; fi
}

# Whether a service manager runs that is the one of the system we install into.
managed() {
    [ -z "$root" ] && [ -d /run/systemd/system ]
}

# The services that are set up here: the watch, and those that were put beside it by hand.
services() {
    local each
    for each in filmcall filmcall-page filmcall-ship; do
        [ ! -e "$root$UNITS/$each.service" ] || printf '%s\n' "$each.service"
    done
}

systemctl_enable() { # enable | disable, and a service
    if managed; then
        run systemctl "$1" "$2"
    elif [ "$files_only" = no ] && [ -x "$root/usr/bin/systemctl" ]; then
        run_inside systemctl "$1" "$2"
    fi
}

# ---- remove -------------------------------------------------------------------------------

if [ "$action" = remove ]; then
    for service in $(services); do
        if managed; then
            run systemctl disable --now "$service"
        elif [ -z "$root" ] || [ "$(id -u)" = 0 ] || [ "$dry" = yes ]; then
            systemctl_enable disable "$service"
        fi
        run rm -f -- "$root$UNITS/$service"
    done
    if [ "$(readlink -- "$root$COMMAND" || true)" = "$PREFIX/venv/bin/filmcall" ]; then
        run rm -f -- "$root$COMMAND"
    fi
    run rm -rf -- "$root$PREFIX"
    if managed; then run systemctl daemon-reload; fi
    kept=() erase=''
    for place in "$CONFIG" "$CONFIG-page" "$DATA" "$UNITS"/filmcall{,-page,-ship}.service.d; do
        [ ! -e "$root$place" ] || kept+=("$root$place")
    done
    [ "${#kept[@]}" = 0 ] || erase="sudo rm -r$(printf ' %q' "${kept[@]}")"
    for account in "$ACCOUNT" "$ACCOUNT-page"; do
        if grep -qs "^$account:" "$root/etc/passwd"; then
            kept+=("account $account${root:+ of $root}")
            erase+="${erase:+; }sudo userdel ${root:+--root $(printf '%q' "$root") }$account"
        fi
    done
    is=is
    if [ "$dry" = yes ]; then
        say "Nothing was changed."
        is='would be'
    fi
    say "filmcall $is removed${root:+ from $root}."
    if [ "${#kept[@]}" -gt 0 ]; then
        say "Kept: $(printf '%s, ' "${kept[@]}" | sed 's/, $//')."
        say "To erase those too: $erase"
    fi
    exit 0
fi

# ---- what to install ----------------------------------------------------------------------

source_dir=''
if [ -z "$wheel" ]; then
    shopt -s nullglob
    wheels=("$here"/filmcall-*.whl)
    shopt -u nullglob
    if [ "${#wheels[@]}" -gt 1 ]; then
        stop "${#wheels[@]} wheels lie beside this script; nothing is done. Name one by --wheel." 2
    elif [ "${#wheels[@]}" -eq 1 ]; then
        wheel=${wheels[0]}
    elif [ -f "$here/../pyproject.toml" ]; then
        source_dir=$(cd -- "$here/.." && pwd)
    else
        stop "there is no wheel beside this script and no checkout around it; nothing is done.\
 Give --wheel FILE." 2
    fi
fi
if [ -n "$wheel" ]; then
    [ -f "$wheel" ] || stop "wheel $wheel is not there; nothing is done. Check its name." 2
fi
# An upgrade has what the installed program had, and what is asked for now.
if [ -f "$root$PREFIX/with" ]; then
    mapfile -t -O "${#with[@]}" with <"$root$PREFIX/with"
fi
if [ "${#with[@]}" -gt 0 ]; then
    mapfile -t with < <(printf '%s\n' "${with[@]}" | sort -u)
fi
locks=(build.lock requirements.lock "${with[@]/%/.lock}")
if [ "$lock" = yes ] && [ "$files_only" = no ]; then
    for part in "${locks[@]}"; do
        [ -f "$here/$part" ] || stop "$part is missing beside this script; nothing is done.\
 Fetch it, or give --no-lock to do without hashes." 1
    done
fi

if [ "$files_only" = no ]; then
    version=$(inside python3 -c 'import sys; print("%d.%d" % sys.version_info[:2])' 2>/dev/null) ||
        stop "python3 is missing${root:+ under $root}; nothing is done. Install python3." 1
    inside python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        stop "python3 is $version and at least 3.11 is needed; nothing is done.\
 Use Debian or Raspberry Pi OS bookworm or later." 1
    machine=$(inside dpkg --print-architecture 2>/dev/null || uname -m)
    case $lock:$machine in
        yes:arm64 | yes:amd64 | yes:aarch64 | yes:x86_64 | no:*) ;;
        *)
            stop "this system is $machine, for which PyPI has no ready numpy and pandas; nothing is\
 done. Use a 64-bit system, or --no-lock, which takes what this system's own index has (on\
 32-bit Raspberry Pi OS: piwheels), without hashes." 1
            ;;
    esac
fi

# ---- account, folders, files --------------------------------------------------------------

if [ "$files_only" = no ]; then
    if ! inside getent passwd "$ACCOUNT" >/dev/null; then
        run_inside useradd --system --user-group --no-create-home --home-dir "$DATA" \
            --shell /usr/sbin/nologin --comment 'filmcall service' "$ACCOUNT"
    fi
    if ! inside python3 -c 'import ensurepip, venv' 2>/dev/null; then
        run_inside apt-get install -y --no-install-recommends python3-venv
    fi
fi

run install -d -m 755 -- "$root$PREFIX" "$root$PREFIX/deploy"
run install -d -m 750 -- "$root$CONFIG" "$root$DATA"
first=no
if [ ! -e "$root$CONFIG/filmcall.toml" ]; then
    first=yes
    run install -m 640 -- "$here/filmcall.toml" "$root$CONFIG/filmcall.toml"
fi
if [ "$files_only" = no ]; then
    # The service reads its config and cannot write it; only the data folder is its own.
    run_inside chown "root:$ACCOUNT" "$CONFIG" "$CONFIG/filmcall.toml"
    run_inside chown "$ACCOUNT:$ACCOUNT" "$DATA"
fi

# Pages and examples, for reading on the machine itself.
for part in README.md SCALING.md THREATS.md mosquitto payloads server filmcall-page.service \
    filmcall-ship.service; do
    run cp -R -- "$here/$part" "$root$PREFIX/deploy/"
done

if [ "$files_only" = yes ]; then
    run install -D -m 644 -- "$here/filmcall.service" "$root$UNIT"
    say "Files are laid under $root; account and program are not."
    exit 0
fi

# ---- program ------------------------------------------------------------------------------

old=$(readlink -- "$root$PREFIX/venv" || true)
new=venv.a
[ "$old" != venv.a ] || new=venv.b
python=$PREFIX/$new/bin/python
changed=no

cleanup() {
    status=$?
    rm -rf -- "$root${STAGING:?}"
    if [ "$status" != 0 ] && [ "$changed" = no ]; then
        rm -rf -- "$root${PREFIX:?}/$new" "$root$PREFIX/venv.next"
        printf 'install.sh: it failed; what was installed before is as it was.\n' >&2
    fi
}
[ "$dry" = yes ] || trap cleanup EXIT

run rm -rf -- "$root$STAGING" "$root$PREFIX/$new"
run install -d -m 755 -- "$root$STAGING"
if [ -n "$source_dir" ]; then
    # A copy, since building leaves its traces in the folder that it builds from.
    run install -d -m 755 -- "$root$STAGING/source"
    for part in pyproject.toml README.md sensors rules monitor; do
        run cp -R -- "$source_dir/$part" "$root$STAGING/source/"
    done
    package=$STAGING/source
else
    run cp -- "$wheel" "$root$STAGING/"
    package=$STAGING/$(basename -- "$wheel")
fi

run_inside python3 -m venv "$PREFIX/$new"
pip=("$python" -m pip --disable-pip-version-check --no-input install --no-cache-dir)
if [ "$lock" = yes ]; then
    # Another index builds files of its own with other hashes (piwheels does, and Raspberry Pi OS
    # adds it in /etc/pip.conf): pip's settings and variables are left aside, so that each file
    # comes from the one index that the lock was made for.
    alone=(env -u PIP_EXTRA_INDEX_URL -u PIP_FIND_LINKS -u PIP_CONSTRAINT -u PIP_REQUIREMENT
        PIP_CONFIG_FILE=/dev/null)
    locked=("${alone[@]}" "${pip[@]}" --index-url "$index" --require-hashes)
    run cp -- "${locks[@]/#/$here/}" "$root$STAGING/"
    # Building in isolation would fetch the build tool once more, without a hash: it is installed
    # first and used from there. PsychroLib is the one package that comes as source only.
    run_inside "${locked[@]}" --only-binary :all: -r "$STAGING/build.lock"
    run_inside "${locked[@]}" --only-binary :all: --no-binary psychrolib --use-pep517 \
        --no-build-isolation -r "$STAGING/requirements.lock"
    for part in "${with[@]}"; do
        run_inside "${locked[@]}" --only-binary :all: -r "$STAGING/$part.lock"
    done
    # The package itself: nothing more is fetched.
    run_inside "${alone[@]}" "${pip[@]}" --no-index --no-deps --no-build-isolation "$package"
else
    extras=$(
        IFS=,
        printf '%s' "${with[*]}"
    )
    run_inside "${pip[@]}" "$package${extras:+[$extras]}"
fi
run_inside "$python" -m pip --disable-pip-version-check check
# What does not even start must not take the place of what runs.
if [ "$dry" = yes ]; then
    run_inside "$PREFIX/$new/bin/filmcall" --version
elif ! shown=$(inside "$PREFIX/$new/bin/filmcall" --version); then
    stop "the new program does not start; the old one, if any, stays. Look at the lines above." 1
fi

# ---- change over --------------------------------------------------------------------------

run install -D -m 644 -- "$here/filmcall.service" "$root$UNIT"
if [ "${#with[@]}" -gt 0 ]; then
    [ "$dry" = yes ] || printf '%s\n' "${with[@]}" >"$root$STAGING/with"
    run install -m 644 -- "$root$STAGING/with" "$root$PREFIX/with"
fi
# One rename changes over: at no moment is there no program.
run ln -sfn -- "$new" "$root$PREFIX/venv.next"
run mv -T -- "$root$PREFIX/venv.next" "$root$PREFIX/venv"
changed=yes
if [ -e "$root$COMMAND" ] && [ ! -L "$root$COMMAND" ]; then
    say "$COMMAND is another program and stays; the command is $PREFIX/venv/bin/filmcall."
else
    run ln -sfn -- "$PREFIX/venv/bin/filmcall" "$root$COMMAND"
fi
if managed; then run systemctl daemon-reload; fi
systemctl_enable enable filmcall.service
# What runs goes over to the new program now; what is stopped stays so.
down=()
if managed; then
    for service in $(services); do
        run systemctl try-restart "$service" || down+=("$service")
    done
fi
if [ -n "$old" ] && [ "$old" != "$new" ]; then
    run rm -rf -- "$root${PREFIX:?}/$old"
fi
run rm -rf -- "$root$STAGING"

if [ "$dry" = yes ]; then
    say "Nothing was changed."
    exit 0
fi
say "${shown} is installed."
for service in "${down[@]}"; do
    say "$service did not start again: systemctl status $service says why."
done
if [ "$first" = yes ]; then
    say "Next: 1. sudo nano $CONFIG/filmcall.toml"
    say "      2. sudo -u $ACCOUNT filmcall doctor --config $CONFIG/filmcall.toml"
    say "      3. sudo systemctl start filmcall"
    say "Read $PREFIX/deploy/README.md first: it says where nothing electric may stand."
fi
[ "${#down[@]}" = 0 ]
