"""The two public validators of BIDS data sets, run without a network once they are there.

One comes with the test extra; the other, older and with rules of its own, is one npm package that carries all it needs.
That is fetched once, checked against its hash, and kept in the virtual environment.
"""

from __future__ import annotations

import base64
import hashlib
import json
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path
from typing import Any

from tests.optional import missing, need_program
from tests.packaging.built import bin_folder

NPM_PACKAGE = "bids-validator@1.15.0"
NPM_SHA512 = "gZ0UUTLBt5L3nuhLia/VfvK5OaM0yoTBPJvGmC4slQ8yDzpanWZOHHBS+PAua0riQ7Cwa51HER/Fnd9v17MHUw=="


def deno_errors(top: Path) -> list[str]:
    """Errors of the newer validator, derivatives included."""
    program = bin_folder(Path(sys.prefix)) / "bids-validator-deno"
    if not program.exists():
        missing("bids-validator-deno is not installed (test extra)")
    done = subprocess.run(
        [program, top, "--recursive", "--format", "json"], capture_output=True, text=True, check=False
    )
    report = json.loads(done.stdout)
    parts = [report, *report.get("derivativesSummary", {}).values()]
    return [
        f"{issue['code']} {issue.get('subCode', '')} {issue['location']}"
        for part in parts
        for issue in part["issues"]["issues"]
        if issue["severity"] == "error"
    ]


def npm_errors(top: Path) -> list[str]:
    """Errors of the older validator."""
    command = [need_program("node"), str(npm_validator() / "bin" / "bids-validator"), str(top), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    issues: dict[str, Any] = json.loads(done.stdout)["issues"]
    return [f"{issue['key']}: {[file.get('evidence') for file in issue['files']]}" for issue in issues["errors"]]


def npm_validator() -> Path:
    """The folder of the older validator; fetched, if it is not there yet, and checked."""
    kept = Path(sys.prefix) / "share" / NPM_PACKAGE.replace("@", "-")
    if kept.exists():
        return kept / "package"
    npm = need_program("npm")
    kept.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=kept.parent) as name:
        folder = Path(name)
        fetch = [npm, "pack", NPM_PACKAGE, "--silent", "--pack-destination", name]
        done = subprocess.run(fetch, cwd=folder, capture_output=True, text=True, check=False)
        packed = list(folder.glob("*.tgz"))
        if done.returncode or len(packed) != 1:
            missing(f"npm cannot fetch {NPM_PACKAGE}: {done.stderr.strip()[-300:]}")
        found = base64.b64encode(hashlib.sha512(packed[0].read_bytes()).digest()).decode()
        if found != NPM_SHA512:
            raise ValueError(f"{NPM_PACKAGE}: expected SHA-512 {NPM_SHA512}, found {found}")
        with tarfile.open(packed[0]) as archive:
            # The first releases of Python 3.11 have no filter; the archive's hash is known.
            archive.extraction_filter = getattr(tarfile, "data_filter", None)
            archive.extractall(folder / "unpacked")
        (folder / "unpacked").rename(kept)
    return kept / "package"
