#!/usr/bin/env bash
# Makes a small certificate authority of one's own, and certificates by it, for the broker and for
# clients that show one in place of a password. It never writes over a file that is there.
set -euo pipefail
umask 077
export LC_ALL=C

usage() {
    cat <<'TEXT'
usage: make-ca.sh ca DIR                    the authority: DIR/ca.crt, DIR/ca.key
       make-ca.sh server DIR NAME [NAME..]  the broker: DIR/server.crt, DIR/server.key;
                                            NAME is a host name or an address by which
                                            sensors reach it
       make-ca.sh client DIR ACCOUNT        a client: DIR/ACCOUNT.crt, DIR/ACCOUNT.key

Keys get mode 600. ca.key makes every other certificate: keep DIR on another machine or on a
stick in a drawer, and copy only ca.crt and what each machine needs.
TEXT
}

stop() {
    printf 'make-ca.sh: %s\n' "$1" >&2
    exit "${2:-1}"
}

# 10 years for the authority; 825 days for what it signs, more than which some TLS libraries
# refuse. `openssl x509 -enddate -noout -in server.crt` shows when it ends.
readonly CA_DAYS=3650 DAYS=825

case ${1:-} in
    -h | --help)
        usage
        exit 0
        ;;
    ca) [ $# -eq 2 ] || { usage >&2; exit 2; } ;;
    server) [ $# -ge 3 ] || { usage >&2; exit 2; } ;;
    client) [ $# -eq 3 ] || { usage >&2; exit 2; } ;;
    *)
        usage >&2
        exit 2
        ;;
esac
what=$1 dir=$2
shift 2

absent() {
    local file
    for file in "$@"; do
        if [ -e "$file" ] || [ -L "$file" ]; then
            stop "$file is there already; nothing is written. Move it away first."
        fi
    done
}

new_key() {
    openssl genpkey -quiet -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1" 2>/dev/null ||
        openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1"
    chmod 600 -- "$1"
}

if [ "$what" = ca ]; then
    mkdir -p -- "$dir"
    absent "$dir/ca.key" "$dir/ca.crt"
elif [ ! -f "$dir/ca.key" ] || [ ! -f "$dir/ca.crt" ]; then
    stop "there is no authority in $dir; nothing is written. First: make-ca.sh ca $dir"
fi

# All is made in a folder aside and moved in at the end, so that a fault leaves no half.
tmp=$(mktemp -d -- "$dir/.new.XXXXXX")
trap 'rm -rf -- "$tmp"' EXIT

sign() { # NAME SUBJECT EXTENSIONS
    new_key "$tmp/$1.key"
    printf '%s\n' "$3" >"$tmp/ext"
    openssl req -new -key "$tmp/$1.key" -subj "$2" -out "$tmp/$1.csr"
    openssl x509 -req -in "$tmp/$1.csr" -CA "$dir/ca.crt" -CAkey "$dir/ca.key" \
        -set_serial "0x$(openssl rand -hex 16 | sed 's/^./1/')" -sha256 -days "$DAYS" \
        -extfile "$tmp/ext" -out "$tmp/$1.crt" 2>/dev/null
    openssl verify -CAfile "$dir/ca.crt" "$tmp/$1.crt" >/dev/null
    chmod 644 -- "$tmp/$1.crt"
    mv -n -- "$tmp/$1.key" "$tmp/$1.crt" "$dir/"
    printf 'make-ca.sh: %s/%s.crt and .key are made, good for %s days.\n' "$dir" "$1" "$DAYS"
}

case $what in
    ca)
        new_key "$tmp/ca.key"
        openssl req -x509 -new -key "$tmp/ca.key" -sha256 -days "$CA_DAYS" \
            -subj "/CN=filmcall authority $(openssl rand -hex 4)" \
            -addext 'basicConstraints=critical,CA:TRUE,pathlen:0' \
            -addext 'keyUsage=critical,keyCertSign,cRLSign' -out "$tmp/ca.crt"
        chmod 644 -- "$tmp/ca.crt"
        mv -n -- "$tmp/ca.key" "$tmp/ca.crt" "$dir/"
        printf 'make-ca.sh: %s/ca.crt and ca.key are made, good for %s days.\n' "$dir" "$CA_DAYS"
        ;;
    server)
        absent "$dir/server.key" "$dir/server.crt"
        names=''
        for name in "$@"; do
            case $name in
                '' | -* | *[!A-Za-z0-9.:-]*)
                    stop "'$name' is no host name or address; nothing is written." 2
                    ;;
                *:* | [0-9]*.[0-9]*.[0-9]*.[0-9]*) names=$names,IP:$name ;;
                *) names=$names,DNS:$name ;;
            esac
        done
        sign server "/CN=$1" "basicConstraints=critical,CA:FALSE
keyUsage=critical,digitalSignature
extendedKeyUsage=serverAuth
subjectKeyIdentifier=hash
authorityKeyIdentifier=keyid
subjectAltName=${names#,}"
        ;;
    client)
        account=$1
        case $account in
            '' | ca | server | -* | .* | *[!A-Za-z0-9._-]*)
                stop "'$account' cannot be an account here; nothing is written. Use letters,\
 digits, dot, dash and underscore." 2
                ;;
        esac
        absent "$dir/$account.key" "$dir/$account.crt"
        sign "$account" "/CN=$account" "basicConstraints=critical,CA:FALSE
keyUsage=critical,digitalSignature
extendedKeyUsage=clientAuth
subjectKeyIdentifier=hash
authorityKeyIdentifier=keyid"
        ;;
esac
