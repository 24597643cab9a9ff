"""``cotyle cohort``: many cases, one row of measurements each."""

from __future__ import annotations

import re
import socket
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path

from cotyle.case.cohort.manifest import Entry, read_manifest
from cotyle.case.cohort.one_case import COTYLE, killed, worked_out
from cotyle.case.cohort.row import Outcome, Row
from cotyle.case.cohort.table import CSV, keep, kept, require_cohort_folder, require_parquet, write_table
from cotyle.case.one_writer import only_writer_of, unwritable_folder
from cotyle.cli.console import print_json, say
from cotyle.errors import InputError

_CONNECT_S = 15
_TRIES = 5
_ADDRESS = re.compile(r"(?:t(?:cp|ls)://)?(?P<host>\[[0-9A-Fa-f:.]+\]|[\w.-]+):(?P<port>[0-9]{1,5})")


def run_cohort(
    manifest: Path,
    out: Path,
    *,
    jobs: int,
    scheduler: str | None,
    again: bool,
    pdf: bool,
    as_json: bool,
    command: tuple[str, ...] = COTYLE,
) -> None:
    """Plan the cases of a table; rows that are done already are kept. ``command`` is what plans one."""
    require_parquet()
    entries = read_manifest(manifest)
    out = out.absolute()
    require_cohort_folder(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable_folder(out, error) from error
    with only_writer_of(out):
        rows = kept(out, entries, again)
        left = [entry for entry in entries if entry.name not in rows]
        if rows and not as_json:
            say(f"{len(rows)} of {len(entries)} cases were done before")
        source = (
            _here(left, out, pdf, command, jobs) if scheduler is None else _there(left, out, pdf, command, scheduler)
        )
        for number, row in enumerate(source, start=1):
            keep(out, row)
            rows[row.name] = row
            if not as_json:
                why = f": {row.text}" if row.text else ""
                say(f"{number} of {len(left)}  {row.name}  {row.outcome}{why}")
        ordered = [rows[entry.name] for entry in entries]
        write_table(out, ordered)
    _report(out, ordered, as_json)


def _here(entries: Sequence[Entry], out: Path, pdf: bool, command: tuple[str, ...], jobs: int) -> Iterator[Row]:
    """Yield rows as they are done on this machine, some at a time."""
    with ThreadPoolExecutor(jobs) as pool:  # each only waits for a process
        tasks = [pool.submit(worked_out, entry, out, pdf, command) for entry in entries]
        try:
            for task in as_completed(tasks):
                yield task.result()
        finally:
            pool.shutdown(cancel_futures=True)


def _there(entries: Sequence[Entry], out: Path, pdf: bool, command: tuple[str, ...], address: str) -> Iterator[Row]:
    """Yield rows as the workers of a Dask scheduler are done with them; a lost worker's case goes to another.

    Raises
    ------
    InputError
        ``cohort-extra``, ``scheduler-unreachable``.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        what = "a scheduler needs packages that are not installed"
        raise InputError("cohort-extra", what, "pip install '.[cohort]' in Cotyle's folder") from error
    try:
        _require_listening(address)  # a client that fails to connect says so in its own way, later, too
        client = Client(address, timeout=_CONNECT_S)  # type: ignore[no-untyped-call]
    except (OSError, OverflowError, TypeError, ValueError) as error:
        what = "no Dask scheduler answers at that address"
        raise InputError("scheduler-unreachable", what, "Give it as tcp://HOST:PORT, and start it first") from error
    with client:
        tasks = {
            client.submit(worked_out, entry, out, pdf, command, pure=False, retries=_TRIES): entry for entry in entries
        }
        for task in as_completed(list(tasks)):  # type: ignore[no-untyped-call]
            yield killed(tasks[task]) if task.exception() is not None else task.result()


def _require_listening(address: str) -> None:
    """Raise ValueError for what is no address, OSError where nobody listens."""
    found = _ADDRESS.fullmatch(address)
    if found is None:
        raise ValueError("not an address")
    with socket.create_connection((found["host"].strip("[]"), int(found["port"])), timeout=_CONNECT_S):
        pass


def _report(out: Path, rows: Sequence[Row], as_json: bool) -> None:
    counts = Counter(str(row.outcome) for row in rows)
    if as_json:
        print_json({"cases": len(rows), "outcomes": dict(counts), "rows": [row.cells() for row in rows]})
        return
    told = ", ".join(f"{counts[str(each)]} {each}" for each in Outcome)
    say(f"{out.name}/{CSV}: {len(rows)} cases, {told}. Research software, not a medical device: check every number.")
