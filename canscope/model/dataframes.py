"""Tables for pandas, made only when somebody asks for one: signals, findings, bursts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from canscope.model.findings import Finding
from canscope.model.signals import Signals

if TYPE_CHECKING:
    from pandas import DataFrame as DataFrame

    from canscope.model.report import Burst

FEW_WORDS = ("rule", "subject", "verdict", "reason", "unit", "limit_source", "code", "requested")
NUMBERS = (
    *("measured", "limit", "margin", "uncertainty", "at_s", "first_failed_s"),
    *("start_s", "length_s", "peak_speed_rpm", "peak_current_A", "lowest_voltage_V"),
)
FINDING_UNITS = {"at_s": "s", "first_failed_s": "s"}
BURST_UNITS = {
    "start_s": "s",
    "length_s": "s",
    "peak_speed_rpm": "rpm",
    "peak_current_A": "A",
    "lowest_voltage_V": "V",
    "heat_gained_K": "K",
}


def signals_frame(chunks: Sequence[Signals], *, wide: bool = False) -> DataFrame:
    """All values of these chunks as one table; ``Signals.to_frame`` says which."""
    import pyarrow as pa

    from canscope.model import tidy

    specs = {
        key: series.spec
        for chunk in chunks
        for key, series in chunk.series.items()
        if len(series.row)
    }
    tables = list(tidy.wide(chunks, list(specs)) if wide else tidy.tidy(chunks))
    if not tables:
        names = ("time_ns", "time_s") if wide else tuple(tidy.TIDY)
        empty = {"text": pa.dictionary(pa.int32(), pa.string())}
        kinds = [(name, empty.get(tidy.TIDY[name], tidy.TIDY[name])) for name in names]
        tables = [pa.schema(kinds).empty_table()]
    frame: DataFrame = pa.concat_tables(tables).unify_dictionaries().to_pandas()
    frame.attrs["units"] = {"time_ns": "ns", "time_s": "s"} | {
        key: spec.unit for key, spec in specs.items()
    }
    return frame


def findings_frame(findings: Iterable[Finding]) -> DataFrame:
    """One row a finding, in their order; ``Report.findings_frame`` says more."""
    return _frame(findings, Finding, FINDING_UNITS)


def bursts_frame(bursts: Iterable[Burst]) -> DataFrame:
    """One row a burst, in time order; ``Report.bursts_frame`` says more."""
    from canscope.model.report import Burst

    return _frame(bursts, Burst, BURST_UNITS)


def _frame(rows: Iterable[Any], kind: type, units: dict[str, str]) -> DataFrame:
    import pandas as pd

    names = [field.name for field in fields(kind)]
    frame = pd.DataFrame([[_cell(getattr(row, n)) for n in names] for row in rows], columns=names)
    for name in names:
        if name in FEW_WORDS:
            frame[name] = frame[name].astype("category")
        elif name in NUMBERS:
            frame[name] = frame[name].astype("float64")
    frame.attrs["units"] = units
    return frame


def _cell(value: Any) -> Any:
    """Texts as plain text: a verdict is an enumeration, which pandas would show as such."""
    return str(value) if isinstance(value, str) else value
