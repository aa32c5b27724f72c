"""A machine of its own inside ours, on which the scripts of deploy/ can do all that they do."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from pathlib import Path

from tests.system.conftest import need


def _run(*command: object) -> subprocess.CompletedProcess[str]:
    words = [str(word) for word in command]
    return subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)


def needs_a_debian() -> None:
    """Skip where the install script has no system to look at."""
    need("a Debian with python3", Path("/usr/bin/python3").exists() and bool(shutil.which("dpkg")))
    version = _run("/usr/bin/python3", "-c", "import sys; print(sys.version_info >= (3, 11))")
    need("python3 3.11 as the system's", version.stdout.strip() == "True")


# Folders in memory over those that the script writes to, and in
# the place of what would fetch, build or start anything a stand-in that writes down its words.
_MACHINE = """
set -eu
mkdir "$1/kept" && cp -a /etc/passwd /etc/group /etc/ld.so.cache "$1/kept"
for folder in /etc /opt /run /var/lib /usr/local; do mount -t tmpfs none $folder; done
cp -a "$1"/kept/. /etc
mkdir -p /etc/systemd/system /run/systemd/system /usr/local/sbin /usr/local/bin
cp "$1"/tools/* /usr/local/sbin
exec bash -eu "$1/walk.sh"
"""
_TOOLS = {
    "useradd": "exit 0",
    "chown": "exit 0",
    "apt-get": "exit 0",
    "runuser": "exit 0",
    "systemctl": """
        echo "$@" >>/run/said
        case "$*" in "try-restart $(cat /run/broken 2>/dev/null)") exit 1 ;; esac""",
    "python3": """
        if [ "$2" = venv ]; then
            mkdir -p "$3/bin"
            printf '#!/bin/sh\\nexit 0\\n' >"$3/bin/python"
            printf '#!/bin/sh\\necho filmcall 1\\n' >"$3/bin/filmcall"
            chmod 755 "$3"/bin/*
        elif [ "$1" = -c ] || [ "$1" = -Ic ]; then
            exec /usr/bin/python3 "$@"
        fi""",
}


def machine(tmp_path: Path, script: Path, walk: str) -> subprocess.CompletedProcess[str]:
    """Run a walk, which calls a script as `$install`; `/run/said` has what systemctl was told."""
    needs_a_debian()
    own = _run("unshare", "--mount", "true") if shutil.which("unshare") else None
    need("a mount namespace, as root", own is not None and own.returncode == 0)
    (tmp_path / "tools").mkdir()
    for name, text in _TOOLS.items():
        tool = tmp_path / "tools" / name
        tool.write_text(f"#!/bin/bash\n{text}\n")
        tool.chmod(0o755)
    (tmp_path / "walk.sh").write_text(f"install={shlex.quote(str(script))}\n{walk}")
    return _run("unshare", "--mount", "bash", "-c", _MACHINE, "machine", tmp_path)
