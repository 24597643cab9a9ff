"""Ask an open database for known vulnerabilities of the default install; say plainly where it cannot be asked.

python -m tests.dependencies.vulnerabilities [--audit COMMAND]

Ends with 0 where nothing is known and also where nothing could be asked (it says NOT CHECKED then), 1 where something
is known, 2 where the check itself broke. ``pip-audit`` does the asking; it is no dependency, CI installs it apart.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from pathlib import Path

from tests.dependencies.default_install import default_install

DATABASE = "https://api.osv.dev/v1/query"
NOT_CHECKED = "known vulnerabilities: NOT CHECKED, the database cannot be reached from here"


def reachable(url: str = DATABASE) -> bool:
    """Whether the database answers at all; an answer that refuses the question is one."""
    try:
        urllib.request.urlopen(urllib.request.Request(url, data=b"{}"), timeout=5).close()
    except urllib.error.HTTPError:
        return True
    except (OSError, ValueError):
        return False
    return True


def ask(audit: list[str], packages: list[str]) -> tuple[int, list[str]]:
    """Return the exit code and what was found in pinned requirements, a line each."""
    with tempfile.TemporaryDirectory() as folder:
        wanted = Path(folder, "installed.txt")
        wanted.write_text("\n".join(packages) + "\n", encoding="utf-8")
        options = ["--vulnerability-service", "osv", "--no-deps", "--disable-pip", "--format", "json"]
        done = subprocess.run(
            [*audit, *options, "--requirement", str(wanted)], capture_output=True, text=True, check=False
        )
    try:
        answers = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError, TypeError):
        return 2, [line for line in done.stderr.strip().splitlines()[-3:] if line]
    found = [
        f"{each['name']} {each['version']}: {fault['id']} (right from {', '.join(fault['fix_versions']) or '?'})"
        for each in answers
        for fault in each.get("vulns", ())
    ]
    skipped = [f"{each['name']}: not asked, {each['skip_reason']}" for each in answers if "skip_reason" in each]
    return (1 if found else 2 if skipped else 0), [*found, *skipped]


def main() -> int:
    """Do what the command line asks for; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--audit", nargs="+", default=["pip-audit"])
    parser.add_argument("--reachable", action="store_true", help="only say whether the database can be asked")
    options = parser.parse_args()
    if not reachable():
        print(NOT_CHECKED)
        return 3 if options.reachable else 0
    if options.reachable:
        return 0
    packages = default_install()
    code, lines = ask(options.audit, [f"{package.name}=={package.version}" for package in packages])
    said = {0: "none known", 1: "FOUND", 2: "the check broke"}[code]
    print(f"known vulnerabilities of {len(packages)} packages: {said}")
    for line in lines:
        print(f"  {line}")
    return code


if __name__ == "__main__":
    sys.exit(main())
