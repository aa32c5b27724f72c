"""Certificates made with openssl for one test: an authority, servers good and bad, a client."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

_NEW_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


def openssl() -> str | None:
    """Return the path of openssl, or None."""
    return shutil.which("openssl")


class Authority:
    """A certificate authority in a folder of its own."""

    def __init__(self, folder: Path, name: str = "yard") -> None:
        """Make its key and certificate."""
        self._folder = folder
        self.certificate = folder / f"{name}-ca.pem"
        self._key = folder / f"{name}-ca.key"
        self._run(
            "req", "-x509", *_NEW_KEY, "-keyout", str(self._key), "-out", str(self.certificate),
            "-days", "2", "-subj", f"/CN={name} authority",
        )  # fmt: skip

    def issue(self, name: str, alternative: str, *, days: int = 2) -> tuple[Path, Path]:
        """Return certificate and key for a name; negative days make one that has run out."""
        certificate, key = self._folder / f"{name}.pem", self._folder / f"{name}.key"
        request, extension = self._folder / f"{name}.csr", self._folder / f"{name}.ext"
        extension.write_text(f"subjectAltName={alternative}\n")
        self._run(
            "req", *_NEW_KEY, "-keyout", str(key), "-out", str(request), "-subj", f"/CN={name}"
        )
        sign = (
            "x509", "-req", "-in", str(request), "-CA", str(self.certificate),
            "-CAkey", str(self._key), "-CAcreateserial", "-extfile", str(extension),
            "-out", str(certificate),
        )  # fmt: skip
        try:
            self._run(*sign, "-days", str(days))
        except subprocess.CalledProcessError:
            # OpenSSL from 3.4 on wants both dates where the end lies before now.
            self._run(*sign, "-not_before", "20200101000000Z", "-not_after", "20200102000000Z")
        return certificate, key

    def _run(self, *arguments: str) -> None:
        subprocess.run([openssl() or "openssl", *arguments], check=True, capture_output=True)
