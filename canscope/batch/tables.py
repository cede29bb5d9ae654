"""The results of a batch as Parquet tables, and how often each rule spoke.

Rows are in the order of the runs. Columns are those of ``Report.findings_frame`` and
``bursts_frame`` with the name of the run before them:

=============== ===================== ==========================================================
table           one row               columns
=============== ===================== ==========================================================
runs.parquet    a run                 run, state (fail, unproven, not judged, pass), reason (why it
                                      was not judged), headline, waived, wrong, stage, vehicle,
                                      recorded_ns (its first frame, UTC; null if no clock was set),
                                      length_s, frames, sha256 (of its capture), result, reports
findings.parquet a finding            run, then the fields of ``Finding``; ``facts`` is JSON
bursts.parquet  a stretch of turning  run, then the fields of ``Burst``
values.parquet  a role of a run       run, then the fields of ``RoleFacts``: signal, unit, samples,
                                      lowest and highest value, cycle, what it was held against
=============== ===================== ==========================================================

What is no number in a report is null. A run that was not judged is in ``runs`` alone.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import fields
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from canscope.model.batch import BatchRun, RuleCount
from canscope.model.errors import ReportError, Where
from canscope.model.findings import Finding
from canscope.model.report import Burst, RoleFacts
from canscope.report.wording import one_line

AT_ONCE = 64  # runs in memory, and in a row group
WORD = pa.dictionary(pa.int32(), pa.string())
TEXTS = pa.list_(pa.string())
TYPES: Mapping[str, pa.DataType] = {  # of a field's annotation
    "str": pa.string(),
    "str | None": WORD,
    "Verdict": WORD,
    "bool": pa.bool_(),
    "int": pa.int64(),
    "int | None": pa.int64(),
    "float": pa.float64(),
    "float | None": pa.float64(),
    "tuple[str, ...]": TEXTS,
    "tuple[float, float] | None": pa.list_(pa.float64()),
    "Mapping[str, Any]": pa.string(),
    "Mapping[str, float]": pa.map_(pa.string(), pa.float64()),
}
WORDS = {"state", "rule", "subject", "unit", "limit_source", "code", "requested", "stage"}
WORDS |= {"vehicle", "role", "signal", "waived_by"}
TIME = "recorded_ns"
LEFT_OUT = {(BatchRun, "name"), (BatchRun, "work")}  # the latter differs from batch to batch
PARTS: Mapping[str, tuple[str, type]] = {  # table -> key of a report, and what it lists
    "findings": ("findings", Finding),
    "bursts": ("bursts", Burst),
    "values": ("roles", RoleFacts),
}
NAMES = ("runs", *PARTS)


def schema_of(kind: type) -> pa.Schema:
    """The columns of a table whose rows are of this dataclass, after the name of the run."""
    columns = [("run", WORD)]
    for field in fields(kind):
        if field.name == TIME:
            columns.append((TIME, pa.timestamp("ns", "UTC")))
        elif (kind, field.name) not in LEFT_OUT:
            columns.append((field.name, WORD if field.name in WORDS else TYPES[str(field.type)]))
    return pa.schema(columns)


def write_tables(runs: Sequence[BatchRun], out: Path) -> tuple[list[Path], list[RuleCount]]:
    """Write all tables below ``out``; their paths, and the rules that did not always pass.

    Memory does not grow with the number of runs. Raises ``ReportError`` if a result is gone or a
    table cannot be written.
    """
    kinds = {"runs": BatchRun, **{name: kind for name, (_, kind) in PARTS.items()}}
    parts = {name: out / f".{name}.parquet.part" for name in kinds}
    rules: dict[str, list[int]] = {}
    try:
        with ExitStack() as stack:
            writers = {
                name: stack.enter_context(pq.ParquetWriter(parts[name], schema_of(kind)))
                for name, kind in kinds.items()
            }
            for start in range(0, len(runs), AT_ONCE):
                _write(runs[start : start + AT_ONCE], out, writers, rules)
        paths = [out / f"{name}.parquet" for name in kinds]
        for part, path in zip(parts.values(), paths, strict=True):
            os.replace(part, path)
    except OSError as error:
        hint = "check the free space there, or name another folder with --to"
        what = f"the tables cannot be written: {error.strerror or error}"
        raise ReportError(what, where=Where(str(out)), hint=hint) from error
    counts = [RuleCount(rule, *numbers) for rule, numbers in rules.items() if any(numbers)]
    counts.sort(key=lambda one: (-one.failed, -one.unproven, -one.accepted, one.rule))
    return paths, counts


def _write(
    runs: Iterable[BatchRun],
    out: Path,
    writers: Mapping[str, pq.ParquetWriter],
    rules: dict[str, list[int]],
) -> None:
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in NAMES}
    for run in runs:
        name = one_line(run.name)
        rows["runs"].append({**_row(run, BatchRun), "run": name})
        if not run.result:
            continue
        report = _result(out / run.result)
        for table, (key, kind) in PARTS.items():
            rows[table] += [{**_row(row, kind), "run": name} for row in report[key]]
        _count(report["findings"], rules)
    for name, writer in writers.items():
        writer.write_table(pa.Table.from_pylist(rows[name], schema=writer.schema))


def _result(path: Path) -> dict[str, Any]:
    try:
        report: dict[str, Any] = json.loads(path.read_bytes())
    except ValueError as error:
        hint = "give the same command again: the run is judged anew"
        raise ReportError(
            f"no longer a result: {error}", where=Where(str(path)), hint=hint
        ) from error
    return report


def _row(source: Any, kind: type) -> dict[str, Any]:
    """One row from a dataclass or from its JSON."""
    read = source.get if isinstance(source, dict) else lambda name: getattr(source, name)
    row: dict[str, Any] = {field.name: read(field.name) for field in fields(kind)}
    if "facts" in row:
        row["facts"] = json.dumps(row["facts"], ensure_ascii=False, sort_keys=True)
    if "heat_gained_K" in row:
        row["heat_gained_K"] = list(row["heat_gained_K"].items())
    return row


def _count(findings: Iterable[Mapping[str, Any]], rules: dict[str, list[int]]) -> None:
    """Add one run: how each rule stands in it, by its worst finding."""
    states: dict[str, set[int]] = {}
    for finding in findings:
        if finding["verdict"] == "fail":
            states.setdefault(finding["rule"], set()).add(0)
        elif finding["verdict"] == "unproven" and finding["waived_by"]:
            states.setdefault(finding["rule"], set()).add(2)
        elif finding["verdict"] == "unproven" and finding["required"]:
            states.setdefault(finding["rule"], set()).add(1)
    for rule, found in states.items():
        rules.setdefault(rule, [0, 0, 0])[min(found)] += 1
